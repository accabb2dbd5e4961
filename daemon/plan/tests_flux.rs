//! Flux in a sphere: what is laid out, what is refused, what a bench file says of
//! a sphere.

use std::collections::BTreeMap;

use photometry::measured::Quantity;
use photometry::units::{Length, Wall};

use super::card::{Card, DarkBy, LitBy};
use super::intent::{IfAbsent, Plan, SettingWord, Settings, TestKind};
use super::itinerary::{Itinerary, Purpose, Restart, What};
use super::lamp::{Lamp, SwitchOff, Worked};
use super::placement::Placement;
use super::placing::{self, Request};
use super::tests::{example, found, text};
use super::{layout, print, samples};

/// The flux of one level of the sample lamp.
fn laid_out(lamp: &Lamp, card: &Card, placement: &Placement) -> Result<Itinerary, String> {
    let plan = samples::flux(Settings::These(vec![SettingWord::Full]));
    let laid = layout::itinerary(&plan, lamp, placement, card);
    laid.map_err(|faults| {
        let told = faults.iter().map(|fault| match fault.problem.hint() {
            Some(hint) => format!("{fault}; {hint}"),
            None => fault.to_string(),
        });
        told.collect::<Vec<_>>().join("\n")
    })
}

#[test]
fn both_lamps_are_mounted_seen_and_lit_in_turn() {
    let (card, placement) = samples::in_sphere();
    let itinerary = laid_out(&samples::lamp(2), &card, &placement).expect("it fits");
    insta::assert_snapshot!(print::list(&itinerary, card.lengths));
    let moves = itinerary.actions.iter().any(|action| {
        matches!(
            action.what,
            What::Home | What::Move { .. } | What::ProveHome { .. }
        )
    });
    assert!(!moves, "nothing moves in a sphere");
    let head = &itinerary.tests[0];
    assert_eq!(
        (head.meter.as_str(), head.watch),
        ("port-head", Length::ZERO)
    );
}

/// Where spectra are asked for they stand beside every reading; each key is there once.
#[test]
fn spectra_are_taken_of_everything_that_is_read() {
    let full = Settings::These(vec![SettingWord::Full]);
    let (card, placement, plan) = samples::in_sphere_with_array(full);
    let lamp = samples::lamp(2);
    let itinerary = layout::itinerary(&plan, &lamp, &placement, &card).expect("it fits");
    insta::assert_snapshot!(print::list(&itinerary, card.lengths));
    let mut keys = BTreeMap::new();
    for key in itinerary.actions.iter().filter_map(|a| a.key.as_ref()) {
        *keys.entry(key.to_string()).or_insert(0) += 1;
    }
    assert_eq!(keys.iter().find(|(_, times)| **times > 1), None);
    // Two lit and two covered of each of the six, in one point, with the meter open again.
    let captures = itinerary
        .actions
        .iter()
        .filter(|a| matches!(a.what, What::Capture { .. }));
    let mut points: BTreeMap<u32, Vec<Purpose>> = BTreeMap::new();
    for action in captures {
        let (point, key) = (action.point.expect("a point"), action.key.as_ref());
        points
            .entry(point)
            .or_default()
            .push(key.expect("a key").purpose);
    }
    let points: Vec<Vec<Purpose>> = points.into_values().collect();
    let wanted = [
        Purpose::StandardDark,
        Purpose::StandardAuxiliary,
        Purpose::Standard,
        Purpose::Dark,
        Purpose::Auxiliary,
        Purpose::Read,
    ];
    let covered = Purpose::Covered;
    assert_eq!(points, wanted.map(|lit| vec![lit, lit, covered, covered]));
}

