//! What tests beside surveys found: for each test its curves, and for each setting
//! or program its figures, with what must be known of them.

use photometry::figure::{Figure, Given, five_digits};

use super::Page;
use super::markup::{Cell, Markup, Row};
use crate::plan::itinerary::KindName;
use crate::report::curve_chart::{self, Curves};
use crate::report::digits;
use crate::report::ids::FigureId;
use crate::report::measures::{Curve, Measure};
use crate::report::survey::K;

/// Lines in one picture.
const LINES_AT_MOST: usize = 8;

/// The sections; nothing where a run has surveys only.
pub fn section(out: &mut Markup, page: &Page) {
    let tests = page.measures.chunk_by(|a, b| a.test == b.test);
    for (index, test) in tests.enumerate() {
        let Some(first) = test.first() else { continue };
        out.open("section", &[]);
        let title = format!("{}: {}", first.test, what(first.kind));
        out.element("h2", &[], &title);
        for (nth, curves) in curves(test).iter().enumerate() {
            let id = match nth {
                0 => format!("curve{index}"),
                nth => format!("curve{index}-{nth}"),
            };
            let svg = curve_chart::within(&id, curves);
            super::charts::figure(out, &curves.title, &svg, &curves.y_label);
        }
        for measure in test {
            one(out, page.run.number, measure);
        }
        out.close();
    }
}

/// The id of the first figure.
pub(super) fn example(page: &Page) -> Option<String> {
    let measure = page.measures.iter().find(|one| !one.figures.is_empty())?;
    let figure = measure.figures.first()?;
    Some(id(page.run.number, measure, figure).to_string())
}

fn id(run: i64, measure: &Measure, figure: &Figure) -> FigureId {
    FigureId::Measured {
        run,
        test: measure.test.clone(),
        of: measure.of.clone(),
        figure: figure.name,
    }
}

const fn what(kind: KindName) -> &'static str {
    match kind {
        KindName::Survey => "illuminance",
        KindName::Flux => "luminous flux",
        KindName::Ramp => "light against time",
        KindName::Spectrum => "spectra",
        KindName::Flicker => "modulation of the light",
        KindName::Standby => "standby",
    }
}

fn one(out: &mut Markup, run: i64, measure: &Measure) {
    out.element(
        "h3",
        &[],
        &format!("{}, by {}", measure.shown, measure.meter),
    );
    if !measure.notes.is_empty() {
        out.open("ul", &[]);
        for note in &measure.notes {
            out.element("li", &[], note);
        }
        out.close();
    }
    if measure.figures.is_empty() {
        out.element("p", &[], "There are no figures.");
        on_the_way(out, measure);
        return;
    }
    let rows = measure.figures.iter().map(|figure| Row {
        id: id(run, measure, figure),
        cells: cells(figure),
    });
    let caption = format!("U: k = {K}, of the terms that are known");
    out.table(&caption, &["figure", "value", "U", "unit", "remark"], rows);
    on_the_way(out, measure);
}

/// The colours on the way of a recording: what its melanopic dose rests on.
fn on_the_way(out: &mut Markup, measure: &Measure) {
    if measure.on_the_way.is_empty() {
        return;
    }
    let heads = [
        "time (min)",
        "colour temperature (K)",
        "melanopic ratio",
        "remark",
    ];
    let rows = measure.on_the_way.iter().map(|one| {
        let number = |value: Option<f64>, digits: usize| {
            value.map_or("–".to_owned(), |value| format!("{value:.digits$}"))
        };
        let remark = one.unused.as_ref().map(|why| format!("not used: {why}"));
        vec![
            number(Some(one.after_s / 60.0), 2),
            number(one.cct_k, 0),
            number(one.melanopic_der, 3),
            remark.unwrap_or_default(),
        ]
    });
    out.plain_table(
        "Spectra on the way, by the time since the start",
        &heads,
        rows,
    );
}

