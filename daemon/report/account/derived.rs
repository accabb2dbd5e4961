//! Accounts of figures that are made of others: drift, warm-up, the step to
//! the level below, the fits, and where an illuminance is reached.

use photometry::distance::{DistanceFit, FitError, Point, fit_disc, fit_offset};

use super::data::{Account, Group, RestsOn, Stated};
use super::point::{self, find, own_rows};
use super::sources::{self, Sources, ten_digits};
use crate::plan::itinerary::Purpose;
use crate::report::drift::drifted_words;
use crate::report::ids::{FigureId, Place, SettingFigure};
use crate::report::ladder::{Step, ladder};
use crate::report::ladder_chart::LEAST_SHARE;
use crate::report::page::fits::{intensity_expanded, offset_expanded};
use crate::report::reach::{Where, fit_point, reaches as where_reached};
use crate::report::reach_chart::{distance_text, where_text};
use crate::report::survey::{K, PointFigure, SettingFigures, SurveyFigures, WarmUpFigure};
use crate::report::table;

/// The drift over a leg.
pub(super) fn drift(sources: &Sources<'_>, test: &str, setting: &str) -> Option<Account> {
    let (survey, setting) = find(sources, test, setting)?;
    let own = || setting.reference.iter().filter(|v| v.counts);
    let mut own: Vec<_> = own().filter(|visit| visit.lux.is_some()).collect();
    own.sort_by_key(|visit| visit.no);
    let ends = (own.first(), own.last());
    let lux = |visit: Option<&&crate::report::reference::Visit>| visit.and_then(|v| v.lux);
    let steps = match (lux(ends.0), lux(ends.1), setting.drift) {
        (Some(first), Some(last), Some(drift)) => vec![
            "A visit is the mean of its readings, each less the background at its time.".to_owned(),
            format!(
                "The last visit over the first, minus one: {} lx / {} lx - 1 = {}.",
                ten_digits(last),
                ten_digits(first),
                ten_digits(drift.share())
            ),
        ],
        _ => vec!["Fewer than two visits to the reference position have a value.".to_owned()],
    };
    let value = match setting.drift {
        Some(drift) => Stated {
            shown: table::drift_words(setting),
            value: sources::finite(drift.percent()),
            unit: "%".to_owned(),
            ..Stated::default()
        },
        None => sources::no_value(table::drift_words(setting), "%"),
    };
    let visits = setting.reference.iter().enumerate();
    let groups = visits.filter_map(|(at, visit)| {
        let whose = if visit.counts {
            ""
        } else {
            ", measured again later or after a break"
        };
        sources.group_of(format!("visit {}{whose}", at + 1), &visit.seqs)
    });
    let mut flags = Vec::new();
    if setting.drift_flagged {
        flags.push(drifted_words(setting.left_over).to_owned());
    }
    Some(Account {
        what: format!(
            "Drift of {} {}, {}, from the first visit to the reference position to the last.",
            survey.heading.lamp, survey.heading.unit, setting.shown
        ),
        values: vec![value],
        flags,
        plan: sources.plan_of_test(test),
        steps,
        visits: setting.reference.iter().map(point::visit).collect(),
        readings: groups.collect(),
        ..Account::default()
    })
}

/// How a warm-up ended: the one of this number at the setting, from 1.
pub(super) fn warm_up(
    sources: &Sources<'_>,
    test: &str,
    setting: &str,
    no: u32,
) -> Option<Account> {
    let (survey, setting) = find(sources, test, setting)?;
    let at = usize::try_from(no).ok()?.checked_sub(1)?;
    let all = setting.warm_up.as_slice();
    let warm_up = all.get(at);
    if warm_up.is_none() && at > 0 {
        return None;
    }
    // Readings of a warm-up that was broken off count towards the next one's end.
    let after = at.checked_sub(1).and_then(|before| all.get(before));
    let after = after.map_or(0, |before| before.seq);
    let until = warm_up.map_or(u64::MAX, |warm_up| warm_up.seq);
    let own = sources.rows.iter().filter(|row| {
        row.key.test == test
            && row.key.setting == setting.setting
            && row.key.purpose == Purpose::WarmUp
    });
    let during = own
        .clone()
        .filter(|row| row.seq > after && row.seq <= until);
    let is_last = at + 1 == all.len();
    let later = own.filter(|row| is_last && row.seq > until);
    let during = sources.group("while it warmed up", during);
    let later = sources.group("later, while it warmed up without an end", later);
    let which = match all.len() {
        0 | 1 => String::new(),
        all => format!(", warm-up {no} of {all}"),
    };
    Some(Account {
        what: format!(
            "How {} {} was warmed up at {}{which}.",
            survey.heading.lamp, survey.heading.unit, setting.shown
        ),
        values: vec![warm_up.map_or_else(
            || sources::no_value("no warm-up is on record", "s"),
            warm_up_stated,
        )],
        plan: sources.plan_of_test(test),
        steps: vec![
            "The rule looked at the readings below as they came in; what it decided, and by which figure, stands in the journal's line."
                .to_owned(),
        ],
        events: warm_up.and_then(|w| sources.event(w.seq)).into_iter().collect(),
        readings: during.into_iter().chain(later).collect(),
        ..Account::default()
    })
}