/// What keeps spectra from being taken; with `if-absent: leave out` a bench without a
/// spectroradiometer measures by the photometer.
#[test]
fn what_spectra_in_a_sphere_lack() {
    let full = || Settings::These(vec![SettingWord::Full]);
    let lamp = samples::lamp(2);
    let told = |change: &dyn Fn(&mut Card, &mut Plan)| {
        let (mut card, placement, mut plan) = samples::in_sphere_with_array(full());
        change(&mut card, &mut plan);
        match layout::itinerary(&plan, &lamp, &placement, &card) {
            Ok(itinerary) => format!("fits; {:?}", itinerary.left_out),
            Err(faults) => {
                let told = faults.iter().map(|fault| match fault.problem.hint() {
                    Some(hint) => format!("{fault}; {hint}"),
                    None => fault.to_string(),
                });
                told.collect::<Vec<_>>().join("\n")
            }
        }
    };
    let leave_out = |plan: &mut Plan| plan.policies.if_absent = IfAbsent::LeaveOut;
    let named = |plan: &mut Plan, name: &str| {
        if let TestKind::Flux(test) = &mut plan.tests[0].kind
            && let Some(spectra) = &mut test.spectra
        {
            spectra.meter = Some(name.to_owned());
        }
    };
    let cases = [
        ("all there", told(&|_, _| {})),
        ("no array", told(&|card, _| card.meters.truncate(2))),
        (
            "no array, left out",
            told(&|card, plan| {
                card.meters.truncate(2);
                leave_out(plan);
            }),
        ),
        ("neither meter", told(&|card, _| card.meters.truncate(1))),
        ("a cap", told(&|card, _| card.meters[2].dark = DarkBy::Cap)),
        (
            "two of them",
            told(&|card, _| {
                let mut other = card.meters[2].clone();
                "spare".clone_into(&mut other.name);
                card.meters.push(other);
            }),
        ),
        ("the photometer", told(&|_, plan| named(plan, "port-head"))),
        ("a slip", told(&|_, plan| named(plan, "port-aray"))),
        (
            "one that does both alone",
            told(&|card, _| {
                card.meters.remove(1);
                card.meters[1].yields = vec![Quantity::Spectrum, Quantity::Illuminance];
            }),
        ),
    ];
    let told = cases.map(|(name, told)| format!("{name}:\n{told}"));
    insta::assert_snapshot!(told.join("\n\n"));
}

/// Making the bench safe switches all outlets off: whatever of a lit lamp is
/// broken off begins with its being lit.
#[test]
fn a_lit_lamp_of_the_sphere_is_one_group() {
    let (card, placement) = samples::in_sphere();
    let itinerary = laid_out(&samples::lamp(2), &card, &placement).expect("it fits");
    let mut lit: Option<u32> = None;
    let mut groups = 0;
    for action in &itinerary.actions {
        if let What::Switch { on, .. } = action.what {
            groups += u32::from(on);
            lit = on.then_some(action.no).or(lit.filter(|_| !on));
        }
        match lit {
            Some(first) => assert_eq!(action.restart, Restart::FromGroup(first), "{action:?}"),
            None => assert!(
                !matches!(&action.key, Some(key) if matches!(
                    key.purpose,
                    Purpose::Auxiliary | Purpose::Standard | Purpose::StandardAuxiliary
                )),
                "{action:?}"
            ),
        }
        if matches!(action.what, What::Switch { on: false, .. }) {
            lit = None;
        }
    }
    assert_eq!(groups, 3);
}

#[test]
fn without_outlets_a_person_switches_and_no_lamp_is_asked_for_twice() {
    let (mut card, placement) = samples::in_sphere();
    if let Some(sphere) = &mut card.sphere {
        sphere.reference.lit = LitBy::ByHand;
        sphere.auxiliary.lit = LitBy::ByHand;
    }
    let mut lamp = samples::lamp(2);
    (lamp.worked, lamp.off) = (Worked::ByHand, SwitchOff::ByHand);
    let itinerary = laid_out(&lamp, &card, &placement).expect("it fits");
    let asked = itinerary.actions.iter().filter(|action| {
        matches!(
            action.what,
            What::Ask { .. } | What::LampOff | What::SetLevel { .. }
        )
    });
    let asked: Vec<String> = asked
        .map(|action| print::doing(action, card.lengths))
        .collect();
    insta::assert_snapshot!(asked.join("\n"));
}

