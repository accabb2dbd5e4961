//! The second part of `demo`: four invented lamps, each measured in a sphere and then
//! before a rail, by one plan that holds every kind of test.
//!
//! What a person would do at the benches (lamps put into the sphere, levels of a lamp
//! without fingers, an alarm in the evening) is done by a stand-in, which answers
//! each question as it comes; the first is printed. Called by: demo. Not here: the
//! figures (report, in the daemon), the table (demo_table).

use std::io::Write;

use super::client::Client;
use super::complaint::Complaint;
use super::data_dir::DataDir;
use super::demo_table;
use super::findings::{Finding, findings};
use super::format;
use super::rulings;
use super::terminal::printable;
use super::{book, demo};
use crate::web::wire::figures::Measure;
use crate::web::wire::{Answer, Book, Place, Placement, Progress, Run, Survey, SurveyAnswer};

/// The benches' files.
pub const BENCHES: [(&str, &str); 2] = [
    (
        "bench-dune-sphere.yaml",
        include_str!("../../examples/bench-dune-sphere.yaml"),
    ),
    (
        "bench-shore.yaml",
        include_str!("../../examples/bench-shore.yaml"),
    ),
];
/// The plan: booked once for each lamp, it is two runs.
const PLAN: (&str, &str) = (
    "plan-tour.yaml",
    include_str!("../../examples/plan-tour.yaml"),
);
/// The benches' names.
const BENCH_NAMES: [&str; 2] = ["dune", "shore"];

/// A lamp of the demo.
struct Lamp {
    unit: &'static str,
    file: (&'static str, &'static str),
    fingers: &'static [(&'static str, &'static str)],
}

const BUTTONS: &[(&str, &str)] = &[
    ("brighter", "left"),
    ("dimmer", "right"),
    ("power", "round"),
];
const WITH_DUSK: &[(&str, &str)] = &[
    ("brighter", "left"),
    ("dimmer", "right"),
    ("power", "round"),
    ("dusk", "lower"),
];
const WITH_BOTH: &[(&str, &str)] = &[
    ("brighter", "left"),
    ("dimmer", "right"),
    ("power", "round"),
    ("dawn", "upper"),
    ("dusk", "lower"),
];

/// All of them.
const LAMPS: [Lamp; 4] = [
    Lamp {
        unit: "K-1",
        file: (
            "lamp-knot.yaml",
            include_str!("../../examples/lamp-knot.yaml"),
        ),
        fingers: &[],
    },
    Lamp {
        unit: "G-1",
        file: (
            "lamp-godwit.yaml",
            include_str!("../../examples/lamp-godwit.yaml"),
        ),
        fingers: BUTTONS,
    },
    Lamp {
        unit: "S-1",
        file: (
            "lamp-stint.yaml",
            include_str!("../../examples/lamp-stint.yaml"),
        ),
        fingers: WITH_DUSK,
    },
    Lamp {
        unit: "P-1",
        file: (
            "lamp-plover.yaml",
            include_str!("../../examples/lamp-plover.yaml"),
        ),
        fingers: WITH_BOTH,
    },
];

/// The files that are kept beside the data.
pub fn files() -> impl Iterator<Item = (&'static str, &'static str)> {
    let lamps = LAMPS.iter().map(|lamp| lamp.file);
    BENCHES.into_iter().chain([PLAN]).chain(lamps)
}

/// What was found of a lamp.
pub struct Found {
    /// Its name.
    pub lamp: String,
    /// Its runs: in the sphere, on the rail.
    pub runs: Vec<Finished>,
    /// Illuminances on the rail.
    pub survey: Option<Survey>,
    /// All other figures, of both runs.
    pub measures: Vec<Measure>,
    stands_out: Vec<Finding>,
}

/// A run that is over.
pub struct Finished {
    /// Its number.
    pub run: i64,
    /// How it ended.
    pub state: String,
    bench: &'static str,
}

/// Measures all of them, one after another.
///
/// # Errors
/// Whatever goes wrong on the way.
pub async fn measure(client: &Client) -> Result<Vec<Found>, Complaint> {
    let mut all = Vec::new();
    for lamp in &LAMPS {
        all.push(one(client, lamp).await?);
    }
    Ok(all)
}

