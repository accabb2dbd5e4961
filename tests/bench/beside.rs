//! The report of a stored run of 10,000 readings beside matplotlib's, each from
//! the same SQLite file to one HTML file, as whole processes that take turns.
//!
//! Ours is this very program started anew ([`write_page`]): open the record,
//! gather, write. Theirs is `tests/peers/report.py`, run by the python that
//! `WAKERAIL_ORACLE_PYTHON` names, with `tests/peers/requirements-report.txt`.
//! Afterwards each point of our chart of lux against distance is looked up in
//! matplotlib's picture of the same figures.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use photometry::measured::Outcome;
use photometry::units::{LengthUnit, Span, Wall};
use serde_json::{Value, json};
use wakerail::plan::frozen::{Frozen, SentText};
use wakerail::plan::itinerary::{Key, Purpose};
use wakerail::report::page::{Page, RunFacts, html};
use wakerail::report::survey::SurveyFigures;
use wakerail::report::{chart, gather, lux_chart};
use wakerail::run::journal::{Body, RunId};
use wakerail::run::ledger::Ledger;
use wakerail::store::open::Store;

use super::{Failed, Times, a_night, examples, frozen};

/// The word that makes this program write one page.
pub const WRITE_PAGE: &str = "write-page";
/// Whole processes of each side.
const ROUNDS: usize = 9;
/// Two pictures put a point at the same place: ours is written in hundredths of
/// a pixel.
const SAME_PLACE_PX: f64 = 0.02;
/// When the run began: 2026-03-01, 20:00 UTC.
const BEGAN_US: i64 = 1_772_395_200_000_000;

/// Both sides' times, and where they put the points.
pub fn rows(runtime: &tokio::runtime::Runtime, folder: &Path, today: &str) -> Result<(), Failed> {
    let record = folder.join("night.db");
    let run = runtime.block_on(stored(&record, today))?;
    let pages = (folder.join("ours.html"), folder.join("theirs.html"));
    let python = std::env::var_os("WAKERAIL_ORACLE_PYTHON").filter(|set| !set.is_empty());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/report.py");
    let mut ours = Vec::new();
    let mut theirs = Vec::new();
    for _ in 0..ROUNDS {
        let mut again = Command::new(std::env::current_exe()?);
        again.arg(WRITE_PAGE).arg(&record).arg(run.0.to_string());
        ours.push(timed(again.arg(&pages.0))?);
        let Some(python) = &python else { continue };
        let mut other = Command::new(python);
        other.arg(&script).arg("page").arg(&record);
        theirs.push(timed(other.arg(run.0.to_string()).arg(&pages.1))?);
    }
    told("ours", ours, &pages.0)?;
    let Some(python) = python else {
        eprintln!(
            "PEERS SKIPPED: the report was NOT timed beside matplotlib. Set WAKERAIL_ORACLE_PYTHON \
             to a python with tests/peers/requirements-report.txt."
        );
        return Ok(());
    };
    told("matplotlib", theirs, &pages.1)?;
    places(runtime, &record, run, &python, &script)
}

/// One whole process, and what it says of its own steps.
fn timed(command: &mut Command) -> Result<(Duration, Value), Failed> {
    let begun = Instant::now();
    let answer = command.output()?;
    let took = begun.elapsed();
    if !answer.status.success() {
        let said = String::from_utf8_lossy(&answer.stderr).into_owned();
        return Err(format!("{:?} failed:\n{said}", command.get_program()).into());
    }
    Ok((took, serde_json::from_slice(&answer.stdout)?))
}

/// A row for the whole process, one for each step.
fn told(whose: &str, all: Vec<(Duration, Value)>, page: &Path) -> Result<(), Failed> {
    let kilobytes = std::fs::metadata(page)?.len().div_ceil(1000);
    let what = format!("{whose}: record to page, whole process, {kilobytes} kB");
    super::row(
        &what,
        Times::of(all.iter().map(|(took, _)| *took).collect()),
    );
    let Some((_, Value::Object(steps))) = all.first() else {
        return Err("it says nothing of its steps".into());
    };
    for step in steps.keys() {
        let seconds = all.iter().filter_map(|(_, said)| said[step].as_f64());
        let times = seconds.map(Duration::from_secs_f64).collect();
        super::row(&format!("  {whose}: {step}"), Times::of(times));
    }
    Ok(())
}

/// Writes the page of a stored run; says how long each step took, in seconds.
pub fn write_page(arguments: &[String]) -> Result<(), Failed> {
    let [record, run, page] = arguments else {
        return Err("write-page RECORD RUN PAGE".into());
    };
    let run = RunId(run.parse()?);
    let begun = Instant::now();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let (surveys, read, gathered) = runtime.block_on(figures(Path::new(record), run))?;
    let text = html(&page_of(run, surveys));
    let rendered = begun.elapsed();
    std::fs::write(page, &text)?;
    let seconds = |to: Duration, from: Duration| (to - from).as_secs_f64();
    let steps = json!({
        "1 open and read": read.as_secs_f64(),
        "2 gather": seconds(gathered, read),
        "3 charts and tables": seconds(rendered, gathered),
        "4 write": seconds(begun.elapsed(), rendered),
    });
    println!("{steps}");
    Ok(())
}

/// The figures, when all was read, and when they were gathered.
async fn figures(
    record: &Path,
    run: RunId,
) -> Result<(Vec<SurveyFigures>, Duration, Duration), Failed> {
    let begun = Instant::now();
    let store = Store::open_read_only(record).await?;
    let whole = store.whole(run).await?.ok_or("no such run")?;
    let read = begun.elapsed();
    let surveys = gather::surveys(&whole.frozen, &whole.readings, &whole.events);
    Ok((surveys, read, begun.elapsed()))
}

