//! A rail's controller that takes lines alone: errors are told and then `ok` all the
//! same, `M114` tells the place, `M400` waits, `G28 X` homes, `M410` stops.
//!
//! It moves without its home switch from wherever it believes to stand, which after
//! power-up is nought: nothing but its driver keeps it from that. When a limit switch
//! closes it says `!!` and nothing any more until it is switched off and on. Where
//! the carriage truly is: `carriage`. Not here: the dialect of bytes (`rail`).

use std::collections::VecDeque;

use photometry::units::{Length, Mono, Span, Speed};

use super::carriage::End;
use super::faults::{Device, Event, Fault};
use super::outgoing::Outgoing;
use super::rail::{Controller, switch_is_stuck, words};
use super::world::World;
use crate::link::wire::Machine;

/// From power-up to its word.
const GREETS_AFTER: Span = Span::from_ms(100);
/// What it says then.
const GREETING: &str = "start\n";
/// A longer line is cut.
const LINE_AT_MOST_BYTES: usize = 96;
/// Lines that wait while one is being carried out; more are lost.
const LINES_AT_MOST: usize = 4;
/// Moves that wait; the next one is accepted when there is room.
const MOVES_AT_MOST: usize = 16;

/// What it waits for before it answers and takes the next line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Pending {
    /// All motion at rest, and then so much longer.
    Rest(Span),
    /// Room for one more move: the line is carried out then.
    Room,
    Home {
        until: Mono,
        found: bool,
    },
    /// A move that will run into a limit switch.
    Crash {
        until: Mono,
    },
}

/// The controller on a wire.
pub(super) struct LineRail {
    world: World,
    input: Vec<u8>,
    lines: VecDeque<String>,
    pending: Option<Pending>,
    out: Outgoing,
    faults: Vec<Fault>,
}

enum Answer {
    Ok,
    Text(String),
    /// An error, and then `ok`.
    Error(String),
    Wait(Pending),
    Nothing,
}

impl LineRail {
    /// A controller in this world, ready for a wire; greets at power-up.
    pub(super) fn machine(world: &World, now: Mono) -> LineRail {
        let mut rail = LineRail {
            world: world.clone(),
            input: Vec::new(),
            lines: VecDeque::new(),
            pending: None,
            out: Outgoing::default(),
            faults: Vec::new(),
        };
        let greeted = std::mem::replace(&mut world.state().controller.greeted, true);
        if !greeted {
            rail.say(now + GREETS_AFTER, GREETING);
        }
        rail
    }

    fn say(&mut self, at: Mono, text: &str) {
        let faults = std::mem::take(&mut self.faults);
        self.out.say(at, text.as_bytes().to_vec(), &faults);
    }

    /// Back to power-up: it counts from nought, wherever it stands.
    fn lose_power(&mut self, now: Mono) {
        self.pending = None;
        self.world.edit(now, |spec, state, at| {
            state.carriage.stop_dead(&spec.rail, at);
            state.carriage.rebase(&spec.rail, at, Length::ZERO);
            state.controller = Controller::new();
            state.controller.greeted = true;
        });
    }

    fn restart(&mut self, now: Mono) {
        self.lose_power(now);
        self.lines.clear();
        self.say(now + GREETS_AFTER, GREETING);
    }

    fn halt(&mut self, now: Mono) {
        self.world.state().controller.halted = Some(1);
        self.lines.clear();
        self.say(now, "!!\n");
    }

    fn take(&mut self, now: Mono, byte: u8) {
        if byte != b'\n' {
            if byte != b'\r' && self.input.len() < LINE_AT_MOST_BYTES {
                self.input.push(byte);
            }
            return;
        }
        let line = std::mem::take(&mut self.input);
        let line = String::from_utf8_lossy(&line).trim().to_ascii_uppercase();
        if line == "M410" && self.pending.is_some() {
            self.stop(now);
        }
        if self.lines.len() < LINES_AT_MOST {
            self.lines.push_back(line);
        }
    }

