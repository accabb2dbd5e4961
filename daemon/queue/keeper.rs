//! Hands the next run to a free attendant, and keeps what is known of every
//! bench.
//!
//! Before a run is handed over its unit must still stand where it was frozen;
//! otherwise the run is held and asks, so it never measures the wrong lamp.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use drivers::clock::Clock;
use photometry::measured::Moment;
use tokio::sync::broadcast;

use super::adopt::{self, Stands};
use super::line::{self, InLine};
use super::orders::BenchShown;
use super::refusal::Refusal;
use super::turns::Turns;
use crate::attendant::handle::{Assignment, Handle, Note, Order, Pulse};
use crate::plan::card::Card;
use crate::plan::frozen::Frozen;
use crate::plan::lamp::Lamp;
use crate::plan::placement::Placement;
use crate::run::journal::{RunId, SeamCause};
use crate::store::error::{StoreError, reasons};
use crate::store::open::Store;
use crate::store::runs::RunRow;

/// A bench and its attendant.
pub struct Desk {
    /// What the bench can do.
    pub card: Card,
    /// Its attendant.
    pub handle: Handle,
    /// What is at work there.
    pub stand: Mutex<Stand>,
    /// Whether its attendant's loop turns.
    pub pulse: Arc<Pulse>,
}

/// What is at work on a bench.
#[derive(Clone, Debug, Default)]
pub struct Stand {
    /// The run in the attendant's hands.
    pub at_hand: Option<RunId>,
    /// Why it takes no run.
    pub out_of_service: Option<String>,
    /// The daemon is leaving.
    pub leaving: bool,
    /// The question that was answered last: its run and event.
    pub answered: Option<(RunId, u64)>,
    /// The run that was put down when its record failed, to be taken up again.
    pub mended: Option<RunId>,
}

/// Plays the person at a rehearsed bench: does to the simulated lamp what a
/// person would have done to the real one.
pub trait StandIn: Send + Sync {
    /// A unit was placed.
    fn placed(&self, placement: &Placement, lamp: &Lamp);
    /// A question is about to be answered: what it asks for is done.
    fn asked(&self, bench: &str, question: &str);
}

impl Stand {
    /// Whether the next run may be handed over.
    fn takes_runs(&self) -> bool {
        self.at_hand.is_none() && self.out_of_service.is_none() && !self.leaving
    }
}

/// The keeper of all benches of a daemon.
pub struct Keeper {
    pub(super) store: Store,
    pub(super) clock: Clock,
    boot: String,
    rehearsal: Option<u64>,
    pub(super) desks: BTreeMap<String, Desk>,
    pub(super) stand_in: Option<Box<dyn StandIn>>,
    /// One order at a time: booking and handing over read, decide and write.
    pub(super) gate: tokio::sync::Mutex<()>,
    /// One ruling at a time for each run.
    pub(super) turns: Turns,
    /// Counts orders that changed a run which no attendant has in hand.
    stirred: tokio::sync::watch::Sender<u64>,
    /// Asks for the room on the record's disk; a test says its own.
    pub(super) free_room: fn(&Store) -> Option<u64>,
}

impl Keeper {
    /// A keeper of these benches.
    pub fn new(
        store: Store,
        clock: Clock,
        boot: String,
        rehearsal: Option<u64>,
        desks: Vec<(Card, Handle)>,
        stand_in: Option<Box<dyn StandIn>>,
    ) -> Arc<Keeper> {
        let desks = desks
            .into_iter()
            .map(|(card, handle)| {
                (
                    card.name.clone(),
                    Desk {
                        card,
                        handle,
                        stand: Mutex::default(),
                        pulse: Arc::default(),
                    },
                )
            })
            .collect();
        Arc::new(Keeper {
            store,
            clock,
            boot,
            rehearsal,
            desks,
            stand_in,
            gate: tokio::sync::Mutex::new(()),
            turns: Turns::new(),
            stirred: tokio::sync::watch::Sender::new(0),
            free_room: Store::free_room,
        })
    }

    /// The seed, when every device is simulated.
    pub fn rehearsal(&self) -> Option<u64> {
        self.rehearsal
    }

    /// Bench time.
    pub fn now(&self) -> Moment {
        self.clock.now()
    }

    /// The date on this bench's clock.
    pub(super) fn today(&self) -> String {
        self.clock.civil(self.clock.now().wall).day_text()
    }

    /// The benches.
    pub fn benches(&self) -> Vec<BenchShown> {
        self.desks
            .values()
            .map(|desk| {
                let stand = desk.stand();
                BenchShown {
                    card: desk.card.clone(),
                    at_hand: stand.at_hand,
                    out_of_service: stand.out_of_service.clone(),
                }
            })
            .collect()
    }

