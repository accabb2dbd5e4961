//! A lamp that is switched off: the light of its display, when it dims and goes
//! out, and its power; and the power at settings.
//!
//! The light is net of what was read with the lamp's outlet off, before and after. Where no outlet
//! feeds the lamp it is net of the meter's dark reading alone, and then it is the
//! display's and the room's.

use std::ops::Range;

use photometry::figure::{Figure, FigureName, Given, five_digits};
use photometry::measured::{Moment, Outcome, Quantity};
use photometry::standby::{Step, names, steps};
use photometry::statistics;
use photometry::uncertainty::Shape;
use photometry::units::Span;

use super::{Curve, Measure, Test, beat, with_terms};
use crate::plan::card::WrittenTerm;
use crate::plan::itinerary::{Action, Purpose, What};
use crate::report::background::{Background, Subtracted, ambient_at, dark_as, pool};
use crate::report::survey::{AmbientFigure, K};
use crate::run::journal::Body;
use crate::store::readings::ReadingRow;

/// What a lamp ends at is the mean of this share of the readings, the last ones.
const TAIL_OF: usize = 10;
/// A chart shows so many points at most.
const POINTS_AT_MOST: usize = 1_500;

/// The display, the standby power, and the power at each setting.
pub(super) fn measures(test: &Test<'_>) -> Vec<Measure> {
    let mut all = Vec::new();
    let actions = test.whole.frozen.itinerary.actions.iter();
    for action in actions.filter(|action| action.test == test.index) {
        let What::Record(recording) = &action.what else {
            continue;
        };
        for (meter, quantity) in &recording.meters {
            let asked = recording.readings() as usize;
            let watched = Watched::of(test, action, meter, asked);
            all.push(match quantity {
                Quantity::Power => standby_power(test, watched),
                _ => display(test, watched),
            });
        }
    }
    let settings = test.settings().into_iter();
    all.extend(settings.map(|setting| operating_power(test, setting)));
    all
}

/// What one meter recorded while the lamp was off.
struct Watched<'a> {
    /// The recording.
    action: &'a Action,
    meter: &'a str,
    rows: Vec<&'a ReadingRow>,
    /// How many were asked for.
    asked: usize,
    /// When the lamp was seen to be off.
    off: Option<Moment>,
}