    /// Obeyed while another line is at work: what was to come is forgotten, and the
    /// line at work is over when the carriage stands.
    fn stop(&mut self, now: Mono) {
        self.lines.clear();
        self.world.edit(now, |spec, state, at| {
            state.carriage.hold(&spec.rail, at);
            state.carriage.forget();
        });
        self.pending = Some(Pending::Rest(Span::ZERO));
    }

    fn work(&mut self, now: Mono) {
        while self.pending.is_none() {
            let Some(line) = self.lines.pop_front() else {
                return;
            };
            if self.world.state().controller.halted.is_some() || line.is_empty() {
                continue;
            }
            self.faults = self.world.happens(Device::Rail.asked());
            if self.faults.contains(&Fault::Reset(Device::Rail)) {
                self.restart(now);
                return;
            }
            if self.faults.contains(&Fault::Forgets(Device::Rail)) {
                self.lose_power(now);
            }
            let full = self.world.edit(now, |_, state, at| {
                state.carriage.waiting(at) >= MOVES_AT_MOST
            });
            if full {
                self.lines.push_front(line);
                self.pending = Some(Pending::Room);
                return;
            }
            let soon = now + self.world.spec().thinks.rail;
            match self.carry_out(now, &line) {
                Answer::Ok => self.say(soon, "ok\n"),
                Answer::Text(text) => self.say(soon, &format!("{text}\nok\n")),
                Answer::Error(text) => self.say(soon, &format!("Error:{text}\nok\n")),
                Answer::Wait(pending) => {
                    // A crash lies ahead, but the line is accepted all the same.
                    if matches!(pending, Pending::Crash { .. }) {
                        self.say(soon, "ok\n");
                    }
                    self.pending = Some(pending);
                }
                Answer::Nothing => {}
            }
        }
    }

    fn carry_out(&mut self, now: Mono, line: &str) -> Answer {
        let unknown = || Answer::Text(format!("echo:Unknown command: \"{line}\""));
        let compact: String = line.chars().filter(|c| !c.is_whitespace()).collect();
        // An axis alone, as in `G28 X`, is a word without a number.
        if compact == "G28X" || compact == "G28" {
            return self.home(now);
        }
        let Ok(words) = words(&compact) else {
            return unknown();
        };
        let value = |letter| words.iter().find(|w| w.0 == letter).map(|w| w.1);
        match words.first().copied() {
            Some(('G', 21.0 | 90.0)) if words.len() == 1 => Answer::Ok,
            Some(('M', 400.0)) => Answer::Wait(Pending::Rest(Span::ZERO)),
            Some(('M', 119.0)) => Answer::Text(self.switches(now)),
            Some(('M', 114.0)) => Answer::Text(self.place(now)),
            Some(('M', 410.0)) => {
                self.stop(now);
                Answer::Wait(Pending::Rest(Span::ZERO))
            }
            // In milliseconds, here.
            Some(('G', 4.0)) => match value('P') {
                Some(ms) if (0.0..=3.6e6).contains(&ms) => {
                    Answer::Wait(Pending::Rest(Span::from_secs_f64(ms / 1e3)))
                }
                _ => Answer::Error("no time".to_owned()),
            },
            Some(('G', 0.0 | 1.0)) => {
                // mm/min to nm/s.
                let feed = value('F').filter(|feed| *feed > 0.0);
                let feed = feed.map(|feed| Speed::from_nm_per_s((feed * 1e6 / 60.0) as i64));
                let feed = {
                    let held = &mut self.world.state().controller.feed;
                    *held = feed.or(*held);
                    *held
                };
                match (value('X'), feed) {
                    (Some(x), Some(feed)) => self.go(now, x, feed),
                    (None, _) => Answer::Ok,
                    (_, None) => Answer::Error("no feed".to_owned()),
                }
            }
            _ => unknown(),
        }
    }