    /// Hands runs on for as long as the attendant of a bench says anything.
    pub async fn keep(self: Arc<Keeper>, bench: String) {
        let Some(mut notes) = self
            .desks
            .get(&bench)
            .map(|desk| desk.handle.notes.subscribe())
        else {
            return;
        };
        self.hand_on_or_mend(&bench).await;
        loop {
            match notes.recv().await {
                Ok(Note::Ended { run, .. }) => {
                    tracing::info!(%run, %bench, "the run is over");
                    if let Some(desk) = self.desks.get(&bench) {
                        desk.stand().at_hand = None;
                    }
                    self.hand_on_or_mend(&bench).await;
                    // A script may take its time; the bench does not wait.
                    let keeper = Arc::clone(&self);
                    tokio::spawn(async move { keeper.rule_or_say(run).await });
                }
                Ok(Note::RecordFailed { run, why }) => {
                    self.record_failed(&bench, Some(run), &why);
                }
                Ok(Note::Left) | Err(broadcast::error::RecvError::Closed) => {
                    // Why it left is told by whoever let it work.
                    return;
                }
                // A note that was missed may have been an end.
                Err(broadcast::error::RecvError::Lagged(_)) => self.recover(&bench).await,
                Ok(Note::Journal { .. }) => {}
            }
        }
    }

    /// Rules on a run that has just ended; what goes wrong is told in the log,
    /// and tried again by whoever asks for the rulings.
    async fn rule_or_say(&self, run: RunId) {
        if let Err(refusal) = self.rule_once(run).await {
            tracing::error!(%run, %refusal, "the run could not be ruled on");
        }
    }

    /// Says that a bench takes no more runs.
    pub fn out_of_service(&self, bench: &str, why: &str) {
        if let Some(desk) = self.desks.get(bench) {
            let mut stand = desk.stand();
            stand.at_hand = None;
            stand.out_of_service.get_or_insert_with(|| why.to_owned());
        }
        // Whoever looks on must hear of it.
        self.stir();
    }

    /// Takes a bench out of service until its record can be used again.
    fn record_failed(self: &Arc<Keeper>, bench: &str, run: Option<RunId>, why: &str) {
        let why = format!("its record failed: {why}; it goes on as soon as the record can be used");
        tracing::error!(%bench, "{why}");
        self.out_of_service(bench, &why);
        tokio::spawn(Arc::clone(self).mend(bench.to_owned(), run));
    }

    /// Tells anew why a bench takes no runs.
    pub(super) fn still_out_of_service(&self, bench: &str, why: &str) {
        if let Some(desk) = self.desks.get(bench) {
            desk.stand().out_of_service = Some(why.to_owned());
        }
        self.stir();
    }

    /// Takes a bench into service again; `run` was put down when its record
    /// failed.
    pub(super) fn in_service(&self, bench: &str, run: Option<RunId>) {
        if let Some(desk) = self.desks.get(bench) {
            let mut stand = desk.stand();
            stand.out_of_service = None;
            stand.mended = run;
        }
        self.stir();
    }

    pub(super) fn is_leaving(&self, bench: &str) -> bool {
        let desk = self.desks.get(bench);
        desk.is_none_or(|desk| desk.stand().leaving)
    }

    async fn recover(self: &Arc<Keeper>, bench: &str) {
        let at_hand = self.desks.get(bench).and_then(|desk| desk.stand().at_hand);
        let Some(run) = at_hand else { return };
        if let Ok(Some(row)) = self.store.run(run).await
            && row.state.is_over()
        {
            if let Some(desk) = self.desks.get(bench) {
                desk.stand().at_hand = None;
            }
            self.hand_on_or_mend(bench).await;
        }
    }

    async fn hand_on_or_mend(self: &Arc<Keeper>, bench: &str) {
        if let Err(error) = self.hand_on_or_say(bench).await {
            self.record_failed(bench, None, &reasons(&error));
        }
    }

    /// Hands the next run on if the bench is free; other refusals than that
    /// the record cannot be used are told in the log.
    pub(super) async fn hand_on_or_say(&self, bench: &str) -> Result<(), StoreError> {
        let _turn = self.gate.lock().await;
        let free = self.desks.get(bench).is_some_and(|desk| {
            let stand = desk.stand();
            stand.takes_runs()
        });
        if !free {
            return Ok(());
        }
        match self.hand_on(bench).await {
            Err(Refusal::Store(error)) => return Err(error),
            Err(refusal) => {
                tracing::error!(%bench, %refusal, "the next run could not be handed over");
            }
            Ok(()) => {}
        }
        Ok(())
    }

