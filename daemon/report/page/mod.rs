//! The report of one run: a single HTML file that needs no network and no
//! script, for a screen of any width, light or dark, and for paper.
//!
//! Order: the finding · rulings · derived figures · surprises · charts with their tables · drift,
//! warm-up, fits · what was subtracted · what a report must state · cautions.
//! Each figure carries its id ([`super::ids`]). What is missing is said in
//! words.
//!
//! ```text
//!  Page (plain data) ──► rulings · surprises · charts · record · fits · stated
//!                                   └──► markup (escapes, closes, names once)
//! ```
//!
//! Called by: web. Not here: the figures themselves (gather, ladder, reach).

mod charts;
mod derived;
pub(super) mod fits;
mod markup;
mod measured;
mod programs;
mod record;
mod rulings;
mod stated;
mod surprises;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_awkward;
#[cfg(test)]
mod tests_labels;

use std::borrow::Cow;

pub use derived::Derived;

use super::measures::Measure;
use super::survey::{PointFigure, SurveyFigures};
use markup::Markup;

/// All that a report says.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// The run.
    pub run: RunFacts,
    /// What was measured where: lamp, unit, plan, bench.
    pub subject: String,
    /// Its surveys, in the itinerary's order.
    pub surveys: Vec<SurveyFigures>,
    /// What its other tests found.
    pub measures: Vec<Measure>,
    /// What its own plan ruled on it, under its own certificate.
    pub rulings: Vec<Ruled>,
    /// What other plans and certificates ruled on it.
    pub other_rulings: Vec<OtherRulings>,
    /// What its metrics derived.
    pub derived: Vec<Derived>,
    /// What people said of it, in order: notes, readings set aside and taken
    /// back, one sentence each.
    pub remarks: Vec<String>,
    /// What else must be known, one sentence each.
    pub notes: Vec<String>,
}

/// A run's own facts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunFacts {
    /// Its number.
    pub number: i64,
    /// Its state, in the house's words.
    pub state: String,
    /// When it was booked, UTC.
    pub booked: String,
    /// When it began, UTC; empty before.
    pub begun: String,
    /// When it ended, UTC; empty before.
    pub ended: String,
    /// The program's name and version.
    pub program: String,
    /// When this page was made, UTC.
    pub made: String,
}

/// One ruling.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruled {
    /// Its id, such as `12.r3`.
    pub id: String,
    /// The criterion's name.
    pub criterion: String,
    /// Readings were set aside or taken back since.
    pub outdated: bool,
    /// `pass`, `conditional pass`, `conditional fail`, `fail` or `undecided`.
    pub word: String,
    /// The figure that was ruled on.
    pub value: Option<f64>,
    /// Its U (k = 2).
    pub expanded: Option<f64>,
    /// The unit of both.
    pub unit: String,
    /// The limit in words, such as `at least 250 lx`.
    pub limit: String,
    /// The decision rule.
    pub rule: String,
    /// Why it is so.
    pub reason: String,
    /// The script that ruled.
    pub script: String,
}

/// What a plan or certificate other than the run's own ruled.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherRulings {
    /// Which plan and certificate, in words.
    pub by: String,
    /// When, UTC.
    pub when: String,
    /// The rulings.
    pub rulings: Vec<Ruled>,
}

impl RunFacts {
    /// Nothing more will be measured, and all was done that could be.
    pub fn is_complete(&self) -> bool {
        self.state.starts_with("complete")
    }
}

const STYLE: &str = include_str!("style.css");

/// The report as one HTML file.
pub fn html(page: &Page) -> String {
    let page = &*sound(page);
    let title = finding(page);
    let mut out = Markup::new(&title, STYLE);
    out.open("header", &[]);
    let facts = heading(page);
    out.element("p", &[("class", "over")], &facts);
    out.element("h1", &[], &title);
    unfinished(&mut out, page);
    out.open("p", &[("class", "hint")]);
    out.text("Each figure has a short id in small type beside it: ");
    out.element("code", &[], "wakerail account ID");
    let tells = " tells its story, from the raw bytes on; for example, ID may be ";
    out.text(&format!("{tells}{}.", example(page)));
    out.close();
    out.close();
    out.open("main", &[]);
    rulings::section(&mut out, page);
    derived::section(&mut out, page);
    if !page.surveys.is_empty() || page.measures.is_empty() {
        surprises::section(&mut out, page);
    }
    sentences(&mut out, "Notes", &page.notes);
    sentences(&mut out, "What people said of it", &page.remarks);
    if !page.surveys.is_empty() || page.measures.is_empty() {
        charts::section(&mut out, page);
        record::section(&mut out, page);
        fits::section(&mut out, page);
        record::subtracted(&mut out, page);
    }
    programs::section(&mut out, page);
    measured::section(&mut out, page);
    stated::section(&mut out, page);
    stated::cautions(&mut out);
    out.close();
    out.finish()
}