fn warm_up_stated(warm_up: &WarmUpFigure) -> Stated {
    Stated {
        label: if warm_up.after_seam {
            "after a break".to_owned()
        } else {
            String::new()
        },
        shown: format!(
            "{}, ended by: {}",
            warm_up.after.shown(),
            table::ended_by(warm_up)
        ),
        value: sources::finite(warm_up.after.secs()),
        unit: "s".to_owned(),
        ..Stated::default()
    }
}

/// A point's figure as another rests on it.
fn of_point(
    sources: &Sources<'_>,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    figure: &PointFigure,
) -> RestsOn {
    let id = FigureId::Setting {
        run: sources.run,
        test: survey.test.clone(),
        setting: setting.setting.clone(),
        figure: SettingFigure::At(Place::new(figure.position, survey.lengths)),
    };
    sources::rests_on(id, point::value(figure).shown)
}

/// The readings of a point, as a group.
fn readings(
    sources: &Sources<'_>,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    figure: &PointFigure,
) -> Option<Group> {
    let at = figure.position.shown(survey.lengths);
    let rows = own_rows(sources, survey, setting, figure);
    sources.group(format!("{} at {at}", setting.shown), rows)
}

/// The ratio to the level below.
pub(super) fn step(sources: &Sources<'_>, test: &str, setting: &str) -> Option<Account> {
    let (survey, _) = find(sources, test, setting)?;
    let ladder = ladder(survey)?;
    let mut rungs = ladder.rungs.iter();
    let rung = rungs.find(|rung| rung.setting.setting == setting)?;
    let at = ladder.at.shown(survey.lengths);
    let of = |setting: &SettingFigures| {
        let mut points = setting.points.iter();
        points.find(|point| point.position == ladder.at).cloned()
    };
    let pair = |below: &SettingFigures| -> Vec<(SettingFigures, PointFigure)> {
        let both = [rung.setting, below].into_iter();
        both.filter_map(|s| Some((s.clone(), of(s)?))).collect()
    };
    let (value, parts, budget, step) = match &rung.step {
        Step::Ratio(ratio, below) => (
            sources::stated(
                ratio.value,
                Some(ratio.expanded(K).max(ratio.value * LEAST_SHARE)),
                "",
            ),
            pair(below),
            sources::budget(ratio),
            format!(
                "The one over the other: {}. What both owe to one source (certificate, datum, ambient) is one, and cancels as far as it is the same share of both; U is given as 0.1 % at least.",
                ten_digits(ratio.value)
            ),
        ),
        Step::NotKnown(below) => (
            sources::no_value("one of both has no value", ""),
            pair(below),
            Vec::new(),
            "One of both has no value above zero.".to_owned(),
        ),
        Step::Lowest => (
            sources::no_value("no level is below it", ""),
            of(rung.setting)
                .map(|point| (rung.setting.clone(), point))
                .into_iter()
                .collect(),
            Vec::new(),
            "There is nothing to compare it with.".to_owned(),
        ),
    };
    Some(Account {
        what: format!(
            "{} at {at}: how many times the light of the next lower level that was measured.",
            rung.setting.shown
        ),
        values: vec![value],
        plan: sources.plan_of_test(test),
        steps: vec![
            "Of the distances where most settings have a value: the nearest in the far field, or else the farthest."
                .to_owned(),
            step,
        ],
        budget,
        rests_on: parts
            .iter()
            .map(|(setting, point)| of_point(sources, survey, setting, point))
            .collect(),
        readings: parts
            .iter()
            .filter_map(|(setting, point)| readings(sources, survey, setting, point))
            .collect(),
        ..Account::default()
    })
}

/// What all points of a setting have to say.
fn over_points<'f>(
    sources: &Sources<'_>,
    survey: &SurveyFigures,
    setting: &SettingFigures,
    points: impl Iterator<Item = &'f PointFigure> + Clone,
) -> (Vec<RestsOn>, Vec<Group>) {
    let rests_on = points.clone();
    let rests_on = rests_on.map(|p| of_point(sources, survey, setting, p));
    let groups = points.filter_map(|p| readings(sources, survey, setting, p));
    (rests_on.collect(), groups.collect())
}

