//! Does a survey fit lamp, placement and bench? Resolves the meter, the
//! settings and the positions, and says everything that does not fit at once.
//!
//! Called by: layout; `sight_fitting` does the same for the other kinds, with
//! what is here. Not here: the order of things (the layouts).

use photometry::measured::Quantity;
use photometry::units::{Length, Span};

use super::card::{Card, Meter, PlaceKind, Rail};
use super::faults::{Part, PlanFault, Problem};
use super::fixed_sensor;
use super::intent::{Survey, Test};
use super::itinerary::Duration3;
use super::lamp::{Lamp, SwitchOff, Worked, can_be_told};
use super::mains;
use super::placement::Placement;
use super::settings::{self, ModeTargets};

/// Readings that are laid out at most: a night of eight hours at three a
/// second. The itinerary is held in memory and frozen with the run.
pub const READINGS_AT_MOST: u64 = 100_000;
/// What a meter's link and range question add to a reading.
const READ_OVERHEAD: Span = Span::from_ms(50);

/// What a test stands on: the lamp where it is placed, and the meter that
/// watches it.
pub struct Ground<'a> {
    /// The test as written.
    pub test: &'a Test,
    /// The lamp.
    pub lamp: &'a Lamp,
    /// Where the unit stands.
    pub placement: &'a Placement,
    /// The rail that carries the meter or the lamp; none where the unit stands
    /// at a place without an axis.
    pub rail: Option<&'a Rail>,
    /// The illuminance meter that watches.
    pub meter: &'a Meter,
    /// Where it watches from; zero without an axis.
    pub watch: Length,
    /// Rest after a move, when longer than the rail's own.
    pub settle: Option<Span>,
    /// Readings at each visit.
    pub readings: u16,
    /// The outlet that is on for as long as a test lasts; none where the lamp hangs on
    /// none, or is lit and darkened by it.
    pub lamp_outlet: Option<&'a str>,
    /// The meter that stands still and is read beside each reading of a survey.
    pub fixed: Option<&'a Meter>,
}

/// One survey with everything resolved.
pub struct Layout<'a> {
    /// What it stands on.
    pub ground: Ground<'a>,
    /// The survey.
    pub survey: &'a Survey,
    /// What is measured, by mode.
    pub modes: Vec<ModeTargets>,
    /// The positions that can be reached, ascending.
    pub positions: Vec<Length>,
}

/// What a test is held against.
#[derive(Clone, Copy)]
pub struct Against<'a> {
    /// The lamp.
    pub lamp: &'a Lamp,
    /// Where the unit stands.
    pub placement: &'a Placement,
    /// The bench.
    pub card: &'a Card,
    /// What the bench or the lamp lacks is left out.
    pub leave_out: bool,
}

/// A fault of a test.
pub(super) fn fault(test: &Test, part: Part, problem: Problem) -> PlanFault {
    PlanFault {
        test: test.name.clone(),
        line: test.line.clone(),
        part,
        problem,
    }
}

/// Resolves a survey, or says everything that does not fit; also what was
/// left out.
pub fn understand<'a>(
    test: &'a Test,
    survey: &'a Survey,
    against: Against<'a>,
) -> Result<(Layout<'a>, Vec<String>), Vec<PlanFault>> {
    let Against {
        lamp,
        placement,
        card,
        leave_out,
    } = against;
    let (mut faults, mut left_out) = (Vec::new(), Vec::new());
    let fault = |part: Part, problem: Problem| fault(test, part, problem);
    let Some(rail) = rail_at(placement, card) else {
        return Err(vec![no_rail(test, placement, card)]);
    };
    faults.extend(rail_faults(rail, card).map(|problem| fault(Part::Test, problem)));
    let wanted = Wanted {
        quantity: Quantity::Illuminance,
        name: survey.meter.as_deref(),
        place: &rail.place,
        rides: rail.carries == super::card::Carries::Meter,
    };
    let meter = choose_meter(wanted, card).map_err(|p| vec![fault(Part::Meter, p)]);
    let modes = targets(test, against, &mut faults, &mut left_out);
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
    let watched = reach(survey.reference.at).err();
    faults.extend(watched.map(|p| fault(Part::Reference, p)));
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
        ground: Ground {
            test,
            lamp,
            placement,
            rail: Some(rail),
            meter,
            watch: survey.reference.at,
            settle: survey.settle,
            readings: survey.readings,
            lamp_outlet: mains::on_throughout(lamp, card),
            fixed: fixed_sensor::beside(card, &placement.place, meter),
        },
        survey,
        modes,
        positions,
    };
    if survey.ambient > 0 && lamp.off == SwitchOff::Cannot {
        let why = "ambient readings, because the lamp cannot be switched off";
        left_out.push(format!("{}: {why}", test.name));
    }
    Ok((layout, left_out))
}