    fn place(&self, now: Mono) -> String {
        self.world.edit(now, |spec, state, at| {
            let counted = state.carriage.at(&spec.rail, at).counted;
            let steps = counted.nm() * spec.rail.steps_per_mm / 1_000_000;
            let mm = counted.mm();
            format!("X:{mm:.2} Y:0.00 Z:0.00 E:0.00 Count X:{steps} Y:0 Z:0")
        })
    }

    fn switches(&self, now: Mono) -> String {
        let stuck = switch_is_stuck(&self.world);
        self.world.edit(now, |spec, state, at| {
            let closed = stuck || state.carriage.on_switch(&spec.rail, at);
            let x = if closed { "TRIGGERED" } else { "open" };
            format!("Reporting endstop status\nx_min: {x}\ny_min: open")
        })
    }

    fn home(&mut self, now: Mono) -> Answer {
        let faults = self.world.happens(Event::Homed);
        if faults.contains(&Fault::HomingRefused) {
            return Answer::Error("Homing is not enabled".to_owned());
        }
        if faults.contains(&Fault::StuckSwitch) {
            return Answer::Error("Homing failed".to_owned());
        }
        let blind = faults.contains(&Fault::BlindSwitch);
        let (until, found) = self.world.edit(now, |spec, state, at| {
            let reads = spec.rail.home_at;
            state.carriage.home(&spec.rail, at, reads, blind)
        });
        Answer::Wait(Pending::Home { until, found })
    }

    fn go(&mut self, now: Mono, x: f64, speed: Speed) -> Answer {
        let faults = self.world.happens(Event::Moved);
        if faults.contains(&Fault::PowerLoss) {
            self.restart(now);
            return Answer::Nothing;
        }
        self.world.edit(now, |spec, state, at| {
            // Out of its travel it goes to the end of it, without a word.
            let (low, high) = spec.rail.soft_limits();
            let target = spec.rail.on_step(Length::from_metres(x / 1e3));
            let target = target.max(low).min(high);
            let carriage = &mut state.carriage;
            let half = Length::from_nm((target - carriage.heading()).nm() / 2);
            let hits = faults.contains(&Fault::LimitHit);
            let to = match hits {
                true => spec.rail.on_step(target - half),
                false => target,
            };
            let lost = faults.iter().find_map(|fault| match fault {
                Fault::LostSteps(way) => Some(*way),
                Fault::Stall => Some(spec.rail.on_step(half.abs())),
                _ => None,
            });
            let end = carriage.slide(&spec.rail, at, to, speed, lost.unwrap_or_default());
            let until = carriage.rests_at();
            match end {
                End::Target if !hits => Answer::Ok,
                _ => Answer::Wait(Pending::Crash { until }),
            }
        })
    }

    /// When what it waits for is over, in world time.
    fn over(&self) -> Option<Mono> {
        let rests_at = self.world.state().carriage.rests_at();
        self.pending.map(|pending| match pending {
            Pending::Rest(span) => rests_at + span,
            Pending::Room => rests_at,
            Pending::Home { until, .. } | Pending::Crash { until } => until,
        })
    }

    fn finish(&mut self, now: Mono) {
        match self.pending.take() {
            None | Some(Pending::Room) => {}
            Some(Pending::Rest(_)) => self.say(now, "ok\n"),
            Some(Pending::Crash { .. }) => self.halt(now),
            Some(Pending::Home { found: false, .. }) => self.say(now, "Error:Homing failed\nok\n"),
            Some(Pending::Home { .. }) => {
                self.world.state().controller.homed = true;
                self.say(now, "ok\n");
            }
        }
    }
}

impl Machine for LineRail {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        for &byte in bytes {
            self.take(now, byte);
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
        rail: LineRail,
        now: Mono,
    }

