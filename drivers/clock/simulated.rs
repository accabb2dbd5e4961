//! Simulated time: who acts, who is parked, and when now may change.
//!
//! One lock guards the table of seats. Whoever changes it (parks, leaves,
//! rings, delivers bytes) picks the next seat if nobody acts, lets go of the
//! lock, and only then wakes the chosen one: waking a task may drop it, and
//! with it a seat. Not here: bytes, mailboxes.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::future::Future;
use std::pin::Pin;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError, Weak};
use std::task::{Context, Poll, Waker};
use std::time::{Duration, Instant};

use photometry::measured::Moment;
use photometry::units::{Mono, Wall};

use super::seat::Woken;
use crate::link::wire::Lane;

/// Real time that one turn may take, in seconds. The longest honest turn is a
/// commit on a slow disk; what lasts longer is a seat that never parked.
const LIMIT_TURN_S: u64 = 20;

/// How long a turn may take, and what happens then.
pub struct Patience {
    /// Real time without a turn while a seat acts or is busy.
    pub limit: Duration,
    /// Gets the table of seats; called from a thread of its own, once.
    pub end: Box<dyn Fn(&str) + Send + Sync>,
}

impl Default for Patience {
    /// 20 s, then the table goes to stderr and the process aborts.
    fn default() -> Patience {
        Patience {
            limit: Duration::from_secs(LIMIT_TURN_S),
            end: Box::new(|table| {
                eprintln!("no seat of the simulated bench parked for {LIMIT_TURN_S} s:\n{table}");
                std::process::abort();
            }),
        }
    }
}

/// The heart of a simulated clock.
pub(crate) struct Core {
    now_ns: AtomicI64,
    anchor: Wall,
    state: Mutex<State>,
    /// Dropped with the core, which ends the watching thread.
    _watch: Sender<()>,
}

struct State {
    /// By rank, which is never used twice.
    seats: BTreeMap<u64, Place>,
    next_rank: u64,
    acting: Option<u64>,
    /// How many seats are busy.
    busy: usize,
    flows: usize,
    /// When the last turn began or ended, in real time.
    turned: Instant,
}

struct Place {
    name: String,
    standing: Standing,
    mail: bool,
    thread: Arc<Condvar>,
    task: Option<Waker>,
}

enum Standing {
    /// Opened and not yet parked, or its wait was abandoned.
    Busy,
    Acting(Woken),
    Parked {
        until: Option<Mono>,
        ear: Option<Arc<Lane>>,
    },
}

/// How the picked seat is told, once the lock is open.
enum Summons {
    Thread(Arc<Condvar>),
    Task(Waker),
}

impl Summons {
    fn deliver(self) {
        match self {
            Summons::Thread(thread) => thread.notify_one(),
            Summons::Task(waker) => waker.wake(),
        }
    }
}

impl Core {
    pub(super) fn start(anchor: Wall, start: Mono, patience: Patience) -> Arc<Core> {
        let (watch, ended) = channel();
        let core = Arc::new(Core {
            now_ns: AtomicI64::new(start.ns()),
            anchor,
            state: Mutex::new(State {
                seats: BTreeMap::new(),
                next_rank: 1,
                acting: None,
                busy: 0,
                flows: 0,
                turned: Instant::now(),
            }),
            _watch: watch,
        });
        let watched = Arc::downgrade(&core);
        let spawned = std::thread::Builder::new()
            .name("clock watch".to_owned())
            .spawn(move || watch_turns(&watched, &ended, &patience));
        if let Err(error) = spawned {
            tracing::warn!(%error, "nobody watches the turns of the simulated clock");
        }
        core
    }

    pub(super) fn now(&self) -> Moment {
        let mono = self.mono();
        Moment {
            mono,
            wall: self.anchor + mono.since(Mono::ZERO),
        }
    }

    fn mono(&self) -> Mono {
        Mono::from_ns(self.now_ns.load(Ordering::SeqCst))
    }

    pub(super) fn open(&self, names: &[&str]) -> Vec<u64> {
        let mut state = self.state();
        names.iter().map(|name| state.open(name)).collect()
    }

    pub(super) fn open_one(&self, name: &str) -> u64 {
        self.state().open(name)
    }

