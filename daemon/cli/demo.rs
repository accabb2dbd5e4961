//! `demo`: the whole job on a simulated bench, through the real client,
//! socket, attendant, drivers and pseudo-terminals.
//!
//! Called by: main. Not here: any shortcut; what it does is what `serve`,
//! `place`, `book`, `watch` and `survey` do.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

use photometry::units::Span;

use super::arguments;
use super::book;
use super::check;
use super::client::Client;
use super::complaint::Complaint;
use super::data_dir::DataDir;
use super::demo_lamps;
use super::format;
use super::rulings;
use super::survey;
use super::terminal::Terminal;
use super::watch;
use crate::service;
use crate::web::wire::{Book, Place, Placement, Run, SurveyAnswer, Text};

/// The seed of the demo's bench.
pub const SEED: u64 = 1;
/// The unit that the demo measures.
const UNIT: &str = "D-17";
/// The name of the bench that it is measured on.
const BENCH_NAME: &str = "strand";
/// The chart's name in the data directory.
const CHART: &str = "lux-against-distance.svg";
/// The report's name there.
const REPORT: &str = "report.html";

/// The example files, embedded.
pub const BENCH: (&str, &str) = (
    "bench-strand.yaml",
    include_str!("../../examples/bench-strand.yaml"),
);
/// The lamp that is placed.
pub const LAMP: (&str, &str) = (
    "lamp-dunlin.yaml",
    include_str!("../../examples/lamp-dunlin.yaml"),
);
/// The plan that is booked.
pub const PLAN: (&str, &str) = (
    "plan-evening-survey.yaml",
    include_str!("../../examples/plan-evening-survey.yaml"),
);

/// A file to send.
pub fn text((name, text): (&str, &str)) -> Text {
    Text {
        name: name.to_owned(),
        text: text.to_owned(),
    }
}

/// Does the whole job and tells about it.
///
/// # Errors
/// Whatever goes wrong on the way; gaps when not everything was measured.
pub async fn run(
    data: Option<PathBuf>,
    args: &arguments::Demo,
    terminal: Terminal,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let began = Instant::now();
    let data = match data {
        Some(path) => DataDir::at(&path),
        None => DataDir::at(&fresh_folder()?),
    };
    if data.database().exists() {
        return Err(Complaint::Option {
            option: "data",
            reason: format!(
                "{} holds a record already, and a demo begins with none; name an empty directory",
                data.path().display()
            ),
        });
    }
    let card = check::card(Path::new(BENCH.0), &text(BENCH))?;
    let mut cards = vec![card.clone()];
    if !args.short {
        for bench in demo_lamps::BENCHES {
            cards.push(check::card(Path::new(bench.0), &text(bench))?);
        }
    }
    let bench_file = keep_examples(&data)?;
    eprintln!(
        "rehearsing bench {} with seed {SEED}; data in {}",
        card.name,
        data.path().display()
    );
    let daemon = service::start(service::Order {
        data: data.clone(),
        cards,
        rehearse: Some(SEED),
    })
    .await?;
    let client = Client::new(&data.socket());
    let mut signals = service::Signals::new()?;
    let measured = measure_all(&client, args, terminal);
    let outcome = tokio::select! {
        outcome = measured => outcome,
        () = signals.next() => {
            daemon.leave_unless_forced(&mut signals).await?;
            return Err(Complaint::DemoLeft { path: data.path().to_owned() });
        }
    };
    let finished = match outcome {
        Ok((run, state, lamps)) => tell_all(&client, &data, args, (run, &lamps), out)
            .await
            .map(|stood_for| (run, state, stood_for)),
        Err(complaint) => Err(complaint),
    };
    let left = daemon.leave_unless_forced(&mut signals).await;
    let (run, state, (runs, hours)) = finished?;
    left?;
    let took =
        Span::from_ms(i64::try_from(began.elapsed().as_millis()).unwrap_or(i64::MAX / 1_000_000));
    eprintln!(
        "this stood for {hours:.1} bench hours of {runs} {} and took {}",
        if runs == 1 { "run" } else { "runs" },
        took.shown()
    );
    eprintln!(
        "look around: wakerail serve --bench {} --rehearse {SEED} --data {}",
        bench_file.display(),
        data.path().display()
    );
    watch::verdict(run, &state)
}

/// The evening survey, and the four lamps unless it is to be short.
async fn measure_all(
    client: &Client,
    args: &arguments::Demo,
    terminal: Terminal,
) -> Result<(i64, String, Vec<demo_lamps::Found>), Complaint> {
    let (run, state) = measure(client, terminal).await?;
    let lamps = match args.short {
        true => Vec::new(),
        false => demo_lamps::measure(client).await?,
    };
    Ok((run, state, lamps))
}

