//! A survey as text for a terminal, as CSV, as JSON. Lengths are shown as the
//! bench file asks; in CSV they are in metres and lux, whatever is shown.

use comfy_table::{CellAlignment, Table, presets};
use photometry::units::{Length, LengthUnit, Ratio};

use super::digits;
use super::survey::{K, PointFigure, SettingFigures, SurveyFigures, WarmUpFigure};

/// The survey's tables: illuminance, its uncertainty, the drift and warm-up
/// record, and what must be known beside them.
pub fn text(figures: &SurveyFigures) -> String {
    let heading = &figures.heading;
    let firmware = match &heading.firmware {
        Some(firmware) => format!(", firmware {firmware}"),
        None => String::new(),
    };
    let mut out = format!(
        "{}, unit {}{firmware}: survey `{}` of plan `{}` on bench `{}`\n\n",
        heading.lamp, heading.unit, figures.test, heading.plan, heading.bench
    );
    let across = match shared_head(figures) {
        "" => String::new(),
        shared => format!(" (down) and {} (across)", shared.trim_end()),
    };
    out += &format!(
        "Illuminance in lux by distance from {}{across}\n{}\n",
        heading.datum,
        grid(figures, |point| cell(point).0)
    );
    out += &format!(
        "Expanded uncertainty U in lux, k = {K} (about 95 %)\n{}\n",
        grid(figures, |point| cell(point).1)
    );
    out += &format!("Drift and warm-up\n{}\n", record(figures));
    for note in notes(figures) {
        out += &format!("{note}\n");
    }
    out
}

/// What the names of all settings begin with, in whole words: above twelve
/// columns it would be said twelve times. Nothing for a single setting.
fn shared_head(figures: &SurveyFigures) -> &str {
    let names = || figures.settings.iter().map(|s| s.shown.as_str());
    let (Some(first), true) = (names().next(), figures.settings.len() > 1) else {
        return "";
    };
    first
        .rmatch_indices(' ')
        .map(|(at, _)| &first[..=at])
        .find(|head| names().all(|name| name.len() > head.len() && name.starts_with(head)))
        .unwrap_or("")
}

/// Distance down, settings across, in as many blocks as the width asks for.
fn grid(figures: &SurveyFigures, cell: impl Fn(&PointFigure) -> String) -> String {
    let mut positions: Vec<Length> = figures
        .settings
        .iter()
        .flat_map(|setting| setting.points.iter().map(|point| point.position))
        .collect();
    positions.sort_unstable();
    positions.dedup();
    let mut distances = vec!["distance".to_owned()];
    distances.extend(positions.iter().map(|p| p.shown(figures.lengths)));
    let shared = shared_head(figures);
    let column = |setting: &SettingFigures| -> Vec<String> {
        let name = setting.shown.strip_prefix(shared);
        let mut column = vec![name.unwrap_or(&setting.shown).to_owned()];
        column.extend(positions.iter().map(|position| {
            let point = setting.points.iter().find(|p| p.position == *position);
            point.map_or_else(String::new, &cell)
        }));
        column
    };
    let columns: Vec<Vec<String>> = figures.settings.iter().map(column).collect();
    let block = |block: &[Vec<String>]| {
        let line = |row: usize| -> Vec<String> {
            let cells = std::iter::once(&distances).chain(block);
            cells
                .filter_map(|column| column.get(row).cloned())
                .collect()
        };
        laid_out(line(0), (1..distances.len()).map(line))
    };
    let blocks: Vec<String> = blocks(&distances, &columns)
        .into_iter()
        .map(block)
        .collect();
    blocks.join("\n")
}

/// Columns of a terminal that a grid may take.
const WIDTH_AT_MOST: usize = 100;

/// The columns cut into runs that fit beside the distances; each run has at
/// least one.
fn blocks<'c>(distances: &[String], columns: &'c [Vec<String>]) -> Vec<&'c [Vec<String>]> {
    let wide = |column: &[String]| {
        let cells = column.iter().map(|cell| cell.chars().count());
        cells.max().unwrap_or(0) + 2
    };
    let mut blocks = Vec::new();
    let (mut from, mut width) = (0, wide(distances));
    for (at, column) in columns.iter().enumerate() {
        // The last column's space to the right is not printed.
        if at > from && width + wide(column) - 1 > WIDTH_AT_MOST {
            blocks.push(&columns[from..at]);
            (from, width) = (at, wide(distances));
        }
        width += wide(column);
    }
    blocks.push(&columns[from..]);
    blocks
}

