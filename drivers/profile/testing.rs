//! What the tests of profiles share: what is said of a text, one slip at a time,
//! and a meter to read with.

use photometry::measured::{Outcome, Reading};
use photometry::units::{Lux, Span};

use super::read::profile;
use crate::roles::profiled_meter::PhotometerCard;

/// What is wrong with a text, each as `line:column code message (hint)`.
pub(crate) fn told(text: &str) -> Vec<String> {
    let mistakes = match profile("p.yaml", text) {
        Ok((_, warnings)) => warnings,
        Err(refused) => refused.mistakes,
    };
    let told = mistakes.iter().map(|m| {
        let hint = m.hint.as_deref().map(|hint| format!(" ({hint})"));
        let (line, column) = (m.place.line, m.place.column);
        let hint = hint.unwrap_or_default();
        format!("{line}:{column} {} {}{hint}", m.code, m.message)
    });
    told.collect()
}

/// Of each slip in a good text (what stood there, what stands there now) exactly
/// what is wanted is among what is told.
pub(crate) fn slips_are_told(
    good: &str,
    slips: &[(&str, &str, &str)],
    told: impl Fn(&str) -> Vec<String>,
) {
    let mut wrong = Vec::new();
    for (old, new, wanted) in slips {
        assert!(good.contains(old), "{old}");
        let found = told(&good.replacen(old, new, 1));
        if !found.iter().any(|told| told == wanted) {
            wrong.push(format!("{old} -> {new}: {found:#?}, not {wanted}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A meter without a shutter, plausible up to 200,000 lx.
pub(crate) fn tern(aperture: Span) -> PhotometerCard {
    PhotometerCard {
        name: "tern".to_owned(),
        aperture,
        averages: 1,
        plausible: (Lux(-1.0), Lux(200_000.0)),
        has_shutter: false,
    }
}

/// A reading, to the last bit, and its flags.
pub(crate) fn shown(reading: &Reading) -> String {
    match &reading.outcome {
        Outcome::Value(lux) => format!("{lux} lx {:?}", reading.flags),
        Outcome::Rejected(why) => format!("rejected: {why} {:?}", reading.flags),
        other => format!("{other:?} {:?}", reading.flags),
    }
}