/// A fit against distance.
pub(super) fn fit(
    sources: &Sources<'_>,
    test: &str,
    setting: &str,
    which: SettingFigure,
) -> Option<Account> {
    let (survey, setting) = find(sources, test, setting)?;
    let points: Vec<Point> = setting.points.iter().filter_map(fit_point).collect();
    let (name, law, found) = match which {
        SettingFigure::Disc => (
            "disc",
            "1/E = (d² + r²)/I: a straight line of 1/E against d², weighted by each point's u",
            fit_disc(&points),
        ),
        _ => (
            "offset",
            "1/√E = (d + offset)/√I: a straight line of 1/√E against d, weighted by each point's u",
            fit_offset(&points),
        ),
    };
    let used = || setting.points.iter().filter(|p| fit_point(p).is_some());
    let (rests_on, groups) = over_points(sources, survey, setting, used());
    let mut steps = vec![
        format!("{law}."),
        format!("{} points with light above zero.", points.len()),
        "U of the intensity is the root of the squares of the fit's own scatter (below, times 2) and of the median U of the points' light; U of an offset is the fit's scatter, 0.1 mm at least."
            .to_owned(),
    ];
    steps.extend(found.iter().flat_map(|fit| residuals(fit, survey, used())));
    Some(Account {
        what: format!(
            "The {name} fit of {} {}, {}, against distance.",
            survey.heading.lamp, survey.heading.unit, setting.shown
        ),
        values: fitted(&found, setting, survey),
        plan: sources.plan_of_test(test),
        steps,
        budget: found
            .iter()
            .flat_map(|fit| sources::budget(&fit.intensity_cd))
            .collect(),
        rests_on,
        readings: groups,
        ..Account::default()
    })
}

fn residuals<'f>(
    fit: &DistanceFit,
    survey: &SurveyFigures,
    used: impl Iterator<Item = &'f PointFigure>,
) -> Vec<String> {
    let pairs = used.zip(&fit.residuals);
    let said = pairs.filter_map(|(point, residual)| {
        let at = point.position.shown(survey.lengths);
        let percent = (*residual)? * 100.0;
        Some(format!("{at} {percent:+.2} %"))
    });
    let said: Vec<String> = said.collect();
    vec![format!(
        "Measured over fitted, minus one: {}.",
        said.join(", ")
    )]
}

fn fitted(
    found: &Result<DistanceFit, FitError>,
    setting: &SettingFigures,
    survey: &SurveyFigures,
) -> Vec<Stated> {
    let fit = match found {
        Ok(fit) => fit,
        Err(why) => return vec![sources::no_value(format!("no fit: {why}"), "cd")],
    };
    let labelled = |label: &str, stated: Stated| Stated {
        label: label.to_owned(),
        ..stated
    };
    let intensity = &fit.intensity_cd;
    let mut values = vec![labelled(
        "intensity",
        sources::stated(intensity.value, intensity_expanded(setting, fit), "cd"),
    )];
    if let Some(offset) = &fit.offset_m {
        let expanded = offset_expanded(offset);
        let (value, u) = distance_text(offset.value, Some(expanded), survey.lengths);
        let stated = Stated {
            shown: u.map_or(value.clone(), |u| format!("{value} ± {u}")),
            ..sources::stated(offset.value, Some(expanded), "m")
        };
        values.push(labelled("offset", stated));
    } else if let Some(radius) = fit.radius_m {
        let stated = Stated {
            shown: distance_text(radius, None, survey.lengths).0,
            ..sources::stated(radius, None, "m")
        };
        values.push(labelled("radius", stated));
    } else {
        let why = "none: the light falls faster than a point's";
        values.push(labelled("radius", sources::no_value(why, "m")));
    }
    let worst = fit.worst_residual() * 100.0;
    let stated = Stated {
        shown: format!("{worst:.2} %"),
        ..sources::stated(worst, None, "%")
    };
    values.push(labelled("worst residual", stated));
    values
}

/// Where an illuminance is reached.
pub(super) fn reaches(
    sources: &Sources<'_>,
    test: &str,
    setting: &str,
    lux: u32,
) -> Option<Account> {
    let (survey, setting) = find(sources, test, setting)?;
    let found = where_reached(setting, f64::from(lux));
    let value = match found {
        Where::At {
            distance_m,
            expanded_m,
            ..
        } => Stated {
            shown: where_text(&found, survey.lengths),
            ..sources::stated(distance_m, expanded_m, "m")
        },
        _ => sources::no_value(where_text(&found, survey.lengths), "m"),
    };
    // The two points about the distance; all of them where it lies nowhere.
    let near = |distance_m: f64| {
        let usable = || setting.points.iter().filter(|p| fit_point(p).is_some());
        let before = usable().rfind(|p| p.position.metres() <= distance_m);
        let after = usable().find(|p| p.position.metres() >= distance_m);
        let mut both: Vec<&PointFigure> = before.into_iter().chain(after).collect();
        both.dedup_by_key(|p| p.position);
        both
    };
    let used: Vec<&PointFigure> = match found {
        Where::At { distance_m, .. } => near(distance_m),
        _ => setting.points.iter().collect(),
    };
    let (rests_on, groups) = over_points(sources, survey, setting, used.into_iter());
    Some(Account {
        what: format!(
            "The distance at which {} {}, {}, gives {lux} lx.",
            survey.heading.lamp, survey.heading.unit, setting.shown
        ),
        values: vec![value],
        plan: sources.plan_of_test(test),
        steps: vec![
            format!(
                "Where ln E = ln {lux} on a straight line of ln E against ln d between the two measured points beside it; never beyond the measured ones."
            ),
            "U(d)/d is the larger U(E)/E of the two points over the slope of that line.".to_owned(),
        ],
        rests_on,
        readings: groups,
        ..Account::default()
    })
}
