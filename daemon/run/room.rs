//! What a look at the room says, and what follows: pure.
//!
//! ```text
//!  readings of the sensor ──seen──► Seen ──verdict──► go on, flag, read again, hold
//!  journal ──stretches──► the events between the looks around a disturbed one
//! ```
//!
//! A look tells of the time since the look before it and of the time to the next:
//! nobody knows when the door was opened. So whatever was read in between is suspect.
//! Called by: attendant (decides), progress (replays), report (flags).

use photometry::measured::{Outcome, Quantity, Reading};

use super::journal::{Body, Decision, Event, RoomVerdict};
use crate::plan::card::Room;
use crate::plan::intent::IfDisturbed;
use crate::plan::itinerary::Purpose;

/// Times that the same is read again because of the room; then it stands, flagged.
pub const REPEATS_AT_MOST: u32 = 2;
/// Seams in a row because of the room without progress; then a fault of the lamp's
/// light is believed.
pub const FRUITLESS_SEAMS_AT_MOST: u32 = 3;

/// What the sensor showed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Seen {
    /// The light in lx; none where it was not asked or said nothing.
    pub light_lx: Option<f64>,
    /// The air in degrees Celsius.
    pub air_c: Option<f64>,
    /// There is more light than may be.
    pub lit: bool,
    /// The air is not as it must be.
    pub air_off: bool,
    /// Something that was asked said nothing.
    pub blind: bool,
}

impl Seen {
    /// Nothing disturbs, as far as can be told.
    pub const fn is_quiet(&self) -> bool {
        !self.lit && !self.air_off && !self.blind
    }

    /// Takes a reading of the sensor in.
    pub fn see(&mut self, room: &Room, reading: &Reading) {
        let value = match reading.outcome {
            Outcome::Value(value) | Outcome::Over(value) | Outcome::Under(value) => value,
            Outcome::TimedOut | Outcome::Rejected(_) => {
                self.blind = true;
                return;
            }
        };
        let over = matches!(reading.outcome, Outcome::Over(_));
        match reading.quantity {
            Quantity::Temperature => {
                self.air_c = Some(value);
                self.air_off = is_off(room, value);
            }
            _ => {
                // The brightest of several.
                self.light_lx = Some(self.light_lx.map_or(value, |light| light.max(value)));
                self.lit |= is_lit(room, value, over);
            }
        }
    }

    /// What follows, when the same was read again so many times already. None where
    /// nothing does. What is to be read again waits for a quiet room first.
    pub fn verdict(&self, policy: IfDisturbed, repeats: u32) -> Option<RoomVerdict> {
        match (self.lit, policy) {
            (true, IfDisturbed::Hold) => Some(RoomVerdict::Held),
            (true, IfDisturbed::Repeat) if repeats < REPEATS_AT_MOST => Some(RoomVerdict::Again),
            (true, _) => Some(RoomVerdict::Flagged),
            // Air changes so slowly that no reading again helps.
            (false, _) if self.air_off => Some(RoomVerdict::Flagged),
            (false, _) if self.blind => Some(RoomVerdict::NotKnown),
            (false, _) => None,
        }
    }

    /// The decision that says so.
    pub const fn decision(&self, verdict: RoomVerdict) -> Decision {
        Decision::Room {
            light_lx: self.light_lx,
            air_c: self.air_c,
            lit: self.lit,
            verdict,
        }
    }
}

fn is_lit(room: &Room, light_lx: f64, over: bool) -> bool {
    let most = room.light_at_most;
    most.is_some_and(|most| over || light_lx > most.0)
}

fn is_off(room: &Room, celsius: f64) -> bool {
    room.air
        .is_some_and(|air| celsius < air.from_c || celsius > air.to_c)
}

/// What was seen, in words: `3.2 lx at its sensor, at most 0.5 lx is quiet`.
pub fn words(room: &Room, light_lx: Option<f64>, air_c: Option<f64>) -> String {
    let light = light_lx.filter(|light| is_lit(room, *light, false));
    let light = light.zip(room.light_at_most);
    let light = light.map(|(light, most)| {
        format!(
            "{light:.3} lx at its sensor, where at most {} lx is quiet",
            most.0
        )
    });
    let air = air_c.filter(|celsius| is_off(room, *celsius)).zip(room.air);
    let air = air.map(|(celsius, air)| {
        format!(
            "its air at {celsius:.1} degrees Celsius, where {} to {} are wanted",
            air.from_c, air.to_c
        )
    });
    let all: Vec<String> = light.into_iter().chain(air).collect();
    match all.is_empty() {
        true => "its sensor said nothing".to_owned(),
        false => all.join("; "),
    }
}

/// Events between two looks, one of which found the room disturbed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// The look before, by its event's number; 0 where there was none.
    pub after: u64,
    /// The look behind it; none where there was none any more.
    pub before: Option<u64>,
    /// What the disturbed look showed.
    pub seen: Seen,
}

impl Stretch {
    /// Whether an event lies in it.
    pub fn holds(&self, seq: u64) -> bool {
        self.after < seq && self.before.is_none_or(|before| seq < before)
    }
}

/// One look: its event, and what it showed.
type Looked = (u64, Seen);

/// Every look of a run, in order. Light and air are looks of their own.
pub fn looks(room: &Room, events: &[Event]) -> Vec<Looked> {
    let seen = |event: &Event| match &event.body {
        Body::Taken { key, reading } if matches!(key.purpose, Purpose::Room | Purpose::Air) => {
            let mut seen = Seen::default();
            seen.see(room, reading);
            Some((event.seq, seen))
        }
        Body::Decided {
            decision:
                Decision::Room {
                    verdict: RoomVerdict::NotKnown,
                    ..
                },
        } => {
            let blind = true;
            let seen = Seen {
                blind,
                ..Seen::default()
            };
            Some((event.seq, seen))
        }
        _ => None,
    };
    events.iter().filter_map(seen).collect()
}

