//! Gathers the figures of a survey from what a run froze, read and journaled.
//!
//! In this order: (1) the reading as it came; (2) minus the background: the
//! ambient light at that position, interpolated in civil time between before
//! and after, or where there is none the meter's dark reading, or nothing
//! ([`NetOf`] says which); (3) times the leg's first reference over the
//! reference at that moment ([`super::reference`]); (4) the mean of the n
//! readings so corrected. Over, under, timed out and rejected never enter a
//! mean: a point with a reading over (or under) range has no value. A reading
//! that a person set aside enters nothing, be it at a point or behind a
//! correction: n is smaller, and the point says so.
//!
//! Terms of uncertainty: the meter's written ones (shares of the value); the
//! datum, -2 u(d)/d, the law of a point source, and so the most that a face
//! could do; repeatability s/sqrt(n), n - 1 degrees of freedom; the drift that a
//! straight line may have missed, change/sqrt(12); the background's own, and a
//! flag where it has a single reading and no others to judge it by. Equal names
//! correlate fully: one datum and one certificate lie behind them all.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use photometry::measured::Outcome;
use photometry::statistics;
use photometry::uncertainty::Estimate;
use photometry::units::Length;

use super::background::{Background, Subtracted, ambient_at, dark_as, pool};
use super::disturbed::Disturbed;
use super::drift::{Drift, drifted_words, with_scatter};
use super::fixed::{Fixed, room_lx};
use super::halves;
use super::reference::{Corrected, Reference, Tells};
use super::survey::{
    AmbientFigure, Heading, K, NetOf, Part, PointFigure, SettingFigures, SurveyFigures,
    WarmUpFigure,
};
use crate::plan::card::Meter;
use crate::plan::frozen::Frozen;
use crate::plan::itinerary::{Action, OFF, Purpose, Target, TestHead, What};
use crate::plan::lamp::{Datum, Setting};
use crate::run::journal::{Body, Decision, DriftVerdict, Event};
use crate::store::counts::Standing;
use crate::store::readings::ReadingRow;

/// U lacks a term, and the point says so.
const BACKGROUND_UNKNOWN: &str =
    "one background reading: how far others would lie from it is not known";
/// So many readings are worth a second thread: some 2 us each.
const READINGS_FOR_TWO: usize = 1_000;

/// The larger share of two, with its degrees of freedom.
fn wider(a: Option<(f64, f64)>, b: Option<(f64, f64)>) -> Option<(f64, f64)> {
    a.into_iter().chain(b).max_by(|a, b| a.0.total_cmp(&b.0))
}

/// The figures of every survey of a run, in the itinerary's order. `readings`
/// and `events` in order, as the store gives them.
pub fn surveys(frozen: &Frozen, readings: &[ReadingRow], events: &[Event]) -> Vec<SurveyFigures> {
    let heads = frozen.itinerary.tests.iter();
    heads
        .filter(|head| head.kind.is_survey())
        .map(|head| Gathering::new(frozen, head, readings, events).figures())
        .collect()
}

/// Before the lamp was first lit, or after.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Side {
    Before,
    After,
}

impl Side {
    /// The side of an action, given the first that lights the lamp.
    fn of(no: i64, lit: i64) -> Side {
        if no < lit { Side::Before } else { Side::After }
    }
}

struct Gathering<'a> {
    frozen: &'a Frozen,
    head: &'a TestHead,
    actions: &'a [Action],
    meter: Option<&'a Meter>,
    /// The test's readings, in order.
    rows: Vec<&'a ReadingRow>,
    /// What for there are any.
    read_for: BTreeSet<Purpose>,
    /// The same by setting.
    rows_of: HashMap<&'a str, Vec<&'a ReadingRow>>,
    /// The settings that are read, in order, each with its readings' positions.
    read_at: Vec<(&'a str, Vec<Length>)>,
    /// What the lamp is set to, by the setting's key.
    targets: HashMap<String, &'a Target>,
    /// The positions where ambient light was read before and after the lamp
    /// was lit, whatever came of it.
    ambient_read: BTreeSet<(Length, Side)>,
    events: &'a [Event],
    /// The decisions among them, and the readings of warm-ups.
    decided: Vec<&'a Event>,
    /// Numbers of the seams.
    seams: Vec<u64>,
    dark: Option<Background>,
    ambient: Vec<AmbientFigure>,
    net_of: NetOf,
    room: Disturbed<'a>,
    /// What the sensor that stands still sees with the lamp off, in lx.
    room_lx: f64,
}

