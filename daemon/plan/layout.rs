//! The planner: plan + lamp + placement + bench card become an itinerary.
//! Pure and deterministic.
//!
//! ```text
//!  opening   fingers off · home · go to the reference position
//!  dark      meter covered, read            ambient   lamp off, every position
//!  warm-up   highest level, the full rule
//!  legs      set level · warm up · reference · positions (out, back, ...) ·
//!            reference between and at the end · check drift
//!  closing   ambient again · home again: the offset proves that no step was lost
//! ```
//!
//! Levels go down from the highest: after the full warm-up the lamp is at its
//! hottest, and each step down upsets it least. With the full rule at every
//! level they go up, as the lamp then only ever warms.

use photometry::measured::Quantity;
use photometry::units::{Length, Span};

use super::card::Card;
use super::course::Builder;
use super::faults::{Part, PlanFault, Problem};
use super::fitting::{self, Against, Ground};
use super::intent::{IfAbsent, Plan, Test, TestKind};
use super::itinerary::{Itinerary, TestHead, What};
use super::lamp::Lamp;
use super::order;
use super::placement::Placement;
use super::{flux_layout, ramp_layout, sight_fitting, sight_layout, standby_layout, survey_layout};

/// Actions of one itinerary; each test is counted before it is laid out
/// (fitting), this is for all of them together.
const ACTIONS_AT_MOST: usize = 400_000;