#[test]
fn what_a_test_of_flux_lacks() {
    let (card, placement) = samples::in_sphere();
    let lamp = samples::lamp(2);
    let told = |change: &dyn Fn(&mut Card, &mut Placement, &mut Lamp)| {
        let (mut card, mut placement, mut lamp) = (card.clone(), placement.clone(), lamp.clone());
        change(&mut card, &mut placement, &mut lamp);
        laid_out(&lamp, &card, &placement)
            .err()
            .unwrap_or_else(|| "fits".to_owned())
    };
    let cases = [
        ("all there", told(&|_, _, _| {})),
        ("no sphere", told(&|card, _, _| card.sphere = None)),
        (
            "on the rail",
            told(&|_, placement, _| "axis".clone_into(&mut placement.place)),
        ),
        ("no photometer", told(&|card, _, _| card.meters.truncate(1))),
        (
            "two photometers",
            told(&|card, _, _| {
                let mut other = card.meters[1].clone();
                "spare-head".clone_into(&mut other.name);
                card.meters.push(other);
            }),
        ),
        (
            "a lamp that stays on",
            told(&|_, _, lamp| lamp.off = SwitchOff::Cannot),
        ),
        (
            "no photometer for a lamp that stays on",
            told(&|card, _, lamp| {
                card.meters.truncate(1);
                lamp.off = SwitchOff::Cannot;
            }),
        ),
    ];
    let told = cases.map(|(name, told)| format!("{name}:\n{told}"));
    insta::assert_snapshot!(told.join("\n\n"));
}

/// Slips in the sphere of a bench file, one each, and what is said of it.
#[test]
fn slips_in_a_sphere() {
    let slips = [
        ("  sphere: sphere\n", "  sphere: still\n"),
        ("place: sphere\n  diameter", "place: spere\n  diameter"),
        ("    lit: auxiliary", "    lit: auxilary"),
        ("    lit: auxiliary", "    lit: reference"),
        ("    lit: auxiliary", "    lit: by hand"),
        ("flux: 812 lm ", "flux: 812 "),
        ("flux: 812 lm ", "flux: 0 lm "),
        ("flux: 812 lm ", "flux: 812 lx "),
        ("diameter: 1 m", "diameter: wide"),
        ("warm-up: 10 min", "warm-up: 5 h"),
        ("    name: R-1\n", ""),
        ("K-2026-040, due: 2027-09-01", "K-2026-040, due: 2026-12-01"),
        ("K-2026-040, due: 2027-09-01", "K-2026-040, due: 2026-01-01"),
        (
            "channels: {reference: 1, auxiliary: 2, lamp: 3}",
            "channels: {}",
        ),
        ("  auxiliary:\n    warm-up: 5 min\n    lit: auxiliary\n", ""),
    ];
    insta::assert_snapshot!(told_of(&slips));
}

/// What is said of the shipped bench with each of these changes.
fn told_of(slips: &[(&str, &str)]) -> String {
    let good = example("bench-dune-sphere.yaml");
    let mut table = String::new();
    for (written, slip) in slips {
        let changed = good.text.replacen(written, slip, 1);
        assert_ne!(changed, good.text, "{written}");
        let found = found(&[text(&good.name, &changed)]);
        table.push_str(&format!("{written:?} as {slip:?}\n"));
        for one in &found.mistakes {
            table.push_str(&format!("  {} {}: {}\n", one.place, one.code, one.message));
            if let Some(hint) = &one.hint {
                table.push_str(&format!("    {hint}\n"));
            }
        }
        if !found.refuses() {
            table.push_str("  taken\n");
        }
    }
    table
}

#[test]
fn slips_in_what_a_plan_says_of_spectra() {
    let good = example("plan-flux.yaml");
    let slips = [
        "spectra: 3",
        "spectra: 0",
        "spectra: many",
        "spectrum-meter: port-array",
        "longest-integration: 1 s",
        "spectra: 3\n    spectrum-meter: port-array\n    longest-integration: 2 min",
    ];
    let mut table = String::new();
    for slip in slips {
        let changed = good
            .text
            .replace("dark: 5", &format!("dark: 5\n    {slip}"));
        let found = found(&[text(&good.name, &changed)]);
        table.push_str(&format!("{slip:?}\n"));
        for one in &found.mistakes {
            table.push_str(&format!("  {} {}: {}\n", one.place, one.code, one.message));
            if let Some(hint) = &one.hint {
                table.push_str(&format!("    {hint}\n"));
            }
        }
        if !found.refuses() {
            table.push_str("  taken\n");
        }
    }
    insta::assert_snapshot!(table);
}