impl<'a> Gathering<'a> {
    fn new(
        frozen: &'a Frozen,
        head: &'a TestHead,
        readings: &'a [ReadingRow],
        events: &'a [Event],
    ) -> Gathering<'a> {
        let all = &frozen.itinerary.actions;
        let last = (head.last as usize + 1).min(all.len());
        let actions = all.get(head.first as usize..last).unwrap_or_default();
        let rows: Vec<&ReadingRow> = readings
            .iter()
            .filter(|r| r.key.test == head.name)
            .collect();
        let counting = |purpose: Purpose| -> Vec<&ReadingRow> {
            let fits = |row: &&&ReadingRow| row.counts && row.key.purpose == purpose;
            rows.iter().filter(fits).copied().collect()
        };
        let lit = first_lit(actions);
        let was_ambient = rows
            .iter()
            .filter(|row| row.key.purpose == Purpose::Ambient);
        let ambient_read = was_ambient
            .map(|row| (row.key.position, Side::of(row.no, lit)))
            .collect();
        let dark = Background::of(&counting(Purpose::Dark));
        let mut ambient = ambient_figures(&counting(Purpose::Ambient), actions);
        pool(&mut ambient);
        let known = ambient
            .iter()
            .any(|a| a.before.is_some() || a.after.is_some());
        let net_of = match (known, &dark) {
            (true, _) => NetOf::Ambient,
            (false, Some(_)) => NetOf::Dark,
            (false, None) => NetOf::Nothing,
        };
        let seams = events
            .iter()
            .filter(|event| matches!(event.body, Body::Seam { .. }))
            .map(|event| event.seq)
            .collect();
        let mut rows_of: HashMap<&str, Vec<&ReadingRow>> = HashMap::new();
        for row in &rows {
            rows_of.entry(&row.key.setting).or_default().push(row);
        }
        Gathering {
            frozen,
            head,
            actions,
            meter: frozen.card.meters.iter().find(|m| m.name == head.meter),
            read_for: rows.iter().map(|row| row.key.purpose).collect(),
            room_lx: rows_of.get(OFF).map_or(0.0, |rows| room_lx(rows)),
            rows,
            rows_of,
            read_at: read_at(actions),
            targets: targets(actions),
            ambient_read,
            events,
            decided: events.iter().filter(|event| is_decision(event)).collect(),
            seams,
            dark,
            ambient,
            net_of,
            room: Disturbed::of(frozen, events),
        }
    }

    fn figures(self) -> SurveyFigures {
        let settings = halves::each(
            &self.read_at,
            self.rows.len() >= READINGS_FOR_TWO,
            |(key, positions)| self.setting(key, positions),
        );
        let (home_offset, home_tolerance) = self.home();
        let gap = |point: &PointFigure| point.missing > 0;
        let unfinished =
            settings.iter().any(|s| s.points.iter().any(gap)) || !self.is_done(self.head.last);
        SurveyFigures {
            test: self.head.name.clone(),
            heading: self.heading(),
            lengths: self.frozen.card.lengths,
            settings,
            home_offset,
            home_tolerance,
            unfinished,
            failures: self.failures(),
            set_aside: self.set_aside(),
            net_of: self.net_of,
            dark: self.dark,
            ambient: self.ambient,
        }
    }

    /// What failed in this test; a preamble's failure concerns whatever test
    /// the run was in, so it is told with each.
    fn failures(&self) -> Vec<String> {
        let here = |no: i64| {
            no < 0 || (i64::from(self.head.first)..=i64::from(self.head.last)).contains(&no)
        };
        self.events
            .iter()
            .filter(|event| event.no.is_some_and(here))
            .filter_map(|event| match &event.body {
                Body::Failed { fault } => Some(fault.message.clone()),
                _ => None,
            })
            .collect()
    }

    /// Readings beside the points that were set aside; a point tells its own.
    fn set_aside(&self) -> Vec<String> {
        let lengths = self.frozen.card.lengths;
        let one = |row: &&ReadingRow| {
            let because = &row.set_aside.as_ref()?.because;
            (row.key.purpose != Purpose::Read).then(|| {
                let (what, at) = (row.key.purpose.word(), row.key.position.shown(lengths));
                format!(
                    "{what} reading {} ({}, {at}): {because}",
                    row.key.visit, row.key.setting
                )
            })
        };
        self.rows.iter().filter_map(one).collect()
    }

    fn heading(&self) -> Heading {
        let Frozen {
            plan,
            lamp,
            placement,
            card,
            ..
        } = self.frozen;
        Heading {
            plan: plan.name.clone(),
            lamp: lamp.name.clone(),
            unit: placement.unit.clone(),
            firmware: placement.firmware.clone(),
            bench: card.name.clone(),
            meter: self.head.meter.clone(),
            certificate: self.meter.map(|m| m.calibration.certificate.clone()),
            fixed_sensor: card
                .fixed_sensor
                .clone()
                .filter(|_| self.read_for.contains(&Purpose::Fixed)),
            datum: match lamp.datum {
                Datum::FrontFace => "the front of the housing",
                Datum::Axis => "the lamp's vertical axis",
                Datum::Centre => "the centre of the luminous body",
            },
            near_field: Length::from_nm(lamp.face.nm().saturating_mul(5)),
            placed_by: placement.who.clone(),
            stated: placement.stated.clone(),
        }
    }

    /// A setting as a person reads it.
    fn shown(&self, setting: &str) -> String {
        let Some(target) = self.targets.get(setting) else {
            return setting.to_owned();
        };
        let Target::HalfLight(mode) = target else {
            return target.shown();
        };
        let found = self
            .events
            .iter()
            .rev()
            .find_map(|event| match &event.body {
                Body::Decided {
                    decision: Decision::HalfLight { mode: m, level, .. },
                } if m == mode => Some(*level),
                _ => None,
            });
        match found {
            Some(level) => {
                let mode = mode.clone();
                format!("half light, {}", Setting { mode, level }.shown())
            }
            None => target.shown(),
        }
    }

    fn stretch_of(&self, seq: u64) -> usize {
        self.seams.partition_point(|seam| *seam < seq)
    }

    fn point_of(&self, no: i64) -> Option<u32> {
        let at = usize::try_from(no).ok()?;
        self.frozen.itinerary.actions.get(at)?.point
    }

    /// What is subtracted from a reading.
    fn background(&self, row: &ReadingRow) -> Option<Subtracted> {
        match self.net_of {
            NetOf::Ambient => ambient_at(&self.ambient, row.key.position, row.reading.taken.wall),
            NetOf::Dark => self.dark.as_ref().map(dark_as),
            NetOf::Nothing => None,
        }
    }

    fn net(&self, row: &ReadingRow, value: f64) -> f64 {
        value
            - self
                .background(row)
                .map_or(0.0, |background| background.lux)
    }

    fn setting(&self, setting: &str, positions: &[Length]) -> SettingFigures {
        let of_setting = self.rows_of.get(setting).map_or(&[][..], Vec::as_slice);
        let reference = Reference::of(
            of_setting,
            |no| self.point_of(no),
            |seq| self.stretch_of(seq),
            |row, value| self.net(row, value),
        );
        let fixed = Fixed::of(of_setting, reference.visits(), self.room_lx, |no| {
            self.point_of(no)
        });
        let drift = Drift { reference, fixed };
        let verdict = self.drift_verdict(setting);
        let flagged = matches!(verdict, Some(DriftVerdict::Flagged | DriftVerdict::GivenUp))
            || self.drifts_without(of_setting, &drift);
        let room_at_visits = self.room_at_visits(of_setting);
        let mut points: BTreeMap<Length, PointFigure> = BTreeMap::new();
        for position in positions {
            points
                .entry(*position)
                .or_insert_with(|| PointFigure {
                    position: *position,
                    ..PointFigure::default()
                })
                .missing += 1;
        }
        let mut of_points: BTreeMap<Length, Vec<&ReadingRow>> = BTreeMap::new();
        let is_read = |row: &&&ReadingRow| row.is_result() && row.key.purpose == Purpose::Read;
        for row in of_setting.iter().filter(is_read) {
            of_points.entry(row.key.position).or_default().push(row);
        }
        for point in points.values_mut() {
            let results = of_points.remove(&point.position).unwrap_or_default();
            let aside = results.iter().filter_map(|row| row.set_aside.as_ref());
            point.set_aside = aside.map(|aside| aside.because.clone()).collect();
            // Taken, and so not missing, though it enters nothing.
            point.missing = point.missing.saturating_sub(point.set_aside.len());
            let rows: Vec<&ReadingRow> = results.into_iter().filter(|row| row.counts).collect();
            self.fill(point, &rows, &drift);
            point.flags.extend(self.room_at(point.position, &rows));
            if point.n > 0 {
                point.flags.extend(room_at_visits.clone());
            }
            if flagged && point.n > 0 {
                point
                    .flags
                    .push(drifted_words(drift.by_sensor()).to_owned());
            }
        }
        SettingFigures {
            setting: setting.to_owned(),
            shown: self.shown(setting),
            points: points.into_values().collect(),
            drift: drift.reference.drift(),
            left_over: drift.by_sensor(),
            drift_flagged: flagged,
            visits: drift.reference.with_value(),
            warm_up: self.warm_ups(setting),
            reference: drift.reference.visits().to_vec(),
        }
    }

    /// The room was disturbed at a visit to the reference, to which everything at this
    /// setting is brought.
    fn room_at_visits(&self, of_setting: &[&ReadingRow]) -> Option<String> {
        let visits = of_setting.iter().filter(|row| {
            row.key.purpose == Purpose::Reference && row.standing == Standing::Counts
        });
        let flag = self.room.flag(visits.map(|row| row.seq))?;
        Some(format!("at a reference visit: {flag}"))
    }

    /// The room was disturbed while a point was read, or what is taken off it.
    fn room_at(&self, position: Length, rows: &[&ReadingRow]) -> Vec<String> {
        if rows.is_empty() {
            return Vec::new();
        }
        let own = self.room.flag(rows.iter().map(|row| row.seq));
        let ambient = self.rows.iter().filter(|row| {
            let key = &row.key;
            row.counts && key.purpose == Purpose::Ambient && key.position == position
        });
        let ambient = self.room.flag(ambient.map(|row| row.seq));
        let ambient = ambient.map(|flag| format!("in the ambient light: {flag}"));
        own.into_iter().chain(ambient).collect()
    }

    /// Fills a point from the readings that count.
    fn fill(&self, point: &mut PointFigure, rows: &[&ReadingRow], drift: &Drift) {
        point.missing = point.missing.saturating_sub(rows.len());
        let (mut raw, mut corrected) = (Vec::new(), Vec::new());
        let mut residual: Option<f64> = None;
        let mut scatter: Option<(f64, f64)> = None;
        let mut tells = Tells::Visits;
        let mut first_share: Option<(f64, f64)> = None;
        let mut background: Option<Subtracted> = None;
        let mut flags: Vec<String> = Vec::new();
        flags.extend(self.lacks_background().map(str::to_owned));
        flags.extend(self.lost_side(point.position));
        for row in rows {
            flags.extend(row.reading.flags.iter().cloned());
            match &row.reading.outcome {
                Outcome::Value(value) => {
                    raw.push(*value);
                    let (part, found) = self.part(row, *value, drift);
                    corrected.push(part.lux);
                    match found {
                        Some(found) => {
                            residual = larger(residual, found.residual);
                            scatter = wider(scatter, found.scatter);
                            tells = found.by.tells;
                            first_share = wider(first_share, found.scatter_of_first);
                            flags.extend(drift.unknown_of(&found).map(str::to_owned));
                        }
                        None => {
                            flags.push("not corrected for drift: no reference visit".to_owned());
                        }
                    }
                    if part.subtracted.is_some_and(|taken| !taken.known) {
                        flags.push(BACKGROUND_UNKNOWN.to_owned());
                    }
                    background = surer_last(background, part.subtracted);
                    point.parts.push(part);
                }
                Outcome::Over(limit) => {
                    point.over += 1;
                    point.over_lx = Some(point.over_lx.map_or(*limit, |l| l.min(*limit)));
                }
                Outcome::Under(limit) => {
                    point.under += 1;
                    point.under_lx = Some(point.under_lx.map_or(*limit, |l| l.max(*limit)));
                }
                Outcome::TimedOut | Outcome::Rejected(_) => point.missing += 1,
            }
        }
        point.mean_raw_lx = statistics::moments(&raw).map(|m| m.mean);
        if let Some(moments) = statistics::moments(&corrected) {
            point.n = moments.n;
            point.sd_lx = moments.sd;
            if point.over == 0 && point.under == 0 {
                let mut estimate =
                    self.estimate(point, &moments, residual, background, rows, &mut flags);
                let shares = [first_share, scatter];
                estimate = with_scatter(estimate, tells, shares, rows);
                point.expanded_lx = Some(estimate.expanded(K));
                point.estimate = Some(estimate);
            }
        }
        flags.sort();
        flags.dedup();
        point.flags = flags;
    }

    /// One reading's way into the mean, and what its drift is known by.
    fn part(&self, row: &ReadingRow, value: f64, drift: &Drift) -> (Part, Option<Corrected>) {
        let subtracted = self.background(row);
        let net_lx = value - subtracted.map_or(0.0, |s| s.lux);
        let stretch = self.stretch_of(row.seq);
        let found = drift.correct(net_lx, row, self.point_of(row.no), stretch);
        let part = Part {
            seq: row.seq,
            raw_lx: value,
            subtracted,
            net_lx,
            brought: found.map(|found| found.by),
            lux: found.map_or(net_lx, |found| found.lux),
        };
        (part, found)
    }

    fn estimate(
        &self,
        point: &PointFigure,
        moments: &statistics::Moments,
        residual: Option<f64>,
        background: Option<Subtracted>,
        rows: &[&ReadingRow],
        flags: &mut Vec<String>,
    ) -> Estimate {
        let value = moments.mean;
        let mut estimate = Estimate::exact(value);
        let meter = &self.head.meter;
        for term in self.meter.iter().flat_map(|m| &m.uncertainty) {
            let source = format!("{} {meter}", term.source);
            estimate = estimate.with(&source, term.share.share() * value, None);
        }
        let datum = self.frozen.placement.datum_uncertainty.metres();
        if point.position.nm() > 0 {
            let u = -2.0 * value * datum / point.position.metres();
            estimate = estimate.with("datum", u, None);
        } else {
            flags.push("no term for the distance: the position is not above zero".to_owned());
        }
        let n = moments.n as f64;
        match moments.sd {
            Some(sd) => {
                let first = rows.first().map(|row| row.key.to_string());
                let source = format!("repeatability {}", first.unwrap_or_default());
                estimate = estimate.with(&source, sd / n.sqrt(), Some(n - 1.0));
            }
            None => flags.push("one reading: its repeatability is not known".to_owned()),
        }
        if let Some(residual) = residual {
            let setting = rows.first().map_or("", |row| row.key.setting.as_str());
            estimate = estimate.with(&format!("drift {setting}"), residual * value, None);
        }
        if let Some(taken) = background {
            let source = taken.source(&self.head.name);
            estimate = estimate.with(&source, -taken.u_lx, taken.dof);
        }
        estimate
    }

    /// Whether a leg drifts by more than its limit once readings of its
    /// reference were set aside: the run's own verdict rested on them.
    fn drifts_without(&self, of_setting: &[&ReadingRow], drift: &Drift) -> bool {
        let touched = of_setting
            .iter()
            .any(|row| row.key.purpose == Purpose::Reference && row.standing == Standing::SetAside);
        let mut tests = self.frozen.plan.tests.iter();
        let Some(test) = tests.find(|test| test.name == self.head.name) else {
            return false;
        };
        let Some(survey) = test.kind.survey() else {
            return false;
        };
        let limit = survey.reference.drift_limit.share();
        touched
            && drift
                .left_over()
                .is_some_and(|drift| drift.share().abs() > limit)
    }

    /// Why a figure lacks a background that was measured for it; none when it
    /// does not.
    fn lacks_background(&self) -> Option<&'static str> {
        let was_read = |purpose| self.read_for.contains(&purpose);
        match self.net_of {
            NetOf::Ambient => None,
            _ if was_read(Purpose::Ambient) => {
                Some("ambient light is not taken off: none of its readings counts")
            }
            NetOf::Nothing if was_read(Purpose::Dark) => {
                Some("the dark reading is not taken off: none of its readings counts")
            }
            NetOf::Dark | NetOf::Nothing => None,
        }
    }

    /// Says that ambient light was read at a position before or after the lit
    /// readings and none of that counts: the other side, or another position,
    /// stands in for it, and how far the room differs there is no term.
    fn lost_side(&self, position: Length) -> Option<String> {
        if self.net_of != NetOf::Ambient {
            return None;
        }
        let known = self.ambient.iter().find(|a| a.position == position);
        let lost = |side: Side| {
            let left = known.and_then(|a| match side {
                Side::Before => a.before.as_ref(),
                Side::After => a.after.as_ref(),
            });
            self.ambient_read.contains(&(position, side)) && left.is_none()
        };
        let which = match (lost(Side::Before), lost(Side::After)) {
            (false, false) => return None,
            (true, false) => "before",
            (false, true) => "after",
            (true, true) => "before and after",
        };
        Some(format!(
            "ambient light: none of its readings here {which} the lit ones counts"
        ))
    }

    /// The last verdict on a setting's drift.
    fn drift_verdict(&self, setting: &str) -> Option<DriftVerdict> {
        self.decided.iter().rev().find_map(|event| {
            let Body::Decided {
                decision: Decision::Drift { verdict, .. },
            } = &event.body
            else {
                return None;
            };
            (self.action(event.no?)?.setting == setting).then_some(*verdict)
        })
    }

    /// An action of this test by its number.
    fn action(&self, no: i64) -> Option<&'a Action> {
        let at = no.checked_sub(i64::from(self.head.first))?;
        self.actions.get(usize::try_from(at).ok()?)
    }

    /// How the warm-ups at a setting ended. A preamble's action is not in the
    /// itinerary: its setting is that of the readings before the decision.
    fn warm_ups(&self, setting: &str) -> Vec<WarmUpFigure> {
        let mut found = Vec::new();
        let mut watched: Option<(&str, &str)> = None;
        for event in &self.decided {
            match &event.body {
                Body::Taken { key, .. } if key.purpose == Purpose::WarmUp => {
                    watched = Some((&key.test, &key.setting));
                }
                Body::Decided {
                    decision:
                        Decision::WarmUp {
                            stable,
                            figure,
                            by,
                            after,
                            decline_per_hour,
                        },
                } => {
                    let after_seam = event.no.is_some_and(|no| no < 0);
                    let here = match event.no.and_then(|no| self.action(no)) {
                        Some(action) => action.setting == setting,
                        None => after_seam && watched == Some((&self.head.name, setting)),
                    };
                    if here {
                        found.push(WarmUpFigure {
                            stable: *stable,
                            figure: *figure,
                            by: by.clone(),
                            after: *after,
                            decline_per_hour: *decline_per_hour,
                            after_seam,
                            seq: event.seq,
                        });
                    }
                }
                _ => {}
            }
        }
        found
    }

    fn is_done(&self, no: u32) -> bool {
        self.events
            .iter()
            .rev()
            .any(|event| event.no == Some(i64::from(no)) && matches!(event.body, Body::Done { .. }))
    }

    /// The offset found at the end, and what is allowed.
    fn home(&self) -> (Option<Length>, Option<Length>) {
        let prove = self.actions.iter().find_map(|action| match action.what {
            What::ProveHome { tolerance } => Some((action.no, tolerance)),
            _ => None,
        });
        let Some((no, tolerance)) = prove else {
            return (None, None);
        };
        let offset = self
            .events
            .iter()
            .rev()
            .find_map(|event| match &event.body {
                Body::Done { facts } if event.no == Some(i64::from(no)) => facts.home_offset,
                _ => None,
            });
        (offset, Some(tolerance))
    }
}