fn cells(figure: &Figure) -> Vec<Cell> {
    let marks = || figure.marks.join("; ");
    let mut cells = vec![Cell::Words(figure.name.meaning.to_owned())];
    let (value, expanded) = match &figure.given {
        Given::Number(value) => (five_digits(*value), String::new()),
        Given::Estimate(estimate) => {
            let expanded = estimate.expanded(K);
            let (value, u) = digits::shown(estimate.value, Some(expanded));
            (value, u.unwrap_or_default())
        }
        Given::Word(word) => ((*word).to_owned(), String::new()),
        Given::AtMost(bound) => (format!("at most {}", five_digits(*bound)), String::new()),
        Given::AtLeast(bound) => (format!("at least {}", five_digits(*bound)), String::new()),
        Given::Withheld(why) => {
            cells.push(Cell::Across(3, "withheld".to_owned()));
            let marks = marks();
            let words = match marks.is_empty() {
                true => why.clone(),
                false => format!("{why}; {marks}"),
            };
            cells.push(Cell::Words(words));
            return cells;
        }
    };
    cells.push(Cell::Figure(value));
    cells.push(Cell::Figure(expanded));
    cells.push(Cell::Words(figure.name.unit.to_owned()));
    let marks = marks();
    cells.push(Cell::Words(if marks.is_empty() {
        "–".to_owned()
    } else {
        marks
    }));
    cells
}

/// The curves of a test, those of one kind in a picture: a program has light against time,
/// and the spectrum that it ends in.
fn curves(test: &[Measure]) -> Vec<Curves> {
    let mut kinds: Vec<Vec<(String, Curve)>> = Vec::new();
    for measure in test {
        let Some(curve) = &measure.curve else {
            continue;
        };
        let kind = std::mem::discriminant(curve);
        let same = |all: &&mut Vec<(String, Curve)>| {
            let first = all.first();
            first.is_some_and(|(_, first)| std::mem::discriminant(first) == kind)
        };
        let one = (measure.shown.clone(), curve.clone());
        match kinds.iter_mut().find(same) {
            Some(all) => all.push(one),
            None => kinds.push(vec![one]),
        }
    }
    kinds.into_iter().filter_map(of_one_kind).collect()
}

