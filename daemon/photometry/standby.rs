//! The light of a lamp that is switched off, over time: its display dims in
//! steps, and goes out.
//!
//! ```text
//!  light  ______
//!               \______          a step: what lies just before and just after it
//!                      \____     differs by much more than either scatters
//!         before | after
//! ```
//!
//! A lamp whose light fades slowly has no step: it changes within the readings
//! before and after as well, and so less between the two that face each other
//! than between the means. Used by: reports. Not here: power, which has
//! nothing but means.

use std::ops::Range;

use crate::statistics::moments;

/// A step changes the light by more than this share (of the larger side).
const SHARE: f64 = 0.05;
/// And by more than so many standard deviations of one reading (of the side that
/// scatters more).
const DEVIATIONS: f64 = 5.0;
/// Readings on either side that are looked at, at most.
const WINDOW: usize = 6;
/// Readings before a step at least: a display dims soon after the last touch.
const BEFORE_AT_LEAST: usize = 2;
/// Readings after it at least: what is over sooner does not last.
const AFTER_AT_LEAST: usize = 3;
/// The last reading before and the first one after must differ by so much of
/// what the means differ by: on a slope of 2 + 3 readings, with three between
/// them, it is 4 beats of 5.5.
const AT_ONCE: f64 = 0.8;
/// Readings that may lie on the way from one level to the other: displays that
/// get darker do so within seconds.
const ON_THE_WAY: usize = 3;

/// Names with their standards.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        STANDBY_LIGHT "standby_light_lx" "lx" "illuminance at the position where the lamp was watched, switched off: what it ends at, the mean of the last tenth" "own definition" "hand-computed";
        DISPLAY_FIRST "display_first_lx" "lx" "illuminance there just after the lamp was switched off, before the first step" "own definition" "hand-computed";
        DISPLAY_DIMS "display_dims_s" "s" "time from switching off to the first step down" "own definition" "hand-computed";
        DISPLAY_OUT "display_out_s" "s" "time from switching off until no light of the display can be told" "own definition" "hand-computed";
        STANDBY_POWER "standby_w" "W" "power of the lamp switched off: what it ends at, the mean of the last tenth" "IEC 62301 has a longer procedure (from memory); this is no measurement after it" "hand-computed";
        OPERATING_POWER "operating_w" "W" "power at a setting" "own definition" "hand-computed";
    }
}

/// A step: the readings just before it and just after it, by their places in the
/// series. What lies between them is on its way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// The last readings before it, at most six.
    pub before: Range<usize>,
    /// The first ones after it, at most six.
    pub after: Range<usize>,
}

/// The steps of readings of light at a steady beat. `background` is the light, in
/// the same unit, that is not the display's: shares are of what lies above it.
pub fn steps(series: &[f64], background: f64) -> Vec<Step> {
    let mut found: Vec<Step> = Vec::new();
    let (mut since, mut at) = (0, BEFORE_AT_LEAST);
    while at + AFTER_AT_LEAST <= series.len() {
        match step_at(series, (since, at), background) {
            Some(step) => {
                since = step.after.start;
                at = since + BEFORE_AT_LEAST;
                found.push(step);
            }
            None => at += 1,
        }
    }
    found
}

/// A step behind the first `at` readings, of which those from `since` on are of
/// one level.
fn step_at(series: &[f64], (since, at): (usize, usize), background: f64) -> Option<Step> {
    let before = |at: usize| since.max(at.saturating_sub(WINDOW))..at;
    let after = (at..=at + ON_THE_WAY)
        .map(|first| first..series.len().min(first + WINDOW))
        .filter(|after| after.start + AFTER_AT_LEAST <= series.len())
        .find(|after| differ(series, (before(at), after.clone()), background))?;
    // It begins as late as it can: what was taken for its way may still be before.
    let mut last = at;
    while last < after.start && differ(series, (before(last + 1), after.clone()), background) {
        last += 1;
    }
    let before = before(last);
    Some(Step { before, after })
}