impl<'a> Watched<'a> {
    fn of(test: &Test<'a>, action: &'a Action, meter: &'a str, asked: usize) -> Watched<'a> {
        let rows = test
            .readings(Purpose::Sample)
            .filter(|row| row.no == i64::from(action.no) && row.reading.meter == meter);
        let mut rows: Vec<&ReadingRow> = rows.collect();
        rows.sort_by_key(|row| row.key.visit);
        let first = rows.first().map_or(0, |row| row.seq);
        let switching = i64::from(action.no) - 1;
        let mut before = test.whole.events.iter().rev();
        let done = before.find(|event| {
            event.seq < first
                && event.no == Some(switching)
                && matches!(event.body, Body::Done { .. })
        });
        let off = done.map(|event| event.at);
        Watched {
            action,
            meter,
            rows,
            asked,
            off,
        }
    }

    /// The readings of what it ends at; none where it was not recorded to its end.
    fn tail(&self) -> Option<&[&'a ReadingRow]> {
        let n = self.asked.div_ceil(TAIL_OF);
        (self.rows.len() == self.asked).then(|| &self.rows[self.asked - n..])
    }

    /// Places in `rows`, seconds since the lamp was off, and what was seen: under
    /// range it counts as the limit, so that a change is never made larger.
    fn series(&self) -> Vec<(usize, f64, f64)> {
        let Some(off) = self.off else {
            return Vec::new();
        };
        let seen = self.rows.iter().enumerate().filter_map(|(at, row)| {
            let reading = &row.reading;
            let light = match &reading.outcome {
                Outcome::Value(value) => *value,
                Outcome::Under(limit) => *limit,
                Outcome::Over(_) | Outcome::TimedOut | Outcome::Rejected(_) => return None,
            };
            let asked = reading.asked.mono.since(off.mono).secs();
            let taken = reading.taken.mono.since(off.mono).secs();
            Some((at, (asked + taken) / 2.0, light))
        });
        seen.collect()
    }
}

/// What readings of one level come to.
enum Level {
    /// Values, all of them.
    Values(Vec<f64>),
    /// All were under range: it is not above this.
    Under(f64),
    /// Neither; why.
    None(String),
}

impl Level {
    fn of(rows: &[&ReadingRow]) -> Level {
        let (mut values, mut under, mut over) = (Vec::new(), Vec::new(), 0);
        for row in rows {
            match &row.reading.outcome {
                Outcome::Value(value) => values.push(*value),
                Outcome::Under(limit) => under.push(*limit),
                Outcome::Over(_) => over += 1,
                Outcome::TimedOut | Outcome::Rejected(_) => {}
            }
        }
        let n = rows.len();
        let below = under.len();
        match (values.is_empty(), under.into_iter().reduce(f64::max)) {
            _ if over > 0 => Level::None(format!("{over} of {n} readings were over the range")),
            (true, None) => Level::None("no reading gave a value".to_owned()),
            (true, Some(limit)) => Level::Under(limit),
            (false, None) => Level::Values(values),
            // A mean of the rest would be too high.
            (false, Some(limit)) => Level::None(format!(
                "{below} of {n} readings were under the range, {limit}"
            )),
        }
    }
}

/// What is taken off readings of light, and the words for it.
struct Without {
    /// With the lamp unplugged, before and after it was watched; none or one.
    unplugged: Vec<AmbientFigure>,
    /// With the meter covered.
    dark: Option<Background>,
}

impl Without {
    fn of(test: &Test<'_>, watched: &Watched<'_>) -> Without {
        let read = |purpose: Purpose| {
            test.readings(purpose).filter(|row| {
                row.reading.meter == watched.meter && row.reading.quantity == Quantity::Illuminance
            })
        };
        let unplugged: Vec<&ReadingRow> = read(Purpose::Ambient).collect();
        let (before, after): (Vec<_>, Vec<_>) = unplugged
            .iter()
            .partition(|row| row.no < i64::from(watched.action.no));
        let figure = unplugged.first().map(|row| AmbientFigure {
            position: row.key.position,
            before: Background::of(&before),
            after: Background::of(&after),
        });
        let known = figure.filter(|found| found.before.is_some() || found.after.is_some());
        let mut unplugged: Vec<AmbientFigure> = known.into_iter().collect();
        pool(&mut unplugged);
        Without {
            unplugged,
            dark: Background::of(&read(Purpose::Dark).collect::<Vec<_>>()),
        }
    }

    /// The display's own light is told from the room's.
    fn display_alone(&self) -> bool {
        !self.unplugged.is_empty()
    }

    /// What is taken off a reading.
    fn taken(&self, row: &ReadingRow) -> Option<Subtracted> {
        match self.display_alone() {
            true => ambient_at(&self.unplugged, row.key.position, row.reading.taken.wall),
            false => self.dark.as_ref().map(dark_as),
        }
    }

    fn net(&self, row: &ReadingRow, lux: f64) -> f64 {
        lux - self.taken(row).map_or(0.0, |taken| taken.lux)
    }

    fn source(&self) -> &'static str {
        match self.display_alone() {
            true => "lamp unplugged",
            false => "meter covered",
        }
    }

    /// The events that it rests on.
    fn seqs(&self) -> Vec<u64> {
        let sides = self.unplugged.iter().flat_map(|a| [&a.before, &a.after]);
        let used: Vec<&Background> = match self.display_alone() {
            true => sides.flatten().collect(),
            false => self.dark.iter().collect(),
        };
        used.into_iter()
            .flat_map(|found| found.seqs.clone())
            .collect()
    }

    fn note(&self) -> &'static str {
        match (self.display_alone(), &self.dark) {
            (true, _) => {
                "The light is the display's own: what was read with the lamp unplugged is taken \
                 off, between before and after by a straight line in time."
            }
            (false, Some(_)) => {
                "The light is the display's and the room's: the lamp was not unplugged, and only \
                 what the covered meter read is taken off."
            }
            (false, None) => {
                "The light is the display's and the room's, as read: neither with the lamp \
                 unplugged nor with the meter covered was anything read that counts."
            }
        }
    }
}

