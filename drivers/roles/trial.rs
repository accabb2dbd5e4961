//! How long the next spectrum of a reading of illuminance integrates: a pure rule over
//! how full the last one was.
//!
//! Wide, because any spectrum between nearly empty and full can be weighed, and each
//! more costs its time. Called by `weighed`. Not here: the integration of captures,
//! which a run looks for more closely and records.

use photometry::units::Span;

/// A spectrum that is full is followed by one as much shorter.
const SHORTER: f64 = 8.0;
/// One that is filled to less than this, of 1, is followed by a longer one: the noise of
/// the converter would show. Own rule, no source.
const EMPTY_BELOW: f64 = 0.05;
/// Which is to be filled to so much.
const FILL_WANTED: f64 = 0.5;
/// And is at most so many times as long.
const LONGER_AT_MOST: f64 = 20.0;
/// Spectra of one reading at most: from a minute down to 2 ms.
const TRIES_AT_MOST: u32 = 6;
/// The shortest and the longest integration that is looked for, where the meter takes
/// them: a reading of the dark is not to last.
pub(super) const LIMITS: Limits = (Span::from_ms(1), Span::from_secs(1));
/// Integrations from here on are whole multiples of it: whole periods of the light of
/// mains of 50 Hz and of 60 Hz. Shorter ones are whole milliseconds.
const WHOLE_PERIODS: Span = Span::from_ms(50);

/// The shortest and the longest integration.
pub(super) type Limits = (Span, Span);

/// How full the meter was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Filled {
    /// Too full: the spectrum shows less than there was.
    Saturated,
    /// Its fullest element, as a share of what it can show.
    To(f64),
    /// It has no way to tell.
    NeverTold,
    /// It tells as a rule, and did not.
    NotTold,
}

/// What follows a spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Next {
    /// Another one, integrated so long.
    Again(Span),
    /// It is the reading.
    Taken,
    /// There is more light than the meter can show.
    TooBright,
    /// Nobody knows whether there is.
    Unknown,
}

/// What follows the last of so many tries.
pub(super) fn next(integration: Span, filled: Filled, tries: u32, (least, most): Limits) -> Next {
    let (again, otherwise) = match filled {
        Filled::Saturated => {
            let shorter = rounded(integration.secs() / SHORTER).max(least);
            let again = (shorter < integration).then_some(shorter);
            (again, Next::TooBright)
        }
        Filled::To(fill) if fill < EMPTY_BELOW => {
            let factor = (FILL_WANTED / fill.max(1e-9)).min(LONGER_AT_MOST);
            let longer = rounded(integration.secs() * factor).min(most);
            ((longer > integration).then_some(longer), Next::Taken)
        }
        Filled::To(_) | Filled::NeverTold => (None, Next::Taken),
        Filled::NotTold => (Some(integration), Next::Unknown),
    };
    let again = again.filter(|_| tries < TRIES_AT_MOST);
    again.map_or(otherwise, Next::Again)
}

/// Down to whole periods of the mains, or to whole milliseconds.
fn rounded(secs: f64) -> Span {
    let span = Span::from_secs_f64(secs);
    let whole = match span < WHOLE_PERIODS {
        true => Span::from_ms(1),
        false => WHOLE_PERIODS,
    };
    whole.times(span.ns() / whole.ns())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(ms: i64) -> Span {
        Span::from_ms(ms)
    }

    #[test]
    fn a_full_or_empty_spectrum_is_followed_by_another() {
        use Filled::{NeverTold, NotTold, Saturated, To};
        let limits = (ms(1), ms(1_000));
        let cases = [
            // Full: an eighth, whole milliseconds, down to one.
            (ms(200), Saturated, 1, Next::Again(ms(25))),
            (ms(25), Saturated, 2, Next::Again(ms(3))),
            (ms(3), Saturated, 3, Next::Again(ms(1))),
            (ms(1), Saturated, 4, Next::TooBright),
            (ms(60_000), Saturated, 1, Next::Again(ms(7_500))),
            (ms(200), Saturated, 6, Next::TooBright),
            // Nearly empty: to half full, twenty times at most, whole periods, up to 1 s.
            (ms(10), To(0.049), 1, Next::Again(ms(100))),
            (ms(10), To(0.04), 1, Next::Again(ms(100))),
            (ms(3), To(0.035), 1, Next::Again(ms(42))),
            (ms(10), To(1e-4), 1, Next::Again(ms(200))),
            (ms(100), To(0.01), 1, Next::Again(ms(1_000))),
            (ms(900), To(-0.01), 1, Next::Again(ms(1_000))),
            (ms(1_000), To(0.0), 2, Next::Taken),
            (ms(7_500), To(0.0), 2, Next::Taken),
            (ms(10), To(0.01), 6, Next::Taken),
            // Neither.
            (ms(10), To(0.05), 1, Next::Taken),
            (ms(10), To(0.97), 1, Next::Taken),
            (ms(10), NeverTold, 1, Next::Taken),
            // It did not say, though it can.
            (ms(10), NotTold, 1, Next::Again(ms(10))),
            (ms(10), NotTold, 6, Next::Unknown),
        ];
        for (integration, filled, tries, wanted) in cases {
            let got = next(integration, filled, tries, limits);
            assert_eq!(got, wanted, "{integration:?} {filled:?} {tries}");
        }
        // A meter that takes other times, or one alone.
        let narrow = (ms(20), ms(400));
        for (filled, wanted) in [
            (Saturated, Next::Again(ms(20))),
            (To(0.01), Next::Again(ms(400))),
        ] {
            assert_eq!(next(ms(40), filled, 1, narrow), wanted);
        }
        let one = (ms(40), ms(40));
        assert_eq!(next(ms(40), Saturated, 1, one), Next::TooBright);
        assert_eq!(next(ms(40), To(0.0), 1, one), Next::Taken);
    }
}
