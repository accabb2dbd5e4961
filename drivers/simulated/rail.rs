//! A rail's controller that speaks the ok/error line dialect with realtime
//! bytes.
//!
//! ```text
//! line ──> ok | error:N | ALARM:N        ? ──> <Idle|MPos:..>
//! ! hold   ~ go on   0x18 reset          $H home   G38.2 slow touch
//! ```
//!
//! `ok` means accepted, not arrived; `G4` is the barrier. After an error every
//! later line is refused with the same number until an empty line or a `$`
//! line comes, as one firmware does. Where the carriage truly is: `carriage`.

use std::collections::VecDeque;

use photometry::units::{Length, Mono, Span, Speed};
use serde::{Deserialize, Serialize};

use super::carriage::End;
use super::faults::{Device, Event, Fault};
use super::outgoing::Outgoing;
use super::world::World;
use crate::link::wire::Machine;

/// From reset or power-up to the banner.
const BANNER_AFTER: Span = Span::from_ms(100);
/// A longer line is refused with error 11.
const LINE_AT_MOST_BYTES: usize = 256;
/// Lines that wait while one is being carried out; more are lost.
const LINES_AT_MOST: usize = 16;
/// Moves that wait; the next one is accepted when there is room.
const MOVES_AT_MOST: usize = 16;

const BANNER: &str = "Simulated rail 1.0 ['$' for help]\r\n";

/// What a controller remembers while it has power.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Controller {
    /// Refuses motion until it is homed (or unlocked).
    locked: bool,
    /// An alarm that only a reset ends, or that nothing does.
    pub(super) halted: Option<u16>,
    /// The error that it repeats.
    latched: Option<u16>,
    pub(super) homed: bool,
    holding: bool,
    pub(super) feed: Option<Speed>,
    pub(super) greeted: bool,
}

impl Controller {
    /// Just powered up: locked.
    pub fn new() -> Controller {
        Controller {
            locked: true,
            halted: None,
            latched: None,
            homed: false,
            holding: false,
            feed: None,
            greeted: false,
        }
    }
}

impl Default for Controller {
    fn default() -> Controller {
        Controller::new()
    }
}

/// Whether the home switch stays closed since the last homing.
pub(super) fn switch_is_stuck(world: &World) -> bool {
    let (homed, spec) = (world.count(Event::Homed), world.spec());
    super::faults::striking(&spec.faults, Event::Homed, homed)
        .any(|fault| *fault == Fault::StuckSwitch)
}

/// What the controller waits for before it answers and takes the next line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Pending {
    /// Motion at rest, then so much longer.
    Dwell(Span),
    /// A homing cycle.
    Home { until: Mono, found: bool },
    /// A slow touch.
    Touch { until: Mono, end: End },
    /// Room for one more move: the line is carried out then.
    Room,
    /// A move that will run into a limit switch.
    Crash { until: Mono },
    /// A homing cycle that cannot leave its switch.
    Stuck { until: Mono },
}

/// The controller on a wire.
pub(super) struct Rail {
    world: World,
    input: Vec<u8>,
    lines: VecDeque<Vec<u8>>,
    pending: Option<Pending>,
    out: Outgoing,
    faults: Vec<Fault>,
}

impl Rail {
    /// A controller in this world, ready for a wire; greets at power-up.
    pub(super) fn machine(world: &World, now: Mono) -> Rail {
        let mut rail = Rail {
            world: world.clone(),
            input: Vec::new(),
            lines: VecDeque::new(),
            pending: None,
            out: Outgoing::default(),
            faults: Vec::new(),
        };
        let greeted = std::mem::replace(&mut world.state().controller.greeted, true);
        if !greeted {
            rail.say(now + BANNER_AFTER, BANNER);
        }
        rail
    }

    fn say(&mut self, at: Mono, text: &str) {
        let faults = std::mem::take(&mut self.faults);
        self.out.say(at, text.as_bytes().to_vec(), &faults);
    }

