//! The account of an illuminance at one setting and place.

use photometry::statistics;

use super::data::{Account, AsideTold, Correction, EventTold, Group, Stated, VisitTold};
use super::sources::{self, Sources, ten_digits};
use crate::plan::itinerary::{Action, OFF, Purpose};
use crate::report::ids::{FigureId, Place, TestFigure};
use crate::report::reference::{Tells, Visit};
use crate::report::survey::{K, NetOf, Part, PointFigure, SettingFigures, SurveyFigures};
use crate::run::journal::Body;
use crate::store::readings::ReadingRow;

/// A survey, a setting of it and a point of that, by their names.
pub(super) fn find<'s>(
    sources: &'s Sources<'_>,
    test: &str,
    setting: &str,
) -> Option<(&'s SurveyFigures, &'s SettingFigures)> {
    let survey = sources.surveys.iter().find(|survey| survey.test == test)?;
    let mut settings = survey.settings.iter();
    let setting = settings.find(|known| known.setting == setting)?;
    Some((survey, setting))
}

/// The story of a point.
pub(super) fn point(
    sources: &Sources<'_>,
    test: &str,
    setting: &str,
    place: Place,
) -> Option<Account> {
    let (survey, setting) = find(sources, test, setting)?;
    let mut points = setting.points.iter();
    let point = points.find(|point| point.position == place.at())?;
    let seqs: Vec<u64> = point.parts.iter().map(|part| part.seq).collect();
    let own = own_rows(sources, survey, setting, point);
    let mut readings: Vec<Group> = Vec::new();
    let at = point.position.shown(survey.lengths);
    readings.extend(sources.group(format!("its readings, {} at {at}", setting.shown), own));
    readings.extend(backgrounds(sources, survey, point));
    let visits = setting.reference.iter().flat_map(|visit| &visit.seqs);
    let visits: Vec<u64> = visits.copied().collect();
    readings.extend(sources.group_of("at the reference position, in this setting", &visits));
    let of_test = sources
        .rows
        .iter()
        .filter(|row| row.key.test == survey.test);
    let beside = of_test.filter(|row| is_beside(sources, row, setting, point));
    let title = "by the fixed sensor: here, at the reference position, with the lamp off";
    readings.extend(sources.group(title, beside));
    Some(Account {
        what: format!(
            "Illuminance of {} {}, {}, at {at} from {}.",
            survey.heading.lamp, survey.heading.unit, setting.shown, survey.heading.datum
        ),
        values: vec![value(point)],
        flags: flags(point),
        plan: sources.plan_of_test(&survey.test),
        steps: steps(sources, survey, point, seqs.len()),
        corrections: point
            .parts
            .iter()
            .map(|part| correction(sources, survey, part))
            .collect(),
        visits: setting.reference.iter().map(visit).collect(),
        budget: point.estimate.iter().flat_map(sources::budget).collect(),
        readings,
        set_aside: asides(sources, survey, setting, point),
        events: failures(sources, survey, setting, point),
        ..Account::default()
    })
}

/// Whether a reading of the fixed sensor stands behind a point: at its position, at the
/// reference, or with the lamp off.
fn is_beside(
    sources: &Sources<'_>,
    row: &ReadingRow,
    setting: &SettingFigures,
    point: &PointFigure,
) -> bool {
    let mut heads = sources.frozen.itinerary.tests.iter();
    let head = heads.find(|head| head.name == row.key.test);
    let at = row.key.position;
    let here = at == point.position || head.is_some_and(|head| head.watch == at);
    let of_setting = row.key.setting == setting.setting && here;
    row.key.purpose == Purpose::Fixed && (row.key.setting == OFF || of_setting)
}

/// What was set aside of its own readings, and behind its corrections.
fn asides(
    sources: &Sources<'_>,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    point: &PointFigure,
) -> Vec<AsideTold> {
    let behind = |row: &&ReadingRow| match row.key.purpose {
        Purpose::Read => row.key.setting == setting.setting && row.key.position == point.position,
        Purpose::Reference => row.key.setting == setting.setting,
        Purpose::Fixed => is_beside(sources, row, setting, point),
        Purpose::Dark | Purpose::Ambient => true,
        _ => false,
    };
    let rows = sources
        .rows
        .iter()
        .filter(|row| row.key.test == survey.test);
    sources.asides(rows.filter(behind))
}

