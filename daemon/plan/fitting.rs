//! Does a survey fit lamp, placement and bench? Resolves the meter, the
//! settings and the positions, and says everything that does not fit at once.
//!
//! Called by: layout. Not here: the order of things (survey_layout).

use photometry::measured::Quantity;
use photometry::units::{Length, Span};

use super::card::{Card, Meter, PlaceKind, Rail};
use super::faults::{Part, PlanFault, Problem};
use super::intent::{Survey, Test};
use super::itinerary::Duration3;
use super::lamp::{Lamp, SwitchOff, Worked};
use super::placement::Placement;
use super::settings::{self, ModeTargets};

/// Readings that are laid out at most: a night of eight hours at three a
/// second. The itinerary is held in memory and frozen with the run.
pub const READINGS_AT_MOST: u64 = 100_000;
/// What a meter's link and range question add to a reading.
const READ_OVERHEAD: Span = Span::from_ms(50);

/// One survey with everything resolved.
pub struct Layout<'a> {
    /// The test as written.
    pub test: &'a Test,
    /// Its survey.
    pub survey: &'a Survey,
    /// The lamp.
    pub lamp: &'a Lamp,
    /// Where the unit stands.
    pub placement: &'a Placement,
    /// The rail that carries the meter or the lamp.
    pub rail: &'a Rail,
    /// The meter that reads.
    pub meter: &'a Meter,
    /// What is measured, by mode.
    pub modes: Vec<ModeTargets>,
    /// The positions that can be reached, ascending.
    pub positions: Vec<Length>,
}

/// Resolves a survey, or says everything that does not fit; also what was
/// left out.
pub fn understand<'a>(
    test: &'a Test,
    survey: &'a Survey,
    lamp: &'a Lamp,
    placement: &'a Placement,
    card: &'a Card,
    leave_out: bool,
) -> Result<(Layout<'a>, Vec<String>), Vec<PlanFault>> {
    let mut faults = Vec::new();
    let mut left_out = Vec::new();
    let fault = |part: Part, problem: Problem| PlanFault {
        test: test.name.clone(),
        line: test.line.clone(),
        part,
        problem,
    };
    let Some(rail) = rail_at(placement, card) else {
        let problem = Problem::NoRail {
            place: placement.place.clone(),
            bench: card.name.clone(),
        };
        return Err(vec![fault(Part::Placement, problem)]);
    };
    if rail.speed.nm_per_s() <= 0 || rail.acceleration.nm_per_s2() <= 0 {
        faults.push(fault(Part::Test, Problem::RailAtRest(card.name.clone())));
    }
    let meter = choose_meter(survey, rail, card).map_err(|p| vec![fault(Part::Meter, p)]);
    let (modes, lacking) = settings::targets(&survey.settings, lamp);
    let (absent, wrong): (Vec<_>, Vec<_>) = lacking.into_iter().partition(|_| leave_out);
    left_out.extend(absent.iter().map(|(_, p)| format!("{}: {p}", test.name)));
    faults.extend(wrong.into_iter().map(|(at, p)| fault(Part::Setting(at), p)));
    faults.extend(
        worked_faults(lamp, placement, card)
            .into_iter()
            .map(|p| fault(Part::Lamp, p)),
    );
    // Positions are checked also without a meter, so that nothing stays hidden.
    let plane = meter.as_ref().map_or(Length::ZERO, |meter| meter.plane);
    let reach = |position: Length| reachable(position, rail, plane, placement, card);
    let mut positions = Vec::new();
    for (at, position) in survey.positions.iter().enumerate() {
        match reach(*position) {
            Ok(()) => positions.push(*position),
            Err(problem) if leave_out => left_out.push(format!("{}: {problem}", test.name)),
            Err(problem) => faults.push(fault(Part::Position(at), problem)),
        }
    }
    faults.extend(
        reach(survey.reference.at)
            .err()
            .map(|p| fault(Part::Reference, p)),
    );
    let targets = modes.iter().map(|mode| mode.targets.len()).sum::<usize>();
    let missing = nothing_of(targets, positions.len(), survey, &faults);
    faults.extend(missing.map(|what| fault(Part::Test, Problem::Empty(what))));
    let each = meter
        .as_ref()
        .map_or(READ_OVERHEAD, |meter| reading_time(meter).least);
    faults.extend(too_many(survey, targets, positions.len(), each).map(|p| fault(Part::Test, p)));
    let meter = match meter {
        Ok(meter) if faults.is_empty() => meter,
        Ok(_) => return Err(faults),
        Err(found) => return Err(faults.into_iter().chain(found).collect()),
    };
    let layout = Layout {
        test,
        survey,
        lamp,
        placement,
        rail,
        meter,
        modes,
        positions,
    };
    if survey.ambient > 0 && lamp.off == SwitchOff::Cannot {
        let why = "ambient readings, because the lamp cannot be switched off";
        left_out.push(format!("{}: {why}", test.name));
    }
    Ok((layout, left_out))
}

/// The rail on whose axis the unit stands.
fn rail_at<'a>(placement: &Placement, card: &'a Card) -> Option<&'a Rail> {
    let rail = card
        .rail
        .as_ref()
        .filter(|rail| rail.place == placement.place);
    let on_axis = card
        .places
        .iter()
        .any(|place| place.name == placement.place && place.kind == PlaceKind::Axis);
    rail.filter(|_| on_axis)
}

