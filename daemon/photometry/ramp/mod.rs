//! A sunrise or a sunset as a time series: when it begins, how it rises, how
//! evenly, how much light it gives.
//!
//! ```text
//!  times, lux, dark ─► net ─┬─► crossings: onset, t10, t50, t90, t100
//!                           ├─► steps: the largest one, trend removed
//!                           ├─► isotonic: does it ever fall?
//!                           └─► doses
//! ```
//!
//! Definitions are our own where no source is named: no standard has them. The
//! plateau is the median of the 120 s after the programmed end; the later sag
//! of a lamp that warms up is another finding. A sunset is the mirror: its
//! plateau lies before the programmed start, and the light falls. Of a lamp that
//! its sunset lights, so that it gave less than a tenth (or was not measured) until
//! then, the plateau is what it gave first: the median of the 5 s from when it came
//! to half of its most, which must be within 30 s of the start; what came before is
//! left out of all but the dose.
//!
//! Used by: `compute ramp`, reports. Not here: measuring, judging a lamp: the
//! bench measures light at a plane, not what reaches a sleeper.

pub mod crossings;
pub mod figures;
pub mod isotonic;
pub mod on_the_way;
pub mod perceived;
pub mod steps;

use crate::robust::median;
use crate::statistics::moments;
use crate::uncertainty::Shape;

/// Seconds after the programmed end (before the start of a sunset) whose median
/// is the plateau.
pub const PLATEAU_S: f64 = 120.0;
/// A lamp that gave less than this share of a sunset's first light was dark before:
/// a display still glows, and a room is never quite dark.
const DARK_SHARE: f64 = 0.1;
/// Seconds from a sunset's first light whose median is the plateau of a lamp that was
/// dark until then.
pub const FIRST_S: f64 = 5.0;
/// That light comes within so many seconds of the programmed start: a lamp's clock
/// shows minutes.
pub const LIT_WITHIN_S: f64 = 30.0;
/// Samples at most: two hours at 100 per second.
pub const SAMPLES_AT_MOST: usize = 1_000_000;
/// Samples at least.
pub const SAMPLES_AT_LEAST: usize = 10;
/// Dark standard deviations above which light has come.
const ONSET_SIGMAS: f64 = 5.0;
/// Dark standard deviations above which steps are judged.
const STEP_SIGMAS: f64 = 10.0;

/// Which way it goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// From dark to light.
    Sunrise,
    /// From light to dark.
    Sunset,
}

/// The dark reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dark {
    /// Its mean in lux.
    pub mean_lx: f64,
    /// Its standard deviation in lux.
    pub sd_lx: f64,
}

impl Dark {
    /// Of readings in lux, by a meter of this resolution: the deviation is at
    /// least what the resolution hides. None without readings, or when one is
    /// not finite.
    pub fn of(readings_lx: &[f64], resolution_lx: f64) -> Option<Dark> {
        let found = moments(readings_lx)?;
        let hidden = Shape::Resolution.standard(resolution_lx.max(0.0));
        Some(Dark {
            mean_lx: found.mean,
            sd_lx: found.sd.unwrap_or(0.0).max(hidden),
        })
    }

    /// Light above this, in lux as measured, is light.
    pub fn onset_lx(&self) -> f64 {
        self.mean_lx + ONSET_SIGMAS * self.sd_lx
    }
}

/// What was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Record<'r> {
    /// Times in s, rising.
    pub time_s: &'r [f64],
    /// Illuminance in lux, as measured.
    pub e_lx: &'r [f64],
    /// The dark.
    pub dark: Dark,
    /// When the program was to start, in s on the same clock.
    pub start_s: f64,
    /// How long it was to last, in s.
    pub length_s: f64,
    /// Melanopic daylight efficacy ratio at each time, when spectra were taken.
    pub melanopic_der: Option<&'r [f64]>,
    /// Which way.
    pub way: Way,
}

