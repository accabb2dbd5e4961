//! A step drive behind Modbus registers, on the world's carriage.
//!
//! ```text
//!  holding 0-1 target (i32, steps)   2 speed (steps/s)   3 command: 1 home, 2 go, 3 stop
//!          4 status (homed, moving, in position, alarm, switch)  5-6 place (i32, steps)   7 -
//! ```
//!
//! It obeys without its home switch, and counts from nought after power-up. Frames
//! and what a bad line makes of them: `registers`, `lapses`. Where the carriage truly
//! is: `carriage`.

use photometry::units::{Length, Mono, Span, Speed};

use super::carriage::{Carriage, RailModel};
use super::faults::{Device, Event, Fault};
use super::lapses::Lapse;
use super::rail::{Controller, switch_is_stuck};
use super::registers::{Contents, RegisterDevice, Registers, Wrapping};
use super::world::World;
use crate::link::wire::Machine;

/// Its unit on the line.
const UNIT: u8 = 1;
/// Where the command is written.
const COMMAND: u16 = 3;
const STATUS: u16 = 4;
const PLACE: u16 = 5;
/// The last register, which holds nothing.
const LAST: u16 = 7;
/// Exception 4: device failure (V1.1b3, clause 7, from memory).
const DEVICE_FAILURE: u8 = 4;

/// What its carriage is on the way to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Pending {
    Home {
        until: Mono,
        found: bool,
    },
    /// A limit switch closes then.
    Crash {
        until: Mono,
    },
}

/// The drive on a wire.
pub(super) struct RegisterRail {
    world: World,
    registers: Registers,
    device: RegisterDevice,
    pending: Option<Pending>,
    /// The link breaks off now, for so long.
    lost: Option<Span>,
}

impl RegisterRail {
    /// A drive in this world, ready for a wire.
    pub(super) fn machine(world: &World, wrapping: Wrapping) -> RegisterRail {
        let holding = (0..=LAST).map(|at| (at, 0)).collect();
        let registers = Registers::new(Contents {
            holding,
            ..Contents::default()
        });
        let asked = world.clone();
        registers.misbehave_by(move |body| lapse(&asked, body));
        RegisterRail {
            world: world.clone(),
            device: registers.machine(wrapping, UNIT),
            registers,
            pending: None,
            lost: None,
        }
    }

    /// Ends what is over, and shows how the drive is.
    fn refresh(&mut self, now: Mono) {
        let time = self.world.time(now);
        match self.pending {
            Some(Pending::Home { until, found }) if until <= time => {
                self.world.state().controller.homed = found;
                self.pending = None;
            }
            Some(Pending::Crash { until }) if until <= time => {
                let controller = &mut self.world.state().controller;
                controller.halted = Some(1);
                controller.homed = false;
                self.pending = None;
            }
            _ => {}
        }
        let homing = matches!(self.pending, Some(Pending::Home { .. }));
        let stuck = switch_is_stuck(&self.world);
        let (status, place) = self.world.edit(now, |spec, state, at| {
            let moves = homing || state.carriage.moves(at);
            let place = steps(&spec.rail, state.carriage.at(&spec.rail, at).counted);
            let controller = &state.controller;
            let alarm = controller.halted.is_some();
            let closed = stuck || state.carriage.on_switch(&spec.rail, at);
            let bits = [controller.homed, moves, !moves && !alarm, alarm, closed];
            let status = bits
                .iter()
                .rev()
                .fold(0, |sum, bit| sum << 1 | u16::from(*bit));
            (status, place)
        });
        let [high, low] = halves(place);
        self.registers.edit(|contents| {
            contents
                .holding
                .extend([(STATUS, status), (PLACE, high), (PLACE + 1, low)]);
        });
    }

    fn obey(&mut self, now: Mono) {
        let holding = self.registers.contents().holding;
        let command = holding.get(&COMMAND).copied().unwrap_or(0);
        if command == 0 {
            return;
        }
        self.registers.edit(|contents| {
            contents.holding.insert(COMMAND, 0);
        });
        let word = |at: u16| holding.get(&at).copied().unwrap_or(0);
        let target = i32::from_be_bytes(joined(word(0), word(1)));
        match command {
            1 => self.home(now),
            2 => self.go(now, target, word(2)),
            3 => self.world.edit(now, |spec, state, at| {
                if state.carriage.moves(at) {
                    state.carriage.hold(&spec.rail, at);
                    state.carriage.forget();
                }
            }),
            _ => {}
        }
    }

