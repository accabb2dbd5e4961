//! Visits to the reference position, and the correction for the lamp's drift
//! that rests on them.
//!
//! A *stretch* is the time between two seams: within it the monotonic clock
//! runs through and nothing but the lamp itself changed its light. Between
//! two visits of one stretch the reference is a straight line in time; nothing
//! is interpolated across a seam. After a seam the preamble's *return*
//! readings count as a visit. Everything is brought to the light of the leg's
//! first visit.

use std::collections::BTreeMap;

use photometry::drift;
use photometry::measured::Outcome;
use photometry::statistics;
use photometry::uncertainty::Estimate;
use photometry::units::{Mono, Ratio};

use crate::plan::itinerary::Purpose;
use crate::store::counts::Standing;
use crate::store::readings::ReadingRow;

/// One visit.
#[derive(Clone, Debug, PartialEq)]
pub struct Visit {
    /// Its action's number; negative in a preamble.
    pub no: i64,
    /// Seams before it.
    pub stretch: usize,
    /// Mean time of its readings.
    pub at: Mono,
    /// Mean of the net readings in lux; none when one has no value.
    pub lux: Option<f64>,
    /// Standard error of that mean in lux, with its degrees of freedom; none of
    /// a single reading.
    pub error: Option<(f64, f64)>,
    /// It is the leg's own and counts.
    pub counts: bool,
    /// The events that hold its readings.
    pub seqs: Vec<u64>,
}

/// The visits of one leg, in order of time, with what each reading of the leg
/// asks of them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reference {
    visits: Vec<Visit>,
    /// The leg's own visits that count and gave a value, in the itinerary's
    /// order.
    own: Vec<drift::At>,
    /// What the scatter of the first of these leaves open, as a share.
    scatter_of_first: Option<(f64, f64)>,
    /// Those with a value, by stretch.
    stretches: BTreeMap<usize, Vec<drift::At>>,
}

/// Last of the visits that count over the first, minus one, in per cent, with
/// what the scatter of both visits' readings leaves open: the same meter read
/// both, so that nothing else of its budget matters. None below two visits; a
/// visit of a single reading leaves its term out, and the second is false.
pub fn drift_percent(visits: &[Visit]) -> Option<(Estimate, bool)> {
    let own = own_of(visits);
    let (first, last) = (own.first()?, own.last()?);
    if own.len() < 2 {
        return None;
    }
    let (from, to) = (first.lux?, last.lux?);
    let ratio = to / from;
    let mut estimate = Estimate::exact(100.0 * (ratio - 1.0));
    let terms = [
        ("scatter of the first visit", first.error, ratio / from),
        ("scatter of the last visit", last.error, 1.0 / from),
    ];
    let known = terms.iter().all(|(_, error, _)| error.is_some());
    for (source, error, per_lux) in terms {
        if let Some((error, dof)) = error {
            estimate = estimate.with(source, 100.0 * per_lux * error, Some(dof));
        }
    }
    Some((estimate, known))
}

/// The leg's own visits that count and gave a value, in the itinerary's order.
pub(super) fn own_of(visits: &[Visit]) -> Vec<&Visit> {
    let counts = |visit: &&Visit| visit.counts && visit.lux.is_some();
    let mut own: Vec<&Visit> = visits.iter().filter(counts).collect();
    own.sort_by_key(|visit| visit.no);
    own
}

/// What the scatter of a visit's readings leaves open of its light, as a share,
/// with its degrees of freedom.
fn share(visit: &Visit) -> Option<(f64, f64)> {
    Some((visit.error?.0 / visit.lux?, visit.error?.1))
}

/// What a reading is multiplied by: the light at the leg's first visit over
/// that at the reading's own moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Brought {
    /// The reference at the leg's first visit, in lux; as the sensor saw it that
    /// stands still, where that tells the drift.
    pub first_lx: f64,
    /// The reference at the reading's moment, in lux.
    pub now_lx: f64,
    /// What told both.
    pub tells: Tells,
}

/// What tells the lamp's drift.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tells {
    /// Visits to the reference position.
    Visits,
    /// The sensor that stands still, read beside each reading.
    FixedSensor,
}

impl Brought {
    /// The factor.
    pub fn factor(self) -> f64 {
        self.first_lx / self.now_lx
    }
}

