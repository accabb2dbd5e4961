//! A seat: the right to act in bench time, and the only way to wait.

use std::fmt;
use std::sync::{Arc, Weak};

use photometry::measured::Moment;
use photometry::units::Mono;

use super::ear::Ear;
use super::handle::Clock;
use super::simulated::Core;
use super::wall::WallBell;

/// Why a wait ended. When several reasons hold, mail comes before bytes (a
/// cancel must not starve behind a streaming meter) and bytes before due (an
/// answer at the very limit is an answer).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Woken {
    /// The time waited for has come.
    Due,
    /// Bytes are there, or the other side has hung up: read to learn which.
    Bytes,
    /// The bell was rung: look into every mailbox of this seat until it is
    /// empty. There may be nothing new if it was emptied before.
    Mail,
}

/// One place at the bench; one owner, who may move it to another thread.
/// Dropping it, also while acting or in the middle of an abandoned wait, frees
/// it and passes the turn.
#[derive(Debug)]
pub struct Seat {
    clock: Clock,
    name: String,
    stand: Stand,
}

/// How this seat's clock lets it wait.
pub(super) enum Stand {
    Wall(Arc<WallBell>),
    Simulated(Arc<Core>, u64),
}

impl Seat {
    pub(super) fn new(clock: Clock, name: &str, stand: Stand) -> Seat {
        Seat {
            clock,
            name: name.to_owned(),
            stand,
        }
    }

    /// Now, on both clocks.
    pub fn now(&self) -> Moment {
        self.clock.now()
    }

    /// The clock of this seat.
    pub fn clock(&self) -> &Clock {
        &self.clock
    }

    /// The name given when the seat was opened.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Parks until `until`, until `ear` hears something, or until the bell is
    /// rung, whichever is first; blocks the thread. With neither `until` nor
    /// `ear` only the bell ends it. A time in the past parks all the same, and
    /// so gives every ready seat of a lower rank its turn.
    pub fn wait(&mut self, until: Option<Mono>, ear: Option<&Ear>) -> Woken {
        match &self.stand {
            Stand::Wall(bell) => bell.wait(&self.clock, until, ear),
            Stand::Simulated(core, rank) => core.wait(*rank, until, ear.and_then(Ear::lane)),
        }
    }

    /// Waits for an instant as sharply as the machine can: sleeps until shortly
    /// before it, and looks at the clock from there on, because a core that sleeps is
    /// woken a quarter of a millisecond late. For a thread of its own that samples at
    /// a beat; the looking costs half a millisecond of a core each time.
    pub fn wait_sharply(&mut self, until: Mono) -> Woken {
        match &self.stand {
            Stand::Wall(bell) => bell.wait_sharply(&self.clock, until),
            Stand::Simulated(core, rank) => core.wait(*rank, Some(until), None),
        }
    }

    /// [`Seat::wait`] for a task: `Due` or `Mail`. From the moment it is woken until
    /// its next wait, the task is the acting seat, whatever it awaits in
    /// between; such work takes no simulated time.
    ///
    /// It may be abandoned: no mail is lost. In a simulation the seat is then
    /// busy (time stands still) until it waits again or is dropped.
    pub async fn wait_async(&mut self, until: Option<Mono>) -> Woken {
        match &self.stand {
            Stand::Wall(bell) => bell.wait_async(&self.clock, until).await,
            Stand::Simulated(core, rank) => core.wait_async(*rank, until).await,
        }
    }

    /// What rings this seat.
    pub fn bell(&self) -> Bell {
        Bell(match &self.stand {
            Stand::Wall(bell) => Rung::Wall(Arc::downgrade(bell)),
            Stand::Simulated(core, rank) => Rung::Simulated(Arc::downgrade(core), *rank),
        })
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        if let Stand::Simulated(core, rank) = &self.stand {
            core.leave(*rank);
        }
    }
}

impl fmt::Debug for Stand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Stand::Wall(_) => f.write_str("Wall"),
            Stand::Simulated(_, rank) => write!(f, "Simulated(rank {rank})"),
        }
    }
}

/// Rings one seat, from any thread, with or without a seat of its own.
#[derive(Clone)]
pub struct Bell(Rung);

#[derive(Clone)]
enum Rung {
    Wall(Weak<WallBell>),
    Simulated(Weak<Core>, u64),
}

impl Bell {
    /// Makes the seat ready with `Mail`; stays rung until a wait has returned
    /// it. Without effect if the seat is gone.
    pub fn ring(&self) {
        match &self.0 {
            Rung::Wall(bell) => {
                if let Some(bell) = bell.upgrade() {
                    bell.ring();
                }
            }
            Rung::Simulated(core, rank) => {
                if let Some(core) = core.upgrade() {
                    core.ring(*rank);
                }
            }
        }
    }
}

impl fmt::Debug for Bell {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Bell")
    }
}
