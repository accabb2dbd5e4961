//! Whether a run may be handed over: where its unit stands, whether the bench is
//! as it was frozen, and whether the machine is still the one that it began on.
//! Pure.

use std::collections::BTreeSet;

use crate::plan::card::{Card, Control, Fingers, Meter, Outlets, Rail};
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::{Action, KindName};
use crate::plan::parts;
use crate::plan::placement::Placement;
use crate::plan::profiles::UsedProfile;

/// Where a run's unit stands, against what the run froze.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stands {
    /// As it was frozen.
    AsFrozen,
    /// It was placed anew since, or for the first time.
    Anew,
    /// Nowhere.
    Nowhere,
}

/// Compares the placement that a run froze with the unit's current one, by
/// their numbers in the record.
pub fn stands(frozen: Option<i64>, current: Option<i64>) -> Stands {
    match (frozen, current) {
        (_, None) => Stands::Nowhere,
        (Some(frozen), Some(current)) if frozen == current => Stands::AsFrozen,
        (_, Some(_)) => Stands::Anew,
    }
}

/// Whether a unit stands on the side that a run of one part of a plan needs, on its
/// bench; always where its plan has one part. `now`: where it stands, with that
/// bench.
pub fn stands_for_its_part(frozen: &Frozen, now: Option<(&Placement, &Card)>) -> bool {
    let side =
        |placement: &Placement, card: &Card| (card.name.clone(), parts::side_at(placement, card));
    let needed = side(&frozen.placement, &frozen.card);
    let stands = now.is_some_and(|(placement, card)| side(placement, card) == needed);
    frozen.itinerary.elsewhere.is_none() || stands
}

/// What of a bench is not as a run froze it, in words: a reading that is taken
/// otherwise than its account tells cannot be defended. Where a device is
/// plugged in may change, how long it is waited for, and whatever the run does
/// not use.
pub fn changed(frozen: &Frozen, now: &Card) -> Vec<String> {
    let then = &frozen.card;
    let used: BTreeSet<&str> = frozen
        .itinerary
        .tests
        .iter()
        .map(|t| t.meter.as_str())
        .chain(frozen.itinerary.actions.iter().flat_map(Action::meters))
        .collect();
    let mut changed = Vec::new();
    for meter in then
        .meters
        .iter()
        .filter(|meter| used.contains(meter.name.as_str()))
    {
        let other = now.meters.iter().find(|other| other.name == meter.name);
        if other.is_none_or(|other| !same_meter(meter, other)) {
            changed.push(format!("the meter `{}`", meter.name));
        }
    }
    if !same_if_there(then.rail.as_ref(), now.rail.as_ref(), same_rail) {
        changed.push("the rail".to_owned());
    }
    if !same_if_there(then.fingers.as_ref(), now.fingers.as_ref(), same_fingers) {
        changed.push("the fingers".to_owned());
    }
    if !same_if_there(then.outlets.as_ref(), now.outlets.as_ref(), same_outlets) {
        changed.push("the outlets".to_owned());
    }
    if !same_if_there(then.control.as_ref(), now.control.as_ref(), same_control) {
        changed.push("the lamp's control".to_owned());
    }
    let button = |card: &Card| card.stop_button.as_ref().map(|b| b.pressed_is_closed);
    if button(then).is_some() && button(then) != button(now) {
        changed.push("the stop button".to_owned());
    }
    let room = then.room.as_ref().map(|room| room.sensor.as_str());
    let sensor = |card: &Card| {
        let mut meters = card.meters.iter();
        meters
            .find(|meter| Some(meter.name.as_str()) == room)
            .cloned()
    };
    if then.room != now.room
        || !same_if_there(sensor(then).as_ref(), sensor(now).as_ref(), same_meter)
    {
        changed.push("the room's sensor or its limits".to_owned());
    }
    let heads = &frozen.itinerary.tests;
    let in_sphere = heads.iter().any(|head| head.kind == KindName::Flux);
    if in_sphere && then.sphere != now.sphere {
        changed.push("the sphere".to_owned());
    }
    if then.lamp_outlet != now.lamp_outlet {
        changed.push("the lamp's outlet".to_owned());
    }
    if then.places != now.places {
        changed.push("the places".to_owned());
    }
    changed
}

fn same_if_there<T>(then: Option<&T>, now: Option<&T>, same: fn(&T, &T) -> bool) -> bool {
    match (then, now) {
        (Some(then), Some(now)) => same(then, now),
        (then, now) => then.is_none() && now.is_none(),
    }
}