    fn realtime(&mut self, now: Mono, byte: u8) {
        match byte {
            b'?' if self.dead().is_empty() => {
                let status = self.status(now);
                self.out.interject(now, status.into_bytes());
            }
            b'!' => self.world.edit(now, |spec, state, at| {
                if state.carriage.moves(at) {
                    state.carriage.hold(&spec.rail, at);
                    state.controller.holding = true;
                }
            }),
            b'~' => self.world.edit(now, |spec, state, at| {
                if std::mem::take(&mut state.controller.holding) {
                    state.carriage.release(&spec.rail, at);
                }
            }),
            0x18 => self.reset(now),
            _ => {}
        }
    }

    fn status(&self, now: Mono) -> String {
        let homing = matches!(
            self.pending,
            Some(Pending::Home { .. } | Pending::Stuck { .. })
        );
        self.world.edit(now, |spec, state, at| {
            let name = match &state.controller {
                c if c.halted.is_some() => "Alarm",
                _ if homing => "Home",
                c if c.locked => "Alarm",
                c if c.holding => "Hold:0",
                _ if state.carriage.moves(at) => "Run",
                _ => "Idle",
            };
            let counted = state.carriage.at(&spec.rail, at).counted.mm();
            format!("<{name}|MPos:{counted:.3},0.000,0.000|FS:0,0>\r\n")
        })
    }

    fn reset(&mut self, now: Mono) {
        self.input.clear();
        self.lines.clear();
        self.out.clear();
        self.faults = self.dead();
        let homing = self.pending.take().is_some();
        let moved = self.world.edit(now, |spec, state, at| {
            let moved = state.carriage.stop_dead(&spec.rail, at) || homing;
            let was = &state.controller;
            let homed = was.homed && !moved;
            state.controller = Controller {
                locked: !homed || was.halted.is_some(),
                homed,
                greeted: true,
                ..Controller::new()
            };
            moved
        });
        let text = if moved {
            format!("ALARM:3\r\n{BANNER}")
        } else {
            BANNER.to_owned()
        };
        self.say(now + BANNER_AFTER, &text);
    }

    /// Back to power-up: motion stops, nothing is known, nothing is said.
    fn lose_power(&mut self, now: Mono) {
        self.world.edit(now, |spec, state, at| {
            state.carriage.stop_dead(&spec.rail, at);
            state.controller = Controller::new();
            state.controller.greeted = true;
        });
    }

    /// Back to power-up, with a banner; what it was told is lost.
    fn restart(&mut self, now: Mono) {
        self.lose_power(now);
        self.lines.clear();
        self.say(now + BANNER_AFTER, BANNER);
    }

    /// A dead controller does not greet after a reset either.
    fn dead(&self) -> Vec<Fault> {
        let asked = self.world.count(Event::RailAsked);
        let spec = self.world.spec();
        let plan = &spec.faults;
        super::faults::striking(plan, Event::RailAsked, asked + 1)
            .filter(|fault| matches!(fault, Fault::Dead(_)))
            .cloned()
            .collect()
    }

    fn take(&mut self, byte: u8) {
        if byte == b'\r' {
            return;
        }
        if byte != b'\n' {
            if self.input.len() <= LINE_AT_MOST_BYTES {
                self.input.push(byte);
            }
            return;
        }
        let line = std::mem::take(&mut self.input);
        if self.lines.len() < LINES_AT_MOST {
            self.lines.push_back(line);
        }
    }

    fn work(&mut self, now: Mono) {
        while self.pending.is_none() {
            let Some(line) = self.lines.pop_front() else {
                return;
            };
            self.faults = self.world.happens(Device::Rail.asked());
            if self.faults.contains(&Fault::Reset(Device::Rail)) {
                self.restart(now);
                return;
            }
            if self.faults.contains(&Fault::Forgets(Device::Rail)) {
                self.lose_power(now);
            }
            self.carry_out(now, &line);
        }
    }