async fn one(client: &Client, lamp: &Lamp) -> Result<Found, Complaint> {
    let (mut runs, mut measures) = (Vec::new(), Vec::new());
    let [sphere, rail] = BENCH_NAMES;
    let name = placed(client, lamp, sphere).await?.lamp;
    let order = Book {
        plan: demo::text(PLAN),
        based_on: None,
        unit: lamp.unit.to_owned(),
        bench: Some(sphere.to_owned()),
        lamp: None,
        hold: false,
        scripts: Vec::new(),
    };
    let booked = book::send(client, &order).await?;
    eprint!("\n{}", book::told(&booked));
    let other = booked.other_part.map(|other| other.run);
    for (bench, run) in [(sphere, Some(booked.run.run)), (rail, other)] {
        let Some(run) = run else { continue };
        if bench == rail {
            placed(client, lamp, rail).await?;
            let _: Run = client
                .post(&format!("/runs/{run}/release"), &(), None)
                .await?;
            eprintln!(
                "  {} was carried to bench {rail}; run {run} goes on there",
                lamp.unit
            );
        }
        let state = stand_in(client, run).await?;
        let found: Vec<Measure> = client.get(&format!("/runs/{run}/figures")).await?;
        measures.extend(found);
        runs.push(Finished { run, state, bench });
    }
    let survey = match runs.last() {
        Some(last) => {
            let path = format!("/runs/{}/survey", last.run);
            Some(client.get::<SurveyAnswer>(&path).await?.survey)
        }
        None => None,
    };
    Ok(Found {
        lamp: name,
        runs,
        stands_out: findings(survey.as_ref(), &measures),
        survey,
        measures,
    })
}

/// Puts a lamp on a bench.
async fn placed(client: &Client, lamp: &Lamp, bench: &str) -> Result<Placement, Complaint> {
    let in_sphere = bench == BENCH_NAMES[0];
    // The sphere has fingers for levels and power alone.
    let fingers = lamp.fingers.iter();
    let fingers = fingers.filter(|pair| !in_sphere || BUTTONS.contains(pair));
    let fingers = fingers.map(|(button, finger)| ((*button).to_owned(), (*finger).to_owned()));
    let place = Place {
        unit: lamp.unit.to_owned(),
        lamp: demo::text(lamp.file),
        bench: Some(bench.to_owned()),
        place: None,
        firmware: Some("1.0".to_owned()),
        gauge: (!in_sphere).then(|| "6 in".to_owned()),
        carriage_at: None,
        fingers: fingers.collect(),
        who: "demo".to_owned(),
        stated: Default::default(),
    };
    client.post("/placements", &place, None).await
}

/// Answers each question of a run as it comes, until the run is over; its state.
async fn stand_in(client: &Client, run: i64) -> Result<String, Complaint> {
    let mut events = client.events(&format!("/runs/{run}/events")).await?;
    let mut answered = 0;
    while let Some(event) = events.next().await? {
        if event.name != "progress" {
            continue;
        }
        let progress: Progress =
            serde_json::from_str(&event.data).map_err(|error| Complaint::Answer {
                reason: error.to_string(),
            })?;
        if progress.is_over {
            if answered > 0 {
                eprintln!("  a person was asked {answered} times");
            }
            return Ok(progress.state);
        }
        let Some(question) = &progress.asks else {
            continue;
        };
        if answered == 0 {
            eprintln!(
                "  a person does what is asked, first: {}",
                printable(question)
            );
        }
        let text = "done".to_owned();
        let path = format!("/runs/{run}/answer");
        let told: Result<Run, Complaint> = client.post(&path, &Answer { text }, None).await;
        // A question that is told twice was answered the first time.
        answered += u32::from(told.is_ok());
    }
    Err(Complaint::DaemonLeft { run })
}

/// Prints them beside each other, and writes a report of each.
///
/// # Errors
/// Output or a file that cannot be written.
pub async fn tell(
    client: &Client,
    data: &DataDir,
    found: &[Found],
    out: &mut impl Write,
) -> Result<(), Complaint> {
    format::say(out, "\nFour lamps, the same plans\n")?;
    format::say(out, &demo_table::of(found).table())?;
    format::say(out, "\nWhat stands out; no verdict\n")?;
    for one in found {
        let says: Vec<&str> = one
            .stands_out
            .iter()
            .map(|found| found.says.as_str())
            .collect();
        let says = match says.is_empty() {
            true => "nothing".to_owned(),
            false => says.join("; "),
        };
        format::say(out, &format!("  {}: {}\n", one.lamp, printable(&says)))?;
    }
    for one in found {
        for finished in &one.runs {
            let name = format!("report-{}-{}.html", one.lamp, finished.bench);
            let page = data.path().join(name);
            rulings::write_page(&page, &rulings::page(client, finished.run).await?)?;
            format::say(out, &format!("report: {}\n", page.display()))?;
        }
    }
    Ok(())
}
