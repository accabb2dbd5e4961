//! A night for the tests: a simulated bench, an attendant on it, a journal in
//! memory. The attendant can be made to die at any write of its journal.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use drivers::clock::Clock;
use drivers::link::session::Said;
use drivers::link::wire::{memory_wire, pty_wire, serve};
use drivers::link::{Address, Tap};
use drivers::simulated::bench::{BenchSpec, SimulatedBench, Wire};
use drivers::simulated::faults::Device;
use drivers::simulated::replayed::{Followed, Replayed};
use drivers::simulated::world::{Person, WorldSpec};
use photometry::units::{Length, Mono, Span, Wall};

use super::handle::{Assignment, Handle, Note, Order};
use super::work::Attendant;
use crate::bench::open::{Bench, seat_names};
use crate::plan::card::{Card, Finger};
use crate::plan::frozen::Frozen;
use crate::plan::intent::{Plan, Survey};
use crate::plan::lamp::Lamp;
use crate::plan::placement::Placement;
use crate::plan::samples;
use crate::run::journal::{End, Event, Link, RunId, SeamCause};
use crate::run::ledger::{Ledger, LedgerError, Line, Written};
use crate::run::traffic::Piece;

/// 2026-11-02 20:00 UTC.
pub const ANCHOR: Wall = Wall::from_us(1_793_649_600_000_000);

/// A journal in memory.
#[derive(Clone, Default)]
pub struct Paper(Arc<Mutex<Sheet>>);

#[derive(Default)]
struct Sheet {
    events: Vec<Event>,
    lines: Vec<String>,
    link: Option<Link>,
    writes: usize,
    dies_at: Option<(usize, Dies)>,
    breaks_at: Option<usize>,
    dies_on: Option<(&'static str, Dies)>,
    watch: Option<(Person, Watch)>,
    pieces: Vec<Piece>,
    is_slow: bool,
}

/// Told of each event while it is written, with the person who can look at the
/// bench then. A note is heard later, when the bench may have gone on already.
pub type Watch = Box<dyn Fn(&Event, &Person) + Send>;

/// When the daemon dies at a write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dies {
    /// Nothing of it was kept.
    Before,
    /// It was kept, and nobody was told.
    After,
}

impl Paper {
    fn sheet(&self) -> std::sync::MutexGuard<'_, Sheet> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
    pub fn events(&self) -> Vec<Event> {
        self.sheet().events.clone()
    }
    pub fn lines(&self) -> Vec<String> {
        self.sheet().lines.clone()
    }
    /// The traffic that was kept.
    pub fn pieces(&self) -> Vec<Piece> {
        self.sheet().pieces.clone()
    }
    pub fn text(&self) -> String {
        self.lines().join("\n")
    }
    /// The daemon dies at the nth write from now, from 1.
    pub fn dies_at(&self, nth: usize, how: Dies) {
        let mut sheet = self.sheet();
        sheet.writes = 0;
        sheet.dies_at = Some((nth, how));
    }
    /// The daemon dies at the first event of a kind.
    pub fn dies_on(&self, kind: &'static str, how: Dies) {
        self.sheet().dies_on = Some((kind, how));
    }
    /// It dies no more.
    pub fn lives(&self) {
        let mut sheet = self.sheet();
        sheet.dies_on = None;
        sheet.dies_at = None;
        sheet.breaks_at = None;
    }
    /// The disk refuses the nth write from now.
    pub fn breaks_at(&self, nth: usize) {
        let mut sheet = self.sheet();
        sheet.writes = 0;
        sheet.breaks_at = Some(nth);
    }
    /// Writing takes a while, in which other tasks go on.
    pub fn is_slow(&self) {
        self.sheet().is_slow = true;
    }
    fn link(&self, bundle: Link) -> Link {
        self.sheet().link.unwrap_or(bundle)
    }
}

struct Pen {
    paper: Paper,
    died: tokio::sync::mpsc::UnboundedSender<()>,
}

impl Ledger for Pen {
    fn append_all<'a>(&'a mut self, lines: &'a [Line<'a>]) -> Written<'a> {
        Box::pin(async move {
            let turns = if self.paper.sheet().is_slow { 100 } else { 0 };
            for _ in 0..turns {
                tokio::task::yield_now().await;
            }
            for line in lines {
                if !self.put_down(line)? {
                    // The test drops the attendant; this is never woken.
                    let _ = self.died.send(());
                    std::future::pending::<()>().await;
                }
            }
            Ok(())
        })
    }

    fn takes_traffic(&mut self) -> bool {
        true
    }

    fn keep_traffic(&mut self, pieces: Vec<Piece>) {
        self.paper.sheet().pieces.extend(pieces);
    }
}