    fn carry_out(&mut self, now: Mono, line: &[u8]) {
        let full = self.world.edit(now, |_, state, at| {
            state.carriage.waiting(at) >= MOVES_AT_MOST
        });
        if full {
            self.lines.push_front(line.to_vec());
            self.pending = Some(Pending::Room);
            return;
        }
        let soon = now + self.world.spec().thinks.rail;
        match self.understand(now, line) {
            Answer::Ok => self.say(soon, "ok\r\n"),
            Answer::Text(text) => self.say(soon, &format!("{text}\r\nok\r\n")),
            Answer::Error(code) => {
                self.world.state().controller.latched = Some(code);
                self.say(soon, &format!("error:{code}\r\n"));
            }
            Answer::Alarm(code) => self.alarm(now, code),
            Answer::Wait(pending) => {
                // A crash lies ahead, but the line is accepted all the same.
                if matches!(pending, Pending::Crash { .. }) {
                    self.say(soon, "ok\r\n");
                }
                self.pending = Some(pending);
            }
            Answer::Nothing => {}
        }
    }

    fn alarm(&mut self, now: Mono, code: u16) {
        {
            let controller = &mut self.world.state().controller;
            controller.locked = true;
            controller.halted = Some(code);
            controller.homed &= code == 2;
        }
        self.lines.clear();
        let soon = now + self.world.spec().thinks.rail;
        self.say(soon, &format!("ALARM:{code}\r\n"));
    }

    fn understand(&mut self, now: Mono, line: &[u8]) -> Answer {
        if line.len() > LINE_AT_MOST_BYTES {
            return Answer::Error(11);
        }
        let text: String = String::from_utf8_lossy(line)
            .chars()
            .filter(|c| !c.is_whitespace())
            .map(|c| c.to_ascii_uppercase())
            .collect();
        let controller = self.world.state().controller.clone();
        if controller.halted.is_some() {
            return Answer::Nothing;
        }
        if text.is_empty() || text.starts_with('$') {
            self.world.state().controller.latched = None;
        }
        match text.as_str() {
            "" => Answer::Ok,
            "$I" => {
                let serial = self.world.spec().seed % 1_000_000;
                Answer::Text(format!("[VER:1.0:SIM-{serial:06}]\r\n[OPT:simulated rail]"))
            }
            "$X" if controller.homed => {
                self.world.state().controller.locked = false;
                Answer::Ok
            }
            "$X" => Answer::Error(46),
            "$H" => self.home(now),
            _ if text.starts_with('$') => Answer::Error(3),
            _ => match controller.latched {
                Some(code) => Answer::Error(code),
                None if controller.locked => Answer::Error(9),
                None => self.gcode(now, &text),
            },
        }
    }

    fn home(&mut self, now: Mono) -> Answer {
        let faults = self.world.happens(Event::Homed);
        if faults.contains(&Fault::HomingRefused) {
            return Answer::Error(5);
        }
        if faults.contains(&Fault::StuckSwitch) {
            // It backs off and the switch does not let go.
            let until = self.world.edit(now, |spec, state, at| {
                let carriage = &mut state.carriage;
                let clear = carriage.heading() + spec.rail.pull_off + spec.rail.backlash;
                carriage.go(&spec.rail, at, clear, spec.rail.seek, Length::ZERO);
                carriage.rests_at()
            });
            return Answer::Wait(Pending::Stuck { until });
        }
        let blind = faults.contains(&Fault::BlindSwitch);
        let (until, found) = self.world.edit(now, |spec, state, at| {
            let reads = spec.rail.home_at;
            state.carriage.home(&spec.rail, at, reads, blind)
        });
        Answer::Wait(Pending::Home { until, found })
    }

