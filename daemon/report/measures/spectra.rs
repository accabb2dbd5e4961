//! Spectra: the mean of the captures of a setting, each less the mean of those
//! that were taken covered and integrated as long.

use photometry::measured::{CaptureOutcome, Quantity};
use photometry::spectrum::{Scale, Spectrum, mean_of};
use photometry::spectrum_figures::SpectrumFigures;

use super::{Curve, Measure, Test, counted, with_terms};
use crate::plan::itinerary::Purpose;
use crate::store::captures::CaptureRow;

/// The spectra of each setting.
pub(super) fn measures(test: &Test<'_>) -> Vec<Measure> {
    let settings = test.settings().into_iter();
    settings.map(|setting| measure(test, setting)).collect()
}

/// What can be computed with: the numbers of captures that were not too bright.
pub(super) struct Usable<'a> {
    /// The captures.
    pub rows: Vec<&'a CaptureRow>,
    /// The numbers of each.
    pub values: Vec<Vec<f64>>,
    /// How many were too bright.
    pub too_bright: usize,
}

impl<'a> Usable<'a> {
    pub fn of(rows: impl Iterator<Item = &'a CaptureRow>) -> Usable<'a> {
        let (mut used, mut values, mut too_bright) = (Vec::new(), Vec::new(), 0);
        for row in rows {
            match &row.capture.outcome {
                CaptureOutcome::Numbers(_) => {
                    if let Some(numbers) = row.capture.numbers() {
                        used.push(row);
                        values.push(numbers);
                    }
                }
                CaptureOutcome::Saturated(_) => too_bright += 1,
                CaptureOutcome::TimedOut | CaptureOutcome::Rejected(_) => {}
            }
        }
        Usable {
            rows: used,
            values,
            too_bright,
        }
    }
}

fn measure(test: &Test<'_>, setting: &str) -> Measure {
    let lit: Vec<&CaptureRow> = test.captures(setting, Purpose::Read).collect();
    let dark: Vec<&CaptureRow> = test.captures(setting, Purpose::Dark).collect();
    let meter = lit.first().map_or("", |row| row.capture.meter.as_str());
    let found = test.empty(setting, test.shown(setting), meter);
    let asked = test.asked(Purpose::Read, Quantity::Spectrum, Some(setting));
    let found = of_captures(test, found, (lit, dark), asked);
    match test.drifted(setting) {
        Some(drifted) => noted(found, drifted),
        None => found,
    }
}

/// A measure with one sentence more, before those of the figures.
fn noted(mut found: Measure, says: String) -> Measure {
    found.notes.insert(0, says);
    found
}

/// The mean spectrum of captures, of which so many were asked for, and its figures.
pub(super) fn of_captures(
    test: &Test<'_>,
    mut found: Measure,
    (lit, dark): (Vec<&CaptureRow>, Vec<&CaptureRow>),
    asked: usize,
) -> Measure {
    let dark = dark.into_iter();
    let lit = Usable::of(lit.into_iter());
    let integration = lit.rows.first().and_then(|row| row.capture.integration);
    // A dark that was integrated for another time is another dark.
    let as_long = dark.filter(|row| row.capture.integration == integration);
    let dark = Usable::of(as_long);
    found.rests_on = [&lit, &dark]
        .iter()
        .flat_map(|usable| usable.rows.iter().map(|row| row.seq))
        .collect();
    found.unfinished = lit.rows.len() < asked;
    if lit.too_bright > 0 {
        let (one, several) = ("spectrum was", "spectra were");
        let many = counted(lit.too_bright, one, several);
        let is = if lit.too_bright == 1 { "is" } else { "are" };
        found.notes.push(format!(
            "{many} too bright for the meter and {is} not used."
        ));
    }
    if lit.rows.len() < asked {
        let (there, wanted) = (lit.rows.len(), counted(asked, "spectrum", "spectra"));
        found
            .notes
            .push(format!("{there} of {wanted} can be used."));
    }
    let Some(background) = mean_of(&dark.values) else {
        if !lit.rows.is_empty() {
            found.notes.push(
                "No spectrum was taken covered and integrated as long: without it there are no \
                 figures."
                    .to_owned(),
            );
            found.unfinished = true;
        }
        return found;
    };
    if let Some(integration) = integration {
        let text = format!("Each spectrum was integrated for {}.", integration.shown());
        found.notes.push(text);
    }
    let axis = lit.rows.first().and_then(|row| row.capture.axis_numbers());
    let net = lit
        .values
        .iter()
        .filter(|row| row.len() == background.len());
    let net: Vec<Vec<f64>> = net
        .map(|row| row.iter().zip(&background).map(|(a, b)| a - b).collect())
        .collect();
    let (Some(nm), Some(average)) = (axis, mean_of(&net)) else {
        return found;
    };
    figures(test, &mut found, &nm, &average, &net);
    found
}

fn figures(test: &Test<'_>, found: &mut Measure, nm: &[f64], average: &[f64], net: &[Vec<f64>]) {
    let of = |values: &[f64]| {
        let spectrum = Spectrum::new(nm, values, Scale::Absolute)?;
        Ok::<_, photometry::spectrum::SpectrumError>(SpectrumFigures::of(&spectrum).figures())
    };
    let all = match of(average) {
        Ok(all) => all,
        Err(why) => {
            found
                .notes
                .push(format!("The spectrum gives no figures: {why}."));
            return;
        }
    };
    let each: Vec<_> = net.iter().filter_map(|one| of(one).ok()).collect();
    let terms = test.terms(&found.meter);
    found.figures = all
        .into_iter()
        .map(|figure| {
            let same = each.iter().filter_map(|figures| {
                let mut figures = figures.iter();
                figures.find(|one| one.name == figure.name)?.value()
            });
            let repeats: Vec<f64> = same.collect();
            // A figure that not every capture has scatters by more than those say.
            let repeats = if repeats.len() == net.len() {
                repeats
            } else {
                Vec::new()
            };
            with_terms(figure, &repeats, terms)
        })
        .collect();
    found.notes.push(
        "U of colour figures holds the scatter of the captures alone: errors of the meter's \
         wavelengths and its stray light are not in it."
            .to_owned(),
    );
    if net.len() == 1 {
        let text = "One spectrum: how far others would lie from it is not known.";
        found.notes.push(text.to_owned());
    }
    let points = nm.iter().copied().zip(average.iter().copied());
    found.curve = Some(Curve::Spectrum(points.collect()));
}
