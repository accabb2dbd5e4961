//! What a lit reading holds besides the lamp: the meter's own dark reading,
//! and the light of the room with the lamp off.

use photometry::drift;
use photometry::measured::Outcome;
use photometry::statistics;
use photometry::units::{Length, Mono, Wall};
use serde::Serialize;

use super::survey::AmbientFigure;
use crate::store::readings::ReadingRow;

/// What the uncertainty of a level rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scatter {
    /// Its own readings, two or more, or the meter's least reading.
    Own,
    /// It has one reading: the scatter of the test's other readings of the same
    /// kind.
    Pooled,
    /// It has one reading and nothing tells how far others would lie from it:
    /// what it is taken from is flagged.
    Unknown,
}

/// A level of background light.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Background {
    /// In lux.
    pub lux: f64,
    /// Standard uncertainty (k = 1) in lux.
    pub u_lx: f64,
    /// Degrees of freedom; none for infinitely many.
    pub dof: Option<f64>,
    /// What both rest on.
    pub scatter: Scatter,
    /// Readings behind it.
    pub n: usize,
    /// The meter saw nothing: the level lies between zero and this, in lux.
    pub below_lx: Option<f64>,
    /// Mean time of the readings.
    pub at: Wall,
    /// The events that hold them; told by accounts only.
    #[serde(skip)]
    pub seqs: Vec<u64>,
}

impl Background {
    /// From readings of one place and time. The mean of the values, u =
    /// s/sqrt(n). Readings under range don't enter a mean; when there are only
    /// such, the level is anywhere between zero and the limit, all equally
    /// likely: limit/2, u = limit/sqrt(12) (JCGM 100:2008, 4.3.7). The scatter
    /// of a single value is not known ([`pool`]). None when one was over range
    /// or none says anything.
    pub fn of(rows: &[&ReadingRow]) -> Option<Background> {
        let mut values = Vec::new();
        let mut below: Option<f64> = None;
        for row in rows {
            match &row.reading.outcome {
                Outcome::Value(value) => values.push(*value),
                Outcome::Under(limit) => below = Some(below.map_or(*limit, |b| b.max(*limit))),
                Outcome::Over(_) => return None,
                Outcome::TimedOut | Outcome::Rejected(_) => {}
            }
        }
        let at = mean_wall(rows)?;
        let seqs: Vec<u64> = rows.iter().map(|row| row.seq).collect();
        if let Some(moments) = statistics::moments(&values) {
            let n = moments.n as f64;
            return Some(Background {
                lux: moments.mean,
                u_lx: moments.sd.map_or(0.0, |sd| sd / n.sqrt()),
                dof: moments.sd.map(|_| n - 1.0),
                scatter: moments.sd.map_or(Scatter::Unknown, |_| Scatter::Own),
                n: moments.n,
                below_lx: None,
                at,
                seqs,
            });
        }
        below.map(|limit| Background {
            lux: limit / 2.0,
            u_lx: limit / 12.0_f64.sqrt(),
            dof: None,
            scatter: Scatter::Own,
            n: rows.len(),
            below_lx: Some(limit),
            at,
            seqs,
        })
    }
}

/// Gives ambient levels of a single reading the scatter of the others: s of all
/// groups of two readings and more, pooled, with the sum of their degrees of
/// freedom. Where every group is a single reading, that of the pairs before and
/// after, (b - a)^2/2 with one degree of freedom each: the room's own change is
/// in it, so that it is not too small. The dark reading serves no ambient one,
/// as the room does not flicker under a cap. With neither it stays unknown.
pub fn pool(ambient: &mut [AmbientFigure]) {
    let sides = ambient.iter().flat_map(|a| [&a.before, &a.after]).flatten();
    let within = sides
        .filter(|side| side.below_lx.is_none() && side.scatter == Scatter::Own)
        .filter_map(|side| Some((side.u_lx.powi(2) * side.n as f64, side.dof?)));
    let mut pooled = variance(within);
    if pooled.is_none() {
        let single = |side: &Option<Background>| {
            let side = side.as_ref()?;
            (side.scatter == Scatter::Unknown).then_some(side.lux)
        };
        let pairs = ambient.iter().filter_map(|figure| {
            let change = single(&figure.after)? - single(&figure.before)?;
            Some((change.powi(2) / 2.0, 1.0))
        });
        pooled = variance(pairs);
    }
    let Some((variance, dof)) = pooled else {
        return;
    };
    for figure in ambient {
        for side in [&mut figure.before, &mut figure.after] {
            if let Some(side) = side.as_mut().filter(|s| s.scatter == Scatter::Unknown) {
                side.u_lx = variance.sqrt();
                side.dof = Some(dof);
                side.scatter = Scatter::Pooled;
            }
        }
    }
}