/// What failed on the way to it, in order: moves and reads of its own point.
/// Time-outs and rejected answers stand among its readings, with their bytes.
fn failures(
    sources: &Sources<'_>,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    point: &PointFigure,
) -> Vec<EventTold> {
    let actions = &sources.frozen.itinerary.actions;
    let of_it = |action: &&Action| {
        action.key.as_ref().is_some_and(|key| {
            key.purpose == Purpose::Read
                && (&key.test, &key.setting) == (&survey.test, &setting.setting)
                && key.position == point.position
        })
    };
    let points: Vec<Option<u32>> = actions.iter().filter(of_it).map(|a| a.point).collect();
    let own = |no: i64| {
        let action = usize::try_from(no).ok().and_then(|at| actions.get(at));
        action.is_some_and(|action| {
            of_it(&action) || action.point.is_some() && points.contains(&action.point)
        })
    };
    let failed = sources
        .events
        .iter()
        .filter(|event| matches!(event.body, Body::Failed { .. }) && event.no.is_some_and(own));
    failed
        .filter_map(|event| sources.event(event.seq))
        .collect()
}

/// What must be known of a point.
fn flags(point: &PointFigure) -> Vec<String> {
    let mut flags = point.flags.clone();
    if point.missing > 0 {
        flags.push(format!(
            "{} of its readings were asked for and gave nothing",
            point.missing
        ));
    }
    flags
}

/// What is printed of a point.
pub(super) fn value(point: &PointFigure) -> Stated {
    match (&point.estimate, point.over_lx, point.under_lx) {
        (Some(estimate), ..) => sources::stated(estimate.value, point.expanded_lx, "lx"),
        (None, Some(limit), _) => sources::no_value(format!("over {limit} lx"), "lx"),
        (None, None, Some(limit)) => sources::no_value(format!("under {limit} lx"), "lx"),
        (None, None, None) => sources::no_value(point.status(), "lx"),
    }
}

/// Every reading taken there for this figure, superseded ones too.
pub(super) fn own_rows<'a>(
    sources: &Sources<'a>,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    point: &PointFigure,
) -> Vec<&'a ReadingRow> {
    let rows = sources.rows.iter().filter(|row| {
        row.key.test == survey.test
            && row.key.setting == setting.setting
            && row.key.purpose == Purpose::Read
            && row.key.position == point.position
    });
    rows.collect()
}

/// The readings of what was taken off.
fn backgrounds(
    sources: &Sources<'_>,
    survey: &SurveyFigures,
    point: &PointFigure,
) -> Option<Group> {
    let subtracted = point.parts.iter().find_map(|p| p.subtracted)?;
    let of = match subtracted.at {
        Some(at) => {
            let ambient = survey.ambient.iter().find(|figure| figure.position == at)?;
            let both = [&ambient.before, &ambient.after];
            both.into_iter().flatten().collect()
        }
        None => vec![survey.dark.as_ref()?],
    };
    let seqs: Vec<u64> = of.into_iter().flat_map(|b| b.seqs.clone()).collect();
    let title = match survey.net_of {
        NetOf::Ambient => "with the lamp off, before and after",
        NetOf::Dark | NetOf::Nothing => "with the meter covered",
    };
    sources.group_of(title, &seqs)
}

/// The id of what was taken off from a reading.
fn background_id(sources: &Sources<'_>, survey: &SurveyFigures, part: &Part) -> Option<String> {
    let subtracted = part.subtracted?;
    let figure = match subtracted.at {
        Some(at) => TestFigure::Ambient(Place::new(at, survey.lengths)),
        None => TestFigure::Dark,
    };
    let id = FigureId::Test {
        run: sources.run,
        test: survey.test.clone(),
        figure,
    };
    Some(id.to_string())
}

pub(super) fn correction(sources: &Sources<'_>, survey: &SurveyFigures, part: &Part) -> Correction {
    Correction {
        figure: String::new(),
        gain: None,
        seq: part.seq,
        raw_lx: part.raw_lx,
        subtracted_lx: part.subtracted.map_or(0.0, |s| s.lux),
        subtracted_from: background_id(sources, survey, part),
        net_lx: part.net_lx,
        reference_first_lx: part.brought.map(|by| by.first_lx),
        reference_now_lx: part.brought.map(|by| by.now_lx),
        factor: part.brought.map(|by| by.factor()),
        corrected_lx: part.lux,
    }
}