    fn home(&mut self, now: Mono) {
        let faults = self.world.happens(Event::Homed);
        let blind = faults.contains(&Fault::BlindSwitch);
        let stuck = faults.contains(&Fault::StuckSwitch);
        let (until, found) = self.world.edit(now, |spec, state, at| {
            state.controller.homed = false;
            state.controller.halted = stuck.then_some(8);
            let reads = spec.rail.home_at;
            match stuck {
                true => (at, false),
                false => state.carriage.home(&spec.rail, at, reads, blind),
            }
        });
        self.pending = Some(Pending::Home { until, found });
    }

    fn go(&mut self, now: Mono, target: i32, speed: u16) {
        let faults = self.world.happens(Event::Moved);
        if faults.contains(&Fault::PowerLoss) {
            lose_power(&self.world, now);
            self.pending = None;
            return;
        }
        let crash = self.world.edit(now, |spec, state, at| {
            if state.controller.halted.is_some() {
                return None;
            }
            let carriage = &mut state.carriage;
            let rail = &spec.rail;
            let step = 1_000_000 / rail.steps_per_mm;
            let speed = Speed::from_nm_per_s(i64::from(speed.max(1)) * step);
            let target = Length::from_nm(i64::from(target) * step);
            let half = Length::from_nm((target - carriage.heading()).nm() / 2);
            let hits = faults.contains(&Fault::LimitHit);
            let lost = faults.iter().find_map(|fault| match fault {
                Fault::LostSteps(way) => Some(*way),
                Fault::Stall => Some(rail.on_step(half.abs())),
                _ => None,
            });
            let to = if hits {
                rail.on_step(target - half)
            } else {
                target
            };
            let end = carriage.slide(rail, at, to, speed, lost.unwrap_or_default());
            let ran = end != super::carriage::End::Target;
            (hits || ran).then(|| carriage.rests_at())
        });
        self.pending = crash.map(|until| Pending::Crash { until });
    }
}

/// Back to power-up: it counts from nought, wherever it stands.
fn lose_power(world: &World, now: Mono) {
    world.edit(now, |spec, state, at| {
        let carriage: &mut Carriage = &mut state.carriage;
        carriage.stop_dead(&spec.rail, at);
        carriage.rebase(&spec.rail, at, Length::ZERO);
        state.controller = Controller::new();
    });
}

fn steps(rail: &RailModel, counted: Length) -> i32 {
    (counted.nm() * rail.steps_per_mm / 1_000_000) as i32
}

fn halves(number: i32) -> [u16; 2] {
    let [a, b, c, d] = number.to_be_bytes();
    [u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d])]
}

fn joined(high: u16, low: u16) -> [u8; 4] {
    let ([a, b], [c, d]) = (high.to_be_bytes(), low.to_be_bytes());
    [a, b, c, d]
}

/// What goes wrong with a request; a write of the command to home may be refused.
fn lapse(world: &World, body: &[u8]) -> Option<Lapse> {
    let faults = world.happens(Device::Rail.asked());
    let homes = matches!(body, [6, 0, at, 0, 1] if u16::from(*at) == COMMAND);
    if homes {
        let nth = world.count(Event::Homed) + 1;
        let spec = world.spec();
        let mut planned = super::faults::striking(&spec.faults, Event::Homed, nth);
        if planned.any(|fault| *fault == Fault::HomingRefused) {
            world.happens(Event::Homed);
            return Some(Lapse::Exception(DEVICE_FAILURE));
        }
    }
    faults.iter().find_map(|fault| match fault {
        Fault::Silent(_) | Fault::Dead(_) | Fault::Reset(_) | Fault::LinkLost(..) => {
            Some(Lapse::Silent)
        }
        Fault::Late(_, by) => Some(Lapse::Late(*by)),
        Fault::Split(_, by) => Some(Lapse::TwoPieces(*by)),
        Fault::Garbage(_, rubbish) => Some(Lapse::Garbage(rubbish.clone())),
        _ => None,
    })
}

impl Machine for RegisterRail {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        let nth = self.world.count(Event::RailAsked) + 1;
        self.device.bytes(now, bytes);
        let asked = self.world.count(Event::RailAsked);
        let spec = self.world.spec();
        for nth in nth..=asked {
            for fault in super::faults::striking(&spec.faults, Event::RailAsked, nth) {
                match fault {
                    Fault::Reset(Device::Rail) | Fault::Forgets(Device::Rail) => {
                        lose_power(&self.world, now);
                        self.pending = None;
                    }
                    Fault::LinkLost(Device::Rail, away) => self.lost = Some(*away),
                    _ => {}
                }
            }
        }
    }

    fn breaks_off(&mut self) -> Option<Span> {
        self.lost.take()
    }

    fn next_due(&self) -> Option<Mono> {
        self.device.next_due()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        self.refresh(now);
        let bytes = self.device.due(now);
        self.obey(now);
        if !bytes.is_empty() {
            self.world.save(now);
        }
        bytes
    }
}
