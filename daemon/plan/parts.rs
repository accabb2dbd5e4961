//! A plan whose tests need different places: flux is measured in an integrating
//! sphere, everything that asks for a position before a rail. Such a plan has two
//! parts, and each is a run of its own, because a lamp is moved by a person, who is
//! not woken for it.
//!
//! A test that may stand anywhere goes with those outside the sphere, where there
//! are any: so that it is measured once, and not at both places.
//!
//! Called by: check, placing, queue (booking). Pure. Not here: whether a test fits
//! its place (fitting), who moves the lamp (queue).

use serde::{Deserialize, Serialize};

use super::card::{Card, PlaceKind};
use super::intent::{Plan, Test, TestKind};
use super::placement::Placement;

/// Where a part of a plan is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Before a rail, or at a place without one.
    Outside,
    /// In an integrating sphere.
    Sphere,
}

impl Side {
    /// Both of them.
    pub const ALL: [Side; 2] = [Side::Outside, Side::Sphere];

    /// In words that follow the names of tests.
    pub const fn words(self) -> &'static str {
        match self {
            Side::Outside => "outside a sphere",
            Side::Sphere => "in an integrating sphere",
        }
    }

    /// On which side a kind of place lies.
    pub const fn of(kind: PlaceKind) -> Side {
        match kind {
            PlaceKind::Axis | PlaceKind::Still => Side::Outside,
            PlaceKind::Sphere => Side::Sphere,
        }
    }
}

/// What of a plan is not measured in a run, because it belongs to another place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Elsewhere {
    /// Where it belongs.
    pub side: Side,
    /// The tests by name, as the plan has them; at least one.
    pub tests: Vec<String>,
}

impl Elsewhere {
    /// `flux, in an integrating sphere`.
    pub fn words(&self) -> String {
        format!("{}, {}", self.tests.join(", "), self.side.words())
    }
}

/// A part of a plan: what is measured at one kind of place.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Where.
    pub side: Side,
    /// The plan with these tests alone, and the scripts that look at them.
    pub plan: Plan,
    /// The other part.
    pub elsewhere: Elsewhere,
}

/// The side that a test needs; none where it may stand on either.
fn needs(test: &Test) -> Option<Side> {
    match &test.kind {
        TestKind::Flux(_) => Some(Side::Sphere),
        TestKind::Survey(_) => Some(Side::Outside),
        TestKind::Ramp(test) => Some(match test.sight.at {
            Some(_) => Side::Outside,
            None => Side::Sphere,
        }),
        TestKind::Spectrum(_) | TestKind::Flicker(_) | TestKind::Standby(_) => {
            let at = test.kind.sight().and_then(|sight| sight.at);
            at.map(|_| Side::Outside)
        }
    }
}

/// The only side that a plan needs; none where it needs both, or either will do.
pub fn only(plan: &Plan) -> Option<Side> {
    let mut needed = plan.tests.iter().filter_map(needs);
    let first = needed.next()?;
    needed.all(|side| side == first).then_some(first)
}

/// The two parts of a plan that needs both sides; none where all of it is measured
/// at one place.
pub fn split(plan: &Plan) -> Option<[Part; 2]> {
    let needs_it = |side| plan.tests.iter().any(|test| needs(test) == Some(side));
    let both = Side::ALL.into_iter().all(needs_it);
    both.then(|| Side::ALL.map(|side| part(plan, side)))
}

/// The part of a plan that is measured on a side; none where the plan has one part.
pub fn on(plan: &Plan, side: Side) -> Option<Part> {
    split(plan)?.into_iter().find(|part| part.side == side)
}

fn part(plan: &Plan, side: Side) -> Part {
    let belongs = |test: &&Test| needs(test).unwrap_or(Side::Outside) == side;
    let (here, there): (Vec<&Test>, Vec<&Test>) = plan.tests.iter().partition(belongs);
    let has_survey = here.iter().any(|test| test.kind.survey().is_some());
    let looks_here = |test: &Option<String>| match test {
        Some(name) => here.iter().any(|test| test.name == *name),
        None => has_survey,
    };
    let uses = plan.uses.iter().filter(|one| looks_here(&one.test));
    let other = match side {
        Side::Outside => Side::Sphere,
        Side::Sphere => Side::Outside,
    };
    Part {
        side,
        elsewhere: Elsewhere {
            side: other,
            tests: there.iter().map(|test| test.name.clone()).collect(),
        },
        plan: Plan {
            tests: here.iter().map(|test| (*test).clone()).collect(),
            uses: uses.cloned().collect(),
            ..plan.clone()
        },
    }
}