/// A visit as it is told.
pub(super) fn visit(visit: &Visit) -> VisitTold {
    VisitTold {
        at_mono_s: visit.at.ns() as f64 / 1e9,
        stretch: visit.stretch,
        lx: visit.lux,
        own: visit.counts,
        seqs: visit.seqs.clone(),
    }
}

fn steps(
    sources: &Sources<'_>,
    survey: &SurveyFigures,
    point: &PointFigure,
    n: usize,
) -> Vec<String> {
    let Some(first) = point.parts.first() else {
        let why = match point.set_aside.is_empty() {
            true => "No reading has a value, so nothing was corrected.",
            false => "No reading with a value is left: readings were set aside, as told below.",
        };
        return vec![why.to_owned()];
    };
    let mut steps = Vec::new();
    if let Some(raw) = point.mean_raw_lx {
        let raw = ten_digits(raw);
        steps.push(format!("As it came: {n} readings, mean {raw} lx."));
    }
    steps.push(background_words(sources, survey, first));
    steps.push(match first.brought {
        Some(by) if by.tells == Tells::FixedSensor => format!(
            "Drift of the lamp: each times what the fixed sensor saw at the leg's first visit ({} \
             lx) over what it saw beside this point's readings ({} lx), each less what it saw with \
             the lamp off, where that was read.",
            ten_digits(by.first_lx),
            ten_digits(by.now_lx)
        ),
        Some(by) => format!(
            "Drift of the lamp: each times the reference at the leg's first visit ({} lx) over the \
             reference at the reading's time, on a straight line between the visits beside it.",
            ten_digits(by.first_lx)
        ),
        None => "Drift of the lamp: not corrected, as there is no reference visit.".to_owned(),
    });
    let corrected: Vec<f64> = point.parts.iter().map(|part| part.lux).collect();
    if let Some(moments) = statistics::moments(&corrected) {
        let sd = moments.sd.map(|sd| format!(", s = {} lx", ten_digits(sd)));
        steps.push(format!(
            "Mean of the {} corrected readings: {} lx{}.",
            moments.n,
            ten_digits(moments.mean),
            sd.unwrap_or_default()
        ));
    }
    let by_sensor = first
        .brought
        .is_some_and(|by| by.tells == Tells::FixedSensor);
    let of_drift = match by_sensor {
        true => "for the fixed sensor the scatter of its readings, at the first visit and here",
        false => {
            "for drift the change between the visits beside it over the root of 12; for the \
             reference visits the scatter of their readings"
        }
    };
    steps.push(match (&point.estimate, point.expanded_lx) {
        (Some(estimate), Some(expanded)) => format!(
            "Uncertainty: the meter's stated shares of the value; for the datum 2 u(d)/d of it; for \
             repeatability s over the root of n; {of_drift}; the background's own. u = {} lx, the \
             root of the squares below; U = {K} u = {} lx.",
            ten_digits(estimate.combined()),
            ten_digits(expanded)
        ),
        _ => "No value is printed: one reading or more was out of the meter's range.".to_owned(),
    });
    steps
}

/// What was taken off, and how it comes about.
fn background_words(sources: &Sources<'_>, survey: &SurveyFigures, part: &Part) -> String {
    let net_of = survey.net_of.words();
    let Some(id) = background_id(sources, survey, part) else {
        return format!("Taken off: nothing; the light is told {net_of}.");
    };
    let at = part.subtracted.and_then(|subtracted| subtracted.at);
    let mut ambient = survey.ambient.iter();
    let ambient = at.and_then(|at| ambient.find(|figure| figure.position == at));
    let sides = ambient.map(|figure| [&figure.before, &figure.after]);
    let known: Vec<String> = sides
        .into_iter()
        .flatten()
        .flatten()
        .map(|side| format!("{} lx at {}", ten_digits(side.lux), (sources.utc)(side.at)))
        .collect();
    match known.as_slice() {
        [before, after] => format!(
            "Background, taken off from each: {id}, {before} and {after}, on a straight line in \
             time to the reading's own ({net_of})."
        ),
        [one] => format!("Background, taken off from each: {id}, {one} ({net_of})."),
        _ => format!("Background, taken off from each: {id} ({net_of})."),
    }
}