fn display(test: &Test<'_>, watched: Watched<'_>) -> Measure {
    let mut found = test.empty("off", "the lamp off, its light".to_owned(), watched.meter);
    found.rests_on = watched.rows.iter().map(|row| row.seq).collect();
    let without = Without::of(test, &watched);
    found.rests_on.extend(without.seqs());
    found.notes.push(without.note().to_owned());
    let mut series = watched.series();
    for (at, _, lux) in &mut series {
        *lux = without.net(watched.rows[*at], *lux);
    }
    let lights: Vec<f64> = series.iter().map(|(.., lux)| *lux).collect();
    let found_steps = steps(&lights, 0.0);
    said_of_end(test, &watched, &mut found);
    let end = match watched.tail() {
        None => Figure::withheld(&names::STANDBY_LIGHT, "it was not recorded to its end"),
        Some(tail) => {
            let first = watched.asked - tail.len();
            let late = found_steps.iter().any(|s| series[s.after.start].0 > first);
            match late {
                true => {
                    let why = "the light still changed while it was watched for the last tenth";
                    Figure::withheld(&names::STANDBY_LIGHT, why)
                }
                false => light(test, &mut found, &names::STANDBY_LIGHT, (tail, &without)),
            }
        }
    };
    let level = match found_steps.first() {
        Some(step) => 0..step.before.end,
        None => 0..series.len().min(TAIL_OF),
    };
    let rows: Vec<&ReadingRow> = series[level]
        .iter()
        .map(|(at, ..)| watched.rows[*at])
        .collect();
    let first = match watched.off {
        None => Figure::withheld(&names::DISPLAY_FIRST, "it was not recorded"),
        Some(_) => light(test, &mut found, &names::DISPLAY_FIRST, (&rows, &without)),
    };
    found.figures.extend([end, first]);
    let told = Told {
        watched: &watched,
        series: &series,
        without: &without,
    };
    told.steps(&found_steps, &mut found);
    let net = series.iter().map(|(_, time, lux)| (time / 60.0, *lux));
    let every = series.len().div_ceil(POINTS_AT_MOST).max(1);
    found.curve = Some(Curve::Ramp(net.step_by(every).collect()));
    found
}

/// What lacks, and what gave no value.
fn said_of_end(test: &Test<'_>, watched: &Watched<'_>, found: &mut Measure) {
    let late = beat::told(test, watched.action, &watched.rows);
    found.notes.extend(late);
    if let Some(off) = watched.off {
        let ranges = super::ranges::Ranges::of(&watched.rows, off.mono);
        found.notes.extend(ranges.told());
    }
    let (there, asked) = (watched.rows.len(), watched.asked);
    if there < asked {
        found.unfinished = true;
        let text = format!("{there} of {asked} readings were recorded.");
        found.notes.push(text);
    }
    let silent = watched
        .rows
        .iter()
        .filter(|row| !row.reading.outcome.says_something())
        .count();
    if silent > 0 {
        let text = format!("{silent} of {there} readings gave no answer in time.");
        found.notes.push(text);
    }
}

/// A level of light with its terms: the scatter, the meter's written ones, what
/// was taken off, and the place, by the law of a point source and so the most
/// that a face could do.
fn light(
    test: &Test<'_>,
    found: &mut Measure,
    name: &'static FigureName,
    (rows, without): (&[&ReadingRow], &Without),
) -> Figure {
    match Level::of(rows) {
        Level::Under(limit) => return Figure::of(name, Given::AtMost(limit)),
        Level::None(why) => return Figure::withheld(name, why),
        Level::Values(_) => {}
    }
    let net = net_of(rows, without);
    let figure = mean(found, name, &net, terms_of(test, rows));
    let Given::Estimate(mut estimate) = figure.given else {
        return figure;
    };
    let middle = rows.get(rows.len() / 2).and_then(|row| without.taken(row));
    if let Some(taken) = middle {
        estimate = estimate.with(without.source(), taken.u_lx, taken.dof);
        if !taken.known {
            let text =
                "One reading without the lamp: how far others would lie from it is not known.";
            found.notes.push(text.to_owned());
        }
    }
    let position = rows.first().map_or(0.0, |row| row.key.position.metres());
    if position > 0.0 {
        let datum = test.whole.frozen.placement.datum_uncertainty.metres();
        let u = 2.0 * estimate.value * datum / position;
        estimate = estimate.with("datum", u.abs(), None);
    }
    if estimate.value.abs() < estimate.expanded(K) {
        let text = format!("{}: not told from none, U is larger.", name.name);
        found.notes.push(text);
    }
    Figure::estimate(name, estimate)
}