/// A reading after correction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corrected {
    /// In lux.
    pub lux: f64,
    /// What it was multiplied by.
    pub by: Brought,
    /// Half of the change between the neighbouring visits, as the half-width
    /// of a rectangle, so u = change/sqrt(12), as a share of the value: the
    /// lamp need not have drifted in a straight line. None when it was not
    /// bracketed by visits anywhere in the leg.
    pub residual: Option<f64>,
    /// What the scatter of the readings at the visits leaves open of the
    /// factor, as a share (k = 1), with its degrees of freedom: the leg's first
    /// visit and the less sure of the visits around the reading. None where
    /// one of them is a visit of a single reading. By the sensor that stands still it is
    /// that of what it saw at the point alone.
    pub scatter: Option<(f64, f64)>,
    /// What it saw at the leg's first visit leaves open of the factor, likewise: all
    /// points of the leg have that in common.
    pub scatter_of_first: Option<(f64, f64)>,
}

impl Reference {
    /// From the rows of one setting; `point_of` gives an action's point,
    /// `stretch_of` counts the seams before an event, `net` takes the
    /// background from a reading's value. Superseded visits serve too: what
    /// the lamp gave then is true, though the leg was measured again.
    pub fn of(
        rows: &[&ReadingRow],
        point_of: impl Fn(i64) -> Option<u32>,
        stretch_of: impl Fn(u64) -> usize,
        net: impl Fn(&ReadingRow, f64) -> f64,
    ) -> Reference {
        type Group = (Purpose, Option<u32>, usize, Standing);
        let mut visits: Vec<Visit> = Vec::new();
        let mut group: Option<Group> = None;
        let mut members: Vec<&ReadingRow> = Vec::new();
        let mut close = |members: &mut Vec<&ReadingRow>| {
            if let Some(visit) = visit_of(members, &stretch_of, &net) {
                visits.push(visit);
            }
            members.clear();
        };
        for row in rows {
            let in_none = matches!(row.standing, Standing::Unfinished | Standing::SetAside);
            if in_none || row.key.purpose == Purpose::Fixed {
                continue; // it is in no visit, and does not part one
            }
            let useful = match row.key.purpose {
                Purpose::Reference => {
                    matches!(row.standing, Standing::Counts | Standing::Superseded)
                }
                Purpose::Return => row.standing == Standing::Preamble,
                _ => false,
            };
            let this = useful.then(|| {
                let (point, stretch) = (point_of(row.no), stretch_of(row.seq));
                (row.key.purpose, point, stretch, row.standing)
            });
            if this != group {
                close(&mut members);
                group = this;
            }
            if this.is_some() {
                members.push(row);
            }
        }
        close(&mut members);
        Reference::among(visits)
    }

    fn among(visits: Vec<Visit>) -> Reference {
        let mut stretches: BTreeMap<usize, Vec<drift::At>> = BTreeMap::new();
        for visit in &visits {
            if let Some(lux) = visit.lux {
                let stretch = stretches.entry(visit.stretch).or_default();
                stretch.push((visit.at, lux));
            }
        }
        let own = own_of(&visits);
        Reference {
            scatter_of_first: own.first().and_then(|visit| share(visit)),
            own: own.iter().filter_map(|v| Some((v.at, v.lux?))).collect(),
            stretches,
            visits,
        }
    }

    /// The visits, in order of time.
    pub fn visits(&self) -> &[Visit] {
        &self.visits
    }

    /// How many visits gave a value.
    pub fn with_value(&self) -> usize {
        self.visits.iter().filter(|v| v.lux.is_some()).count()
    }

    /// The light of the leg's first visit with a value: what everything is
    /// brought to.
    pub fn first(&self) -> Option<f64> {
        self.own.first().map(|(_, lux)| *lux)
    }

    /// Last visit over the first, minus one; none below two.
    pub fn drift(&self) -> Option<Ratio> {
        let own = &self.own;
        (own.len() > 1)
            .then(|| drift::drift(own))
            .flatten()
            .map(Ratio::new)
    }

    /// Corrects a net reading; none without a usable visit in its stretch.
    pub fn correct(&self, lux: f64, at: Mono, stretch: usize) -> Option<Corrected> {
        let first = self.first()?;
        let visits = self.stretches.get(&stretch)?;
        // To the leg's first visit, which may lie in another stretch.
        let now_lx = drift::along(visits, at)?;
        let by = Brought {
            first_lx: first,
            now_lx,
            tells: Tells::Visits,
        };
        (first > 0.0 && now_lx > 0.0).then(|| Corrected {
            lux: lux * by.factor(),
            by,
            residual: self.residual(visits, at),
            scatter: self.scatter(at, stretch),
            scatter_of_first: None,
        })
    }

