//! Sunrises and sunsets: readings at a steady beat against the time since the
//! program began, less the mean with the lamp off.

use photometry::figure::{Figure, FigureName, five_digits};
use photometry::measured::{Moment, Outcome};
use photometry::ramp::figures::END_OF_PROGRAM;
use photometry::ramp::figures::in_sphere::{LIGHT_LM_MIN, PLATEAU_LM};
use photometry::ramp::figures::names::{
    BELOW_1, BELOW_10, DOSE_LUX_MIN, MELANOPIC_DOSE, PLATEAU_LX,
};
use photometry::ramp::{Dark, Ramp, Record, Way, analyse};
use photometry::robust::median;
use photometry::uncertainty::{Estimate, Shape};

use super::on_the_way::{self, Spectra};
use super::{Curve, Measure, Test, beat, flux, spectra, with_terms};
use crate::plan::itinerary::{Action, Key, Purpose, What};
use crate::plan::lamp;
use crate::run::journal::{Body, Decision};
use crate::store::readings::ReadingRow;

/// The term of the time between two readings.
const BEAT: &str = "beat of the readings";
/// The term of the light's scatter where a share is crossed.
const SCATTER: &str = "scatter of the light";
/// A chart shows so many points at most.
const POINTS_AT_MOST: usize = 1_500;
/// Readings before the start that tell the dark; fewer leave it to those before
/// the soak.
const BEFORE_AT_LEAST: usize = 10;
/// A meter's readings are no finer than this share of the smallest dark reading's
/// range; without a stated resolution, in lx.
const RESOLUTION_LX: f64 = 0.001;

/// Figures that say something of an eye at a distance.
const OF_LUX: [&FigureName; 3] = [&MELANOPIC_DOSE, &BELOW_10, &BELOW_1];

/// Each recording by each meter.
pub(super) fn measures(test: &Test<'_>) -> Vec<Measure> {
    let actions = test.whole.frozen.itinerary.actions.iter();
    let records = actions.filter(|action| action.test == test.index);
    let mut all = Vec::new();
    for action in records {
        let What::Record(recording) = &action.what else {
            continue;
        };
        let Some(begins) = &recording.begins else {
            continue;
        };
        let nth = all.len() / recording.meters.len().max(1) + 1;
        for (meter, _) in &recording.meters {
            let of = format!("{}-{nth}", begins.program);
            let of = if recording.meters.len() > 1 {
                format!("{of}-{meter}")
            } else {
                of
            };
            let program = test.whole.frozen.lamp.program(&begins.program);
            all.push(measure(test, action, program, (of, meter)));
        }
    }
    all.extend(ends(test));
    all
}

/// The light that each recording ended in, where spectra were asked for.
fn ends(test: &Test<'_>) -> Vec<Measure> {
    let actions = &test.whole.frozen.itinerary.actions;
    let records = actions.iter().filter_map(|action| match &action.what {
        What::Record(recording) if action.test == test.index => {
            Some((action, recording.begins.as_ref()?))
        }
        _ => None,
    });
    let mut all = Vec::new();
    for (nth, (record, begins)) in (1..).zip(records) {
        // What is made again with a recording, and comes after it.
        let of_it = |action: &&Action| {
            action.test == record.test && action.no > record.no && action.restart == record.restart
        };
        let asked = |purpose: Purpose| {
            let of_it = actions.iter().filter(of_it);
            let keys = of_it.filter(|action| matches!(action.what, What::Capture { .. }));
            let keys = keys.filter_map(|action| action.key.as_ref());
            keys.filter(move |key| key.purpose == purpose)
                .collect::<Vec<_>>()
        };
        let (lit, dark) = (asked(Purpose::Read), asked(Purpose::Dark));
        if lit.is_empty() {
            continue;
        }
        let rows = |keys: &[&Key]| {
            let rows = test.whole.captures.iter();
            rows.filter(|row| row.counts && keys.contains(&&row.key))
                .collect::<Vec<_>>()
        };
        let meter = actions.iter().filter(of_it).find_map(Action::other_meter);
        let shown = format!("{}, the end of run {nth}", begins.program);
        let of = format!("{}-{nth}{END_OF_PROGRAM}", begins.program);
        let found = test.empty(&of, shown, meter.unwrap_or_default());
        let asked = lit.len();
        let rows = (rows(&lit), rows(&dark));
        all.push(spectra::of_captures(test, found, rows, asked));
    }
    all
}

