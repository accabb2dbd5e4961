//! Corrections that are linear in time between two visits.

use crate::units::Mono;

/// A value at an instant.
pub type At = (Mono, f64);

/// The straight line through two visits, at `when`; also outside them. Equal
/// instants give the mean of the two.
pub fn between(first: At, second: At, when: Mono) -> f64 {
    let span = second.0.since(first.0).secs();
    if span == 0.0 {
        return (first.1 + second.1) / 2.0;
    }
    first.1 + (second.1 - first.1) * when.since(first.0).secs() / span
}

/// The value at `when` from any number of visits in order of time: linear
/// between neighbours, the nearest visit outside them; none without a visit.
pub fn along(visits: &[At], when: Mono) -> Option<f64> {
    let after = visits.iter().position(|(t, _)| *t >= when);
    match after {
        None => visits.last().map(|(_, value)| *value),
        Some(0) => visits.first().map(|(_, value)| *value),
        Some(k) => Some(between(visits[k - 1], visits[k], when)),
    }
}

/// A reading corrected for the lamp's drift: E * ref(first) / ref(when).
/// None without visits or where the reference is not above zero.
pub fn corrected(reading: At, reference: &[At]) -> Option<f64> {
    let first = reference.first()?.1;
    let now = along(reference, reading.0)?;
    (first > 0.0 && now > 0.0).then(|| reading.1 * first / now)
}

/// How far the last visit lies from the first, as a share of the first.
pub fn drift(reference: &[At]) -> Option<f64> {
    let (first, last) = (reference.first()?.1, reference.last()?.1);
    (first > 0.0).then(|| last / first - 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Span;

    fn at(secs: i64, value: f64) -> At {
        (Mono::ZERO + Span::from_secs(secs), value)
    }

    /// Check M06: reference 500.0 at 0 and 497.5 at 60, a reading of 200.0
    /// midway becomes 200.501253, drift -0.5 % (linear interpolation; closed
    /// form, ours).
    #[test]
    fn a_reading_between_two_references_is_corrected() {
        let reference = [at(0, 500.0), at(60, 497.5)];
        let corrected = corrected(at(30, 200.0), &reference).expect("corrected");
        assert!((corrected - 200.501_253).abs() < 1e-6);
        assert!((drift(&reference).expect("drift") + 0.005).abs() < 1e-12);
    }

    /// Check D15: ambient 0.42 at 0 s and 0.54 at 600 s, a lit reading of 51.37
    /// at 250 s: net 50.9 (closed form; bracketing is common practice).
    #[test]
    fn ambient_is_interpolated_in_time() {
        let net = 51.37 - between(at(0, 0.42), at(600, 0.54), at(250, 0.0).0);
        assert!((net - 50.9).abs() < 1e-9);
    }

    /// Nothing says which of two visits of one instant is right; nor does a
    /// reading without a visit, or after one in the dark, have a correction.
    #[test]
    fn visits_that_say_nothing_correct_nothing() {
        assert_eq!(between(at(5, 1.0), at(5, 3.0), at(5, 0.0).0), 2.0);
        let cases: [(&[At], Option<f64>, Option<f64>); 4] = [
            (&[], None, None),
            (&[at(0, -1.0), at(60, 1.0)], None, None),
            (&[at(0, 1.0), at(60, 0.0)], None, Some(-1.0)),
            (&[at(0, 2.0), at(60, 1.0)], Some(20.0), Some(-0.5)),
        ];
        for (visits, wanted, drifted) in cases {
            assert_eq!(corrected(at(60, 10.0), visits), wanted, "{visits:?}");
            assert_eq!(drift(visits), drifted, "{visits:?}");
        }
    }

    #[test]
    fn outside_the_visits_the_nearest_counts() {
        let visits = [at(10, 1.0), at(20, 2.0), at(40, 4.0)];
        let cases = [(0, 1.0), (10, 1.0), (15, 1.5), (30, 3.0), (99, 4.0)];
        for (secs, value) in cases {
            assert_eq!(along(&visits, at(secs, 0.0).0), Some(value), "{secs}");
        }
        assert_eq!(along(&[], Mono::ZERO), None);
        assert_eq!(corrected(at(0, 1.0), &[at(0, 0.0)]), None);
    }
}
