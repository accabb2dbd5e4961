//! The largest step of a ramp, the ramp itself taken out.
//!
//! `s = |ln(E[i+1]/E[i]) - trend * dt|` over neighbouring samples at most 0.5 s
//! apart; the trend is the median slope of ln E over 30 s either way. Samples
//! farther apart are not graded: a smooth ramp sampled every 30 s would read
//! as jumps. Steps are judged only above 0.1 lx: Weber's law fails near
//! darkness.
//!
//! Grades come from one study of changes of a room's light (Optics Express
//! 24(10) A885, 2016: 7.4 % noticed, about 18-19 % accepted) and the step of
//! standard logarithmic dimming; they are no pass or fail. Used by: ramp.

/// Steps below this light are not judged, in lux.
pub const JUDGED_FROM_LX: f64 = 0.1;
/// Samples farther apart are not graded, in s.
pub const APART_AT_MOST_S: f64 = 0.5;
/// The trend is taken over so many seconds either way.
const TREND_S: f64 = 30.0;
/// Slopes that a trend is taken from at most; evenly picked where there are
/// more.
const SLOPES_AT_MOST: usize = 200;

/// A step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Time of its later sample in s.
    pub at_s: f64,
    /// Light after over light before, without the trend; at least one.
    pub ratio: f64,
}

impl Step {
    /// Its natural logarithm.
    pub fn ln(&self) -> f64 {
        self.ratio.ln()
    }
    /// In steps of standard logarithmic dimming, 2.77 % each.
    pub fn in_dimming_steps(&self) -> f64 {
        self.ln() / super::perceived::dimming_step_ratio().ln()
    }
    /// How it would be noticed in a lit room.
    pub fn grade(&self) -> &'static str {
        match self.ratio - 1.0 {
            step if step < 0.028 => "smooth",
            step if step < 0.074 => "rarely noticed",
            step if step < 0.19 => "noticeable",
            _ => "jump",
        }
    }
}

/// The largest ratio between neighbours and the place of the later one, no
/// trend removed; none without two values above zero.
pub fn largest_plain(values: &[f64]) -> Option<(usize, f64)> {
    let ratios = values.windows(2).enumerate().filter_map(|(at, pair)| {
        let step = (pair[1] / pair[0]).ln().abs();
        (pair[0] > 0.0 && pair[1] > 0.0).then_some((at + 1, step.exp()))
    });
    ratios.max_by(|a, b| a.1.total_cmp(&b.1))
}

/// A slope of ln E between neighbours.
#[derive(Clone, Copy)]
struct Slope {
    at_s: f64,
    later_s: f64,
    gap_s: f64,
    ln_ratio: f64,
}

/// The largest step above a light in lux; none when no two neighbouring samples
/// above it lie near enough.
pub fn largest(time_s: &[f64], net_lx: &[f64], floor_lx: f64) -> Option<Step> {
    let pairs = time_s.windows(2).zip(net_lx.windows(2));
    let slopes: Vec<Slope> = pairs
        .filter(|(t, e)| e[0] > floor_lx && e[1] > floor_lx && t[1] - t[0] <= APART_AT_MOST_S)
        .map(|(t, e)| Slope {
            at_s: t[0].midpoint(t[1]),
            later_s: t[1],
            gap_s: t[1] - t[0],
            ln_ratio: (e[1] / e[0]).ln(),
        })
        .collect();
    let (mut from, mut to) = (0, 0);
    let mut largest: Option<Step> = None;
    for slope in &slopes {
        while slopes
            .get(from)
            .is_some_and(|s| s.at_s < slope.at_s - TREND_S)
        {
            from += 1;
        }
        while slopes
            .get(to)
            .is_some_and(|s| s.at_s <= slope.at_s + TREND_S)
        {
            to += 1;
        }
        let trend = trend(slopes.get(from..to).unwrap_or_default());
        let step = (slope.ln_ratio - trend * slope.gap_s).abs();
        let ratio = step.exp();
        if ratio.is_finite() && largest.is_none_or(|found| ratio > found.ratio) {
            largest = Some(Step {
                at_s: slope.later_s,
                ratio,
            });
        }
    }
    largest
}

fn trend(slopes: &[Slope]) -> f64 {
    let every = slopes.len().div_ceil(SLOPES_AT_MOST).max(1);
    let mut sorted: Vec<f64> = slopes
        .iter()
        .step_by(every)
        .map(|slope| slope.ln_ratio / slope.gap_s)
        .collect();
    if sorted.is_empty() {
        return 0.0;
    }
    let middle = sorted.len() / 2;
    *sorted.select_nth_unstable_by(middle, f64::total_cmp).1
}
