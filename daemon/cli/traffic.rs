//! `traffic`: what went over the links of a run's devices, piece by piece, so that
//! a long night needs little memory.
//!
//! Called by: run. Not here: the form of the lines (bench::traffic).

use std::io::Write;

use photometry::measured::latin1;
use serde::Serialize;

use super::arguments::{self, Lines};
use super::bench::bytes::hex;
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use super::terminal::printable;
use crate::bench::traffic::{self, FIRST_LINE};
use crate::web::wire::{Piece, PieceText, Problem, problems};

/// What went over a link at one go, as JSON.
#[derive(Debug, Serialize)]
struct Said<'a> {
    run: i64,
    device: &'a str,
    sitting: u32,
    /// Since the run began.
    after_s: f64,
    /// `to` the device, or `from` it.
    way: &'static str,
    hex: String,
    /// One character a byte (Latin-1).
    text: String,
}

/// Bytes that went over a link and were not kept, as JSON.
#[derive(Debug, Serialize)]
struct Missing<'a> {
    run: i64,
    device: &'a str,
    sitting: u32,
    missing_bytes: u64,
}

/// Prints what is kept of a run, or all of one device.
///
/// # Errors
/// No daemon, no such run or device, or output that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Traffic,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let pieces: Vec<Piece> = client.get(&format!("/runs/{run}/traffic")).await?;
    let Some(device) = &args.device else {
        return match args.format {
            Lines::Text => listed(run, &pieces, out),
            Lines::Json => pieces.iter().try_for_each(|piece| line(out, piece)),
        };
    };
    let of_device: Vec<&Piece> = pieces.iter().filter(|p| p.device == *device).collect();
    if of_device.is_empty() {
        return Err(none_kept(run, device, &pieces));
    }
    if args.format == Lines::Text {
        let device = printable(device);
        format::say(
            out,
            &format!(
                "# what went over the link of {device} in run {run}: seconds since the run began, `to` the\n\
                 # device or `from` it, bytes in hexadecimal\n{FIRST_LINE}\n"
            ),
        )?;
    }
    for piece in of_device {
        let path = format!("/runs/{run}/traffic/{}", piece.digest);
        let PieceText { text } = client.get(&path).await?;
        match args.format {
            Lines::Text => as_text(piece, &text, out)?,
            Lines::Json => as_json(piece, &text, out)?,
        }
    }
    Ok(())
}

fn as_text(piece: &Piece, text: &str, out: &mut impl Write) -> Result<(), Complaint> {
    missing(piece.missing_before_bytes, out)?;
    format::say(out, &printable(text))?;
    missing(piece.missing_after_bytes, out)
}

fn missing(bytes: u64, out: &mut impl Write) -> Result<(), Complaint> {
    match bytes {
        0 => Ok(()),
        bytes => format::say(out, &format!("# {bytes} bytes are missing here\n")),
    }
}

fn as_json(piece: &Piece, text: &str, out: &mut impl Write) -> Result<(), Complaint> {
    let missing = |missing_bytes| Missing {
        run: piece.run,
        device: &piece.device,
        sitting: piece.sitting,
        missing_bytes,
    };
    if piece.missing_before_bytes > 0 {
        line(out, &missing(piece.missing_before_bytes))?;
    }
    let lines = traffic::read(text).map_err(|error| Complaint::Answer {
        reason: error.to_string(),
    })?;
    for said in lines {
        let said = Said {
            run: piece.run,
            device: &piece.device,
            sitting: piece.sitting,
            after_s: said.after.secs(),
            way: if said.to_device { "to" } else { "from" },
            hex: hex(&said.bytes),
            text: latin1::text(&said.bytes),
        };
        line(out, &said)?;
    }
    match piece.missing_after_bytes {
        0 => Ok(()),
        bytes => line(out, &missing(bytes)),
    }
}

/// One JSON object on a line of its own.
fn line(out: &mut impl Write, value: &impl Serialize) -> Result<(), Complaint> {
    let text = serde_json::to_string(value).map_err(|error| Complaint::Answer {
        reason: format!("it cannot be written as JSON: {error}"),
    })?;
    format::say(out, &format!("{text}\n"))
}

/// Which devices have something kept, and how much, a row each.
fn listed(run: i64, pieces: &[Piece], out: &mut impl Write) -> Result<(), Complaint> {
    if pieces.is_empty() {
        let nothing = format!(
            "nothing is kept of what went over the links in run {run}: write `traffic: kept` at a port of \
             the bench file and start the daemon anew\n"
        );
        return format::say(out, &nothing);
    }
    let mut grid = Grid::new([
        "device",
        "pieces",
        "sittings",
        "from_s",
        "to_s",
        "bytes",
        "missing_bytes",
        "remarks",
    ]);
    for of_device in pieces.chunk_by(|a, b| a.device == b.device) {
        let (Some(first), Some(last)) = (of_device.first(), of_device.last()) else {
            continue;
        };
        let sum = |of: fn(&Piece) -> u64| of_device.iter().map(of).sum::<u64>();
        let sittings = of_device.chunk_by(|a, b| a.sitting == b.sitting).count();
        let full = of_device.iter().any(|piece| piece.is_full);
        grid.row(vec![
            Cell::text(&first.device),
            Cell::number(of_device.len()),
            Cell::number(sittings),
            Cell::number(format!("{:.3}", first.from_s)),
            Cell::number(format!("{:.3}", last.to_s)),
            Cell::number(sum(|piece| piece.bytes)),
            Cell::number(sum(|p| p.missing_before_bytes + p.missing_after_bytes)),
            Cell::text(if full { "full" } else { "" }),
        ]);
    }
    format::print(out, arguments::Format::Table, &grid, &pieces)
}

fn none_kept(run: i64, device: &str, pieces: &[Piece]) -> Complaint {
    let mut known: Vec<&str> = pieces.iter().map(|piece| piece.device.as_str()).collect();
    known.dedup();
    let hint = match known.as_slice() {
        [] => "write `traffic: kept` at its port in the bench file and start the daemon anew"
            .to_owned(),
        known => format!("of these it is: {}", known.join(", ")),
    };
    Complaint::Refused(Box::new(Problem {
        kind: problems::NO_SUCH_NAME.to_owned(),
        title: format!("nothing is kept of what went over the link of `{device}` in run {run}"),
        status: 404,
        detail: String::new(),
        hints: vec![hint],
    }))
}