    pub(super) fn hold_flow(&self) {
        let mut state = self.state();
        state.flows += 1;
        self.hand_on(state);
    }

    pub(super) fn release_flow(&self) {
        let mut state = self.state();
        state.flows = state.flows.saturating_sub(1);
    }

    pub(super) fn nudge(&self) {
        self.hand_on(self.state());
    }

    pub(super) fn ring(&self, rank: u64) {
        let mut state = self.state();
        if let Some(place) = state.seats.get_mut(&rank) {
            place.mail = true;
            self.hand_on(state);
        }
    }

    pub(super) fn leave(&self, rank: u64) {
        let mut state = self.state();
        state.step_out(rank);
        // Dropped after the lock is open: it may hold the last of a task.
        let place = state.seats.remove(&rank);
        self.hand_on(state);
        drop(place);
    }

    pub(super) fn wait(&self, rank: u64, until: Option<Mono>, ear: Option<Arc<Lane>>) -> Woken {
        let mut state = self.state();
        let Some(thread) = state.park(rank, until, ear, None) else {
            return Woken::Due; // a seat that is not in the table has left it
        };
        self.hand_on(state);
        state = self.state();
        loop {
            if let Some(woken) = state.turn(rank) {
                return woken;
            }
            state = thread.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
    }

    pub(super) fn wait_async(&self, rank: u64, until: Option<Mono>) -> Turn<'_> {
        Turn {
            core: self,
            rank,
            until,
            stage: Stage::New,
        }
    }

    /// Picks if nobody acts, opens the lock, wakes.
    fn hand_on(&self, mut state: MutexGuard<'_, State>) {
        let summons = self.pick(&mut state);
        drop(state);
        if let Some(summons) = summons {
            summons.deliver();
        }
    }

    /// The only place where now changes. At most two rounds: after a jump to
    /// the smallest `until`, the seat that waited for it is ready.
    fn pick(&self, state: &mut State) -> Option<Summons> {
        if state.acting.is_some() || state.busy > 0 {
            return None;
        }
        loop {
            let now = self.mono();
            let ready = state
                .seats
                .iter()
                .find_map(|(rank, place)| Some((*rank, place.ready(now)?)));
            if let Some((rank, woken)) = ready {
                state.acting = Some(rank);
                state.turned = Instant::now();
                return state.seats.get_mut(&rank).map(|place| place.call(woken));
            }
            if state.flows == 0 {
                return None;
            }
            let next = state.seats.values().filter_map(Place::until).min()?;
            self.now_ns.store(next.ns(), Ordering::SeqCst);
        }
    }

    pub(super) fn table(&self) -> String {
        let state = self.state();
        let mut text = format!(
            "now {} ns, flows {}, busy {}\n",
            self.mono().ns(),
            state.flows,
            state.busy
        );
        for (rank, place) in &state.seats {
            // Writing to a string does not fail.
            let _ = writeln!(text, "{rank:>4}  {:<24} {}", place.name, place.shown());
        }
        text
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn open(&mut self, name: &str) -> u64 {
        let rank = self.next_rank;
        self.next_rank += 1;
        self.busy += 1;
        self.turned = Instant::now();
        let place = Place {
            name: name.to_owned(),
            standing: Standing::Busy,
            mail: false,
            thread: Arc::new(Condvar::new()),
            task: None,
        };
        self.seats.insert(rank, place);
        rank
    }

    /// Ends whatever this seat holds up: its turn, or its being busy.
    fn step_out(&mut self, rank: u64) {
        if self.acting == Some(rank) {
            self.acting = None;
        }
        if let Some(place) = self.seats.get(&rank)
            && matches!(place.standing, Standing::Busy)
        {
            self.busy -= 1;
        }
        self.turned = Instant::now();
    }

    fn park(
        &mut self,
        rank: u64,
        until: Option<Mono>,
        ear: Option<Arc<Lane>>,
        task: Option<Waker>,
    ) -> Option<Arc<Condvar>> {
        self.step_out(rank);
        let place = self.seats.get_mut(&rank)?;
        place.standing = Standing::Parked { until, ear };
        place.task = task;
        Some(Arc::clone(&place.thread))
    }

    /// If it is this seat's turn: why. Takes the mail with it.
    fn turn(&mut self, rank: u64) -> Option<Woken> {
        let place = self.seats.get_mut(&rank)?;
        let Standing::Acting(woken) = place.standing else {
            return None;
        };
        if woken == Woken::Mail {
            place.mail = false;
        }
        Some(woken)
    }

    /// A parked seat whose wait was abandoned runs on without a turn.
    fn abandon(&mut self, rank: u64) -> Option<Waker> {
        let place = self.seats.get_mut(&rank)?;
        if matches!(place.standing, Standing::Parked { .. }) {
            place.standing = Standing::Busy;
            self.busy += 1;
        }
        place.task.take()
    }
}

impl Place {
    fn ready(&self, now: Mono) -> Option<Woken> {
        let Standing::Parked { until, ear } = &self.standing else {
            return None;
        };
        if self.mail {
            Some(Woken::Mail)
        } else if ear.as_ref().is_some_and(|lane| lane.is_ready()) {
            Some(Woken::Bytes)
        } else if until.is_some_and(|until| until <= now) {
            Some(Woken::Due)
        } else {
            None
        }
    }