/// What there is none of; nothing where each setting or position that was
/// asked for has its fault already.
fn nothing_of(
    targets: usize,
    positions: usize,
    survey: &Survey,
    faults: &[PlanFault],
) -> impl Iterator<Item = &'static str> + use<> {
    let of_a_part = |fault: &PlanFault| matches!(fault.part, Part::Setting(_) | Part::Position(_));
    let told = faults.iter().any(of_a_part);
    let counts = [
        ("setting", targets),
        ("position", positions),
        ("reading", survey.readings.into()),
    ];
    counts
        .into_iter()
        .filter(move |(_, n)| *n == 0 && !told)
        .map(|(what, _)| what)
}

/// More readings than are laid out, counted before they are; `each` is the
/// least time of one.
fn too_many(survey: &Survey, targets: usize, positions: usize, each: Span) -> Option<Problem> {
    let at_each = targets as u64 * u64::from(survey.readings) + 2 * u64::from(survey.ambient);
    let readings = at_each * positions as u64;
    let time = Span::from_secs_f64(each.secs() * readings as f64);
    (readings > READINGS_AT_MOST).then_some(Problem::TooMany {
        readings,
        at_most: READINGS_AT_MOST,
        time,
    })
}

/// The meter of a survey: the named one, or the only one that fits.
fn choose_meter<'a>(survey: &Survey, rail: &Rail, card: &'a Card) -> Result<&'a Meter, Problem> {
    let why_not = |meter: &Meter| {
        if !meter.yields.contains(&Quantity::Illuminance) {
            Some("it does not yield illuminance".to_owned())
        } else if meter.place != rail.place {
            Some(format!(
                "it stands at `{}`, the rail is at `{}`",
                meter.place, rail.place
            ))
        } else if meter.rides != (rail.carries == super::card::Carries::Meter) {
            Some("it must ride exactly when the carriage carries the meter".to_owned())
        } else {
            None
        }
    };
    if let Some(name) = &survey.meter {
        let meter = card.meters.iter().find(|meter| meter.name == *name);
        let meter = meter.ok_or_else(|| Problem::MeterUnknown {
            meter: name.clone(),
            bench: card.name.clone(),
            known: card.meters.iter().map(|meter| meter.name.clone()).collect(),
        })?;
        return match why_not(meter) {
            None => Ok(meter),
            Some(why) => Err(Problem::MeterUnfit {
                meter: name.clone(),
                why,
            }),
        };
    }
    let fitting: Vec<&Meter> = card
        .meters
        .iter()
        .filter(|m| why_not(m).is_none())
        .collect();
    match fitting.as_slice() {
        [only] => Ok(only),
        [] => Err(Problem::NoMeter {
            bench: card.name.clone(),
        }),
        several => Err(Problem::SeveralMeters(
            several.iter().map(|m| m.name.clone()).collect(),
        )),
    }
}

/// What keeps the bench from working the lamp.
fn worked_faults(lamp: &Lamp, placement: &Placement, card: &Card) -> Vec<Problem> {
    let bench = card.name.clone();
    let buttons = match &lamp.worked {
        Worked::ByHand => return Vec::new(),
        Worked::Direct => {
            return vec![Problem::NoDirectControl {
                lamp: lamp.name.clone(),
                bench,
            }];
        }
        Worked::Buttons(buttons) => buttons,
    };
    let Some(fingers) = &card.fingers else {
        return vec![Problem::NoFingers {
            lamp: lamp.name.clone(),
            bench,
        }];
    };
    [
        Some(&buttons.up),
        Some(&buttons.down),
        buttons.power.as_ref(),
    ]
    .into_iter()
    .flatten()
    .filter_map(|button| {
        let seated = placement
            .fingers
            .iter()
            .find(|seated| seated.button == *button);
        match seated {
            None => Some(Problem::ButtonBare {
                button: button.clone(),
            }),
            Some(seated) => {
                let known = fingers.channels.iter().any(|f| f.name == seated.finger);
                (!known).then(|| Problem::FingerUnknown {
                    finger: seated.finger.clone(),
                    bench: card.name.clone(),
                })
            }
        }
    })
    .collect()
}

/// Whether the carriage can go to a position, arriving from below.
fn reachable(
    position: Length,
    rail: &Rail,
    plane: Length,
    placement: &Placement,
    card: &Card,
) -> Result<(), Problem> {
    let coordinate = rail.coordinate_of(position, placement.datum, plane);
    let lengths = card.lengths;
    if !rail.reaches(coordinate) {
        let (from, to) = (rail.travel_from, rail.travel_to);
        return Err(Problem::OutsideTravel {
            position,
            coordinate,
            from,
            to,
            lengths,
        });
    }
    let turn = coordinate - rail.overshoot;
    if !rail.reaches(turn) {
        return Err(Problem::NoRoomToOvershoot {
            position,
            overshoot: rail.overshoot,
            coordinate: turn,
            from: rail.travel_from,
            lengths,
        });
    }
    Ok(())
}

/// How long one reading takes.
pub fn reading_time(meter: &Meter) -> Duration3 {
    let integration = meter.integration.times(i64::from(meter.averages.max(1)));
    let likely = integration + READ_OVERHEAD;
    Duration3 {
        least: integration,
        likely,
        most: likely + Span::from_secs(2),
    }
}