    impl Bench {
        fn new(fault: Option<Fault>) -> Bench {
            let mut spec = WorldSpec::new(1);
            let planned = fault.map(|fault| Planned { nth: 1, fault });
            spec.faults = planned.into_iter().collect();
            let world = World::start(spec, None, Mono::ZERO, Span::ZERO).expect("a world");
            let rail = LineRail::machine(&world, Mono::ZERO);
            let now = Mono::ZERO;
            let mut bench = Bench { world, rail, now };
            assert_eq!(bench.listen(), GREETING);
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
        let place = |x: &str, steps: i64| {
            format!("X:{x} Y:0.00 Z:0.00 E:0.00 Count X:{steps} Y:0 Z:0\nok\n")
        };
        let session = [
            ("M114\n", place("0.00", 0)),
            ("G1 X5\n", "Error:no feed\nok\n".to_owned()),
            ("G28 X\n", "ok\n".to_owned()),
            ("M114\r\n", place("1.00", 80)),
            ("G21\nG90\n", "ok\nok\n".to_owned()),
            ("G99\n", "echo:Unknown command: \"G99\"\nok\n".to_owned()),
            ("G1 X20 F9000\n", "ok\n".to_owned()),
            ("M400\n", "ok\n".to_owned()),
            ("M114\n", place("20.00", 1600)),
            ("G4 P100\n", "ok\n".to_owned()),
            ("\n", String::new()),
        ];
        for (sent, heard) in session {
            assert_eq!(bench.ask(sent), heard, "{sent:?}");
        }
    }

    /// 152.4 mm at 150 mm/s and 400 mm/s²: 1.391 s; a dwell is in milliseconds.
    #[test]
    fn ok_means_accepted_and_the_wait_means_arrived() {
        let mut bench = Bench::new(None);
        bench.ask("G28 X\n");
        let start = bench.now;
        assert_eq!(bench.ask("G1 X153.4 F9000\n"), "ok\n");
        assert_eq!(bench.now.since(start), Span::from_ms(2));
        bench.ask("M400\n");
        assert_eq!(bench.now.since(start).secs(), 1.391);
        let start = bench.now;
        bench.ask("G4 P250\n");
        assert_eq!(bench.now.since(start), Span::from_ms(250));
    }

    #[test]
    fn a_stop_is_obeyed_while_a_line_is_at_work() {
        let mut bench = Bench::new(None);
        bench.ask("G28 X\n");
        bench.ask("G1 X1000 F9000\n");
        bench.rail.bytes(bench.now, b"M400\n");
        bench.now = bench.now + Span::from_secs(1);
        assert_eq!(bench.ask("M410\n"), "ok\nok\n");
        let stands = bench.world.carriage(bench.now);
        assert!(stands < Length::from_mm(200), "{stands}");
        // 150 mm/s are braked in 0.375 s.
        assert!(bench.now.since(Mono::ZERO).secs() < 60.0);
    }

    #[test]
    fn what_goes_wrong_is_told_as_this_dialect_does() {
        let cases = [
            (
                Fault::HomingRefused,
                "G28 X\n",
                "Error:Homing is not enabled\nok\n",
            ),
            (Fault::BlindSwitch, "G28 X\n", "Error:Homing failed\nok\n"),
            (Fault::StuckSwitch, "G28 X\n", "Error:Homing failed\nok\n"),
            (Fault::LimitHit, "G1 X50 F600\n", "ok\n!!\n"),
            (Fault::PowerLoss, "G1 X50 F600\n", "start\n"),
        ];
        for (fault, sent, heard) in cases {
            let mut bench = Bench::new(Some(fault.clone()));
            assert_eq!(bench.ask(sent), heard, "{fault:?}");
            // Stopped for good, it says nothing any more.
            let last = bench.ask("M114\n");
            assert_eq!(
                last.is_empty(),
                fault == Fault::LimitHit,
                "{fault:?} {last}"
            );
        }
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..600)) {
            let mut bench = Bench::new(None);
            bench.rail.bytes(bench.now, &bytes);
            bench.rail.bytes(bench.now, b"\n");
            bench.listen();
        }

        #[test]
        fn no_line_panics(line in "[GXFPM0-9. -]{0,40}") {
            let mut bench = Bench::new(None);
            bench.ask(&format!("{line}\n"));
        }
    }
}