/// The values among readings, less what is taken off.
fn net_of(rows: &[&ReadingRow], without: &Without) -> Vec<f64> {
    let values = rows
        .iter()
        .filter_map(|row| Some(without.net(row, row.reading.outcome.value()?)));
    values.collect()
}

/// The written terms of the meter that read these.
fn terms_of<'a>(test: &Test<'a>, rows: &[&ReadingRow]) -> &'a [WrittenTerm] {
    rows.first()
        .map_or(&[], |row| test.terms(&row.reading.meter))
}

/// A mean with the scatter of its readings and the meter's written terms; n and s
/// are noted.
fn mean(
    found: &mut Measure,
    name: &'static FigureName,
    values: &[f64],
    terms: &[WrittenTerm],
) -> Figure {
    let Some(moments) = statistics::moments(values) else {
        return Figure::withheld(name, "the readings have no mean");
    };
    let n = moments.n;
    found.notes.push(match moments.sd {
        Some(sd) => {
            let s = five_digits(sd);
            format!("{}: n = {n}, s = {s} {}.", name.name, name.unit)
        }
        None => format!("{}: one reading, its scatter is not known.", name.name),
    });
    let figure = Figure::number(name, moments.mean);
    with_terms(figure, values, terms)
}

/// What is told of a display's steps.
struct Told<'w, 'a> {
    watched: &'w Watched<'a>,
    series: &'w [(usize, f64, f64)],
    without: &'w Without,
}

impl Told<'_, '_> {
    /// A figure for the first step down, one for the last way out, and a sentence
    /// for each step.
    fn steps(&self, steps: &[Step], found: &mut Measure) {
        let level = |range: &Range<usize>| {
            let lights = self.series[range.clone()].iter().map(|(.., light)| *light);
            lights.sum::<f64>() / range.len() as f64
        };
        for step in steps {
            let (from, to) = self.between(step);
            let (before, after) = (level(&step.before), level(&step.after));
            let way = if after < before { "fell" } else { "rose" };
            let to_level = match self.under(&step.after) {
                Some(limit) => format!("under {limit} lx"),
                None if self.is_out(step) => "where none of it can be told".to_owned(),
                None => format!("{} lx", five_digits(after)),
            };
            let before = five_digits(before);
            found.notes.push(format!(
                "Between {from:.1} s and {to:.1} s after switching off the light {way} from \
                 {before} lx to {to_level}."
            ));
        }
        let seen = self
            .series
            .last()
            .map_or(Span::ZERO, |(_, time, _)| Span::from_secs_f64(*time));
        let none = |what: &str| format!("{what} within {}", seen.shown());
        let mut falls = steps.iter().filter(|s| level(&s.after) < level(&s.before));
        found.figures.push(match falls.next() {
            Some(step) => self.time(&names::DISPLAY_DIMS, step),
            None => Figure::withheld(&names::DISPLAY_DIMS, none("no step down")),
        });
        let last = steps.last().filter(|step| self.is_out(step));
        found.figures.push(match last {
            Some(step) => self.time(&names::DISPLAY_OUT, step),
            None if !self.without.display_alone() => Figure::withheld(
                &names::DISPLAY_OUT,
                "the lamp was not unplugged: the room's light may be the display's",
            ),
            None => Figure::withheld(&names::DISPLAY_OUT, none("it did not go out by a step")),
        });
    }

    /// Seconds from the lamp's switching off to either side of a step.
    fn between(&self, step: &Step) -> (f64, f64) {
        let time = |at: usize| self.series[at].1;
        (time(step.before.end - 1), time(step.after.start))
    }

    /// The middle of it, anywhere between its sides alike (JCGM 100:2008, 4.3.7).
    fn time(&self, name: &'static FigureName, step: &Step) -> Figure {
        let (from, to) = self.between(step);
        let u = Shape::Rectangular.standard((to - from) / 2.0);
        let estimate = photometry::uncertainty::Estimate::exact((from + to) / 2.0);
        Figure::estimate(name, estimate.with("beat", u, None))
    }

    fn rows(&self, range: &Range<usize>) -> Vec<&ReadingRow> {
        let of_range = self.series[range.clone()].iter();
        of_range.map(|(at, ..)| self.watched.rows[*at]).collect()
    }