    /// Hands the next run to the attendant, if it is free.
    pub(super) async fn hand_on(&self, bench: &str) -> Result<(), Refusal> {
        let Some(desk) = self.desks.get(bench) else {
            return Ok(());
        };
        // Each round either hands a run over or holds one, so it ends.
        let rows = self.store.runs().await?;
        for _ in 0..=rows.len() {
            {
                let stand = desk.stand();
                if !stand.takes_runs() {
                    return Ok(());
                }
            }
            let runs: Vec<InLine> = self.store.runs().await?.iter().map(in_line).collect();
            let Some(next) = line::next(&runs, bench) else {
                return Ok(());
            };
            let (run, begun) = (next.run, next.begun);
            match self.displaced(run).await? {
                Some(why) if !begun => {
                    tracing::warn!(%run, "{why}");
                    self.store.hold_unbegun(run, &why).await?;
                    self.stir();
                }
                Some(why) => {
                    tracing::warn!(%run, "{why}");
                    return self.assign(desk, run, Some(why)).await;
                }
                None => return self.assign(desk, run, None).await,
            }
        }
        Ok(())
    }

    /// Hands a run over. `displaced`: its unit or the bench are not as they were,
    /// so it may only be held or ended.
    async fn assign(
        &self,
        desk: &Desk,
        run: RunId,
        displaced: Option<String>,
    ) -> Result<(), Refusal> {
        let (frozen, _) = self.store.frozen(run).await?.ok_or(Refusal::NoRun(run))?;
        let past = self.store.events(run, 0, u32::MAX).await?;
        if past.is_empty() {
            self.short_of_room(run, &frozen);
        }
        let last_boot = self.store.last_boot(run).await?;
        let other_boot = adopt::other_boot(last_boot.as_deref(), &self.boot);
        let mended = desk.stand().mended.take() == Some(run);
        let assignment = Assignment {
            run,
            frozen: Arc::new(frozen),
            past,
            link: self.store.last_link(run).await?,
            ledger: Box::new(self.store.ledger(run, &self.boot)),
            other_boot,
            displaced,
            broken_off_by: match mended {
                true => SeamCause::RecordFailed,
                false => SeamCause::Died,
            },
        };
        let posted = {
            // Under one lock with `leaving`: whoever is told to leave hears of
            // no run after that.
            let mut stand = desk.stand();
            if stand.leaving {
                return Ok(());
            }
            stand.at_hand = Some(run);
            desk.handle.orders.post(Order::Begin(Box::new(assignment)))
        };
        if posted.is_err() {
            self.out_of_service(&desk.card.name, "its attendant takes no orders");
            return Err(self.not_now(&desk.card.name));
        }
        Ok(())
    }

    /// The benches whose attendants did not answer since they were last asked;
    /// all others are asked again. Those that were told to leave, or have left
    /// with a defect, are not asked.
    pub fn silent(&self) -> Vec<String> {
        let mut silent = Vec::new();
        for (name, desk) in &self.desks {
            if desk.stand().leaving {
                continue;
            }
            if !desk.pulse.is_answered() {
                silent.push(name.clone());
                continue;
            }
            desk.pulse.ask();
            let asked = desk
                .handle
                .orders
                .post(Order::Pulse(Arc::clone(&desk.pulse)));
            if asked.is_err() {
                desk.pulse.answer();
            }
        }
        silent
    }

    pub(super) fn not_now(&self, bench: &str) -> Refusal {
        let why = self
            .desks
            .get(bench)
            .and_then(|desk| desk.stand().out_of_service.clone());
        Refusal::NotNow {
            bench: bench.to_owned(),
            why: why.unwrap_or_else(|| "its attendant takes no orders".to_owned()),
        }
    }

    /// Why unit or bench are not as a run froze them; none when they are.
    pub(super) async fn displaced(&self, run: RunId) -> Result<Option<String>, Refusal> {
        let row = self.row(run).await?;
        let (frozen, _) = self.store.frozen(run).await?.ok_or(Refusal::NoRun(run))?;
        let then = self.store.placement_of_run(run).await?;
        let current = self.store.placement_of_unit(&row.unit).await?;
        if row.begun.is_none() {
            let placement = current.as_ref().map(|(_, placement)| placement);
            if let Some(why) = self.belongs_elsewhere(&frozen, placement) {
                return Ok(Some(why));
            }
        }
        let unit = &row.unit;
        match adopt::stands(then, current.map(|(id, _)| id)) {
            Stands::AsFrozen => Ok(self.changed(&row, &frozen)),
            Stands::Anew => Ok(Some(format!(
                "unit `{unit}` was placed anew since this run was booked; release the run to \
                 measure it there"
            ))),
            Stands::Nowhere => Ok(Some(format!(
                "unit `{unit}` stands on no bench; place it (`wakerail place {unit} --lamp FILE`), \
                 then release the run"
            ))),
        }
    }

