//! Does a test that looks at the lamp from one place fit lamp, placement and
//! bench? All kinds but the survey.
//!
//! Called by: layout. Not here: the order of things (the layouts).

use photometry::measured::Quantity;
use photometry::units::Length;

use super::card::{Card, Carries, Meter};
use super::faults::{Part, PlanFault, Problem};
use super::fitting::{
    Against, Ground, Wanted, choose_meter, fault, rail_at, rail_faults, reachable, targets,
};
use super::intent::{Test, TestKind};
use super::kinds::Sight;
use super::mains;
use super::settings::ModeTargets;

/// A test from one place, with everything resolved.
pub struct Seen<'a> {
    /// What it stands on.
    pub ground: Ground<'a>,
    /// How the lamp is set and watched.
    pub sight: &'a Sight,
    /// What is measured, by mode.
    pub modes: Vec<ModeTargets>,
}

/// Resolves a test with the meter that measures, or says everything that does
/// not fit; also what was left out. `measures`: which quantity, by which meter
/// where the plan names it.
///
/// # Errors
/// Everything that does not fit, at once.
pub fn understand<'a>(
    test: &'a Test,
    sight: &'a Sight,
    (quantity, name): (Quantity, Option<&str>),
    against: Against<'a>,
) -> Result<(Seen<'a>, &'a Meter, Vec<String>), Vec<PlanFault>> {
    let Against {
        lamp,
        placement,
        card,
        ..
    } = against;
    let (mut faults, mut left_out) = (Vec::new(), Vec::new());
    let rail = rail_at(placement, card);
    if rail.is_none() && sight.at.is_some() {
        let problem = Problem::NoRail {
            kind: test.kind.name(),
            place: placement.place.clone(),
            bench: card.name.clone(),
        };
        return Err(vec![fault(test, Part::Placement, problem)]);
    }
    let moving = rail.and_then(|rail| rail_faults(rail, card));
    faults.extend(moving.map(|problem| fault(test, Part::Test, problem)));
    let wanted = Wanted {
        quantity,
        name,
        place: &placement.place,
        rides: rail.is_some_and(|rail| rail.carries == Carries::Meter),
    };
    let (measures, watches) = both_meters(test, sight, wanted, card, &mut faults);
    if rail.is_some() && sight.at.is_none() {
        let problem = Problem::NoPosition(test.kind.name());
        faults.push(fault(test, Part::Test, problem));
    }
    if let (Some(rail), Some(at)) = (rail, sight.at) {
        for meter in [&measures, &watches].into_iter().flatten() {
            let reached = reachable(at, rail, meter.plane, placement, card);
            faults.extend(reached.err().map(|p| fault(test, Part::Reference, p)));
        }
    }
    let modes = targets(test, against, &mut faults, &mut left_out);
    let runs_by_itself = matches!(test.kind, TestKind::Ramp(_));
    let no_target = modes.iter().all(|mode| mode.targets.is_empty());
    if no_target && !runs_by_itself && faults.is_empty() {
        faults.push(fault(test, Part::Test, Problem::Empty("setting")));
    }
    let (true, Ok(measures), Ok(watches)) = (faults.is_empty(), measures, watches) else {
        return Err(faults);
    };
    let ground = Ground {
        test,
        lamp,
        placement,
        rail,
        meter: watches,
        watch: sight.at.unwrap_or(Length::ZERO),
        settle: sight.settle,
        readings: sight.readings,
        lamp_outlet: mains::on_throughout(lamp, card),
        fixed: None,
    };
    let seen = Seen {
        ground,
        sight,
        modes,
    };
    Ok((seen, measures, left_out))
}

/// The spectroradiometer where the unit stands: the named one, or the only one.
///
/// # Errors
/// There is none, or several.
pub(super) fn spectroradiometer<'a>(
    name: Option<&str>,
    against: Against<'a>,
) -> Result<&'a Meter, Problem> {
    let (placement, card) = (against.placement, against.card);
    let rail = rail_at(placement, card);
    let wanted = Wanted {
        quantity: Quantity::Spectrum,
        name,
        place: &placement.place,
        rides: rail.is_some_and(|rail| rail.carries == Carries::Meter),
    };
    choose_meter(wanted, card).map_err(|problem| match problem {
        Problem::SeveralMeters(names) => Problem::SeveralForSpectra(names),
        other => other,
    })
}

/// The meter that measures, and the one of light that watches: it may be the same.
fn both_meters<'a>(
    test: &Test,
    sight: &Sight,
    wanted: Wanted<'_>,
    card: &'a Card,
    faults: &mut Vec<PlanFault>,
) -> (Result<&'a Meter, ()>, Result<&'a Meter, ()>) {
    let watching = Wanted {
        quantity: Quantity::Illuminance,
        name: sight.watched_by.as_deref(),
        ..wanted
    };
    let watches = choose_meter(watching, card).map_err(|problem| match problem {
        Problem::SeveralMeters(names) => Problem::SeveralWatch(names),
        other => other,
    });
    let mut told = |meter: Result<&'a Meter, Problem>| {
        meter.map_err(|p| faults.push(fault(test, Part::Meter, p)))
    };
    let watches = told(watches);
    // One that does both is told once.
    let one = wanted.quantity == watching.quantity && wanted.name == watching.name;
    match one {
        true => (watches, watches),
        false => (told(choose_meter(wanted, card)), watches),
    }
}