    /// The limit that all of these were under.
    fn under(&self, range: &Range<usize>) -> Option<f64> {
        match Level::of(&self.rows(range)) {
            Level::Under(limit) => Some(limit),
            Level::Values(_) | Level::None(_) => None,
        }
    }

    /// Behind a step nothing of the display can be told from the room: it lies
    /// within U = 2 u of what was read with the lamp unplugged.
    fn is_out(&self, step: &Step) -> bool {
        let rows = self.rows(&step.after);
        let taken = rows.first().and_then(|row| self.without.taken(row));
        let Some(room) = taken.filter(|_| self.without.display_alone()) else {
            return false;
        };
        match Level::of(&rows) {
            Level::Under(_) => true,
            Level::None(_) => false,
            Level::Values(_) => {
                let net = statistics::moments(&net_of(&rows, self.without));
                net.is_some_and(|net| {
                    let own = net.standard_error().unwrap_or(0.0);
                    net.mean.abs() <= K * own.hypot(room.u_lx)
                })
            }
        }
    }
}

fn standby_power(test: &Test<'_>, watched: Watched<'_>) -> Measure {
    let mut found = test.empty(
        "off-power",
        "the lamp off, its power".to_owned(),
        watched.meter,
    );
    found.rests_on = watched.rows.iter().map(|row| row.seq).collect();
    said_of_end(test, &watched, &mut found);
    let figure = match watched.tail() {
        None => Figure::withheld(&names::STANDBY_POWER, "it was not recorded to its end"),
        Some(tail) => power(test, &mut found, &names::STANDBY_POWER, tail),
    };
    found.figures.push(figure);
    found
}

fn operating_power(test: &Test<'_>, setting: &str) -> Measure {
    let rows = power_rows(test, setting);
    let meter = rows.first().map_or("", |row| row.reading.meter.as_str());
    let mut found = test.empty(setting, test.shown(setting), meter);
    let figure = power_at(test, &mut found, setting, &rows);
    found.figures.push(figure);
    found
}

/// The readings of power at a setting that count.
pub(super) fn power_rows<'a>(test: &Test<'a>, setting: &str) -> Vec<&'a ReadingRow> {
    let of_setting =
        |row: &&ReadingRow| row.key.setting == setting && row.reading.quantity == Quantity::Power;
    test.readings(Purpose::Read).filter(of_setting).collect()
}

/// The power at a setting from these readings; what must be said of it, and on
/// what it rests, goes to the measure.
pub(super) fn power_at(
    test: &Test<'_>,
    found: &mut Measure,
    setting: &str,
    rows: &[&ReadingRow],
) -> Figure {
    found.rests_on.extend(rows.iter().map(|row| row.seq));
    let asked = test.asked(Purpose::Read, Quantity::Power, Some(setting));
    if rows.len() < asked {
        found.unfinished = true;
        let text = format!("{} of {asked} readings of power are there.", rows.len());
        found.notes.push(text);
    }
    power(test, found, &names::OPERATING_POWER, rows)
}

/// A level of power; what the meter showed without the lamp is told and not taken
/// off, because it may be the meter's own rounding of nothing.
fn power(
    test: &Test<'_>,
    found: &mut Measure,
    name: &'static FigureName,
    rows: &[&ReadingRow],
) -> Figure {
    let unplugged: Vec<&ReadingRow> = test
        .readings(Purpose::Ambient)
        .filter(|row| row.reading.quantity == Quantity::Power)
        .collect();
    if !unplugged.is_empty() {
        found.notes.push(match Level::of(&unplugged) {
            Level::Values(values) => {
                let sum: f64 = values.iter().sum();
                let shown = sum / values.len() as f64;
                format!(
                    "With the lamp unplugged the meter showed {} W; it is not taken off.",
                    five_digits(shown)
                )
            }
            Level::Under(limit) => {
                format!("With the lamp unplugged the meter showed less than {limit} W.")
            }
            Level::None(why) => format!("With the lamp unplugged {why}."),
        });
        found.rests_on.extend(unplugged.iter().map(|row| row.seq));
    }
    match Level::of(rows) {
        Level::Under(limit) => Figure::of(name, Given::AtMost(limit)),
        Level::None(why) => Figure::withheld(name, why),
        Level::Values(values) => mean(found, name, &values, terms_of(test, rows)),
    }
}
