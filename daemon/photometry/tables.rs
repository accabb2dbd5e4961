//! The CIE's weighting functions and sample reflectances as static arrays,
//! built from `tables/*.csv` (values unchanged; provenance, licence and changes
//! stand in `tables/README.md`).
//!
//! A table is taken at a spectrum's own wavelengths, linear between its rows:
//! the tables are interpolated, never the spectrum. Used by: the figures of a
//! spectrum. Not here: integrating.

/// Rows of `N` values in equal steps of wavelength.
#[derive(Debug)]
pub struct Table<const N: usize, const ROWS: usize> {
    first_nm: f64,
    step_nm: f64,
    rows: [[f64; N]; ROWS],
}

include!(concat!(env!("OUT_DIR"), "/tables.rs"));

impl<const N: usize, const ROWS: usize> Table<N, ROWS> {
    /// Values at a wavelength in nm, linear between rows; zero outside.
    pub fn at(&self, nm: f64) -> [f64; N] {
        let place = (nm - self.first_nm) / self.step_nm;
        if !(0.0..=(ROWS - 1) as f64).contains(&place) {
            return [0.0; N];
        }
        let below = place as usize;
        let part = place - below as f64;
        match (self.rows.get(below), self.rows.get(below + 1)) {
            (Some(row), _) if part == 0.0 => *row,
            (Some(row), Some(next)) => {
                std::array::from_fn(|at| row[at] + part * (next[at] - row[at]))
            }
            _ => [0.0; N],
        }
    }

    /// The rows with their wavelengths in nm.
    pub fn rows(&self) -> impl Iterator<Item = (f64, &[f64; N])> {
        let wavelength = |at: usize| self.first_nm + self.step_nm * at as f64;
        let rows = self.rows.iter().enumerate();
        rows.map(move |(at, row)| (wavelength(at), row))
    }
}

/// B(lambda), the blue-light hazard weighting, 380 to 780 nm: the table between
/// 380 and 500 nm, then 10^((450-nm)/50) to 600 nm, 0.001 to 700 nm, zero
/// beyond (IEC 62471:2006, Table 4.2, from memory).
pub fn blue_light(nm: f64) -> f64 {
    match nm {
        nm if nm <= 500.0 => BLUE_LIGHT.at(nm)[0],
        nm if nm <= 600.0 => 10_f64.powf((450.0 - nm) / 50.0),
        nm if nm <= 700.0 => 0.001,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_linear_between_its_rows_and_zero_outside() {
        // CIE 018:2019, V(lambda): 1 at 555 nm, 0.323 at 500 nm.
        assert_eq!(CIE_1931.at(555.0)[1], 1.0);
        assert_eq!(CIE_1931.at(500.0)[1], 0.323);
        let (low, high) = (CIE_1931.at(600.0)[1], CIE_1931.at(601.0)[1]);
        let middle = CIE_1931.at(600.5)[1];
        assert!((middle - (low + high) / 2.0).abs() < 1e-15);
        assert_eq!(CIE_1931.at(359.9), [0.0; 3]);
        assert_eq!(CIE_1931.at(830.1), [0.0; 3]);
        assert_eq!(CIE_1931.at(f64::NAN), [0.0; 3]);
        assert_ne!(CIE_1931.at(830.0), [0.0; 3]);
    }

    /// IEC 62471:2006, Table 4.2 (from memory): largest at 435 and 440 nm, 0.1
    /// at 500 nm where table and formula meet.
    #[test]
    fn the_blue_light_weighting_joins_its_formula() {
        assert_eq!((blue_light(435.0), blue_light(440.0)), (1.0, 1.0));
        assert!((blue_light(500.0) - 0.1).abs() < 1e-12);
        assert!((blue_light(500.001) - 0.1).abs() < 1e-4);
        assert!((blue_light(600.0) - 0.001).abs() < 1e-12);
        assert_eq!((blue_light(700.1), blue_light(f64::NAN)), (0.0, 0.0));
    }
}