/// What a look is about: a quiet look at the air does not end a stretch of light.
#[derive(Clone, Copy, PartialEq, Eq)]
enum About {
    Light,
    Air,
    /// Nobody saw anything.
    Nothing,
}

impl Seen {
    const fn about(&self) -> About {
        match (self.blind, self.light_lx) {
            (true, _) => About::Nothing,
            (false, Some(_)) => About::Light,
            (false, None) => About::Air,
        }
    }

    /// The worse of two of the same kind; the air that was seen first.
    fn worse(self, other: Seen) -> Seen {
        match self.light_lx < other.light_lx {
            true => other,
            false => self,
        }
    }
}

/// The stretches in which the room was disturbed, or nobody saw it; those that meet are
/// one.
pub fn stretches(looks: &[Looked]) -> Vec<Stretch> {
    let mut found: Vec<Stretch> = Vec::new();
    let disturbed = looks.iter().enumerate();
    for (at, (_, seen)) in disturbed.filter(|(_, (_, seen))| !seen.is_quiet()) {
        let ends = |(_, other): &&Looked| match seen.about() {
            About::Nothing => other.about() != About::Nothing,
            about => other.about() == about,
        };
        let stretch = Stretch {
            after: looks[..at]
                .iter()
                .rev()
                .find(ends)
                .map_or(0, |(seq, _)| *seq),
            before: looks[at + 1..].iter().find(ends).map(|(seq, _)| *seq),
            seen: *seen,
        };
        let mut same = found.iter_mut().rev();
        let last = same.find(|last| last.seen.about() == seen.about());
        match last.filter(|last| last.before.is_none_or(|before| stretch.after < before)) {
            Some(last) => {
                last.before = stretch.before;
                last.seen = last.seen.worse(stretch.seen);
            }
            None => found.push(stretch),
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A look: what was seen, light or air, and whether that disturbs.
    fn look(seq: u64, light: Option<f64>, air: Option<f64>) -> Looked {
        let seen = Seen {
            light_lx: light,
            air_c: air,
            lit: light.is_some_and(|light| light > 0.5),
            air_off: air.is_some_and(|air| air > 28.0),
            blind: light.is_none() && air.is_none(),
        };
        (seq, seen)
    }

    fn spans(looks: &[Looked]) -> Vec<(u64, Option<u64>)> {
        let found = stretches(looks);
        found.iter().map(|one| (one.after, one.before)).collect()
    }

    /// What was read between two quiet looks stands; a disturbed one spoils what was
    /// read since the look before it and up to the look behind it.
    #[test]
    fn a_stretch_reaches_from_the_look_before_to_the_look_behind() {
        let (quiet, lit) = (Some(0.1), Some(3.0));
        type Case<'c> = (&'c [Looked], &'c [(u64, Option<u64>)]);
        let cases: [Case<'_>; 7] = [
            (&[], &[]),
            (&[look(5, quiet, None), look(9, quiet, None)], &[]),
            (&[look(5, lit, None)], &[(0, None)]),
            (
                &[
                    look(5, quiet, None),
                    look(9, lit, None),
                    look(14, quiet, None),
                ],
                &[(5, Some(14))],
            ),
            // Two in a row are one; the air between them is quiet and ends nothing.
            (
                &[
                    look(5, quiet, None),
                    look(6, None, Some(22.0)),
                    look(9, lit, None),
                    look(10, None, Some(22.0)),
                    look(14, lit, None),
                    look(15, None, Some(22.0)),
                    look(20, quiet, None),
                ],
                &[(5, Some(20))],
            ),
            // Warm air goes on where light came and went.
            (
                &[
                    look(5, lit, None),
                    look(6, None, Some(29.0)),
                    look(9, quiet, None),
                    look(10, None, Some(22.0)),
                ],
                &[(0, Some(9)), (0, Some(10))],
            ),
            // Nobody saw it between 9 and 20.
            (
                &[
                    look(9, quiet, None),
                    look(12, None, None),
                    look(20, quiet, None),
                ],
                &[(9, Some(20))],
            ),
        ];
        for (looks, wanted) in cases {
            assert_eq!(spans(looks), wanted, "{looks:?}");
        }
    }

    #[test]
    fn what_follows_by_policy() {
        let seen = |lit, air_off, blind| Seen {
            lit,
            air_off,
            blind,
            ..Seen::default()
        };
        let (lit, warm, blind) = (
            seen(true, false, false),
            seen(false, true, false),
            seen(false, false, true),
        );
        use IfDisturbed::{Flag, Hold, Repeat};
        use RoomVerdict::{Again, Flagged, Held, NotKnown};
        let cases = [
            (seen(false, false, false), Hold, 0, None),
            (lit, Flag, 0, Some(Flagged)),
            (lit, Repeat, 0, Some(Again)),
            (lit, Repeat, REPEATS_AT_MOST, Some(Flagged)),
            (lit, Hold, 5, Some(Held)),
            (warm, Repeat, 0, Some(Flagged)),
            (warm, Hold, 0, Some(Flagged)),
            (blind, Hold, 0, Some(NotKnown)),
        ];
        for (seen, policy, repeats, wanted) in cases {
            assert_eq!(seen.verdict(policy, repeats), wanted, "{seen:?} {policy:?}");
        }
    }
}
