//! How long the carriage takes, by the trapezoidal motion profile: constant
//! acceleration, cruise, constant deceleration. Pure formulas.
//!
//! Called by: layout (estimates), order (the bound), print. Not here: moving.

use photometry::units::{Length, Span};

use super::card::Rail;

/// Time of one move from rest to rest over a distance (its sign is ignored).
///
/// With speed v and acceleration a: d/v + v/a when d reaches v^2/a, else the
/// triangle 2 sqrt(d/a). A rail without speed or acceleration never arrives;
/// the planner refuses it, and here it takes no time.
pub fn travel_time(distance: Length, rail: &Rail) -> Span {
    let (d, v, a) = (
        distance.metres().abs(),
        rail.speed.metres_per_s(),
        rail.acceleration.metres_per_s2(),
    );
    if d == 0.0 || v <= 0.0 || a <= 0.0 {
        return Span::ZERO;
    }
    Span::from_secs_f64(if d >= v * v / a {
        d / v + v / a
    } else {
        2.0 * (d / a).sqrt()
    })
}

/// Time of an arrival at `to`, coming from `from`, so that the last stretch
/// always runs toward growing coordinates: a move that comes from above goes
/// past its target by the overshoot and returns, or the play of the drive
/// would alternate between the legs.
pub fn arrival_time(from: Length, to: Length, rail: &Rail) -> Span {
    if to >= from {
        return travel_time(to - from, rail);
    }
    travel_time(from - to + rail.overshoot, rail) + travel_time(rail.overshoot, rail)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::samples;

    fn seconds(distance: &str) -> f64 {
        let distance = Length::parse(distance).expect("a length");
        travel_time(distance, &samples::rail()).secs()
    }

    /// Closed forms at 150 mm/s and 400 mm/s2, worked by hand: the cruise is
    /// reached after 56.25 mm. One step of 6 in takes 1.391 s (1.591 s with
    /// 0.2 s of rest).
    #[test]
    fn a_move_follows_the_trapezoid() {
        let cases = [
            ("0 mm", 0.0),
            ("14.0625 mm", 0.375), // triangle: 2 sqrt(0.0140625/0.4)
            ("56.25 mm", 0.75),    // both branches meet
            ("152.4 mm", 1.391),   // 1.016 + 0.375
            ("6 in", 1.391),
            ("1500 mm", 10.375),
        ];
        for (distance, expected) in cases {
            assert!((seconds(distance) - expected).abs() < 1e-9, "{distance}");
        }
    }

    /// The profile integrated in small steps covers the distance in the time
    /// that the closed form says.
    #[test]
    fn the_closed_form_is_the_integral_of_the_profile() {
        let (v, a) = (0.15_f64, 0.4_f64);
        for mm in [3, 40, 56, 57, 400, 1800] {
            let total = travel_time(Length::from_mm(mm), &samples::rail()).secs();
            let steps = 200_000;
            let dt = total / f64::from(steps);
            let covered: f64 = (0..steps)
                .map(|k| {
                    let t = (f64::from(k) + 0.5) * dt;
                    (a * t).min(a * (total - t)).min(v) * dt
                })
                .sum();
            assert!((covered - mm as f64 / 1e3).abs() < 1e-6, "{mm} mm");
        }
    }

    #[test]
    fn only_a_move_from_above_pays_for_the_overshoot() {
        let rail = samples::rail();
        let (low, high) = (Length::from_mm(200), Length::from_mm(400));
        let up = arrival_time(low, high, &rail);
        let down = arrival_time(high, low, &rail);
        assert_eq!(up, travel_time(high - low, &rail));
        assert_eq!(
            down,
            travel_time(Length::from_mm(202), &rail) + travel_time(Length::from_mm(2), &rail)
        );
        assert_eq!(arrival_time(low, low, &rail), Span::ZERO);
    }
}
