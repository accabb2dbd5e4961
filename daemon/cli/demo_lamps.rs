//! The second part of `demo`: four invented lamps, each measured by one plan that
//! holds every kind of test, and set beside each other at the end.
//!
//! What a person would do at the bench (levels of a lamp without fingers, an alarm
//! in the evening) is done by a stand-in, which answers each question as it comes;
//! each is printed. Called by: demo. Not here: the figures (report, in the daemon).

use std::io::Write;

use super::client::Client;
use super::complaint::Complaint;
use super::data_dir::DataDir;
use super::findings::{self, Finding, findings};
use super::format::{self, Cell, Grid};
use super::rulings;
use super::terminal::printable;
use super::{book, demo};
use crate::web::wire::figures::Measure;
use crate::web::wire::{Answer, Book, Place, Placement, Progress, Run, Survey, SurveyAnswer};

/// The bench's file.
pub const BENCH: (&str, &str) = (
    "bench-shore.yaml",
    include_str!("../../examples/bench-shore.yaml"),
);
/// The plan that each of them is measured by.
pub const PLAN: (&str, &str) = (
    "plan-tour.yaml",
    include_str!("../../examples/plan-tour.yaml"),
);
/// The bench's name.
const BENCH_NAME: &str = "shore";

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
    [BENCH, PLAN].into_iter().chain(lamps)
}

/// What was found of a lamp.
pub struct Found {
    lamp: String,
    run: i64,
    state: String,
    survey: Option<Survey>,
    measures: Vec<Measure>,
    stands_out: Vec<Finding>,
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
    let fingers = lamp.fingers.iter();
    let place = Place {
        unit: lamp.unit.to_owned(),
        lamp: demo::text(lamp.file),
        bench: Some(BENCH_NAME.to_owned()),
        place: None,
        firmware: Some("1.0".to_owned()),
        gauge: Some("6 in".to_owned()),
        carriage_at: None,
        fingers: fingers
            .map(|(button, finger)| ((*button).to_owned(), (*finger).to_owned()))
            .collect(),
        who: "demo".to_owned(),
        stated: Default::default(),
    };
    let placement: Placement = client.post("/placements", &place, None).await?;
    let order = Book {
        plan: demo::text(PLAN),
        based_on: None,
        unit: lamp.unit.to_owned(),
        bench: Some(BENCH_NAME.to_owned()),
        lamp: None,
        hold: false,
        scripts: Vec::new(),
    };
    let booked = book::send(client, &order).await?;
    eprint!("\n{}", book::told(&booked));
    let run = booked.run.run;
    let state = stand_in(client, run).await?;
    let answer: SurveyAnswer = client.get(&format!("/runs/{run}/survey")).await?;
    let measures: Vec<Measure> = client.get(&format!("/runs/{run}/figures")).await?;
    let survey = Some(answer.survey);
    Ok(Found {
        lamp: placement.lamp,
        run,
        state,
        stands_out: findings(survey.as_ref(), &measures),
        survey,
        measures,
    })
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
    format::say(out, "\nFour lamps, the same plan\n")?;
    format::say(out, &table(found).table())?;
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
        let page = data.path().join(format!("report-{}.html", one.lamp));
        rulings::write_page(&page, &rulings::page(client, one.run).await?)?;
        format::say(out, &format!("report: {}\n", page.display()))?;
    }
    Ok(())
}

fn table(found: &[Found]) -> Grid {
    let mut grid = Grid::new([
        "lamp",
        "run",
        "full_lx_12in",
        "cct_k",
        "worst_duv",
        "ra",
        "melanopic_der",
        "worst_flicker_percent",
        "dawn_t50_s",
        "dawn_lux_min",
        "dusk_t10_s",
        "state",
    ]);
    for one in found {
        let spectra = |name| findings::values(&one.measures, "spectrum", name);
        let most = |values: &mut dyn Iterator<Item = f64>| {
            values.max_by(|a, b| a.abs().total_cmp(&b.abs()))
        };
        let program = |way: &str, name: &str| {
            let mut ramps = one.measures.iter();
            let ramp = ramps.find(|measure| measure.of.starts_with(way))?;
            findings::figure(ramp, name)?.value
        };
        let full = one.survey.as_ref().and_then(|survey| {
            let nearest = survey.cells.iter().map(|cell| cell.position_m);
            let nearest = nearest.fold(f64::INFINITY, f64::min);
            let near = survey
                .cells
                .iter()
                .filter(|cell| cell.position_m == nearest);
            near.filter_map(|cell| cell.illuminance_lx).reduce(f64::max)
        });
        let (least, largest) = (
            spectra("cct_k").reduce(f64::min),
            spectra("cct_k").reduce(f64::max),
        );
        let cct = least.zip(largest).map(|(a, b)| match b - a < 50.0 {
            true => format!("{a:.0}"),
            false => format!("{a:.0} to {b:.0}"),
        });
        let round = |digits: usize| move |value: f64| format!("{value:.digits$}");
        grid.row(vec![
            Cell::text(&one.lamp),
            Cell::number(one.run),
            Cell::maybe_number(full.map(round(0))),
            cct.map_or(Cell::Empty, Cell::Number),
            Cell::maybe_number(most(&mut spectra("duv")).map(round(4))),
            Cell::maybe_number(spectra("ra").reduce(f64::min).map(round(1))),
            Cell::maybe_number(spectra("melanopic_der").reduce(f64::max).map(round(3))),
            Cell::maybe_number(
                findings::values(&one.measures, "flicker", "percent_flicker")
                    .reduce(f64::max)
                    .map(round(1)),
            ),
            Cell::maybe_number(program("dawn", "t50_s").map(round(0))),
            Cell::maybe_number(program("dawn", "dose_lux_min").map(round(0))),
            Cell::maybe_number(program("dusk", "t10_s").map(round(0))),
            Cell::text(&one.state),
        ]);
    }
    grid
}