/// The side on which a unit stands; outside where its place is not named yet.
pub fn side_at(placement: &Placement, card: &Card) -> Side {
    let mut places = card.places.iter();
    let place = places.find(|place| place.name == placement.place);
    place.map_or(Side::Outside, |place| Side::of(place.kind))
}

/// Whether a bench has a place on a side.
pub fn has(card: &Card, side: Side) -> bool {
    match side {
        Side::Sphere => card.sphere.is_some(),
        Side::Outside => card
            .places
            .iter()
            .any(|place| Side::of(place.kind) == Side::Outside),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::check;
    use crate::plan::frozen::SentText;
    use crate::plan::intent::PlanLine;
    use crate::plan::uses::{NotAsked, Purpose, Use};

    const TEXT: &str = "\
plan: whole
format: 1
tests:
  levels: {kind: survey, settings: all, positions: [12 in]}
  flux: {kind: flux, settings: [full]}
  idle: {kind: standby}
  colour: {kind: spectrum, at: 12 in}
";

    fn plan(without: &[&str]) -> Plan {
        let text = TEXT.lines().filter(|line| {
            let name = line.trim().split(':').next().unwrap_or("");
            !without.contains(&name)
        });
        let text: Vec<&str> = text.collect();
        let text = SentText {
            name: "plan.yaml".to_owned(),
            text: text.join("\n"),
        };
        let found = check::check(&[text], "2026-11-25", &NotAsked, &NotAsked);
        assert_eq!(found.shown(false), "");
        found.checked.plan.expect("a plan")
    }

    fn names(plan: &Plan) -> String {
        let names: Vec<&str> = plan.tests.iter().map(|test| test.name.as_str()).collect();
        names.join(" ")
    }

    /// Each test is in exactly one part, in the order written; what may stand
    /// anywhere goes outside where anything else does.
    #[test]
    fn each_test_is_measured_once() {
        /// The tests that are left out, the parts, the only side.
        type Case = (
            &'static [&'static str],
            Option<[&'static str; 2]>,
            Option<Side>,
        );
        let all: &[Case] = &[
            (&[], Some(["levels idle colour", "flux"]), None),
            (&["levels"], Some(["idle colour", "flux"]), None),
            (&["flux"], None, Some(Side::Outside)),
            (&["levels", "colour"], None, Some(Side::Sphere)),
            (&["levels", "colour", "flux"], None, None),
        ];
        for (without, expected, one) in all {
            let plan = plan(without);
            let parts = split(&plan);
            let told = parts
                .as_ref()
                .map(|parts| parts.each_ref().map(|part| names(&part.plan)));
            assert_eq!(
                told,
                expected.map(|parts| parts.map(str::to_owned)),
                "{without:?}"
            );
            assert_eq!(only(&plan), *one, "{without:?}");
            for part in parts.into_iter().flatten() {
                let mut both: Vec<String> = part.elsewhere.tests.clone();
                both.extend(part.plan.tests.iter().map(|test| test.name.clone()));
                both.sort();
                let mut whole: Vec<String> =
                    plan.tests.iter().map(|test| test.name.clone()).collect();
                whole.sort();
                assert_eq!(both, whole);
            }
        }
    }

    /// A script goes where the test is that it looks at; one that looks at every
    /// survey goes with the surveys.
    #[test]
    fn scripts_go_with_what_they_look_at() {
        let mut plan = plan(&[]);
        let script = |name: &str, test: Option<&str>| Use {
            name: name.to_owned(),
            line: PlanLine::default(),
            purpose: Purpose::Criterion,
            script: "reaches-target".to_owned(),
            given: Default::default(),
            test: test.map(str::to_owned),
        };
        plan.uses = vec![
            script("every", None),
            script("levels", Some("levels")),
            script("flux", Some("flux")),
        ];
        let of = |side| {
            let uses = on(&plan, side).expect("a part").plan.uses;
            uses.into_iter().map(|one| one.name).collect::<Vec<_>>()
        };
        assert_eq!(of(Side::Outside), ["every", "levels"]);
        assert_eq!(of(Side::Sphere), ["flux"]);
    }
}