/// Why a record cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RampError {
    /// Rows of different length.
    #[error("there are {times} times and {values} values")]
    Lengths {
        /// Times.
        times: usize,
        /// Values.
        values: usize,
    },
    /// Too few samples to say anything.
    #[error("a ramp needs at least {SAMPLES_AT_LEAST} samples; there are {0}")]
    TooFew(usize),
    /// More than can be held.
    #[error("a ramp has at most {SAMPLES_AT_MOST} samples; there are {0}")]
    TooMany(usize),
    /// A number that is not finite.
    #[error("sample {0} is not a finite number")]
    NotFinite(usize),
    /// Times that do not rise.
    #[error("the time of sample {0} is not after the one before")]
    NotRising(usize),
    /// A setting that is none.
    #[error("{0} is not a usable number")]
    Setting(&'static str),
    /// No sample where the plateau should be.
    #[error("there is no sample in the 120 s {0}: the plateau is not known")]
    NoPlateau(&'static str),
    /// A sunset whose lamp was dark, and lit long after its start.
    #[error("the lamp was dark at the programmed start and lit long after it: no plateau")]
    LitLate,
    /// A plateau in the dark.
    #[error("the plateau is not above the dark")]
    DarkPlateau,
}

/// What a ramp says.
#[derive(Clone, Debug, PartialEq)]
pub struct Ramp {
    /// Which way.
    pub way: Way,
    /// Net illuminance of the plateau in lux.
    pub plateau_lx: f64,
    /// When light came (sunrise), or went (sunset), in s from the programmed
    /// start; none when it never did.
    pub onset_s: Option<f64>,
    /// Net light just after it came, or just before it went, in lux.
    pub first_light_lx: Option<f64>,
    /// When 10, 50 and 90 % of the plateau were crossed, in s from the start.
    pub t10_s: Option<f64>,
    /// See `t10_s`.
    pub t50_s: Option<f64>,
    /// See `t10_s`.
    pub t90_s: Option<f64>,
    /// Standard uncertainties of the three that the scatter of the light leaves, in
    /// s.
    pub crossings_u_s: [Option<f64>; 3],
    /// When the light first came within 2 % of the plateau, or left that.
    pub t100_s: Option<f64>,
    /// Exponent of the rise, `ln 9 / ln(t90/t10)`: 1 is linear, 2 a square. Of a
    /// sunset it is that of the fall seen backwards from its programmed end.
    pub exponent: Option<f64>,
    /// The worst single fall (rise of a sunset) between neighbours beyond noise,
    /// as a ratio of at least one.
    pub worst_reversal: f64,
    /// Largest distance from the nearest curve that never falls (rises), in lux.
    pub largest_violation_lx: f64,
    /// The largest step; none when samples lie too far apart to grade.
    pub largest_step: Option<steps::Step>,
    /// Net dose over the whole record, in lux-minutes.
    pub dose_lux_min: f64,
    /// The same in melanopic lux-minutes (EDI), when spectra were taken.
    pub melanopic_dose_lux_min: Option<f64>,
    /// When a sunset fell below 10 lx melanopic EDI, in s from the start.
    pub below_10_lx_s: Option<f64>,
    /// When it fell below 1 lx.
    pub below_1_lx_s: Option<f64>,
    /// Programmed length in s.
    pub length_s: f64,
}

fn check(record: &Record<'_>) -> Result<(), RampError> {
    let n = record.time_s.len();
    let rows = [Some(record.e_lx), record.melanopic_der];
    if let Some(row) = rows.into_iter().flatten().find(|row| row.len() != n) {
        return Err(RampError::Lengths {
            times: n,
            values: row.len(),
        });
    }
    if n < SAMPLES_AT_LEAST {
        return Err(RampError::TooFew(n));
    }
    if n > SAMPLES_AT_MOST {
        return Err(RampError::TooMany(n));
    }
    let all = [Some(record.time_s), Some(record.e_lx), record.melanopic_der];
    let broken = all
        .into_iter()
        .flatten()
        .filter_map(|row| row.iter().position(|value| !value.is_finite()))
        .min();
    if let Some(at) = broken {
        return Err(RampError::NotFinite(at + 1));
    }
    if let Some(at) = record.time_s.windows(2).position(|pair| pair[1] <= pair[0]) {
        return Err(RampError::NotRising(at + 2));
    }
    if !record.start_s.is_finite() {
        return Err(RampError::Setting("the start"));
    }
    if !(record.length_s > 0.0 && record.length_s.is_finite()) {
        return Err(RampError::Setting("the length"));
    }
    if !(record.dark.mean_lx.is_finite() && record.dark.sd_lx >= 0.0) {
        return Err(RampError::Setting("the dark reading"));
    }
    Ok(())
}

/// Everything that a record says.
///
/// # Errors
/// The first thing that forbids to use it.
pub fn analyse(record: &Record<'_>) -> Result<Ramp, RampError> {
    check(record)?;
    let net: Vec<f64> = record
        .e_lx
        .iter()
        .map(|e| e - record.dark.mean_lx)
        .collect();
    let (plateau_lx, from) = plateau(record, &net)?;
    let time: Vec<f64> = record.time_s.iter().map(|t| t - record.start_s).collect();
    let (time, rising) = ordered(
        record.way,
        time.get(from..).unwrap_or_default(),
        net.get(from..).unwrap_or_default(),
    );
    let fitted = isotonic::rising(&rising);
    let rise = |net_lx| crossings::Rise {
        time_s: &time,
        net_lx,
    };
    let (as_read, rise) = (rise(rising.as_slice()), rise(fitted.as_slice()));
    let crossed = [0.1, 0.5, 0.9].map(|share| rise.crossing(&rising, share * plateau_lx));
    let lit = ONSET_SIGMAS * record.dark.sd_lx;
    let onset = as_read.onset(lit);
    let [t10, t50, t90] = crossed.map(|crossed| crossed.map(|crossed| crossed.at_s));
    let end = match record.way {
        Way::Sunrise => 0.0,
        // Backwards, the rise begins at the programmed end.
        Way::Sunset => -record.length_s,
    };
    let noise = ONSET_SIGMAS * record.dark.sd_lx;
    let away = rising.iter().zip(&fitted).map(|(e, fit)| (e - fit).abs());
    let floor = (STEP_SIGMAS * record.dark.sd_lx).max(steps::JUDGED_FROM_LX);
    let back = |t: f64| if record.way == Way::Sunset { -t } else { t };
    let melanopic = record.melanopic_der.map(|der| edi(record, der));
    let below = |limit: f64| {
        let edi = melanopic.as_ref().filter(|_| record.way == Way::Sunset)?;
        crossings::last_below(record.time_s, edi, limit).map(|t| t - record.start_s)
    };
    let dose = |lux: &[f64]| dose_lux_min(record.time_s, lux);
    Ok(Ramp {
        way: record.way,
        plateau_lx,
        onset_s: onset.map(|(t, _)| back(t)),
        first_light_lx: onset.map(|(_, lux)| lux),
        t10_s: t10.map(back),
        t50_s: t50.map(back),
        t90_s: t90.map(back),
        crossings_u_s: crossed.map(|crossed| crossed.map(|crossed| crossed.u_s)),
        t100_s: rise.first_within(plateau_lx, crossings::WITHIN).map(back),
        exponent: crossings::exponent(t10.map(|t| t - end), t90.map(|t| t - end)),
        worst_reversal: isotonic::worst_fall(&rising, noise),
        largest_violation_lx: away.fold(0.0, f64::max),
        largest_step: steps::largest(&time, &rising, floor).map(|step| steps::Step {
            at_s: back(step.at_s),
            ..step
        }),
        dose_lux_min: dose(&net),
        melanopic_dose_lux_min: melanopic.as_ref().map(|edi| dose(edi)),
        below_10_lx_s: below(10.0),
        below_1_lx_s: below(1.0),
        length_s: record.length_s,
    })
}

/// A sunset is looked at backwards in time, as a rise.
fn ordered(way: Way, time: &[f64], net: &[f64]) -> (Vec<f64>, Vec<f64>) {
    match way {
        Way::Sunrise => (time.to_vec(), net.to_vec()),
        Way::Sunset => (
            time.iter().rev().map(|t| -t).collect(),
            net.iter().rev().copied().collect(),
        ),
    }
}

/// The plateau, and the sample from which the ramp is looked at.
fn plateau(record: &Record<'_>, net: &[f64]) -> Result<(f64, usize), RampError> {
    let (start, end) = (record.start_s, record.start_s + record.length_s);
    let (from, to, words) = match record.way {
        Way::Sunrise => (end, end + PLATEAU_S, "after the programmed end"),
        Way::Sunset => (start - PLATEAU_S, start, "before the programmed start"),
    };
    let within = median_within(record.time_s, net, from, to);
    if record.way == Way::Sunset
        && let Some((first_lx, from)) = first_light(record, net)
        && within.is_none_or(|lux| lux < DARK_SHARE * first_lx)
    {
        return Ok((first_lx, from));
    }
    let most = net.iter().copied().fold(0.0, f64::max);
    match within.ok_or(RampError::NoPlateau(words))? {
        lux if record.way == Way::Sunset && lux < DARK_SHARE * most => Err(RampError::LitLate),
        lux if lux > 0.0 => Ok((lux, 0)),
        _ => Err(RampError::DarkPlateau),
    }
}

/// What a lamp that a sunset lights gives first, and the sample from which it is
/// there: how it comes on is no part of how it goes.
fn first_light(record: &Record<'_>, net: &[f64]) -> Option<(f64, usize)> {
    let rise = crossings::Rise {
        time_s: record.time_s,
        net_lx: net,
    };
    let near = |t: &f64| (t - record.start_s).abs() <= LIT_WITHIN_S;
    let parts = record.time_s.iter().zip(net);
    let most = parts.filter(|(t, _)| near(t)).map(|(_, e)| *e);
    let most = most.reduce(f64::max)?;
    if most <= ONSET_SIGMAS * record.dark.sd_lx {
        return None;
    }
    let (lit_s, _) = rise.onset(most / 2.0).filter(|(t, _)| near(t))?;
    let plateau = median_within(record.time_s, net, lit_s, lit_s + FIRST_S)?;
    let there_s = rise.first_within(plateau, crossings::WITHIN)?;
    let from = record.time_s.iter().position(|t| *t >= there_s)?;
    Some((plateau, from))
}

/// The median of the light between two times in s.
fn median_within(time_s: &[f64], net: &[f64], from: f64, to: f64) -> Option<f64> {
    let parts = time_s.iter().zip(net);
    let within: Vec<f64> = parts
        .filter(|(t, _)| (from..=to).contains(*t))
        .map(|(_, e)| *e)
        .collect();
    median(&within)
}

/// Melanopic EDI in lux at each time; net light below the dark counts as none.
fn edi(record: &Record<'_>, der: &[f64]) -> Vec<f64> {
    let lit = record
        .e_lx
        .iter()
        .map(|e| (e - record.dark.mean_lx).max(0.0));
    lit.zip(der).map(|(e, der)| e * der).collect()
}

/// Dose in lux-minutes by trapezoids over times in s.
pub fn dose_lux_min(time_s: &[f64], lux: &[f64]) -> f64 {
    let pairs = time_s.windows(2).zip(lux.windows(2));
    pairs
        .map(|(t, e)| (t[1] - t[0]) * (e[0] + e[1]) / 2.0)
        .sum::<f64>()
        / 60.0
}