impl Pen {
    /// Writes one line; false when the daemon dies of it. Two lines at once
    /// may part here: a record that keeps them together is spared that case.
    fn put_down(&self, line: &Line<'_>) -> Result<bool, LedgerError> {
        let event = line.event;
        let mut sheet = self.paper.sheet();
        sheet.writes += 1;
        let now = sheet.writes;
        let dies = sheet
            .dies_at
            .filter(|(nth, _)| *nth == now)
            .map(|(_, how)| how)
            .or(sheet
                .dies_on
                .filter(|(kind, _)| *kind == event.body.kind())
                .map(|(_, how)| how));
        if sheet.breaks_at == Some(now) {
            let reason = "no space left on device".to_owned();
            return Err(LedgerError { reason });
        }
        if dies != Some(Dies::Before) {
            if let Some((person, watch)) = &sheet.watch {
                watch(event, person);
            }
            sheet.events.push(event.clone());
            sheet.lines.push(line.text.to_owned());
            sheet.link = Some(line.link);
        }
        Ok(dies.is_none())
    }
}

/// How the devices are reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum By {
    Memory,
    Pty,
}

/// Everything that a night needs.
pub struct Scene {
    pub frozen: Arc<Frozen>,
    pub world: WorldSpec,
    pub by: By,
    pub folder: tempfile::TempDir,
    pub paper: Paper,
    pub other_boot: bool,
    pub displaced: Option<String>,
    /// How long the daemon is away between two sittings.
    pub away: Span,
    /// In real time instead of simulated time.
    pub real_time: bool,
    /// What goes over the links of these instruments is recorded.
    pub taps: BTreeMap<String, Tap>,
    /// A recorded talk that is played in place of the simulated meter.
    pub played: Option<Vec<Said>>,
    /// How far the talk came in it, once it was played.
    pub followed: Mutex<Followed>,
}

/// How a sitting ended.
#[derive(Debug, PartialEq)]
pub enum Sat {
    Ended(End),
    Died,
    Left,
    /// Its record failed.
    PutDown,
}

/// The sample bench, as the simulated devices are.
pub fn card(world: &WorldSpec, fingers: bool) -> Card {
    let mut card = samples::card();
    if let Some(rail) = &mut card.rail {
        rail.travel_from = Length::from_mm(1);
        rail.travel_to = Length::from_mm(2000);
        rail.datum_at = world.datum;
        rail.datum_uncertainty = Length::from_um(500);
    }
    if let Some(board) = &mut card.fingers {
        let finger = |name: &str, channel| Finger {
            name: name.to_owned(),
            channel,
        };
        board.channels = vec![finger("round", 1), finger("left", 2), finger("right", 3)];
    }
    card.meters[0].ranges = world.meter.ranges.clone();
    if !fingers {
        card.fingers = None;
    }
    card
}

/// One more port, like the first.
pub fn add_port(card: &mut Card, name: &str) {
    let mut port = card.ports[0].clone();
    name.clone_into(&mut port.name);
    card.ports.push(port);
}

pub fn placement(world: &WorldSpec) -> Placement {
    Placement {
        datum: world.datum,
        datum_uncertainty: Length::from_um(500),
        ..samples::placement()
    }
}

/// The simulated device behind each port, in the order of their seats.
fn simulated_ports(card: &Card) -> Vec<(String, Device)> {
    let mut ports = vec![
        ("rail-port".to_owned(), Device::Rail),
        ("meter-port".to_owned(), Device::Meter),
        ("finger-port".to_owned(), Device::Fingers),
    ];
    ports.extend(crate::rehearsal::further_devices(card));
    ports
}

impl Scene {
    pub fn new(seed: u64, by: By, levels: u16, survey: Survey) -> Scene {
        let mut world = WorldSpec::new(seed);
        world.lamp.levels = levels;
        let lamp = samples::lamp(levels);
        let card = card(&world, true);
        Scene::of(world, by, lamp, card, survey)
    }

    pub fn of(world: WorldSpec, by: By, lamp: Lamp, card: Card, survey: Survey) -> Scene {
        let placement = placement(&world);
        let plan = samples::plan(survey);
        Scene::planned(world, by, lamp, card, plan, placement)
    }

    /// A night of any plan.
    pub fn planned(
        world: WorldSpec,
        by: By,
        lamp: Lamp,
        card: Card,
        plan: Plan,
        placement: Placement,
    ) -> Scene {
        let frozen = samples::frozen(plan, lamp, card, placement);
        Scene {
            frozen: Arc::new(frozen),
            world,
            by,
            folder: tempfile::tempdir().expect("a folder"),
            paper: Paper::default(),
            other_boot: false,
            displaced: None,
            away: Span::from_secs(30),
            real_time: false,
            taps: BTreeMap::new(),
            played: None,
            followed: Mutex::default(),
        }
    }

    pub fn wire(&self, device: Device) -> Wire {
        match self.by {
            By::Memory => Wire::Memory(format!("{device:?}")),
            By::Pty => Wire::Pty(self.folder.path().join(format!("{device:?}"))),
        }
    }