    fn gcode(&mut self, now: Mono, text: &str) -> Answer {
        let words = match words(text) {
            Ok(words) => words,
            Err(code) => return Answer::Error(code),
        };
        let value = |letter| words.iter().find(|w| w.0 == letter).map(|w| w.1);
        if let Some(feed) = value('F') {
            if feed <= 0.0 {
                return Answer::Error(22);
            }
            // mm/min to nm/s.
            let feed = Speed::from_nm_per_s((feed * 1e6 / 60.0) as i64);
            self.world.state().controller.feed = Some(feed);
        }
        let command = value('G').unwrap_or(f64::NAN);
        let known = [0.0, 1.0, 4.0, 21.0, 38.2, 90.0, 94.0];
        let all_known = words.iter().all(|w| match w.0 {
            'G' => known.contains(&w.1),
            letter => "XFP".contains(letter),
        });
        if !all_known {
            return Answer::Error(20);
        }
        let feed = self.world.state().controller.feed;
        let fastest = self.world.spec().rail.speed;
        match (command, value('X')) {
            (4.0, _) => match value('P') {
                Some(secs) if (0.0..=3600.0).contains(&secs) => {
                    Answer::Wait(Pending::Dwell(Span::from_secs_f64(secs)))
                }
                _ => Answer::Error(28),
            },
            (0.0, Some(x)) => self.go(now, x, fastest, false),
            (1.0 | 38.2, Some(x)) => match feed {
                Some(feed) => self.go(now, x, feed, command > 2.0),
                None => Answer::Error(22),
            },
            (0.0 | 1.0 | 38.2, None) => Answer::Error(26),
            _ => Answer::Ok,
        }
    }

    fn go(&mut self, now: Mono, x: f64, speed: Speed, touch: bool) -> Answer {
        let faults = self.world.happens(Event::Moved);
        let stuck = switch_is_stuck(&self.world);
        if faults.contains(&Fault::PowerLoss) {
            self.restart(now);
            return Answer::Nothing;
        }
        self.world.edit(now, |spec, state, at| {
            let target = spec.rail.on_step(Length::from_metres(x / 1e3));
            let (low, high) = spec.rail.soft_limits();
            if target < low || target > high {
                return Answer::Alarm(2);
            }
            let carriage = &mut state.carriage;
            let start = at.max(carriage.rests_at());
            if touch && (stuck || carriage.on_switch(&spec.rail, start)) {
                return Answer::Alarm(4);
            }
            let half = Length::from_nm((target - carriage.heading()).nm() / 2);
            if faults.contains(&Fault::LimitHit) {
                let there = spec.rail.on_step(target - half);
                carriage.go(&spec.rail, at, there, speed, Length::ZERO);
                let until = carriage.rests_at();
                return Answer::Wait(Pending::Crash { until });
            }
            let lost = faults.iter().find_map(|fault| match fault {
                Fault::LostSteps(way) => Some(*way),
                Fault::Stall => Some(spec.rail.on_step(half.abs())),
                _ => None,
            });
            let end = carriage.go(&spec.rail, at, target, speed, lost.unwrap_or_default());
            let until = carriage.rests_at();
            match end {
                _ if touch => Answer::Wait(Pending::Touch { until, end }),
                End::Target => Answer::Ok,
                End::Switch | End::FarEnd => Answer::Wait(Pending::Crash { until }),
            }
        })
    }

    /// When what it waits for is over, in world time; `None` while held.
    fn over(&self) -> Option<Mono> {
        let state = self.world.state();
        match self.pending? {
            Pending::Home { until, .. }
            | Pending::Touch { until, .. }
            | Pending::Crash { until }
            | Pending::Stuck { until } => Some(until),
            Pending::Room => Some(state.carriage.rests_at()),
            Pending::Dwell(span) if !state.controller.holding => {
                Some(state.carriage.rests_at() + span)
            }
            Pending::Dwell(_) => None,
        }
    }

    fn finish(&mut self, now: Mono) {
        let Some(pending) = self.pending.take() else {
            return;
        };
        match pending {
            Pending::Dwell(_) => self.say(now, "ok\r\n"),
            Pending::Room => {}
            Pending::Crash { .. } => self.alarm(now, 1),
            Pending::Stuck { .. } => self.alarm(now, 8),
            Pending::Home { found: false, .. } => self.alarm(now, 9),
            Pending::Home { .. } => {
                {
                    let controller = &mut self.world.state().controller;
                    controller.homed = true;
                    controller.locked = false;
                }
                self.say(now, "ok\r\n");
            }
            Pending::Touch { end, .. } if end != End::Switch => self.alarm(now, 5),
            Pending::Touch { .. } => {
                let at = self.world.edit(now, |spec, state, at| {
                    state.carriage.at(&spec.rail, at).counted.mm()
                });
                self.say(now, &format!("[PRB:{at:.3},0.000,0.000:1]\r\nok\r\n"));
            }
        }
    }
}