/// Prints what was found; how many runs stood for how many hours at their benches.
async fn tell_all(
    client: &Client,
    data: &DataDir,
    args: &arguments::Demo,
    (run, lamps): (i64, &[demo_lamps::Found]),
    out: &mut impl Write,
) -> Result<(usize, f64), Complaint> {
    tell(client, data, args, run, out).await?;
    if !lamps.is_empty() {
        match args.printed.format {
            arguments::Format::Table => demo_lamps::tell(client, data, lamps, out).await?,
            _ => demo_lamps::tell(client, data, lamps, &mut std::io::stderr()).await?,
        }
    }
    let runs: Vec<Run> = client.get("/runs").await?;
    let lasted = |run: &Run| Some(run.ended.as_ref()?.us - run.begun.as_ref()?.us);
    let us: i64 = runs.iter().filter_map(lasted).sum();
    Ok((runs.len(), us as f64 / 3.6e9))
}

/// Places the lamp, books the plan, looks on; the run and its last state.
async fn measure(client: &Client, terminal: Terminal) -> Result<(i64, String), Complaint> {
    let buttons = [
        ("brighter", "left"),
        ("dimmer", "right"),
        ("power", "round"),
    ];
    let place = Place {
        unit: UNIT.to_owned(),
        lamp: text(LAMP),
        bench: Some(BENCH_NAME.to_owned()),
        place: None,
        firmware: Some("1.0".to_owned()),
        gauge: Some("6 in".to_owned()),
        carriage_at: None,
        fingers: buttons
            .iter()
            .map(|(button, finger)| ((*button).to_owned(), (*finger).to_owned()))
            .collect(),
        who: "demo".to_owned(),
        stated: Default::default(),
    };
    let placement: Placement = client.post("/placements", &place, None).await?;
    eprintln!(
        "placed {} ({}) at {} of {}",
        placement.unit, placement.lamp, placement.place, placement.bench
    );
    let order = Book {
        plan: text(PLAN),
        based_on: None,
        unit: UNIT.to_owned(),
        bench: None,
        lamp: None,
        hold: false,
        scripts: Vec::new(),
    };
    let booked = book::send(client, &order).await?;
    eprint!("{}", book::told(&booked));
    let run = booked.run.run;
    // Means are shown as they land; the table at the end is the data.
    let state = watch::look_on(client, run, terminal, &mut std::io::stderr()).await?;
    Ok((run, state))
}

/// Prints table and record, writes the chart.
async fn tell(
    client: &Client,
    data: &DataDir,
    args: &arguments::Demo,
    run: i64,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let answer: SurveyAnswer = client.get(&format!("/runs/{run}/survey")).await?;
    survey::print(out, args.printed.format, &answer)?;
    for chart in survey::write_charts(&data.path().join(CHART), &answer)? {
        let line = format!("chart: {}\n", chart.display());
        match args.printed.format {
            arguments::Format::Table => format::say(out, &line)?,
            _ => eprint!("{line}"),
        }
    }
    let ruled = rulings::of_run(client, run).await?;
    if args.printed.format == arguments::Format::Table && !ruled.is_empty() {
        format::say(out, "\nRulings\n")?;
        rulings::print(&ruled, args.printed.format, out)?;
    }
    let page = data.path().join(REPORT);
    rulings::write_page(&page, &rulings::page(client, run).await?)?;
    let line = format!("report: {}\n", page.display());
    match args.printed.format {
        arguments::Format::Table => format::say(out, &line)?,
        _ => eprint!("{line}"),
    }
    Ok(())
}

/// Writes the example files beside the data, to look at and to use; the bench
/// file's path.
fn keep_examples(data: &DataDir) -> Result<PathBuf, Complaint> {
    let cannot = |path: PathBuf| |source| Complaint::CannotWrite { path, source };
    std::fs::create_dir_all(data.path()).map_err(cannot(data.path().to_owned()))?;
    for (name, text) in [BENCH, LAMP, PLAN].into_iter().chain(demo_lamps::files()) {
        let path = data.path().join(name);
        std::fs::write(&path, text).map_err(cannot(path.clone()))?;
    }
    Ok(data.path().join(BENCH.0))
}

/// An empty data directory for one demo. It is kept: its chart and its record
/// are there to look at.
fn fresh_folder() -> Result<PathBuf, Complaint> {
    let base = std::env::temp_dir();
    for number in 1..=FOLDERS_AT_MOST {
        let path = base.join(format!("wakerail-demo-{number}"));
        match std::fs::create_dir(&path) {
            Ok(()) => return Ok(path),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(source) => return Err(Complaint::DataDirectory { path, source }),
        }
    }
    Err(Complaint::DataDirectory {
        path: base,
        source: std::io::Error::other(format!("{FOLDERS_AT_MOST} demos are there already")),
    })
}

/// Demos that are kept side by side before an old one must be removed.
const FOLDERS_AT_MOST: u32 = 1000;