/// The unit stands where no rail is.
fn no_rail(test: &Test, placement: &Placement, card: &Card) -> PlanFault {
    let problem = Problem::NoRail {
        kind: test.kind.name(),
        place: placement.place.clone(),
        bench: card.name.clone(),
    };
    fault(test, Part::Placement, problem)
}

/// A rail that cannot move.
pub(super) fn rail_faults(rail: &Rail, card: &Card) -> Option<Problem> {
    let rests = rail.speed.nm_per_s() <= 0 || rail.acceleration.nm_per_s2() <= 0;
    rests.then(|| Problem::RailAtRest(card.name.clone()))
}

/// The settings of a test by mode; what the lamp lacks, and what keeps the bench
/// from working it, are faults or left out.
pub(super) fn targets(
    test: &Test,
    against: Against<'_>,
    faults: &mut Vec<PlanFault>,
    left_out: &mut Vec<String>,
) -> Vec<ModeTargets> {
    let Against {
        lamp,
        placement,
        card,
        leave_out,
    } = against;
    let (modes, lacking) = settings::targets(test.kind.settings(), lamp);
    let (absent, wrong): (Vec<_>, Vec<_>) = lacking.into_iter().partition(|_| leave_out);
    left_out.extend(absent.iter().map(|(_, p)| format!("{}: {p}", test.name)));
    let wrong = wrong.into_iter();
    faults.extend(wrong.map(|(at, p)| fault(test, Part::Setting(at), p)));
    let worked = worked_faults(lamp, placement, card).into_iter();
    faults.extend(worked.map(|p| fault(test, Part::Lamp, p)));
    modes
}

/// The rail on whose axis the unit stands.
pub(super) fn rail_at<'a>(placement: &Placement, card: &'a Card) -> Option<&'a Rail> {
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

/// What a test needs of a meter.
#[derive(Clone, Copy)]
pub(super) struct Wanted<'w> {
    pub quantity: Quantity,
    /// Its name, where the plan says it.
    pub name: Option<&'w str>,
    /// Where it must stand.
    pub place: &'w str,
    /// Whether it must ride on the carriage.
    pub rides: bool,
}

impl Wanted<'_> {
    /// Why a meter will not do.
    fn why_not(self, meter: &Meter) -> Option<String> {
        if !meter.yields.contains(&self.quantity) {
            Some(format!("it does not yield {}", self.quantity.name()))
        } else if meter.place != self.place {
            let at = &meter.place;
            Some(format!("it stands at `{at}`, the unit at `{}`", self.place))
        } else if meter.rides != self.rides {
            Some("it must ride exactly when the carriage carries the meter".to_owned())
        } else {
            None
        }
    }
}

/// The meter for a test: the named one, or the only one that fits.
pub(super) fn choose_meter<'a>(wanted: Wanted<'_>, card: &'a Card) -> Result<&'a Meter, Problem> {
    if let Some(name) = wanted.name {
        let meter = card.meters.iter().find(|meter| meter.name == *name);
        let meter = meter.ok_or_else(|| Problem::MeterUnknown {
            meter: name.to_owned(),
            bench: card.name.clone(),
            known: card.meters.iter().map(|meter| meter.name.clone()).collect(),
        })?;
        return match wanted.why_not(meter) {
            None => Ok(meter),
            Some(why) => Err(Problem::MeterUnfit {
                meter: name.to_owned(),
                why,
            }),
        };
    }
    // What looks at the room, or at the lamp's drift, is taken for nothing else,
    // unless it is named.
    let taken = |meter: &&Meter| {
        let of_room = card.room.as_ref().map(|room| &room.sensor);
        let mut taken = of_room.into_iter().chain(&card.fixed_sensor);
        taken.any(|name| *name == meter.name)
    };
    let fits = |meter: &&Meter| wanted.why_not(meter).is_none() && !taken(meter);
    let fitting: Vec<&Meter> = card.meters.iter().filter(fits).collect();
    match fitting.as_slice() {
        [only] => Ok(only),
        [] => Err(Problem::NoMeter {
            quantity: wanted.quantity,
            place: wanted.place.to_owned(),
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
        Worked::Direct => return told_faults(lamp, card),
        Worked::Mains => return mains::problems(lamp, card),
        Worked::Buttons(buttons) => buttons,
    };
    let Some(fingers) = &card.fingers else {
        return vec![Problem::NoFingers {
            lamp: lamp.name.clone(),
            bench,
        }];
    };
    let needed = buttons.needed();
    needed
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

/// What keeps the bench from telling the lamp its level.
fn told_faults(lamp: &Lamp, card: &Card) -> Vec<Problem> {
    if card.control.is_none() {
        return vec![Problem::NoDirectControl {
            lamp: lamp.name.clone(),
            bench: card.name.clone(),
        }];
    }
    let modes = lamp.modes.iter().map(|mode| &mode.name);
    modes
        .filter(|name| !can_be_told(name))
        .map(|name| Problem::ModeUnsendable(name.clone()))
        .collect()
}

/// Whether the carriage can go to a position, arriving from below.
pub(super) fn reachable(
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