/// What was frozen before there were profiles is held against none.
fn profile(then: Option<&UsedProfile>, now: Option<&UsedProfile>) -> Option<UsedProfile> {
    then.and(now).cloned()
}

fn same_meter(then: &Meter, now: &Meter) -> bool {
    let now = Meter {
        port: then.port.clone(),
        back_within: then.back_within,
        profile: profile(then.profile.as_ref(), now.profile.as_ref()),
        ..now.clone()
    };
    *then == now
}

fn same_rail(then: &Rail, now: &Rail) -> bool {
    let now = Rail {
        port: then.port.clone(),
        back_within: then.back_within,
        profile: profile(then.profile.as_ref(), now.profile.as_ref()),
        ..now.clone()
    };
    *then == now
}

fn same_fingers(then: &Fingers, now: &Fingers) -> bool {
    let now = Fingers {
        port: then.port.clone(),
        back_within: then.back_within,
        profile: profile(then.profile.as_ref(), now.profile.as_ref()),
        ..now.clone()
    };
    *then == now
}

fn same_control(then: &Control, now: &Control) -> bool {
    let now = Control {
        port: then.port.clone(),
        back_within: then.back_within,
        profile: profile(then.profile.as_ref(), now.profile.as_ref()),
    };
    *then == now
}

fn same_outlets(then: &Outlets, now: &Outlets) -> bool {
    let now = Outlets {
        port: then.port.clone(),
        back_within: then.back_within,
        profile: profile(then.profile.as_ref(), now.profile.as_ref()),
        ..now.clone()
    };
    *then == now
}

/// Whether the machine was started anew since a run's last event: power may
/// have been lost. `last` is the boot under which that was written; none for
/// a run without events.
pub fn other_boot(last: Option<&str>, now: &str) -> bool {
    last.is_some_and(|last| last != now)
}

#[cfg(test)]
mod tests {
    use photometry::units::{Length, Span};

    use super::*;
    use crate::plan::samples;

    #[test]
    fn a_unit_stands_as_frozen_only_under_the_same_placement() {
        let cases = [
            (Some(3), Some(3), Stands::AsFrozen),
            // Moved, and moved back: the datum is another.
            (Some(3), Some(5), Stands::Anew),
            (None, Some(5), Stands::Anew),
            (Some(3), None, Stands::Nowhere),
            (None, None, Stands::Nowhere),
        ];
        for (frozen, current, expected) in cases {
            assert_eq!(stands(frozen, current), expected, "{frozen:?} {current:?}");
        }
    }

    /// What a run measures with may not change under it; what it is not about may.
    #[test]
    fn a_bench_that_changed_is_told_by_its_parts() {
        let (plan, lamp) = (samples::plan(samples::survey(&[12, 18])), samples::lamp(2));
        let (placement, card) = (samples::placement(), samples::card());
        let frozen = &samples::frozen(plan, lamp, card, placement);
        let told = |change: fn(&mut Card)| {
            let mut now = frozen.card.clone();
            change(&mut now);
            changed(frozen, &now).join(", ")
        };
        type Change = fn(&mut Card);
        let cases: [(&str, Change); 10] = [
            ("", |_| {}),
            ("", |card| card.ports.clear()),
            ("", |card| card.meters[0].port = "another".to_owned()),
            ("", |card| {
                card.meters.push(Meter {
                    name: "spare".to_owned(),
                    ..card.meters[0].clone()
                })
            }),
            ("the meter `lux-head`", |card| {
                card.meters[0].integration = Span::from_ms(5)
            }),
            ("the meter `lux-head`", |card| {
                card.meters[0].calibration.certificate = "K-9".to_owned();
            }),
            ("the meter `lux-head`", |card| card.meters.clear()),
            // A survey does not use it.
            ("", |card| card.sphere = Some(samples::sphere())),
            ("the rail, the fingers", |card| {
                card.rail = None;
                card.fingers = None;
            }),
            ("the rail", |card| {
                if let Some(rail) = &mut card.rail {
                    rail.datum_at = Length::from_mm(7);
                }
            }),
        ];
        for (expected, change) in cases {
            assert_eq!(told(change), expected);
        }
    }

    #[test]
    fn power_was_lost_when_an_event_bears_another_boot() {
        assert!(!other_boot(None, "b"));
        assert!(!other_boot(Some("b"), "b"));
        assert!(other_boot(Some("a"), "b"));
    }
}