enum Answer {
    Ok,
    Text(String),
    Error(u16),
    Alarm(u16),
    Wait(Pending),
    Nothing,
}

/// Splits `G1X152.4F600` into letters and numbers; an error number if it does
/// not read.
pub(super) fn words(text: &str) -> Result<Vec<(char, f64)>, u16> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some(letter) = rest.chars().next() {
        if !letter.is_ascii_uppercase() {
            return Err(1);
        }
        rest = &rest[1..];
        let end = rest
            .find(|c: char| !(c.is_ascii_digit() || ".+-".contains(c)))
            .unwrap_or(rest.len());
        let number: f64 = rest[..end].parse().map_err(|_| 2_u16)?;
        found.push((letter, number));
        rest = &rest[end..];
    }
    Ok(found)
}

impl Machine for Rail {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        for &byte in bytes {
            match byte {
                b'?' | b'!' | b'~' | 0x18 => self.realtime(now, byte),
                _ => self.take(byte),
            }
        }
        self.work(now);
    }

    fn breaks_off(&mut self) -> Option<Span> {
        self.out.breaks_off()
    }

    fn next_due(&self) -> Option<Mono> {
        let over = self.over().map(|at| self.world.clock_time(at));
        let sent = self.out.next();
        over.into_iter().chain(sent).min()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        if self.over().is_some_and(|at| at <= self.world.time(now)) {
            self.finish(now);
            self.work(now);
        }
        let bytes = self.out.leave(now);
        if !bytes.is_empty() {
            self.world.save(now);
        }
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::super::faults::Planned;
    use super::super::world::WorldSpec;
    use super::*;

    struct Bench {
        world: World,
        rail: Rail,
        now: Mono,
    }

    impl Bench {
        fn new(fault: Option<Fault>) -> Bench {
            let mut spec = WorldSpec::new(1);
            spec.faults = fault
                .map(|fault| Planned { nth: 1, fault })
                .into_iter()
                .collect();
            let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
            let rail = Rail::machine(&world, Mono::ZERO);
            let now = Mono::ZERO;
            let mut bench = Bench { world, rail, now };
            assert_eq!(bench.listen(), BANNER);
            bench
        }

        fn listen(&mut self) -> String {
            let mut heard = Vec::new();
            while let Some(due) = self.rail.next_due() {
                self.now = self.now.max(due);
                heard.extend(self.rail.due(self.now));
            }
            String::from_utf8(heard).expect("text")
        }

        fn ask(&mut self, bytes: &str) -> String {
            self.rail.bytes(self.now, bytes.as_bytes());
            self.listen()
        }
    }

    #[test]
    fn a_session_reads_as_devices_of_this_dialect_do() {
        let mut bench = Bench::new(None);
        let session = [
            ("G0X10\n", "error:9\r\n"),
            ("$X\n", "error:46\r\n"),
            ("?", "<Alarm|MPos:0.000,0.000,0.000|FS:0,0>\r\n"),
            ("$H\n", "ok\r\n"),
            ("?", "<Idle|MPos:1.000,0.000,0.000|FS:0,0>\r\n"),
            ("G21G90G94\r\n", "ok\r\n"),
            ("G1 X20\n", "error:22\r\n"),
            ("G0 X20\n", "error:22\r\n"),
            ("\n", "ok\r\n"),
            ("G0 X20.004\n", "ok\r\n"),
            ("G4 P0.01\n", "ok\r\n"),
            ("?", "<Idle|MPos:20.000,0.000,0.000|FS:0,0>\r\n"),
            ("G38.2 X-2 F120\n", "[PRB:0.000,0.000,0.000:1]\r\nok\r\n"),
            ("G38.2 X-2 F120\n", "ALARM:4\r\n"),
            ("G0 X1\n", ""),
            ("\x18", BANNER),
            ("G0 X1\n", "error:9\r\n"),
        ];
        for (sent, heard) in session {
            assert_eq!(bench.ask(sent), heard, "{sent:?}");
        }
    }

    #[test]
    fn alarms_come_instead_of_ok() {
        let cases = [
            (None, "G0 X2000.1\n", "ALARM:2\r\n"),
            (None, "G38.2 X5 F120\n", "ALARM:5\r\n"),
            (None, "G0 X-4\n", "ok\r\nALARM:1\r\n"),
            (Some(Fault::BlindSwitch), "$H\n", "ALARM:9\r\n"),
            (Some(Fault::StuckSwitch), "$H\n", "ALARM:8\r\n"),
            (Some(Fault::Reset(Device::Rail)), "$H\n", BANNER),
            (Some(Fault::PowerLoss), "G0 X50\n", BANNER),
            (Some(Fault::LimitHit), "G0 X50\n", "ok\r\nALARM:1\r\n"),
        ];
        for (fault, sent, heard) in cases {
            let mut bench = Bench::new(fault.clone());
            if sent != "$H\n" {
                bench.ask("$H\n");
                bench.ask(if fault.is_none() { "G0 X20\n" } else { "\n" });
                bench.ask("G4 P0.01\n");
            }
            assert_eq!(bench.ask(sent), heard, "{fault:?} {sent:?}");
        }
    }

    #[test]
    fn a_stalled_motor_is_counted_as_moving() {
        let mut bench = Bench::new(Some(Fault::Stall));
        bench.ask("$H\n");
        bench.ask("G0 X51\n");
        bench.ask("G4 P0.01\n");
        assert_eq!(bench.ask("?"), "<Idle|MPos:51.000,0.000,0.000|FS:0,0>\r\n");
        assert_eq!(bench.world.carriage(bench.now), Length::from_mm(26));
    }

    /// 152.4 mm at 150 mm/s and 400 mm/s²: 1.391 s until the barrier's ok, the
    /// move's own ok at once.
    #[test]
    fn ok_means_accepted_and_the_barrier_means_arrived() {
        let mut bench = Bench::new(None);
        bench.ask("$H\n");
        let start = bench.now;
        assert_eq!(bench.ask("G0 X153.4\n"), "ok\r\n");
        assert_eq!(bench.now.since(start), Span::from_ms(2));
        bench.ask("G4 P0.01\n");
        assert_eq!(bench.now.since(start).secs(), 1.391 + 0.01);
        assert_eq!(bench.world.carriage(bench.now), Length::from_um(153_400));
    }

    #[test]
    fn a_hold_stops_and_a_reset_in_motion_loses_the_position() {
        let mut bench = Bench::new(None);
        bench.ask("$H\n");
        bench.ask("G0 X1000\n");
        bench.now = bench.now + Span::from_secs(1);
        assert!(bench.ask("!?").starts_with("<Hold:0|MPos:"));
        bench.now = bench.now + Span::from_secs(9);
        bench.ask("~");
        assert!(bench.ask("?").starts_with("<Run|MPos:"));
        bench.now = bench.now + Span::from_secs(1);
        assert_eq!(bench.ask("\x18"), format!("ALARM:3\r\n{BANNER}"));
        assert_eq!(bench.ask("$X\n"), "error:46\r\n");
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..600)) {
            let mut bench = Bench::new(None);
            bench.ask("$H\n");
            bench.rail.bytes(bench.now, &bytes);
            bench.rail.bytes(bench.now, b"~\n");
            bench.listen();
        }

        #[test]
        fn no_line_panics(line in "[GXFPM0-9. $H-]{0,40}") {
            let mut bench = Bench::new(None);
            bench.ask("$H\n");
            bench.ask(&format!("{line}\n"));
        }
    }
}