/// Curves of one kind in one picture; spectra over their largest value, for settings
/// differ by decades.
fn of_one_kind(mut all: Vec<(String, Curve)>) -> Option<Curves> {
    let n = all.len();
    all.truncate(LINES_AT_MOST);
    let (x_label, y_label, title) = match &all.first()?.1 {
        Curve::Spectrum(_) => (
            "wavelength (nm)",
            "spectral irradiance over its largest value",
            "Spectra, each over its largest value",
        ),
        Curve::SpectralFlux(_) => (
            "wavelength (nm)",
            "spectral flux over its largest value",
            "Spectra of all the light, each over its largest value",
        ),
        Curve::Waveform(_) => (
            "time (ms)",
            "light over its mean",
            "The light of the first 50 ms",
        ),
        Curve::Ramp(_) => (
            "time since the start (min)",
            "net illuminance (lx)",
            "Light against time",
        ),
        Curve::FluxRamp(_) => (
            "time since the start (min)",
            "net luminous flux (lm)",
            "Luminous flux against time",
        ),
    };
    let lines = all.into_iter().map(|(name, curve)| match curve {
        Curve::Spectrum(points) | Curve::SpectralFlux(points) => {
            let most = points.iter().map(|point| point.1).fold(0.0, f64::max);
            let over = |(nm, value): (f64, f64)| (nm, value / most);
            let points = points.into_iter().map(over);
            (
                name,
                if most > 0.0 {
                    points.collect()
                } else {
                    Vec::new()
                },
            )
        }
        Curve::Waveform(points) | Curve::Ramp(points) | Curve::FluxRamp(points) => (name, points),
    });
    let title = match n > LINES_AT_MOST {
        true => format!("{title}: the first {LINES_AT_MOST} of {n}"),
        false => title.to_owned(),
    };
    Some(Curves {
        title,
        x_label: x_label.to_owned(),
        y_label: y_label.to_owned(),
        lines: lines.collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measure(of: &str, curve: Option<Curve>) -> Measure {
        Measure {
            test: "morning".to_owned(),
            kind: KindName::Ramp,
            line: PlanLine::default(),
            of: of.to_owned(),
            shown: of.to_owned(),
            meter: "lux-head".to_owned(),
            figures: Vec::new(),
            curve,
            on_the_way: Vec::new(),
            notes: Vec::new(),
            rests_on: Vec::new(),
            unfinished: true,
        }
    }

    /// Minutes and nanometres never share an axis.
    #[test]
    fn a_program_and_the_spectrum_that_it_ends_in_are_two_pictures() {
        let dawn = |top: f64| Some(Curve::Ramp(vec![(0.0, 0.0), (30.0, top)]));
        let end = Some(Curve::Spectrum(vec![(380.0, 1e-6), (780.0, 2e-6)]));
        let all = [
            measure("dawn-1", dawn(90.0)),
            measure("dawn-1-end", end),
            measure("dawn-2", dawn(91.0)),
            measure("dawn-3", None),
        ];
        let found = curves(&all);
        let told: Vec<(&str, Vec<&str>)> = found
            .iter()
            .map(|one| {
                let names = one.lines.iter().map(|(name, _)| name.as_str());
                (one.x_label.as_str(), names.collect())
            })
            .collect();
        let of_time = ("time since the start (min)", vec!["dawn-1", "dawn-2"]);
        assert_eq!(told, [of_time, ("wavelength (nm)", vec!["dawn-1-end"])]);
        let many: Vec<Measure> = (1..=10).map(|_| measure("dawn", dawn(90.0))).collect();
        let found_of_many = curves(&many);
        let title = "Light against time: the first 8 of 10";
        assert_eq!(
            (
                found_of_many[0].title.as_str(),
                found_of_many[0].lines.len()
            ),
            (title, 8)
        );
        // Of the spectrum over its largest value.
        assert_eq!(found[1].lines[0].1, [(380.0, 0.5), (780.0, 1.0)]);
    }
    use crate::plan::intent::PlanLine;
    use crate::report::measures::on_the_way::WaySpectrum;
    use crate::report::page::tests::plain;

    /// Each spectrum has its row: what it says, or why it is not used.
    #[test]
    fn the_colours_on_the_way_stand_in_a_table() {
        let seen = WaySpectrum {
            after_s: 121.2,
            integration: None,
            cct_k: Some(2_210.4),
            melanopic_der: Some(0.3127),
            unused: None,
        };
        let full = WaySpectrum {
            after_s: 240.0,
            cct_k: None,
            melanopic_der: None,
            unused: Some("too bright <for> the meter".to_owned()),
            ..seen.clone()
        };
        let measure = Measure {
            on_the_way: vec![seen, full],
            ..measure("dawn-1", None)
        };
        let mut out = Markup::new("t", "");
        one(&mut out, 12, &measure);
        let told = plain(&out.finish());
        let rows: Vec<&str> = told.split("<tr>").collect();
        let [_, heads, first, second] = rows.as_slice() else {
            panic!("{told}");
        };
        assert!(heads.contains("melanopic ratio"), "{heads}");
        for cell in ["<td>2.02<", "<td>2210<", "<td>0.313<"] {
            assert!(first.contains(cell), "{first}");
        }
        let why = "not used: too bright &lt;for&gt; the meter";
        assert!(
            second.contains("<td>4.00<") && second.contains(why),
            "{second}"
        );
        let none = Measure {
            on_the_way: Vec::new(),
            ..measure
        };
        let mut out = Markup::new("t", "");
        one(&mut out, 12, &none);
        assert!(!out.finish().contains("<table"));
    }
}
