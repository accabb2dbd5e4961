//! `bench probe`: each port in turn, what is there and what to do.
//!
//! Called by: mod. Not here: what is asked (`bench::probe`).

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write;

use photometry::units::Span;
use serde::Serialize;

use super::bytes::{self, Bytes};
use super::{code, not_opened};
use crate::bench::by_hand::{Device, Hand, devices};
use crate::bench::failed::Failed;
use crate::bench::probe::{Found, QUESTIONS};
use crate::cli::arguments::Format;
use crate::cli::arguments_of_bench::Probe;
use crate::cli::complaint::Complaint;
use crate::cli::exit_codes::ExitCode;
use crate::cli::format::{self, Cell, Grid};
use crate::cli::terminal::{Terminal, printable};
use crate::cli::{check, text_files};

/// A device as JSON.
#[derive(Debug, Serialize)]
struct Row {
    device: String,
    ready: bool,
    port: String,
    address: String,
    profile: Option<String>,
    settings: BTreeMap<String, String>,
    identity: Option<String>,
    serial: Option<String>,
    serial_demanded: Option<String>,
    least_s: Option<f64>,
    median_s: Option<f64>,
    largest_s: Option<f64>,
    complaints: Vec<String>,
    failure: Option<&'static str>,
    seen: Option<String>,
    to_do: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    traffic: Option<Vec<Bytes>>,
}

/// Opens each port in turn and tells what is there.
///
/// # Errors
/// Mistakes of the bench file; devices that are not ready, when all were told.
pub async fn run(args: &Probe, terminal: Terminal, out: &mut impl Write) -> Result<(), Complaint> {
    let card = check::card(&args.bench, &text_files::read(&args.bench)?)?;
    let mut hand = Hand::open(&card).map_err(not_opened(&card.name))?;
    let form = args.printed.format;
    let (mut rows, mut failures) = (Vec::new(), Vec::new());
    for device in devices(&card) {
        let found = hand.probe(&device).await;
        if form == Format::Table {
            format::say(out, &told(&device, &found, terminal))?;
        }
        let (said, not_kept) = hand.traffic(&device.name);
        let mut row = row(&device, &found);
        match form {
            _ if !args.bytes => {}
            Format::Json => row.traffic = Some(bytes::data(&said)),
            _ => eprint!("{}", bytes::text(&device.name, &said, not_kept)),
        }
        rows.push(row);
        failures.extend(found.failed);
    }
    if form != Format::Table {
        format::print(out, form, &grid(&rows), &rows)?;
    }
    match ended(&failures) {
        None => Ok(()),
        Some(code) => Err(Complaint::Devices {
            failed: failures.len(),
            of: rows.len(),
            code,
        }),
    }
}

/// Failures of one kind have its code, others that of a failed exchange.
fn ended(failures: &[Failed]) -> Option<ExitCode> {
    let mut codes = failures.iter().map(|failed| code(failed.kind));
    let first = codes.next()?;
    Some(match codes.all(|other| other == first) {
        true => first,
        false => ExitCode::Io,
    })
}

/// To a tenth of a millisecond.
fn ms(span: Span) -> String {
    format!("{:.1} ms", span.secs() * 1e3)
}

fn told(device: &Device, found: &Found, terminal: Terminal) -> String {
    let state = found.failed.as_ref().map_or("ready", |f| f.kind.word());
    let mut rows = vec![("port", format!("{} ({})", device.port, device.address))];
    if let Some(profile) = &device.profile {
        rows.push(("profile", profile.clone()));
    }
    if let Some(given) = device.given() {
        rows.push(("settings", given));
    }
    if let Some(identity) = &found.identity {
        rows.push(("identity", identity.clone()));
        let serial = match (&found.serial, &device.demanded) {
            (None, _) => "not told".to_owned(),
            (Some(serial), None) => format!("{serial} (the bench file demands none)"),
            (Some(serial), Some(demanded)) if serial == demanded => {
                format!("{serial}, as the bench file demands")
            }
            (Some(serial), Some(demanded)) => {
                format!("{serial}, and the bench file demands {demanded}")
            }
        };
        rows.push(("serial", serial));
    }
    if let Some(trips) = found.trips {
        let (least, median, largest) = (ms(trips.least), ms(trips.median), ms(trips.largest));
        rows.push((
            "answers in",
            format!("{median} (least {least}, largest {largest}; {QUESTIONS} questions)"),
        ));
    }
    if found.failed.is_none() {
        let none = || "none".to_owned();
        let complaints = found.complaints.join("; ");
        let complaints = Some(complaints).filter(|c| !c.is_empty());
        rows.push(("complaints", complaints.unwrap_or_else(none)));
    }
    if let Some(failed) = &found.failed {
        rows.push(("seen", failed.seen.clone()));
        rows.push(("do", failed.kind.to_do().to_owned()));
    }
    let mut text = format!("{}: {state}\n", terminal.bold(&device.name));
    for (name, value) in rows {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "  {name:<11} {}", printable(&value));
    }
    text
}

fn row(device: &Device, found: &Found) -> Row {
    let secs = |span: Option<Span>| span.map(Span::secs);
    let failed = found.failed.as_ref();
    Row {
        device: device.name.clone(),
        ready: failed.is_none(),
        port: device.port.clone(),
        address: device.address.clone(),
        profile: device.profile.clone(),
        settings: device
            .settings
            .iter()
            .map(|one| (one.name.clone(), one.value.clone()))
            .collect(),
        identity: found.identity.clone(),
        serial: found.serial.clone(),
        serial_demanded: device.demanded.clone(),
        least_s: secs(found.trips.map(|trips| trips.least)),
        median_s: secs(found.trips.map(|trips| trips.median)),
        largest_s: secs(found.trips.map(|trips| trips.largest)),
        complaints: found.complaints.clone(),
        failure: failed.map(|failed| failed.kind.word()),
        seen: failed.map(|failed| failed.seen.clone()),
        to_do: failed.map(|failed| failed.kind.to_do()),
        traffic: None,
    }
}

/// Settings in one cell.
fn words(settings: &BTreeMap<String, String>) -> String {
    let settings = settings.iter();
    let settings = settings.map(|(name, value)| format!("{name} {value}"));
    settings.collect::<Vec<_>>().join("; ")
}

fn grid(rows: &[Row]) -> Grid {
    let mut grid = Grid::new([
        "device",
        "ready",
        "port",
        "address",
        "profile",
        "settings",
        "identity",
        "serial",
        "serial_demanded",
        "least_s",
        "median_s",
        "largest_s",
        "complaints",
        "failure",
        "seen",
        "to_do",
    ])
    .named("devices", &["device"]);
    for row in rows {
        grid.row(vec![
            Cell::text(&row.device),
            Cell::text(row.ready.to_string()),
            Cell::text(&row.port),
            Cell::text(&row.address),
            Cell::maybe_text(row.profile.as_deref()),
            Cell::text(words(&row.settings)),
            Cell::maybe_text(row.identity.as_deref()),
            Cell::maybe_text(row.serial.as_deref()),
            Cell::maybe_text(row.serial_demanded.as_deref()),
            Cell::maybe_number(row.least_s),
            Cell::maybe_number(row.median_s),
            Cell::maybe_number(row.largest_s),
            Cell::text(row.complaints.join("; ")),
            Cell::maybe_text(row.failure),
            Cell::maybe_text(row.seen.as_deref()),
            Cell::maybe_text(row.to_do),
        ]);
    }
    grid
}