fn page_of(run: RunId, surveys: Vec<SurveyFigures>) -> Page {
    let text = |text: &str| text.to_owned();
    Page {
        subject: String::new(),
        measures: Vec::new(),
        run: RunFacts {
            number: run.0,
            state: text("complete"),
            booked: text("2026-03-01 20:00 UTC"),
            begun: text("2026-03-01 20:00 UTC"),
            ended: text("2026-03-02 04:00 UTC"),
            program: text("wakerail"),
            made: text("2026-03-02 08:00 UTC"),
        },
        surveys,
        rulings: Vec::new(),
        other_rulings: Vec::new(),
        derived: Vec::new(),
        remarks: Vec::new(),
        notes: Vec::new(),
    }
}

/// 40 levels at 50 distances, 5 readings each, with all that a night has beside.
fn long_night(today: &str) -> Result<Frozen, Failed> {
    let changed = |text: SentText| SentText {
        text: text
            .text
            .replace("levels: 12", "levels: 40")
            .replace(
                "{from: 6 in, to: 72 in, every: 6 in}",
                "{from: 1.5 in, to: 75 in, every: 1.5 in}",
            )
            .replace("-100 mm", "0 mm"),
        ..text
    };
    let mut texts: Vec<SentText> = examples()?.into_iter().map(changed).collect();
    for text in &mut texts {
        // What rules is timed elsewhere, and asks for levels that are here not.
        if let Some((before, rest)) = text.text.split_once("criteria:") {
            let after = rest.split_once("policies:").map_or("", |(_, after)| after);
            text.text = format!("{before}policies:{after}");
        }
    }
    frozen(&texts, today)
}

/// What the meter says: the closed form of a lamp, a little noise, a room.
fn light(key: &Key, turn: usize) -> f64 {
    let noise = 1.0 + 0.002 * ((turn as f64 * 0.754_877_666).fract() - 0.5);
    let room = 0.3;
    let level: i32 = key
        .setting
        .trim_start_matches(|c: char| !c.is_ascii_digit())
        .parse()
        .unwrap_or(0);
    let d = key.position.metres();
    match key.purpose {
        Purpose::Dark => 0.01,
        Purpose::Ambient => room,
        _ => noise * (0.4 * 1.2_f64.powi(level) / (d * d + 0.004)) + room,
    }
}

/// Such a night in a record of its own.
pub async fn stored(record: &Path, today: &str) -> Result<RunId, Failed> {
    let frozen = long_night(today)?;
    let mut events = a_night(&frozen.itinerary)?;
    for (turn, event) in events.iter_mut().enumerate() {
        let since = Span::from_ms(500 * turn as i64);
        event.at.wall = Wall::from_us(BEGAN_US) + since;
        event.at.mono = event.at.mono + since;
        if let Body::Taken { key, reading } = &mut event.body {
            let lux = light(key, turn);
            reading.outcome = Outcome::Value(lux);
            reading.raw = format!("{lux:+.6E}\r\n").into_bytes();
            (reading.asked, reading.taken) = (event.at, event.at);
        }
    }
    let store = Store::open(record).await?;
    let placement = store.place(&frozen.placement).await?;
    let at = Wall::from_us(BEGAN_US);
    let run = store.book_run(None, &frozen, Some(placement), at).await?;
    let (_, mut link) = store.frozen(run).await?.ok_or("no run")?;
    let mut ledger = store.ledger(run, "boot");
    for event in &events {
        let line = event.line()?;
        link = link.next(&line);
        ledger.append(event, &line, link).await?;
    }
    store.close().await;
    Ok(run)
}

/// Looks each corner of our lines, and each named tick, up in matplotlib's
/// picture of the same figures on the same axes.
fn places(
    runtime: &tokio::runtime::Runtime,
    record: &Path,
    run: RunId,
    python: &std::ffi::OsStr,
    script: &Path,
) -> Result<(), Failed> {
    let (surveys, ..) = runtime.block_on(figures(record, run))?;
    let survey = surveys.first().ok_or("no survey")?;
    let ours = chart::svg(&lux_chart::lux_against_distance(survey));
    let unit = |nm: f64| match survey.lengths {
        LengthUnit::Inches => nm / 25.4e6,
        LengthUnit::Millimetres => nm / 1e6,
    };
    let lines = survey.settings.iter().map(|setting| {
        let points = setting.points.iter().filter_map(|point| {
            let value = point.estimate.as_ref()?.value;
            Some(json!([unit(point.position.nm() as f64), value]))
        });
        json!(points.collect::<Vec<_>>())
    });
    let request = json!({"svg": ours, "lines": lines.collect::<Vec<_>>()});
    let file: PathBuf = record.with_file_name("places.json");
    std::fs::write(&file, request.to_string())?;
    let mut command = Command::new(python);
    let (_, found) = timed(command.arg(script).arg("places").arg(&file))?;
    let figure = |name: &str| found[name].as_f64().ok_or(format!("no {name}: {found}"));
    let (points, ticks) = (figure("points")?, figure("ticks")?);
    let worst = figure("worst_px")?;
    println!(
        "{points} points and {ticks} ticks beside matplotlib's picture: at most {worst:.4} px apart"
    );
    let asked = survey.settings.iter().flat_map(|s| &s.points);
    let asked = asked.filter(|p| p.estimate.is_some()).count();
    if asked == 0 || points != asked as f64 || ticks < 6.0 {
        return Err(format!("{asked} points were to be compared").into());
    }
    if worst > SAME_PLACE_PX {
        return Err("the two pictures put a point at different places".into());
    }
    Ok(())
}