    /// One life of the daemon, against the bench as it was left. `order` is
    /// given right after the run; `persons` hands come as the notes ask.
    pub async fn sit(&self, hands: impl Hands) -> Sat {
        let last = self.paper.events().last().map(|event| event.at);
        let start = last.map_or(Mono::ZERO, |at| at.mono + self.away);
        let clock = if self.real_time {
            Clock::wall()
        } else {
            Clock::simulated(ANCHOR, start)
        };
        let ports = simulated_ports(&self.frozen.card);
        let mut devices: Vec<Device> = ports.iter().map(|(_, device)| *device).collect();
        devices.retain(|device| self.played.is_none() || *device != Device::Meter);
        let spec = BenchSpec {
            world: self.world.clone(),
            world_file: Some(self.folder.path().join("world.json")),
            absent: self.away,
            devices: devices
                .into_iter()
                .map(|device| (device, self.wire(device)))
                .collect(),
        };
        let names = seat_names(&self.frozen.card);
        let mut names: Vec<&str> = names.iter().map(String::as_str).collect();
        names.extend(self.played.iter().map(|_| "played meter"));
        let (simulated, mut seats) =
            SimulatedBench::start(&clock, spec, &names).expect("it starts");
        let _played = self.played.as_ref().map(|session| {
            let seat = seats.pop().expect("the last seat");
            let end = match self.wire(Device::Meter) {
                Wire::Memory(name) => memory_wire(&clock, &name),
                Wire::Pty(path) => pty_wire(&clock, &path).expect("a terminal"),
            };
            let (machine, followed) = Replayed::new(session.clone(), start);
            *self.followed.lock().expect("a lock") = followed;
            serve(seat, end, machine).expect("a thread")
        });
        let elsewhere: BTreeMap<String, Address> = ports
            .into_iter()
            .map(|(port, device)| (port, self.wire(device).address()))
            .collect();
        let card = &self.frozen.card;
        let opened = match self.taps.is_empty() {
            true => Bench::open(card, seats, &elsewhere),
            false => Bench::open_tapped(card, seats, &elsewhere, &self.taps),
        };
        let (seat, bench) = opened.expect("it opens");
        let (attendant, handle) = Attendant::new(seat, bench);
        self.watch(attendant, handle, simulated, hands).await
    }

    async fn watch(
        &self,
        attendant: Attendant,
        handle: Handle,
        simulated: SimulatedBench,
        mut hands: impl Hands,
    ) -> Sat {
        let (died, mut dead) = tokio::sync::mpsc::unbounded_channel();
        let bundle = serde_json::to_vec(&*self.frozen).expect("json");
        let assignment = Assignment {
            run: RunId(1),
            frozen: Arc::clone(&self.frozen),
            past: self.paper.events(),
            link: self.paper.link(Link::of_bundle(&bundle)),
            ledger: Box::new(Pen {
                paper: self.paper.clone(),
                died,
            }),
            other_boot: self.other_boot,
            displaced: self.displaced.clone(),
            broken_off_by: SeamCause::Died,
        };
        self.paper.sheet().watch = hands.watch().map(|watch| (simulated.person(), watch));
        let mut notes = handle.notes.subscribe();
        handle
            .orders
            .post(Order::Begin(Box::new(assignment)))
            .expect("an order");
        hands.first(&handle);
        let task = tokio::spawn(attendant.work());
        loop {
            tokio::select! {
                biased;
                Some(()) = dead.recv() => {
                    task.abort();
                    let _ = task.await;
                    return Sat::Died;
                }
                note = notes.recv() => match note {
                    Ok(Note::Ended { end, .. }) => {
                        task.abort();
                        let _ = task.await;
                        return Sat::Ended(end);
                    }
                    Ok(Note::Journal { seq, .. }) => {
                        let event = self.paper.events()[seq as usize - 1].clone();
                        hands.note(&event, &handle, &simulated);
                    }
                    Ok(Note::Left) | Err(_) => return Sat::Left,
                    Ok(Note::RecordFailed { .. }) => {
                        task.abort();
                        let _ = task.await;
                        return Sat::PutDown;
                    }
                },
            }
        }
    }
}

/// What a person or a signal does while the attendant works.
pub trait Hands {
    fn watch(&self) -> Option<Watch> {
        None
    }
    fn first(&mut self, _handle: &Handle) {}
    fn note(&mut self, _event: &Event, _handle: &Handle, _bench: &SimulatedBench) {}
}

/// Nobody.
pub struct Nobody;

impl Hands for Nobody {}

/// Hands that are looked at afterwards.
impl<H: Hands> Hands for &mut H {
    fn watch(&self) -> Option<Watch> {
        (**self).watch()
    }
    fn first(&mut self, handle: &Handle) {
        (**self).first(handle);
    }
    fn note(&mut self, event: &Event, handle: &Handle, bench: &SimulatedBench) {
        (**self).note(event, handle, bench);
    }
}
