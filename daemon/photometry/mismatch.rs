//! Spectral mismatch of a photometer head: f1' and the correction factor.
//!
//! ISO/CIE 19476:2014 (from memory): f1' compares a head's responsivity, scaled
//! so that both agree under the light of its calibration, with V(lambda). The
//! factor F corrects a reading for a light of another spectrum. Sums are plain
//! ones over the data's own grid, as the published values were made. Used by:
//! sphere, reports.

/// Why rows of data cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MismatchError {
    /// Rows of different length, or none.
    #[error("the spectra and responsivities must have the same wavelengths")]
    Lengths,
    /// A sum that is zero, negative or no number.
    #[error("one of the spectra or responsivities has no positive sum")]
    NoLight,
}

fn sum_of(a: &[f64], b: &[f64]) -> Result<f64, MismatchError> {
    let sum: f64 = a.iter().zip(b).map(|(a, b)| a * b).sum();
    if sum > 0.0 && sum.is_finite() {
        Ok(sum)
    } else {
        Err(MismatchError::NoLight)
    }
}

fn same_length(rows: &[&[f64]]) -> Result<(), MismatchError> {
    let n = rows.first().map_or(0, |row| row.len());
    if n > 0 && rows.iter().all(|row| row.len() == n) {
        Ok(())
    } else {
        Err(MismatchError::Lengths)
    }
}

/// General V(lambda) mismatch index f1' of a responsivity, scaled under the
/// light `reference` (illuminant A as a rule), all on the same grid.
///
/// # Errors
/// When the rows cannot be used.
pub fn f1_prime(v: &[f64], head: &[f64], reference: &[f64]) -> Result<f64, MismatchError> {
    same_length(&[v, head, reference])?;
    let scale = sum_of(reference, v)? / sum_of(reference, head)?;
    let away: f64 = head.iter().zip(v).map(|(s, v)| (s * scale - v).abs()).sum();
    let whole: f64 = v.iter().sum();
    let index = away / whole;
    index
        .is_finite()
        .then_some(index)
        .ok_or(MismatchError::NoLight)
}

/// Spectral mismatch correction factor: a reading of the light `test`, by a
/// head that was calibrated with the light `reference`, times this is right.
///
/// # Errors
/// When the rows cannot be used.
pub fn factor(
    v: &[f64],
    head: &[f64],
    reference: &[f64],
    test: &[f64],
) -> Result<f64, MismatchError> {
    same_length(&[v, head, reference, test])?;
    let right = sum_of(test, v)? / sum_of(test, head)?;
    let calibrated = sum_of(reference, v)? / sum_of(reference, head)?;
    Ok(right / calibrated)
}

/// Standard uncertainty (k = 1), as a share, that an uncorrected reading of a
/// white LED has by the class of its head's f1': half of the 95th percentile of
/// |F - 1| over the heads and white LEDs of EMPIR 19NRM02 (CC0). Coloured dawn
/// light can be worse.
pub fn uncorrected_u(f1_prime: f64, is_rgb: bool) -> f64 {
    let (phosphor, rgb) = match f1_prime {
        f if f < 0.015 => (0.004, 0.009),
        f if f < 0.03 => (0.009, 0.020),
        f if f < 0.06 => (0.021, 0.043),
        _ => (0.030, 0.065),
    };
    if is_rgb { rgb / 2.0 } else { phosphor / 2.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_perfect_head_needs_no_correction() {
        let v = [0.1, 1.0, 0.4];
        let (a, b) = ([1.0, 2.0, 3.0], [3.0, 2.0, 1.0]);
        assert!(f1_prime(&v, &v, &a).expect("an index").abs() < 1e-12);
        assert!((factor(&v, &v, &a, &b).expect("a factor") - 1.0).abs() < 1e-12);
        assert_eq!(f1_prime(&v, &v[..2], &a), Err(MismatchError::Lengths));
        assert_eq!(f1_prime(&[], &[], &[]), Err(MismatchError::Lengths));
        assert_eq!(factor(&v, &[0.0; 3], &a, &b), Err(MismatchError::NoLight));
    }

    proptest::proptest! {
        #[test]
        fn units_do_not_matter(
            head in proptest::collection::vec(0.01..1.0_f64, 3), factor_of in 0.01..100.0_f64,
        ) {
            let v = [0.1, 1.0, 0.4];
            let (a, b) = ([1.0, 2.0, 3.0], [3.0, 2.0, 1.0]);
            let scaled: Vec<f64> = head.iter().map(|s| s * factor_of).collect();
            let plain = factor(&v, &head, &a, &b).expect("a factor");
            let other = factor(&v, &scaled, &a, &b).expect("a factor");
            proptest::prop_assert!((plain - other).abs() < 1e-9);
            // There and back is one.
            let back = factor(&v, &head, &b, &a).expect("a factor");
            proptest::prop_assert!((plain * back - 1.0).abs() < 1e-9);
        }

        #[test]
        fn no_rows_panic(rows in proptest::collection::vec(proptest::num::f64::ANY, 0..9)) {
            let _ = (f1_prime(&rows, &rows, &rows), factor(&rows, &rows, &rows, &rows));
        }
    }
}