/// The mean of variances, weighted by their degrees of freedom, and the sum of
/// these; none of none.
fn variance(parts: impl Iterator<Item = (f64, f64)>) -> Option<(f64, f64)> {
    let (sum, dof) = parts.fold((0.0, 0.0), |(sum, all), (variance, dof)| {
        (sum + variance * dof, all + dof)
    });
    (dof > 0.0).then(|| (sum / dof, dof))
}

fn mean_wall(rows: &[&ReadingRow]) -> Option<Wall> {
    let first = rows.first()?.reading.taken.wall.us();
    let sum: i64 = rows.iter().map(|r| r.reading.taken.wall.us() - first).sum();
    Some(Wall::from_us(first + sum / rows.len() as i64))
}

/// What is subtracted from one reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Subtracted {
    /// In lux.
    pub lux: f64,
    /// Standard uncertainty in lux.
    pub u_lx: f64,
    /// Degrees of freedom.
    pub dof: Option<f64>,
    /// Whether the uncertainty is known; else the figure is flagged.
    pub known: bool,
    /// Where ambient light was measured; none of a dark reading.
    pub at: Option<Length>,
}

impl Subtracted {
    /// Its name in the budgets of this test.
    pub fn source(&self, test: &str) -> String {
        match self.at {
            Some(at) => format!("ambient {test} {at}"),
            None => format!("dark {test}"),
        }
    }
}

/// The ambient light at a position and time. Taken at that position, or at
/// the nearest one where it was measured (the reference position may be none
/// of the survey's); linear in civil time between before and after, as the
/// run may have been broken off in between; alone, the one that there is.
pub fn ambient_at(ambient: &[AmbientFigure], position: Length, when: Wall) -> Option<Subtracted> {
    let known = |figure: &&AmbientFigure| figure.before.is_some() || figure.after.is_some();
    let nearest = ambient
        .iter()
        .filter(known)
        .min_by_key(|figure| ((figure.position - position).abs(), figure.position))?;
    let visits: Vec<&Background> = [&nearest.before, &nearest.after]
        .into_iter()
        .flatten()
        .collect();
    let through = |of: fn(&Background) -> f64| {
        let at: Vec<drift::At> = visits.iter().map(|v| (civil(v.at), of(v))).collect();
        drift::along(&at, civil(when))
    };
    let dofs = visits.iter().filter_map(|visit| visit.dof);
    Some(Subtracted {
        lux: through(|v| v.lux)?,
        u_lx: through(|v| v.u_lx)?,
        dof: dofs.fold(None, |least: Option<f64>, dof| {
            Some(least.map_or(dof, |l| l.min(dof)))
        }),
        known: visits.iter().all(|visit| visit.scatter != Scatter::Unknown),
        at: Some(nearest.position),
    })
}

/// Civil time on the axis that interpolation takes.
fn civil(at: Wall) -> Mono {
    Mono::from_ns(at.us().saturating_mul(1_000))
}

/// The dark reading, as what is subtracted.
pub fn dark_as(dark: &Background) -> Subtracted {
    Subtracted {
        lux: dark.lux,
        u_lx: dark.u_lx,
        dof: dark.dof,
        known: dark.scatter != Scatter::Unknown,
        at: None,
    }
}