    fn until(&self) -> Option<Mono> {
        match self.standing {
            Standing::Parked { until, .. } => until,
            _ => None,
        }
    }

    fn call(&mut self, woken: Woken) -> Summons {
        self.standing = Standing::Acting(woken);
        match self.task.take() {
            Some(waker) => Summons::Task(waker),
            None => Summons::Thread(Arc::clone(&self.thread)),
        }
    }

    fn shown(&self) -> String {
        let mail = if self.mail { ", mail" } else { "" };
        match &self.standing {
            Standing::Busy => format!("busy, has not parked{mail}"),
            Standing::Acting(woken) => format!("acting since {woken:?}{mail}"),
            Standing::Parked { until, ear } => {
                let until = until.map_or_else(
                    || "for ever".to_owned(),
                    |until| format!("until {} ns", until.ns()),
                );
                let bytes = ear.as_ref().map_or_else(String::new, |lane| {
                    format!(", {} bytes due", lane.due_bytes())
                });
                format!("parked {until}{bytes}{mail}")
            }
        }
    }
}

/// The wait of a task.
pub(super) struct Turn<'a> {
    core: &'a Core,
    rank: u64,
    until: Option<Mono>,
    stage: Stage,
}

#[derive(PartialEq)]
enum Stage {
    New,
    Parked,
    Over,
}

impl Future for Turn<'_> {
    type Output = Woken;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Woken> {
        let (core, rank) = (self.core, self.rank);
        let mut state = core.state();
        if self.stage == Stage::New {
            self.stage = Stage::Parked;
            state.park(rank, self.until, None, Some(context.waker().clone()));
            core.hand_on(state);
            state = core.state();
        }
        if let Some(woken) = state.turn(rank) {
            self.stage = Stage::Over;
            return Poll::Ready(woken);
        }
        let place = state.seats.get_mut(&rank);
        let old = place.and_then(|place| place.task.replace(context.waker().clone()));
        drop(state);
        drop(old); // outside the lock: it may hold the last of another task
        Poll::Pending
    }
}

impl Drop for Turn<'_> {
    fn drop(&mut self) {
        if self.stage == Stage::Parked {
            let task = self.core.state().abandon(self.rank);
            drop(task);
        }
    }
}

/// Looks four times per limit whether turns are still taken. A clock on which
/// everybody is parked stands still rightly, for as long as it likes.
fn watch_turns(core: &Weak<Core>, ended: &Receiver<()>, patience: &Patience) {
    loop {
        match ended.recv_timeout(patience.limit / 4) {
            Err(RecvTimeoutError::Timeout) => {}
            Ok(()) | Err(RecvTimeoutError::Disconnected) => return,
        }
        let Some(core) = core.upgrade() else { return };
        let stuck = {
            let state = core.state();
            (state.acting.is_some() || state.busy > 0) && state.turned.elapsed() >= patience.limit
        };
        if stuck {
            (patience.end)(&core.table());
            return;
        }
    }
}
