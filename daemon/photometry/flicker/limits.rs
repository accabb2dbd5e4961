//! Published limits for comparison. Figures of a capture are *compared with*
//! them; whether a lamp complies is for a test of the kind that each asks for
//! (mains light sources at full load, ...).
//!
//! Values from memory but JA8's. Used by: reports.

/// A published limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Published {
    /// EU 2019/2020 as amended by 2021/341, mains sources at full load, from
    /// 1 September 2024: PstLM at most 1.0, SVM at most 0.4.
    Eu2024,
    /// The same from 1 September 2021 to 31 August 2024: SVM at most 0.9.
    Eu2021,
    /// California JA8.4.6: below 30 % at frequencies below 200 Hz.
    Ja8,
    /// NEMA 77-2017, indoor: PstLM at most 1.0, SVM at most 1.6.
    Nema77,
}

/// What is held against it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Measured {
    /// PstLM.
    pub pst_lm: Option<f64>,
    /// SVM.
    pub svm: Option<f64>,
    /// Percent flicker filtered at 200 Hz.
    pub percent_below_200_hz: Option<f64>,
}

impl Published {
    /// Whether the figures keep the limit; none when one is missing.
    pub fn is_kept(self, measured: Measured) -> Option<bool> {
        let at_most = |pst: f64, svm: f64| -> Option<bool> {
            let (own_pst, own_svm) = (measured.pst_lm?, measured.svm?);
            if own_pst.is_nan() || own_svm.is_nan() {
                return None;
            }
            Some(own_pst <= pst && own_svm <= svm)
        };
        match self {
            Published::Eu2024 => at_most(1.0, 0.4),
            Published::Eu2021 => at_most(1.0, 0.9),
            Published::Nema77 => at_most(1.0, 1.6),
            Published::Ja8 => measured.percent_below_200_hz.map(|percent| percent < 30.0),
        }
    }
}