fn measure(
    test: &Test<'_>,
    action: &Action,
    program: Option<&lamp::Program>,
    (of, meter): (String, &str),
) -> Measure {
    let name = program.map_or("", |program| program.name.as_str());
    let mut found = test.empty(&of, format!("{name} ({of})"), meter);
    let samples = test
        .readings(Purpose::Sample)
        .filter(|row| row.no == i64::from(action.no) && row.reading.meter == meter);
    let samples: Vec<&ReadingRow> = samples.collect();
    let dark: Vec<&ReadingRow> = test
        .readings(Purpose::Ambient)
        .filter(|row| row.reading.meter == meter)
        .collect();
    found.rests_on = samples.iter().chain(&dark).map(|row| row.seq).collect();
    let began = samples.first().and_then(|row| began(test, row));
    let (Some(program), Some(began)) = (program, began) else {
        found.unfinished = true;
        found
            .notes
            .push("It was not recorded to its end.".to_owned());
        return found;
    };
    let spectra = on_the_way::of(test, action, &mut found, began.0);
    if is_over(&mut found, &samples) {
        return found;
    }
    found.notes.extend(beat::told(test, action, &samples));
    analysed(test, found, spectra, (program, &began), (&samples, &dark))
}

/// What the curve says, if it can be used.
fn analysed(
    test: &Test<'_>,
    mut found: Measure,
    spectra: Option<Spectra>,
    (program, began): (&lamp::Program, &(Moment, String)),
    (samples, dark): (&[&ReadingRow], &[&ReadingRow]),
) -> Measure {
    let ranges = super::ranges::Ranges::of(samples, began.0.mono);
    found.notes.extend(ranges.told());
    let Some(dark) = the_dark(program.way, dark, before(samples, began.0)) else {
        let text =
            "Nothing was read with the lamp off by this meter: without it there are no figures.";
        found.notes.push(text.to_owned());
        found.unfinished = true;
        return found;
    };
    let curve = curve(samples, began.0);
    let (time_s, e_lx): (Vec<f64>, Vec<f64>) = curve.iter().copied().unzip();
    let net: Vec<f64> = e_lx.iter().map(|lux| lux - dark.mean_lx).collect();
    let dose = spectra.map(|spectra| spectra.dose(&time_s, &net));
    let known = dose.as_ref().and_then(|dose| dose.as_ref().ok());
    let record = Record {
        time_s: &time_s,
        e_lx: &e_lx,
        dark,
        start_s: 0.0,
        length_s: program.length.secs(),
        melanopic_der: known.map(|dose| dose.der.as_slice()),
        way: match program.way {
            lamp::Way::Sunrise => Way::Sunrise,
            lamp::Way::Sunset => Way::Sunset,
        },
    };
    found.notes.push(times_count_from(program, &began.1));
    let per = is_in_sphere(test).then(|| flux::lumens_per_lux(test.whole, &found.meter));
    match analyse(&record) {
        Ok(ramp) => {
            figures(test, &mut found, &ramp, samples);
            let stepped = ranges.mark_step(&ramp, &mut found.figures);
            found.notes.extend(stepped);
            if let Some(dose) = &dose {
                on_the_way::figures(&mut found, dose.as_ref(), ramp.dose_lux_min);
            }
            if let Some(per) = &per {
                in_lumens(test, &mut found, per.as_ref());
            }
        }
        Err(why) => {
            found.unfinished = true;
            found
                .notes
                .push(format!("The curve gives no figures: {why}."));
        }
    }
    let per = per.and_then(|per| Some(per.ok()?.0.value));
    found.curve = Some(drawn(&curve, dark.mean_lx, per));
    found
}