    /// The visits that a reading's factor rests on: the leg's first, and those
    /// next to it in its stretch; the least sure of these counts, so it is a
    /// little too large between two of them.
    fn scatter(&self, at: Mono, stretch: usize) -> Option<(f64, f64)> {
        let here = || {
            self.visits
                .iter()
                .filter(|v| v.stretch == stretch && v.lux.is_some())
        };
        let before = here()
            .filter(|visit| visit.at <= at)
            .max_by_key(|visit| visit.at);
        let after = here()
            .filter(|visit| visit.at > at)
            .min_by_key(|visit| visit.at);
        let around: Option<Vec<(f64, f64)>> = before.into_iter().chain(after).map(share).collect();
        let around = around?.into_iter().max_by(|a, b| a.0.total_cmp(&b.0));
        let ((a, m), (b, n)) = (self.scatter_of_first?, around?);
        Some((a.hypot(b), m.min(n)))
    }

    fn residual(&self, visits: &[drift::At], at: Mono) -> Option<f64> {
        let change = |pair: &[drift::At]| (pair[1].1 / pair[0].1 - 1.0).abs();
        let bracket = visits
            .windows(2)
            .find(|pair| pair[0].0 <= at && at <= pair[1].0)
            .map(change);
        let greatest = || {
            let stretches = self.stretches.values();
            let changes = stretches.flat_map(|visits| visits.windows(2).map(change));
            changes.fold(None, |most: Option<f64>, c| {
                Some(most.map_or(c, |m| m.max(c)))
            })
        };
        bracket.or_else(greatest).map(|c| c / 12.0_f64.sqrt())
    }
}

fn visit_of(
    members: &[&ReadingRow],
    stretch_of: impl Fn(u64) -> usize,
    net: impl Fn(&ReadingRow, f64) -> f64,
) -> Option<Visit> {
    let first = members.first()?;
    let start = first.reading.taken.mono;
    let since: i64 = members
        .iter()
        .map(|row| row.reading.taken.mono.since(start).ns())
        .sum();
    let values: Option<Vec<f64>> = members
        .iter()
        .map(|row| match row.reading.outcome {
            Outcome::Value(value) => Some(net(row, value)),
            _ => None,
        })
        .collect();
    let moments = values.and_then(|values| statistics::moments(&values));
    let mean = moments.as_ref().map(|moments| moments.mean);
    let error = moments.as_ref().and_then(|moments| {
        let error = moments.standard_error()?;
        Some((error, moments.n as f64 - 1.0))
    });
    Some(Visit {
        no: first.no,
        stretch: stretch_of(first.seq),
        at: Mono::from_ns(start.ns() + since / members.len() as i64),
        lux: mean.filter(|mean| *mean > 0.0),
        error,
        counts: first.key.purpose == Purpose::Reference && first.standing == Standing::Counts,
        seqs: members.iter().map(|row| row.seq).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two visits of 100 and 101 lx with standard errors of 0.1: 1 % with u
    /// 0.142 % (first-order propagation, JCGM 100:2008, 5.1.2).
    #[test]
    fn the_drift_carries_the_scatter_of_both_visits() {
        let visit = |no, lux, error| Visit {
            no,
            stretch: 0,
            at: Mono::from_ns(no),
            lux: Some(lux),
            error,
            counts: true,
            seqs: Vec::new(),
        };
        let both = [
            visit(2, 101.0, Some((0.1, 4.0))),
            visit(1, 100.0, Some((0.1, 4.0))),
        ];
        let (drift, known) = drift_percent(&both).expect("a drift");
        assert!(known && (drift.value - 1.0).abs() < 1e-12);
        let wanted = 100.0 * (0.001 * 1.01_f64).hypot(0.001);
        assert!(
            (drift.combined() - wanted).abs() < 1e-9,
            "{}",
            drift.combined()
        );
        let one = [visit(1, 100.0, None), visit(2, 101.0, Some((0.1, 4.0)))];
        assert!(!drift_percent(&one).expect("a drift").1);
        assert_eq!(drift_percent(&both[..1]), None);
    }
}