/// The settings that are read, in order, with the position of each reading.
fn read_at(actions: &[Action]) -> Vec<(&str, Vec<Length>)> {
    let mut found: Vec<(&str, Vec<Length>)> = Vec::new();
    let mut places: HashMap<&str, usize> = HashMap::new();
    let keys = actions.iter().filter_map(|action| action.key.as_ref());
    for key in keys.filter(|key| key.purpose == Purpose::Read) {
        let place = *places.entry(&key.setting).or_insert_with(|| {
            found.push((&key.setting, Vec::new()));
            found.len() - 1
        });
        found[place].1.push(key.position);
    }
    found
}

/// What the lamp is set to, by the setting's key.
fn targets(actions: &[Action]) -> HashMap<String, &Target> {
    let set = actions.iter().filter_map(|action| match &action.what {
        What::SetLevel { target } => Some((target.key(), target)),
        _ => None,
    });
    set.collect()
}

/// A decision, or a reading that one rests on and whose preamble is in no
/// itinerary.
fn is_decision(event: &Event) -> bool {
    match &event.body {
        Body::Decided { .. } => true,
        Body::Taken { key, .. } => key.purpose == Purpose::WarmUp,
        _ => false,
    }
}

/// Of what is taken off several readings, that with the larger doubt.
fn surer_last(one: Option<Subtracted>, two: Option<Subtracted>) -> Option<Subtracted> {
    match (one, two) {
        (Some(one), Some(two)) => Some(if two.u_lx < one.u_lx { one } else { two }),
        (one, two) => one.or(two),
    }
}

/// The larger of two; what is not known does not count.
fn larger(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

/// Number of the first action that lights the lamp.
fn first_lit(actions: &[Action]) -> i64 {
    actions
        .iter()
        .find(|a| matches!(a.what, What::SetLevel { .. } | What::FindHalfLight { .. }))
        .map_or(i64::MAX, |action| i64::from(action.no))
}

/// Ambient readings by position; a point before the first lit action is
/// *before*, any other *after*.
fn ambient_figures(rows: &[&ReadingRow], actions: &[Action]) -> Vec<AmbientFigure> {
    let lit = first_lit(actions);
    type Sides<'r> = (Vec<&'r ReadingRow>, Vec<&'r ReadingRow>);
    let mut groups: BTreeMap<Length, Sides<'_>> = BTreeMap::new();
    for row in rows {
        let (before, after) = groups.entry(row.key.position).or_default();
        match Side::of(row.no, lit) {
            Side::Before => before.push(row),
            Side::After => after.push(row),
        }
    }
    groups
        .into_iter()
        .map(|(position, (before, after))| AmbientFigure {
            position,
            before: Background::of(&before),
            after: Background::of(&after),
        })
        .collect()
}
