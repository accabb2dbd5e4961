//! The clock that everybody holds: reading it, opening seats, holding a flow,
//! and finding the simulated wire behind an address.

use std::collections::HashMap;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use photometry::measured::Moment;
use photometry::units::{Mono, Wall};

use super::civil::{Civil, Zone};
use super::seat::{Seat, Stand};
use super::simulated::{Core, Patience};
use super::wall::WallBell;
use crate::link::wire::WireEnd;

/// The clock of one daemon or of one test. Clones are the same clock.
#[derive(Clone)]
pub struct Clock(Arc<Inner>);

struct Inner {
    time: Time,
    zone: Zone,
    /// Simulated wires by address; at most one per port of the bench.
    wires: Mutex<HashMap<String, WireEnd>>,
}

enum Time {
    Wall { zero: Instant },
    Simulated(Arc<Core>),
}

impl Clock {
    /// Real time. The monotonic zero is now.
    pub fn wall() -> Clock {
        let time = Time::Wall {
            zero: Instant::now(),
        };
        Clock::of(time, Zone::system())
    }

    /// Simulated time that starts at `start` and stands still until a flow is
    /// held. Civil time is `anchor` at the monotonic zero and runs with it, in
    /// UTC. A standstill of the process itself (20 s of real time without a
    /// turn) prints the table of seats and aborts.
    pub fn simulated(anchor: Wall, start: Mono) -> Clock {
        Clock::simulated_with(anchor, start, Patience::default())
    }

    /// As [`Clock::simulated`], with another limit for a turn and another end.
    pub fn simulated_with(anchor: Wall, start: Mono, patience: Patience) -> Clock {
        let core = Core::start(anchor, start, patience);
        Clock::of(Time::Simulated(core), Zone::utc())
    }

    fn of(time: Time, zone: Zone) -> Clock {
        Clock(Arc::new(Inner {
            time,
            zone,
            wires: Mutex::default(),
        }))
    }

    /// Now, on both clocks. Anybody may read it, with or without a seat.
    pub fn now(&self) -> Moment {
        match &self.0.time {
            Time::Wall { zero } => Moment {
                mono: Mono::from_ns(whole_ns(zero.elapsed().as_nanos())),
                wall: system_wall(),
            },
            Time::Simulated(core) => core.now(),
        }
    }

    /// Whether time is simulated. For messages; no driver may ask.
    pub fn is_simulated(&self) -> bool {
        matches!(self.0.time, Time::Simulated(_))
    }

    /// Opens all seats of a bench in one call, so that their ranks are fixed
    /// and in the order of `names`. Each is busy until its first wait.
    pub fn seats(&self, names: &[&str]) -> Vec<Seat> {
        let stands: Vec<Stand> = match &self.0.time {
            Time::Wall { .. } => names
                .iter()
                .map(|_| Stand::Wall(Arc::new(WallBell::new())))
                .collect(),
            Time::Simulated(core) => core
                .open(names)
                .into_iter()
                .map(|rank| Stand::Simulated(Arc::clone(core), rank))
                .collect(),
        };
        stands
            .into_iter()
            .zip(names)
            .map(|(stand, name)| Seat::new(self.clone(), name, stand))
            .collect()
    }

    /// Opens one seat, ranked after all that were opened before.
    pub fn seat(&self, name: &str) -> Seat {
        let stand = match &self.0.time {
            Time::Wall { .. } => Stand::Wall(Arc::new(WallBell::new())),
            Time::Simulated(core) => Stand::Simulated(Arc::clone(core), core.open_one(name)),
        };
        Seat::new(self.clone(), name, stand)
    }

    /// Lets simulated time advance while the guard lives. Held by an attendant
    /// while its run is measuring, and by tests. Without effect on real time.
    pub fn hold_flow(&self) -> Flow {
        match &self.0.time {
            Time::Wall { .. } => Flow(None),
            Time::Simulated(core) => {
                core.hold_flow();
                Flow(Some(Arc::clone(core)))
            }
        }
    }

    /// Makes `end` what a link gets that opens `address`; replaces an earlier
    /// one.
    pub fn register_wire(&self, address: &str, end: WireEnd) {
        self.wires().insert(address.to_owned(), end);
    }

    /// Takes `end` out again, unless another took its place.
    pub fn forget_wire(&self, address: &str, end: &WireEnd) {
        let mut wires = self.wires();
        if wires.get(address).is_some_and(|kept| kept.is(end)) {
            wires.remove(address);
        }
    }

    /// The port's end of the wire registered under `address`.
    pub fn end_for(&self, address: &str) -> Option<WireEnd> {
        self.wires().get(address).cloned()
    }

    /// Civil time at `wall`, in the system's zone (UTC in a simulation).
    pub fn civil(&self, wall: Wall) -> Civil {
        self.0.zone.civil(wall)
    }

    /// The first instant after `after` at which so many minutes of the local day
    /// are over, 0 to 1439. A time that the spring change skips comes as much
    /// later; of a time that the autumn change repeats, the first. `None` if there
    /// is no such time of day, or beyond the year 9999.
    pub fn next_at(&self, after: Wall, minute: u16) -> Option<Wall> {
        self.0.zone.next_at(after, minute)
    }

    /// The instant of a local day (year, month, day) at this minute of it, as
    /// [`Clock::next_at`] has it; `None` where calendar or zone have no such day.
    pub fn at(&self, day: (i16, u8, u8), minute: u16) -> Option<Wall> {
        self.0.zone.at(day, minute)
    }

    /// The same minute of the local day before the one of `wall`.
    pub fn day_before(&self, wall: Wall, minute: u16) -> Option<Wall> {
        self.0.zone.day_before(wall, minute)
    }

    /// Who sits where and waits for what, for a person; empty on real time.
    pub fn seat_table(&self) -> String {
        match &self.0.time {
            Time::Wall { .. } => String::new(),
            Time::Simulated(core) => core.table(),
        }
    }

    /// Something became due at a wire: if nobody acts, the clock picks.
    pub(crate) fn nudge(&self) {
        if let Time::Simulated(core) = &self.0.time {
            core.nudge();
        }
    }

    fn wires(&self) -> std::sync::MutexGuard<'_, HashMap<String, WireEnd>> {
        self.0.wires.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = if self.is_simulated() {
            "simulated"
        } else {
            "wall"
        };
        f.debug_struct("Clock")
            .field("kind", &kind)
            .field("now", &self.now())
            .finish()
    }
}

/// While one lives, simulated time may advance.
#[must_use = "time stands still again when the flow is dropped"]
pub struct Flow(Option<Arc<Core>>);

impl Drop for Flow {
    fn drop(&mut self) {
        if let Some(core) = &self.0 {
            core.release_flow();
        }
    }
}

fn whole_ns(ns: u128) -> i64 {
    i64::try_from(ns).unwrap_or(i64::MAX)
}

fn system_wall() -> Wall {
    let us = match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_micros()).unwrap_or(i64::MAX),
        Err(before) => -i64::try_from(before.duration().as_micros()).unwrap_or(i64::MAX),
    };
    Wall::from_us(us)
}