/// Lays a plan out.
///
/// # Errors
/// Everything that does not fit, at once.
pub fn itinerary(
    plan: &Plan,
    lamp: &Lamp,
    placement: &Placement,
    card: &Card,
) -> Result<Itinerary, Vec<PlanFault>> {
    let mut faults = misplaced(plan, lamp, placement, card);
    faults.extend(unseen_room(plan, card, &placement.place));
    let (mut left_out, mut lamp_has_not) = (Vec::new(), Vec::new());
    let mut builder = Builder::of(card, &placement.place, &plan.policies);
    let mut heads: Vec<TestHead> = Vec::new();
    faults.extend(same_names(plan));
    for test in &plan.tests {
        let leave_out = plan.policies.if_absent == IfAbsent::LeaveOut;
        let against = Against {
            lamp,
            placement,
            card,
            leave_out,
        };
        let first = builder.actions.len() as u32;
        match lay_out(test, against, &mut builder, heads.len() as u32) {
            Err(found) if leave_out && found.iter().all(|fault| fault.problem.is_lack()) => {
                let list = match found.iter().any(|fault| fault.problem.is_of_the_lamp()) {
                    true => &mut lamp_has_not,
                    false => &mut left_out,
                };
                list.extend(found.iter().map(|fault| fault.left_out()));
            }
            Err(mut found) => faults.append(&mut found),
            Ok((meter, watch, mut absent)) => {
                builder.end_point();
                left_out.append(&mut absent);
                if let Some(fault) = too_many_actions(plan, &builder) {
                    faults.push(fault);
                    return Err(faults);
                }
                heads.push(TestHead {
                    name: test.name.clone(),
                    line: test.line.clone(),
                    kind: test.kind.name(),
                    meter,
                    watch,
                    first,
                    last: (builder.actions.len() as u32).saturating_sub(1),
                });
            }
        }
    }
    if heads.is_empty() && faults.is_empty() {
        let what = if plan.tests.is_empty() {
            "test"
        } else {
            "test that this lamp and bench can do"
        };
        faults.push(fault_of_plan(plan, Problem::Empty(what)));
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let itinerary = Itinerary {
        plan: plan.name.clone(),
        lamp: lamp.name.clone(),
        unit: placement.unit.clone(),
        bench: card.name.clone(),
        policies: plan.policies,
        tests: heads,
        actions: builder.actions,
        left_out,
        lamp_has_not,
        elsewhere: None,
    };
    match too_long_on(&itinerary, plan, lamp) {
        Some(fault) => Err(vec![fault]),
        None => Ok(itinerary),
    }
}

/// Lays one test out; the name of the meter that watches, from where, and what
/// was left out.
fn lay_out(
    test: &Test,
    against: Against<'_>,
    builder: &mut Builder,
    index: u32,
) -> Result<(String, Length, Vec<String>), Vec<PlanFault>> {
    let of = |ground: &Ground<'_>| (ground.meter.name.clone(), ground.watch);
    let (meter, watch, absent) = match &test.kind {
        TestKind::Survey(survey) => {
            let (layout, absent) = fitting::understand(test, survey, against)?;
            survey_layout::survey(&layout, builder, index);
            let (meter, watch) = of(&layout.ground);
            (meter, watch, absent)
        }
        TestKind::Spectrum(spectrum) => {
            let wanted = (Quantity::Spectrum, spectrum.meter.as_deref());
            let (seen, by, absent) =
                sight_fitting::understand(test, &spectrum.sight, wanted, against)?;
            sight_layout::spectrum(&seen, spectrum, by, builder, index);
            let (meter, watch) = of(&seen.ground);
            (meter, watch, absent)
        }
        TestKind::Flicker(flicker) => {
            let wanted = (Quantity::Waveform, flicker.meter.as_deref());
            let (seen, by, absent) =
                sight_fitting::understand(test, &flicker.sight, wanted, against)?;
            sight_layout::flicker(&seen, flicker, by, builder, index);
            let (meter, watch) = of(&seen.ground);
            (meter, watch, absent)
        }
        TestKind::Flux(flux) => {
            let (seen, at, absent) = flux_layout::understand(test, flux, against)?;
            flux_layout::flux(&seen, flux, &at, builder, index);
            let (meter, watch) = of(&seen.ground);
            (meter, watch, absent)
        }
        TestKind::Ramp(ramp) => ramp_layout::lay_out(test, ramp, against, builder, index)?,
        TestKind::Standby(standby) => {
            standby_layout::lay_out(test, standby, against, builder, index)?
        }
    };
    Ok((meter, watch, absent))
}

/// The lamp would be on for longer than it may.
fn too_long_on(itinerary: &Itinerary, plan: &Plan, lamp: &Lamp) -> Option<PlanFault> {
    let mut least = lit_at_least(itinerary);
    let goes_off = lamp.off.needs_nobody();
    if let Some(window) = plan.policies.window.filter(|_| goes_off) {
        // At the end of the window the lamp is switched off; one that only a
        // person can switch off stays on.
        least = least.min(window.length());
    }
    (least > lamp.maximum_on).then(|| {
        let allowed = lamp.maximum_on;
        fault_of_plan(plan, Problem::OnTooLong { least, allowed })
    })
}

/// Whether the placement is of this lamp and bench at all.
fn misplaced(plan: &Plan, lamp: &Lamp, placement: &Placement, card: &Card) -> Vec<PlanFault> {
    let pairs = [
        (
            format!("a `{}`", placement.lamp),
            format!("a `{}`", lamp.name),
        ),
        (
            format!("standing on bench `{}`", placement.bench),
            format!("it on bench `{}`", card.name),
        ),
    ];
    pairs
        .into_iter()
        .zip([placement.lamp == lamp.name, placement.bench == card.name])
        .filter(|(_, fits)| !fits)
        .map(|((placed, needed), _)| {
            let unit = placement.unit.clone();
            let problem = Problem::Misplaced {
                unit,
                placed,
                needed,
            };
            fault_of_plan(plan, problem)
        })
        .collect()
}

/// The plan waits for a quiet room, and nothing sees it. In a closed sphere none is
/// needed.
fn unseen_room(plan: &Plan, card: &Card, place: &str) -> Option<PlanFault> {
    let policy = plan.policies.if_disturbed;
    let cannot = !policy.is_usual() && card.room.is_none() && !card.is_sphere(place);
    cannot.then(|| {
        let (policy, bench) = (policy.word(), card.name.clone());
        fault_of_plan(plan, Problem::RoomUnseen { policy, bench })
    })
}

/// Tests with the name of one before them.
fn same_names(plan: &Plan) -> impl Iterator<Item = PlanFault> {
    let tests = plan.tests.iter().enumerate();
    let twice = tests.filter(|(at, test)| {
        let mut before = plan.tests[..*at].iter();
        before.any(|other| other.name == test.name)
    });
    twice.map(|(_, test)| fault_of_plan(plan, Problem::SameName(test.name.clone())))
}

fn too_many_actions(plan: &Plan, builder: &Builder) -> Option<PlanFault> {
    let problem = Problem::TooManyActions {
        at_most: ACTIONS_AT_MOST,
    };
    (builder.actions.len() > ACTIONS_AT_MOST).then(|| fault_of_plan(plan, problem))
}

fn fault_of_plan(plan: &Plan, problem: Problem) -> PlanFault {
    let line = plan
        .tests
        .first()
        .map(|test| test.line.clone())
        .unwrap_or_default();
    PlanFault {
        test: plan.name.clone(),
        line,
        part: Part::Plan,
        problem,
    }
}

/// The longest time that the lamp stays on without a break, at least.
fn lit_at_least(itinerary: &Itinerary) -> Span {
    let (mut lit, mut longest, mut now) = (false, Span::ZERO, Span::ZERO);
    for action in &itinerary.actions {
        match action.what {
            What::SetLevel { .. } | What::FindHalfLight { .. } => lit = true,
            // One that starts nothing watches the lamp as it is.
            What::Record(ref recording) if recording.begins.is_some() => lit = true,
            What::LampOff => {
                lit = false;
                now = Span::ZERO;
            }
            _ => {}
        }
        if lit {
            now += action.time.least;
            longest = longest.max(now);
        }
    }
    longest
}

/// How much less an order could travel: the laid-out travel of all legs and
/// its lower bound.
pub fn travel(itinerary: &Itinerary, card: &Card) -> Option<(Span, Span)> {
    let rail = card.rail.as_ref()?;
    let (mut laid, mut bound) = (Span::ZERO, Span::ZERO);
    for leg in itinerary.actions.chunk_by(|a, b| a.leg == b.leg) {
        let Some(first) = leg.first().filter(|action| action.leg.is_some()) else {
            continue;
        };
        let watch = itinerary.tests.get(first.test as usize)?.watch;
        let mut positions = Vec::new();
        for action in leg {
            if let What::Move { to, .. } = action.what {
                laid += action.time.least;
                positions.push(to);
            }
        }
        positions.sort_unstable();
        positions.dedup();
        bound += order::travel_at_least(&positions, watch, rail);
    }
    Some((laid, bound))
}
