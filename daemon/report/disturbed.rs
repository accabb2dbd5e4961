//! Which figures rest on something that was read while the room was disturbed, or while
//! nobody saw it.
//!
//! Worked out from the looks in the journal when it is read: what a run decided at the
//! time (go on, read again, hold) changes nothing of it. Called by: gather, measures.

use crate::plan::card::Room;
use crate::plan::frozen::Frozen;
use crate::run::journal::Event;
use crate::run::room::{self, Stretch};

/// The stretches of a run in which what was read is suspect.
pub struct Disturbed<'a> {
    room: Option<&'a Room>,
    stretches: Vec<Stretch>,
    looks: usize,
    /// The most light that was seen, in lx, and the coldest and the warmest air, in
    /// degrees Celsius.
    light_lx: Option<f64>,
    air_c: Option<(f64, f64)>,
}

impl<'a> Disturbed<'a> {
    /// Of a run.
    pub fn of(frozen: &'a Frozen, events: &[Event]) -> Disturbed<'a> {
        let room = frozen.card.room.as_ref();
        let looks = room.map_or_else(Vec::new, |room| room::looks(room, events));
        let lights = looks.iter().filter_map(|(_, seen)| seen.light_lx);
        let airs = || looks.iter().filter_map(|(_, seen)| seen.air_c);
        Disturbed {
            room,
            light_lx: lights.reduce(f64::max),
            air_c: airs().reduce(f64::min).zip(airs().reduce(f64::max)),
            stretches: room::stretches(&looks),
            looks: looks.iter().filter(|(_, seen)| !seen.blind).count(),
        }
    }

    /// What to say of figures that rest on these events, of the worst stretch among
    /// them; none where the room was quiet all the time.
    pub fn flag(&self, seqs: impl Iterator<Item = u64> + Clone) -> Option<String> {
        let room = self.room?;
        let touched = |stretch: &&Stretch| seqs.clone().any(|seq| stretch.holds(seq));
        let worst = self
            .stretches
            .iter()
            .filter(touched)
            .max_by_key(|stretch| {
                let seen = stretch.seen;
                (seen.lit, seen.air_off)
            })?;
        let seen = worst.seen;
        Some(match seen.blind {
            true => {
                "the room's sensor said nothing: whether the room was quiet is not known".to_owned()
            }
            false => {
                let words = room::words(room, seen.light_lx, seen.air_c);
                format!("the room was disturbed while this was read: {words}")
            }
        })
    }

    /// What the looks of the whole run found, in sentences; none where nothing looked.
    pub fn summary(&self) -> Option<String> {
        let room = self.room?;
        let was_blind = self.stretches.iter().any(|stretch| stretch.seen.blind);
        if self.looks == 0 {
            let sensor = &room.sensor;
            return was_blind.then(|| {
                format!("The room's sensor, {sensor}, said nothing; all that was read is flagged.")
            });
        }
        let mut words = format!(
            "The room's sensor, {}, was read {} times",
            room.sensor, self.looks
        );
        if let Some(light) = self.light_lx {
            words.push_str(&format!("; at most {light:.3} lx there"));
        }
        if let Some((coldest, warmest)) = self.air_c {
            words.push_str(&format!(
                "; air from {coldest:.1} to {warmest:.1} degrees Celsius"
            ));
        }
        let stretches = self
            .stretches
            .iter()
            .filter(|stretch| !stretch.seen.blind)
            .count();
        words.push_str(match stretches {
            0 => ". It was quiet whenever it was seen.",
            1 => ". It was disturbed once; what rests on that is flagged.",
            _ => ". It was disturbed several times; what rests on that is flagged.",
        });
        if was_blind {
            words.push_str(" At times its sensor said nothing; what was read then is flagged.");
        }
        Some(words)
    }
}