/// A figure that is not a number has no place anywhere: it is taken out, and
/// its point says so.
fn sound(page: &Page) -> Cow<'_, Page> {
    let is_sound = |point: &PointFigure| {
        let value = point.estimate.as_ref().is_none_or(|e| e.value.is_finite());
        value && point.expanded_lx.is_none_or(f64::is_finite)
    };
    let points = |survey: &SurveyFigures| {
        let mut points = survey.settings.iter().flat_map(|s| &s.points);
        points.all(is_sound)
    };
    if page.surveys.iter().all(points) {
        return Cow::Borrowed(page);
    }
    let mut page = page.clone();
    let settings = page.surveys.iter_mut().flat_map(|s| &mut s.settings);
    for point in settings.flat_map(|s| &mut s.points) {
        if is_sound(point) {
            continue;
        }
        if point.estimate.as_ref().is_some_and(|e| e.value.is_finite()) {
            point.flags.push("its uncertainty is not known".to_owned());
        } else {
            point.flags.push("its figure is not a number".to_owned());
            point.estimate = None;
        }
        point.expanded_lx = None;
    }
    Cow::Owned(page)
}

/// The title: what was found, and how the criteria were met.
fn finding(page: &Page) -> String {
    let mut sentence = match page.surveys.first() {
        Some(survey) => super::lux_chart::lux_against_distance(survey).title,
        None => match page.measures.as_slice() {
            [] => "Nothing was measured".to_owned(),
            measures => measured_words(measures),
        },
    };
    if !page.rulings.is_empty() {
        sentence += &format!("; {}", rulings::summary(&page.rulings));
    }
    if is_unfinished(page) {
        sentence = format!("Unfinished: {sentence}");
    }
    sentence
}

fn is_unfinished(page: &Page) -> bool {
    let unfinished = page.surveys.iter().any(|survey| survey.unfinished);
    !page.run.is_complete() || unfinished || page.measures.iter().any(|one| one.unfinished)
}

/// What was measured where there is no survey: `spectra of 4 settings`.
fn measured_words(measures: &[Measure]) -> String {
    let tests: Vec<String> = measures
        .chunk_by(|a, b| a.test == b.test)
        .filter_map(|test| {
            let first = test.first()?;
            Some(format!("{} ({})", first.test, first.kind.word()))
        })
        .collect();
    format!("Measured: {}", tests.join(", "))
}

fn heading(page: &Page) -> String {
    let run = &page.run;
    let what = match page.surveys.first() {
        Some(survey) => {
            let heading = &survey.heading;
            format!(
                "{}, unit {}, plan {}, bench {}",
                heading.lamp, heading.unit, heading.plan, heading.bench
            )
        }
        None => page.subject.clone(),
    };
    format!("Report of run {}: {what}", run.number)
}

fn unfinished(out: &mut Markup, page: &Page) {
    let open: Vec<&str> = page
        .surveys
        .iter()
        .filter(|survey| survey.unfinished)
        .map(|survey| survey.test.as_str())
        .collect();
    let mut said = Vec::new();
    if !page.run.is_complete() {
        said.push(format!(
            "This run is not complete: its state is {}.",
            or_words(&page.run.state, "not known")
        ));
    } else if page.run.state != "complete" {
        said.push(format!("This run is {}.", page.run.state));
    }
    if !open.is_empty() {
        said.push(format!(
            "Something that the plan asks for is not measured, in: {}.",
            open.join(", ")
        ));
    }
    if is_unfinished(page) {
        said.push("Figures below may change or be taken again.".to_owned());
    }
    if !said.is_empty() {
        out.element("p", &[("class", "banner")], &said.join(" "));
    }
}

/// A real id of this page, for the sentence that says what ids are for.
fn example(page: &Page) -> String {
    let ruling = page.rulings.first().map(|ruled| ruled.id.clone());
    let point = || {
        let survey = page.surveys.first()?;
        let setting = survey.settings.first()?;
        let point = setting.points.first()?;
        Some(charts::point_id(page.run.number, survey, setting, point).to_string())
    };
    let named = || measured::example(page);
    let found = point().or_else(named).or(ruling);
    found.unwrap_or_else(|| "12.r3".to_owned())
}

fn sentences(out: &mut Markup, title: &str, said: &[String]) {
    if said.is_empty() {
        return;
    }
    out.open("section", &[]);
    out.element("h2", &[], title);
    out.open("ul", &[]);
    for sentence in said {
        out.element("li", &[], sentence);
    }
    out.close();
    out.close();
}

/// What is written, or these words where nothing is.
fn or_words<'t>(text: &'t str, words: &'t str) -> &'t str {
    if text.trim().is_empty() { words } else { text }
}

/// What stands before a title where a page has several surveys.
fn of_test(page: &Page, survey: &SurveyFigures) -> String {
    if page.surveys.len() > 1 {
        format!("{}: ", survey.test)
    } else {
        String::new()
    }
}