/// The curve over minutes, not too many points of it; in lumens where it is known how
/// many a lux is.
fn drawn(curve: &[(f64, f64)], dark_lx: f64, per: Option<f64>) -> Curve {
    let net = curve
        .iter()
        .map(|(s, lux)| (s / 60.0, (lux - dark_lx) * per.unwrap_or(1.0)));
    let every = curve.len().div_ceil(POINTS_AT_MOST).max(1);
    let points = net.step_by(every).collect();
    match per {
        Some(_) => Curve::FluxRamp(points),
        None => Curve::Ramp(points),
    }
}

/// Whether the program was recorded in a sphere.
fn is_in_sphere(test: &Test<'_>) -> bool {
    let (card, place) = (&test.whole.frozen.card, &test.whole.frozen.placement.place);
    let mut spheres = card.sphere.iter();
    spheres.any(|sphere| sphere.place == *place)
}

/// What is a flux there and no illuminance. Figures that rest on lux at a distance have
/// no meaning at a port.
fn in_lumens(test: &Test<'_>, found: &mut Measure, per: Result<&(Estimate, String), &String>) {
    let lux = |name: &FigureName| {
        let figure = found.figures.iter().find(|figure| figure.name == name);
        figure.and_then(Figure::value)
    };
    let (plateau, dose) = (lux(&PLATEAU_LX), lux(&DOSE_LUX_MIN));
    found
        .figures
        .retain(|figure| !figure.name.unit.starts_with("lx") && !OF_LUX.contains(&figure.name));
    let (per, setting) = match per {
        Ok((per, setting)) => (per, setting),
        Err(why) => {
            found.notes.push(format!("There are no lumens: {why}."));
            found
                .figures
                .insert(0, Figure::withheld(&PLATEAU_LM, why.clone()));
            return;
        }
    };
    found.notes.push(format!(
        "Lumens: {} lm for each lux at the port, of the flux at {} in this run; U holds its terms. \
         The mismatch of a program's own colours is not in it.",
        five_digits(per.value),
        test.shown(setting)
    ));
    let times = |value: f64| {
        let terms = per.terms.iter();
        terms.fold(Estimate::exact(per.value * value), |sum, term| {
            sum.with(&term.source, term.u * value, term.dof)
        })
    };
    if let Some(plateau) = plateau {
        let figure = Figure::estimate(&PLATEAU_LM, times(plateau));
        found.figures.insert(0, figure);
    }
    found
        .figures
        .extend(dose.map(|dose| Figure::estimate(&LIGHT_LM_MIN, times(dose))));
}

/// Says how many readings have no value; whether some were over the meter's range:
/// the plateau, and all that is a share of it, would be off to one side.
fn is_over(found: &mut Measure, samples: &[&ReadingRow]) -> bool {
    let n = samples.len();
    let outcomes = || samples.iter().map(|row| &row.reading.outcome);
    let over = outcomes()
        .filter(|outcome| matches!(outcome, Outcome::Over(_)))
        .count();
    if over > 0 {
        found.unfinished = true;
        found.notes.push(format!(
            "{over} of {n} readings were over the meter's range: how bright it became is not \
             known, and there are no figures."
        ));
        return true;
    }
    let lost = outcomes()
        .filter(|outcome| outcome.value().is_none())
        .count();
    if lost > 0 {
        found.notes.push(format!(
            "{lost} of {n} readings gave no value; the curve has gaps there."
        ));
    }
    false
}

/// What the times of the figures count from.
fn times_count_from(program: &lamp::Program, by: &str) -> String {
    format!(
        "Times count from {} ({by}); the program is to last {}.",
        match by {
            "alarm" =>
                "the time that the alarm was set for, which the lamp's own clock may miss by half a minute",
            "by hand" => "the answer of the person who started it",
            _ => "the press of the button that starts it",
        },
        program.length.shown()
    )
}