#[test]
fn slips_in_the_spectrum_of_a_reference_lamp() {
    let written =
        "    spectrum: 2856 K                # its distribution temperature, from there too\n";
    let long = format!(
        "    spectrum: {{from-nm: 380, step-nm: 0.4, relative: [{}1]}}\n",
        "1, ".repeat(1_000)
    );
    let slips = [
        "    spectrum: 2856 K\n",
        "    spectrum: 2856\n",
        "    spectrum: 500 K\n",
        "    spectrum: 2856 nm\n",
        "    spectrum: [1, 2]\n",
        "    spectrum: {from-nm: 380, step-nm: 20, relative: [1, 2, 3, 4, 5, 6, 7, 8, 9, 8, 7, 6, 5, 4, 3, 2, 1]}\n",
        "    spectrum: {from-nm: 380, step-nm: 20, relative: [1, 2, 3]}\n",
        "    spectrum: {from-nm: 420, step-nm: 30, relative: []}\n",
        "    spectrum: {from-nm: 380, step: 5, relative: [1, -2, x]}\n",
        "    spectrum: {from-nm: 380, step-nm: 20, relative: [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]}\n",
    ];
    let slips: Vec<(&str, &str)> = slips.iter().map(|slip| (written, *slip)).collect();
    let table = told_of(&slips);
    insta::assert_snapshot!(table);
    let table = told_of(&[(written, long.as_str())]);
    assert!(table.contains("1001 values; at most 1000"), "{table}");
}

/// 2 % of the wall of a sphere of 1 m, pi D2, are 0.0628 m2 (closed form).
#[test]
fn a_lamp_that_is_large_for_the_sphere_is_told_and_not_refused() {
    let lamp = |surface: &str| {
        let lamp = example("lamp-dunlin.yaml");
        text(&lamp.name, &format!("{}surface: {surface}\n", lamp.text))
    };
    let told = |surface: &str, plan: &str| {
        let files = [
            example("bench-dune-sphere.yaml"),
            lamp(surface),
            example(plan),
        ];
        let found = found(&files);
        let all: Vec<String> = found
            .mistakes
            .iter()
            .map(|one| one.message.clone())
            .collect();
        (found.refuses(), all.join("\n"))
    };
    let large = "the lamp's surface is 3.8 % of the wall of the sphere, 1000 mm wide; more than 2 % is \
                 large";
    assert_eq!(told("0.12 m2", "plan-flux.yaml"), (false, large.to_owned()));
    assert_eq!(
        told("1200 cm2", "plan-flux.yaml"),
        (false, large.to_owned())
    );
    assert_eq!(told("0.0628 m2", "plan-flux.yaml"), (false, String::new()));
    let (refused, said) = told("0.12 m2", "plan-short.yaml");
    assert!(refused && !said.contains("wall"), "{said}");
}

#[test]
fn a_unit_in_a_sphere_has_no_datum() {
    let (card, _) = samples::in_sphere();
    let lamp = samples::lamp(2);
    let fingers = ["brighter", "dimmer", "power"]
        .into_iter()
        .zip(["left", "right", "round"]);
    let request = |place: &str, gauge: Option<&str>| Request {
        unit: "D-17".to_owned(),
        place: Some(place.to_owned()),
        firmware: None,
        gauge: gauge.map(str::to_owned),
        carriage_at: None,
        fingers: fingers
            .clone()
            .map(|(a, b)| (a.to_owned(), b.to_owned()))
            .collect(),
        who: "test".to_owned(),
        since: Wall::default(),
        stated: BTreeMap::new(),
    };
    let placed = placing::placement(&request("sphere", None), &lamp, &card).expect("placed");
    assert_eq!(
        (placed.datum, placed.datum_uncertainty, placed.gauge),
        (Length::ZERO, Length::ZERO, None)
    );
    laid_out(&lamp, &card, &placed).expect("flux is measured there");
    let on_rail = placing::placement(&request("axis", None), &lamp, &card).expect("placed");
    assert_eq!(on_rail.datum, Length::from_mm(100));
    let gauged = placing::placement(&request("sphere", Some("50 mm")), &lamp, &card);
    assert_eq!(
        gauged.expect_err("no rail there"),
        ["a gauge block is of use only on a rail, and this unit stands elsewhere"]
    );
}

/// A plan of which all is measured in the sphere is planned there, any other on the
/// rail.
#[test]
fn where_a_unit_is_thought_to_stand() {
    let (card, _) = samples::in_sphere();
    let lamp = samples::lamp(2);
    let flux = samples::flux(Settings::All);
    let mut both = samples::plan(samples::survey(&[24]));
    both.tests.extend(flux.tests.clone());
    let place = |plan, card| placing::nominal_for(plan, "any", &lamp, card).place;
    assert_eq!(place(&flux, &card), "sphere");
    assert_eq!(place(&both, &card), "axis");
    assert_eq!(place(&flux, &samples::card()), "axis");
}