    /// Why the bench is not as a run froze it.
    fn changed(&self, row: &RunRow, frozen: &Frozen) -> Option<String> {
        let desk = self.desks.get(&row.bench)?;
        let changed = adopt::changed(frozen, &desk.card);
        if changed.is_empty() {
            return None;
        }
        let (bench, what) = (&row.bench, changed.join(", "));
        let then = match row.begun {
            Some(_) => "put it back, start the daemon again, then release the run",
            None => "release the run to measure with the bench as it is now",
        };
        Some(format!(
            "the file of bench `{bench}` says otherwise than when this run was booked ({what}): {then}"
        ))
    }

    pub(super) async fn row(&self, run: RunId) -> Result<RunRow, Refusal> {
        self.store.run(run).await?.ok_or(Refusal::NoRun(run))
    }

    pub(super) fn desk(&self, name: Option<&str>) -> Result<&Desk, Refusal> {
        let names = || self.desks.keys().cloned().collect::<Vec<_>>().join(", ");
        match name {
            Some(name) => self.desks.get(name).ok_or_else(|| {
                let known = self.desks.keys().map(String::as_str);
                let meant = match written::nearest(name, known) {
                    Some(near) => format!("did you mean `{near}`? "),
                    None => String::new(),
                };
                Refusal::NoName {
                    what: "bench",
                    name: name.to_owned(),
                    hint: format!("{meant}this daemon works: {}", names()),
                }
            }),
            None => {
                let mut all = self.desks.values();
                match (all.next(), all.next()) {
                    (Some(only), None) => Ok(only),
                    _ => Err(Refusal::NoName {
                        what: "bench",
                        name: String::new(),
                        hint: format!("name one with --bench: {}", names()),
                    }),
                }
            }
        }
    }

    /// Hears when a run that no attendant has in hand was changed.
    pub fn stirs(&self) -> tokio::sync::watch::Receiver<u64> {
        self.stirred.subscribe()
    }

    pub(super) fn stir(&self) {
        self.stirred.send_modify(|count| *count += 1);
    }

    /// Hears what the attendant of a run's bench says.
    ///
    /// # Errors
    /// When there is no such run or bench.
    pub async fn notes(&self, run: RunId) -> Result<broadcast::Receiver<Note>, Refusal> {
        let row = self.row(run).await?;
        Ok(self.desk(Some(&row.bench))?.handle.notes.subscribe())
    }

    /// Why the bench of a run takes no more runs; none when it does.
    pub fn trouble(&self, row: &RunRow) -> Option<String> {
        let desk = self.desks.get(&row.bench)?;
        let stand = desk.stand();
        stand.out_of_service.clone()
    }

    /// Tells every attendant to make its bench safe and leave.
    pub fn shut_down(&self) {
        for desk in self.desks.values() {
            // A bench that becomes free while the daemon leaves stays free.
            desk.stand().leaving = true;
            // A full mailbox is read before the next act; a closed one is gone.
            let _ = desk.handle.orders.post(Order::Shutdown);
        }
    }

    /// Waits until no run is being handed over any more: that reads the record,
    /// which must not be closed under it. For after [`Keeper::shut_down`], when
    /// no other begins.
    pub async fn settled(&self) {
        let _last = self.gate.lock().await;
    }

    pub(super) fn desk_of(&self, row: &RunRow) -> Option<&Desk> {
        let desk = self.desks.get(&row.bench)?;
        (desk.stand().at_hand == Some(row.id)).then_some(desk)
    }

    pub(super) fn order(&self, desk: &Desk, order: Order) -> Result<(), Refusal> {
        desk.handle
            .orders
            .post(order)
            .map_err(|_| self.not_now(&desk.card.name))
    }
}

impl Desk {
    pub(super) fn stand(&self) -> MutexGuard<'_, Stand> {
        self.stand.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn in_line(row: &RunRow) -> InLine {
    InLine {
        run: row.id,
        bench: row.bench.clone(),
        state: row.state,
        begun: row.begun.is_some(),
    }
}