/// The light in the first half of the time before the start: a lamp whose clock is
/// early by less than the other half is still dark.
fn before(samples: &[&ReadingRow], began: Moment) -> Vec<f64> {
    let since = |row: &ReadingRow| row.reading.asked.mono.since(began.mono).secs();
    let lead = samples.first().map_or(0.0, |first| since(first));
    let early = samples.iter().filter(|row| since(row) < lead / 2.0);
    let values = early.map(|row| row.reading.outcome.value());
    // One that is out of range leaves the dark unknown.
    values.collect::<Option<Vec<f64>>>().unwrap_or_default()
}

/// The dark: of the readings just before the start, or of those before the soak. The
/// room's light moves in the hours of a soak, so what the meter saw just before the
/// program is nearer to it.
fn the_dark(way: lamp::Way, dark: &[&ReadingRow], before: Vec<f64>) -> Option<Dark> {
    let off = dark.iter().filter_map(|row| row.reading.outcome.value());
    let off: Vec<f64> = off.collect();
    let dark_lx = match before.len() >= BEFORE_AT_LEAST && is_dark(way, &before, &off) {
        true => before,
        false => off,
    };
    Dark::of(&dark_lx, RESOLUTION_LX)
}

/// Whether what was read before a start can be the dark: before a sunset the lamp may
/// be lit, which the readings before the soak tell.
fn is_dark(way: lamp::Way, before: &[f64], off: &[f64]) -> bool {
    let limit = Dark::of(off, RESOLUTION_LX).map(|dark| dark.onset_lx());
    way == lamp::Way::Sunrise
        || limit.is_some_and(|limit| median(before).is_some_and(|lux| lux <= limit))
}

/// When the program of a reading's recording began, and what started it.
fn began(test: &Test<'_>, row: &ReadingRow) -> Option<(Moment, String)> {
    test.whole
        .events
        .iter()
        .find_map(|event| match &event.body {
            Body::Decided {
                decision: Decision::Began { at, by, .. },
            } if event.no == Some(row.no) && event.attempt == row.attempt => {
                Some((*at, by.clone()))
            }
            _ => None,
        })
}

/// Seconds since the start, at the middle of each reading, and lux.
fn curve(samples: &[&ReadingRow], began: Moment) -> Vec<(f64, f64)> {
    let points = samples.iter().filter_map(|row| {
        let reading = &row.reading;
        let asked = reading.asked.mono.since(began.mono).secs();
        let taken = reading.taken.mono.since(began.mono).secs();
        Some(((asked + taken) / 2.0, reading.outcome.value()?))
    });
    let mut points: Vec<(f64, f64)> = points.collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points.dedup_by(|b, a| b.0 <= a.0);
    points
}

/// Times are no finer than the beat; lux has the meter's written terms.
fn figures(test: &Test<'_>, found: &mut Measure, ramp: &Ramp, samples: &[&ReadingRow]) {
    let terms = test.terms(&found.meter);
    let beat = samples.windows(2).map(|pair| {
        let (a, b) = (pair[0].reading.asked.mono, pair[1].reading.asked.mono);
        b.since(a).secs()
    });
    let beat = Shape::Resolution.standard(beat.fold(0.0, f64::max));
    found.figures = ramp
        .figures()
        .into_iter()
        .map(|figure| {
            let figure = with_terms(figure, &[], terms);
            match (figure.name.unit, figure.value()) {
                ("s", Some(value)) => {
                    let time = Estimate::exact(value).with(BEAT, beat, None);
                    let time = match ramp.scatter_s(figure.name) {
                        Some(u) => time.with(SCATTER, u, None),
                        None => time,
                    };
                    Figure::estimate(figure.name, time)
                }
                _ => figure,
            }
        })
        .collect();
}
