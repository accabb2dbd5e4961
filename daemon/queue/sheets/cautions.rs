//! What to mind before a bench is left alone: the short form of `help safety`,
//! as far as it applies to what the runs of tonight do. Pure.
//!
//! Called by: tonight.

use super::Told;
use crate::plan::itinerary::{Action, KindName, What};
use crate::plan::lamp::Worked;

/// Never left out.
const NO_EMERGENCY_STOP: &str = "`wakerail stop`, `wakerail hold` and Ctrl-C are normal stops in \
     software, never an emergency stop: keep a switch within reach that cuts the power of lamp and \
     rail.";

/// Where a relay lights the lamp. Common practice, no source.
const MAINS_RELAYS: &str = "A lamp that its outlet lights: the relay is rated for the mains and for the \
     lamp's inrush current, enclosed, and fused; fixed wiring is for a licensed electrician, and the \
     rules of your place come first. A relay can weld: then nothing here darkens the lamp.";

/// The cautions of one bench, for these runs of it; none without runs.
pub fn cautions(runs: &[&Told]) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    if runs.is_empty() {
        return found;
    }
    let does = |is: fn(&What) -> bool| {
        let mut todo = runs.iter().flat_map(|told| {
            let itinerary = &told.frozen.itinerary;
            told.progress
                .still_to_do(itinerary)
                .map(|a: &Action| &a.what)
        });
        todo.any(is)
    };
    let mut mind = |applies: bool, words: &str| {
        if applies && !found.iter().any(|said| said == words) {
            found.push(words.to_owned());
        }
    };
    let lights = does(|what| {
        matches!(
            what,
            What::SetLevel { .. } | What::FindHalfLight { .. } | What::Record(_)
        )
    });
    mind(
        does(|what| {
            matches!(
                what,
                What::Move { .. } | What::Home | What::ProveHome { .. }
            )
        }),
        "The carriage moves by itself: nobody's fingers or hair, no cable, no cloth, no pet near it.",
    );
    mind(
        lights,
        "A mains lamp stays on while nobody is there: on what does not burn, nothing over it, a \
         smoke alarm in the room; not one that you have not watched for its first hours.",
    );
    let mains = |told: &&Told| told.frozen.lamp.worked == Worked::Mains;
    let by_mains = lights && runs.iter().any(mains);
    mind(
        by_mains || does(|what| matches!(what, What::Switch { .. })),
        "Outlets switch the mains by themselves: what hangs on them may come on at any time.",
    );
    let left_on = |told: &&Told| !told.frozen.lamp.off.needs_nobody();
    mind(by_mains, MAINS_RELAYS);
    for told in runs.iter().filter(|told| left_on(told)) {
        let words = format!(
            "Nothing here can switch off unit `{}`: after its run, and when that is broken off, it \
             stays on until a person switches it off.",
            told.row.unit
        );
        mind(lights, &words);
    }
    mind(
        lights,
        "Bright light hurts: do not look into the lamp from near, and cover it while you work at the \
         bench.",
    );
    let flickers = |told: &&Told| {
        let mut heads = told.frozen.itinerary.tests.iter();
        heads.any(|head| head.kind == KindName::Flicker)
    };
    mind(
        runs.iter().any(flickers),
        "Flashing light can set off seizures in photosensitive people: warn whoever may come in.",
    );
    mind(true, NO_EMERGENCY_STOP);
    found
}