/// Columns two spaces apart, everything to the right.
fn laid_out(head: Vec<String>, rows: impl Iterator<Item = Vec<String>>) -> String {
    let columns = head.len();
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_header(head);
    for row in rows {
        table.add_row(row);
    }
    for index in 0..columns {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table
        .lines()
        .map(|line| format!("{}\n", line.trim_end()))
        .collect()
}

/// A point's value and its U. A star stands where a note follows below.
fn cell(point: &PointFigure) -> (String, String) {
    let star = if point.remarks().is_empty() && !gap(point) {
        ""
    } else {
        "*"
    };
    if let Some(limit) = point.over_lx {
        return (format!("over {limit}{star}"), String::new());
    }
    if let Some(limit) = point.under_lx {
        return (format!("under {limit}{star}"), String::new());
    }
    match &point.estimate {
        Some(estimate) => {
            let (value, u) = digits::shown(estimate.value, point.expanded_lx);
            (format!("{value}{star}"), u.unwrap_or_default())
        }
        None if !point.set_aside.is_empty() => (format!("set aside{star}"), String::new()),
        None => (NOT_MEASURED.to_owned(), String::new()),
    }
}

/// In a cell; a note says what it is.
const NOT_MEASURED: &str = "–";

/// Some readings of the point are there and some are not.
pub(super) fn gap(point: &PointFigure) -> bool {
    point.missing > 0 && point.status() != "not measured"
}

fn record(figures: &SurveyFigures) -> String {
    let head = [
        "setting",
        "waited",
        "warm-up ended by",
        "then falling",
        "drift over the leg",
    ];
    let head = head.iter().map(|h| (*h).to_owned()).collect();
    let rows = figures.settings.iter().flat_map(|setting| {
        let drift = drift_words(setting);
        if setting.warm_up.is_empty() {
            return vec![row_of(setting, None, drift)];
        }
        let last = setting.warm_up.len() - 1;
        let shown = |(index, warm_up)| {
            let drift = if index == last {
                drift.clone()
            } else {
                String::new()
            };
            row_of(setting, Some(warm_up), drift)
        };
        setting.warm_up.iter().enumerate().map(shown).collect()
    });
    laid_out(head, rows)
}

/// A setting's drift in words.
pub(super) fn drift_words(setting: &SettingFigures) -> String {
    let Some(drift) = setting.drift else {
        return "not known".to_owned();
    };
    let left = setting.left_over;
    let left = left.map(|left| format!(", {} of it not the lamp's", percent(left)));
    let over = if setting.drift_flagged {
        ", over the limit"
    } else {
        ""
    };
    format!("{}{}{over}", percent(drift), left.unwrap_or_default())
}

fn row_of(setting: &SettingFigures, warm_up: Option<&WarmUpFigure>, drift: String) -> Vec<String> {
    let Some(warm_up) = warm_up else {
        let shown = setting.shown.clone();
        return vec![
            shown,
            String::new(),
            "not measured".to_owned(),
            String::new(),
            drift,
        ];
    };
    vec![
        setting.shown.clone(),
        warm_up.after.shown(),
        ended_by(warm_up),
        warm_up.decline_per_hour.map_or(String::new(), |decline| {
            format!("{} an hour", percent(decline))
        }),
        drift,
    ]
}

/// By what a warm-up ended, in words.
pub(super) fn ended_by(warm_up: &WarmUpFigure) -> String {
    let figure = warm_up
        .figure
        .map_or(String::new(), |figure| format!(" {}", percent(figure)));
    let ended = match (warm_up.stable, warm_up.by.as_str()) {
        (true, "fixed time") => "fixed time".to_owned(),
        (true, by) => format!("{by}{figure}"),
        (false, by) => format!("not stabilised, {by}{figure}"),
    };
    let again = if warm_up.after_seam {
        ", after a break"
    } else {
        ""
    };
    format!("{ended}{again}")
}

/// To a hundredth of a per cent: the drift limit is half of one.
pub(super) fn percent(ratio: Ratio) -> String {
    let text = format!("{:.2}", ratio.percent());
    let text = if text == "-0.00" { "0.00" } else { &text };
    format!("{text} %")
}

/// What must be known beside the tables.
pub fn notes(figures: &SurveyFigures) -> Vec<String> {
    let heading = &figures.heading;
    let mut notes = Vec::new();
    if figures.unfinished {
        notes.push("Not finished: something that the plan asks for is not measured.".to_owned());
    }
    notes.extend(figures.failures.iter().map(|why| format!("Failed: {why}.")));
    let aside = figures.set_aside.iter();
    notes.extend(aside.map(|words| format!("Set aside: {words}.")));
    let certificate = match &heading.certificate {
        Some(certificate) => format!(", certificate {certificate}"),
        None => String::new(),
    };
    notes.push(format!(
        "Meter {}{certificate}. Lux are {}, corrected for the lamp's drift by {}.",
        heading.meter,
        figures.net_of.words(),
        heading.drift_by()
    ));
    notes.push(format!(
        "Nearer than {} (5 times the lamp's face) the light does not fall as the inverse square.",
        heading.near_field.shown(figures.lengths)
    ));
    if let (Some(offset), Some(tolerance)) = (figures.home_offset, figures.home_tolerance) {
        let verdict = if offset.abs() <= tolerance {
            "no step was lost"
        } else {
            "steps were lost: the distances are in doubt"
        };
        notes.push(format!(
            "Homed again at the end: off by {offset}, {verdict}."
        ));
    }
    let mut points = figures.settings.iter().flat_map(|s| &s.points);
    if points.any(|point| point.status() == "not measured") {
        notes.push(format!("{NOT_MEASURED} stands for: not measured."));
    }
    for setting in &figures.settings {
        notes.extend(starred(setting, figures.lengths));
    }
    notes
}

/// What the stars of a setting stand for: each thing once, with its places.
fn starred(setting: &SettingFigures, lengths: LengthUnit) -> Vec<String> {
    let mut said: Vec<(String, Vec<String>)> = Vec::new();
    for point in &setting.points {
        let missing = gap(point).then(|| format!("{} of its readings gave nothing", point.missing));
        for what in missing.into_iter().chain(point.remarks()) {
            let at = point.position.shown(lengths);
            match said.iter_mut().find(|(known, _)| *known == what) {
                Some((_, places)) => places.push(at),
                None => said.push((what, vec![at])),
            }
        }
    }
    let all = setting.points.len();
    let note = |(what, places): (String, Vec<String>)| {
        let at = if places.len() == all && all > 1 {
            "every distance".to_owned()
        } else {
            places.join(", ")
        };
        format!("* {} at {at}: {what}.", setting.shown)
    };
    said.into_iter().map(note).collect()
}

/// Why a survey could not be written in a form for programs.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// The CSV writer failed.
    #[error("the CSV could not be written: {0}")]
    Csv(#[from] csv::Error),
    /// The buffer could not be closed.
    #[error("the CSV could not be finished: {0}")]
    Flush(String),
    /// The JSON writer failed.
    #[error("the JSON could not be written: {0}")]
    Json(#[from] serde_json::Error),
}

const CSV_HEAD: [&str; 21] = [
    "plan",
    "test",
    "lamp",
    "unit",
    "firmware",
    "setting",
    "setting_shown",
    "position_m",
    "illuminance_lx",
    "expanded_uncertainty_lx",
    "coverage_factor",
    "status",
    "limit_lx",
    "n",
    "missing",
    "sd_lx",
    "mean_raw_lx",
    "net_of",
    "drift_share",
    "drift_flagged",
    "flags",
];

/// One row per point (RFC 4180), full precision, empty where there is no
/// value; `status` says why.
///
/// # Errors
/// When the writer fails.
pub fn csv(figures: &[SurveyFigures]) -> Result<String, TableError> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(CSV_HEAD)?;
    for survey in figures {
        for setting in &survey.settings {
            for point in &setting.points {
                writer.write_record(csv_row(survey, setting, point))?;
            }
        }
    }
    let bytes = writer
        .into_inner()
        .map_err(|error| TableError::Flush(error.to_string()))?;
    String::from_utf8(bytes).map_err(|error| TableError::Flush(error.to_string()))
}

fn csv_row(survey: &SurveyFigures, setting: &SettingFigures, point: &PointFigure) -> Vec<String> {
    let number = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
    let heading = &survey.heading;
    let net_of = match survey.net_of {
        super::survey::NetOf::Ambient => "ambient",
        super::survey::NetOf::Dark => "dark",
        super::survey::NetOf::Nothing => "nothing",
    };
    vec![
        harmless(&heading.plan),
        harmless(&survey.test),
        harmless(&heading.lamp),
        harmless(&heading.unit),
        harmless(heading.firmware.as_deref().unwrap_or_default()),
        harmless(&setting.setting),
        harmless(&setting.shown),
        point.position.metres().to_string(),
        number(point.estimate.as_ref().map(|e| e.value)),
        number(point.expanded_lx),
        K.to_string(),
        point.status().to_owned(),
        number(point.over_lx.or(point.under_lx)),
        point.n.to_string(),
        point.missing.to_string(),
        number(point.sd_lx),
        number(point.mean_raw_lx),
        net_of.to_owned(),
        number(setting.drift.map(Ratio::share)),
        setting.drift_flagged.to_string(),
        harmless(&point.remarks().join("; ")),
    ]
}

/// Text that a spreadsheet would take for a formula gets an apostrophe in
/// front (OWASP, CSV injection); numbers are never altered.
fn harmless(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

/// The figures as they are, with every term of every estimate.
///
/// # Errors
/// When the writer fails. A figure that is not finite becomes `null`.
pub fn json(figures: &[SurveyFigures]) -> Result<String, TableError> {
    Ok(serde_json::to_string_pretty(figures)?)
}