fn differ(series: &[f64], (before, after): (Range<usize>, Range<usize>), background: f64) -> bool {
    let at_once = (series[after.start] - series[before.end - 1]).abs();
    let of = |range: Range<usize>| {
        let moments = moments(&series[range])?;
        Some((moments.mean, moments.sd?))
    };
    let (Some((one, s_one)), Some((other, s_other))) = (of(before), of(after)) else {
        return false;
    };
    let change = (other - one).abs();
    let level = (one - background).abs().max((other - background).abs());
    let sudden = at_once > AT_ONCE * change;
    sudden && change > SHARE * level && change > DEVIATIONS * s_one.max(s_other)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(light: impl Fn(usize) -> f64, n: usize) -> Vec<f64> {
        (0..n).map(light).collect()
    }

    /// Noise without chance: evenly spread over -1 to 1, as far as fractions of
    /// multiples of the golden ratio are.
    fn noise(at: usize) -> f64 {
        2.0 * (at as f64 * 0.618_033_988_75).fract() - 1.0
    }

    fn edges(series: &[f64], background: f64) -> Vec<(usize, usize)> {
        let steps = steps(series, background).into_iter();
        steps
            .map(|step| (step.before.end, step.after.start))
            .collect()
    }

    /// Closed forms, ours: a display of 0.3 that dims to 0.03 after two readings
    /// and goes out after 180, with 1 % of noise; the same with a reading on the
    /// way; three levels of like length.
    #[test]
    fn each_lasting_step_is_found_where_it_is() {
        let level = |at: usize| match at {
            0..2 => 0.3,
            2..180 => 0.03,
            _ => 0.001,
        };
        let clean = series(level, 240);
        assert_eq!(edges(&clean, 0.0), [(2, 2), (180, 180)]);
        let noisy = series(|at| level(at) * (1.0 + 0.01 * noise(at)), 240);
        assert_eq!(edges(&noisy, 0.0), [(2, 2), (180, 180)]);
        let on_its_way = series(|at| if at == 180 { 0.02 } else { level(at) }, 240);
        assert_eq!(edges(&on_its_way, 0.0), [(2, 2), (180, 181)]);
        let stairs = series(|at| [1.0, 0.5, 0.0][at / 90], 270);
        assert_eq!(edges(&stairs, 0.0), [(90, 90), (180, 180)]);
        // It gets darker over three readings; the last of them is nearly there.
        let slowly = series(
            |at| match at {
                0..20 => 1.0,
                20 => 0.8,
                21 => 0.5,
                22 => 0.2,
                _ => 0.1,
            },
            60,
        );
        assert_eq!(edges(&slowly, 0.0), [(20, 22)]);
    }

    /// Closed forms, ours: none of these changes by a step.
    #[test]
    fn what_fades_flickers_or_blinks_is_no_step() {
        let cases = [
            ("a slope", series(|at| 1.0 - at as f64 / 300.0, 240)),
            ("a steep one", series(|at| 1.0 - at as f64 / 31.0, 30)),
            (
                "a lamp that cools",
                series(|at| 1.0 + (-(at as f64) / 10.0).exp(), 240),
            ),
            (
                "noise of a fifth",
                series(|at| 1.0 + 0.2 * noise(at), 2_000),
            ),
            (
                "two readings of another",
                series(|at| if (50..52).contains(&at) { 3.0 } else { 1.0 }, 240),
            ),
            (
                "a step of 4 %",
                series(|at| if at < 50 { 1.0 } else { 0.96 }, 240),
            ),
            ("nothing at all", Vec::new()),
        ];
        for (name, light) in cases {
            assert_eq!(edges(&light, 0.0), [], "{name}");
        }
    }

    /// 0.96 over 1.00 is a step of 4 %, but one of 8 % of what lies above 0.5.
    #[test]
    fn shares_are_of_the_light_above_the_background() {
        let light = series(|at| if at < 50 { 1.0 } else { 0.96 }, 240);
        assert_eq!(edges(&light, 0.5), [(50, 50)]);
    }
}
