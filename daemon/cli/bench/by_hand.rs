//! `bench try`: one verb by hand. What moves needs a person's word first; Ctrl-C
//! breaks it off and makes the device safe.
//!
//! Called by: mod. Not here: what the device is asked, and its limits
//! (`bench::by_hand`).

use std::fmt::Write as _;
use std::io::Write;

use photometry::measured::{Outcome, Reading, latin1};
use photometry::units::{Length, Span};

use super::bytes;
use super::{code, not_opened};
use crate::bench::by_hand::{self as hand, Came, Deed, Device, Done, HOLD, Hand, NotTried, Part};
use crate::bench::failed::{Failed, Kind};
use crate::cli::arguments::Format;
use crate::cli::arguments_of_bench::Try;
use crate::cli::complaint::Complaint;
use crate::cli::format::{self, Cell, Grid};
use crate::cli::terminal::{Terminal, printable};
use crate::cli::{check, text_files, verbs};
use crate::plan::card::Card;
use crate::plan::lamp::ONLY_MODE;
use crate::service::Signals;
use crate::web::wire::utc;

/// Does one thing with one device.
///
/// # Errors
/// What is outside the limits or the device's verbs, nobody's word, Ctrl-C, a
/// device that did not do it.
pub async fn run(args: &Try, terminal: Terminal, out: &mut impl Write) -> Result<(), Complaint> {
    let card = check::card(&args.bench, &text_files::read(&args.bench)?)?;
    let device = hand::device(&card, &args.device).map_err(not_tried)?;
    let deed = deed(&args.verb, &args.arguments)?;
    hand::check(&card, &device, &deed).map_err(not_tried)?;
    if let Some(word) = needed(&card, &deed) {
        take_word(&word, args.way_is_clear, terminal)?;
    }
    // Before anything is opened: from here on Ctrl-C makes safe.
    let mut signals = Signals::new()?;
    let mut hand = Hand::open(&card).map_err(not_opened(&card.name))?;
    let done = tokio::select! {
        done = hand.carry_out(&device.name, &deed) => done,
        () = signals.next() => {
            let left = left(&mut hand, &device, &mut signals).await;
            show_bytes(args, &hand, &device);
            return Err(withdrawn(left?));
        }
    };
    let done = match done {
        Ok(done) => done,
        Err(failed) => {
            let left = match hand.touched() {
                true => format!("; {}", left(&mut hand, &device, &mut signals).await?.0),
                false => String::new(),
            };
            show_bytes(args, &hand, &device);
            return Err(complaint(&device, failed, left));
        }
    };
    let row = row(&device, &args.verb, &done);
    print(args, &hand, &device, &row, out)?;
    let Came::Reading(reading) = &done.came else {
        return Ok(());
    };
    match not_read(&reading.outcome) {
        Some(failed) => Err(complaint(&device, failed, String::new())),
        None => Ok(()),
    }
}

fn not_tried(not: NotTried) -> Complaint {
    Complaint::NotTried {
        why: not.why,
        to_do: not.to_do,
    }
}

fn complaint(device: &Device, failed: Failed, left: String) -> Complaint {
    Complaint::Device {
        device: device.name.clone(),
        kind: failed.kind.word(),
        seen: failed.seen,
        left,
        to_do: failed.kind.to_do(),
        code: code(failed.kind),
    }
}

fn withdrawn((left, safe): (String, bool)) -> Complaint {
    Complaint::HandWithdrawn { left, safe }
}

/// A reading that says nothing of the light is a failure of the meter.
fn not_read(outcome: &Outcome) -> Option<Failed> {
    match outcome {
        Outcome::TimedOut => Some(Failed::new(Kind::Silent, "the reading timed out")),
        Outcome::Rejected(why) => Some(Failed::new(Kind::Garbled, why)),
        _ => None,
    }
}

/// What is typed after a device's name.
fn deed(verb: &str, arguments: &[String]) -> Result<Deed, Complaint> {
    let wrong = |why: String, to_do: &str| Complaint::NotTried {
        why,
        to_do: to_do.to_owned(),
    };
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    Ok(match (verb, arguments.as_slice()) {
        ("read", []) => Deed::Read,
        ("shutter", ["closed"]) => Deed::Shutter(true),
        ("shutter", ["open"]) => Deed::Shutter(false),
        ("press", [finger]) => Deed::Press((*finger).to_owned(), HOLD),
        ("press", [finger, hold]) => {
            let hold = Span::parse(hold)
                .map_err(|error| wrong(error.to_string(), "write a hold such as '120 ms'"))?;
            Deed::Press((*finger).to_owned(), hold)
        }
        ("release", []) => Deed::Release,
        ("home", []) => Deed::Home,
        ("go", [coordinate]) => Deed::Go(
            Length::parse(coordinate)
                .map_err(|error| wrong(error.to_string(), "write a coordinate such as '500 mm'"))?,
        ),
        ("status", []) => Deed::Status,
        ("level", [level]) => Deed::Level(number(level)?, ONLY_MODE.to_owned()),
        ("level", [level, mode]) => Deed::Level(number(level)?, (*mode).to_owned()),
        ("on", [outlet]) => Deed::On((*outlet).to_owned()),
        ("off", []) => Deed::Off,
        (verb, _) if KNOWN.contains(&verb) => {
            let why = match arguments.is_empty() {
                true => format!("`{verb}` needs to know more"),
                false => format!("`{verb}` does not take `{}`", arguments.join(" ")),
            };
            return Err(wrong(why, VERBS));
        }
        _ => return Err(wrong(format!("`{verb}` is no verb of a device"), VERBS)),
    })
}

/// A level as it is typed.
fn number(text: &str) -> Result<u16, Complaint> {
    text.parse().map_err(|_| Complaint::NotTried {
        why: format!("`{text}` is no level"),
        to_do: "write a whole number such as 7".to_owned(),
    })
}

/// All verbs.
const KNOWN: [&str; 10] = [
    "read", "shutter", "press", "release", "home", "go", "status", "level", "on", "off",
];

const VERBS: &str = "a meter knows read, shutter closed, shutter open; fingers know press FINGER \
                     [HOLD], release; the rail knows home, go COORDINATE, status; outlets know on \
                     OUTLET, off; a control knows level NUMBER [MODE], off; the stop button knows read";

/// What a person is asked before something moves.
struct Word {
    /// What may happen if they say yes.
    what: &'static str,
    /// What will happen, in a sentence.
    will: String,
    /// The question.
    asks: &'static str,
}

/// The word that a deed needs; none where nothing moves.
fn needed(card: &Card, deed: &Deed) -> Option<Word> {
    let carriage = |will: String| Word {
        what: "the carriage may move",
        will: format!("the carriage will {will}; a software stop (Ctrl-C) is no emergency stop"),
        asks: "Is its way clear?",
    };
    let speed = card.rail.as_ref().map(|rail| rail.speed.to_string());
    let speed = speed.unwrap_or_default();
    match deed {
        Deed::Home => Some(carriage(
            "move until it finds its home switch, and back a little".to_owned(),
        )),
        Deed::Go(target) => Some(carriage(format!(
            "find its home switch and then go to {target}, at up to {speed}"
        ))),
        Deed::Press(finger, hold) => {
            let coil = hand::coil(card, finger).map_or(String::new(), |coil| coil.to_string());
            Some(Word {
                what: "a finger may press",
                will: format!(
                    "finger `{finger}` (channel {coil}) will press for {} whatever it sits on; \
                     a lamp may light up, brightly or flashing",
                    hold.shown()
                ),
                asks: "May it press?",
            })
        }
        Deed::Level(level, mode) => Some(Word {
            what: "a lamp may light up",
            will: format!(
                "the lamp will be told level {level} of its mode `{mode}`; it may light up, \
                 brightly or flashing"
            ),
            asks: "May it light up?",
        }),
        Deed::On(outlet) => {
            let channel = hand::channel(card, outlet).map_or(String::new(), |on| on.to_string());
            Some(Word {
                what: "an outlet may be switched on",
                will: format!(
                    "outlet `{outlet}` (channel {channel}) will have mains voltage, and whatever \
                     hangs on it comes on; it goes off when the board's watchdog hears nobody"
                ),
                asks: "May it be switched on?",
            })
        }
        Deed::Read | Deed::Shutter(_) | Deed::Release | Deed::Status | Deed::Off => None,
    }
}

/// Says what will move, and takes a person's word for it.
fn take_word(word: &Word, way_is_clear: bool, terminal: Terminal) -> Result<(), Complaint> {
    let Word { what, will, asks } = word;
    eprintln!("{will}");
    if way_is_clear {
        return Ok(());
    }
    let asked = terminal.asks;
    if !asked {
        return Err(Complaint::NoWord { what, asked });
    }
    eprint!("{asks} [y/N] ");
    let mut line = String::new();
    let read = std::io::stderr()
        .flush()
        .and_then(|()| std::io::stdin().read_line(&mut line));
    match read.is_ok() && verbs::is_yes(&line) {
        true => Ok(()),
        false => Err(Complaint::NoWord { what, asked }),
    }
}

/// Makes the device safe; how it is left, and whether that is safe.
///
/// # Errors
/// A second signal, which ends it at once.
async fn left(
    hand: &mut Hand,
    device: &Device,
    signals: &mut Signals,
) -> Result<(String, bool), Complaint> {
    let made = tokio::select! {
        made = hand.make_safe(device) => made,
        () = signals.next() => return Err(Complaint::Forced),
    };
    let seen = match made {
        Ok(()) => None,
        Err(failed) => Some(format!("{}: {}", failed.kind.word(), failed.seen)),
    };
    let told = match (device.part, &seen) {
        (Part::Rail, None) => "the carriage was halted".to_owned(),
        (Part::Fingers, None) => "all fingers are off".to_owned(),
        (Part::Outlets, None) => "all outlets are off".to_owned(),
        (Part::Control, None) => "the lamp was told to go off".to_owned(),
        (Part::Meter | Part::StopButton, _) => "nothing was moving".to_owned(),
        (Part::Rail, Some(seen)) => format!("THE CARRIAGE MAY STILL MOVE ({seen})"),
        (Part::Fingers, Some(seen)) => format!("A FINGER MAY STILL BE DOWN ({seen})"),
        (Part::Outlets, Some(seen)) => format!("AN OUTLET MAY STILL BE ON ({seen})"),
        (Part::Control, Some(seen)) => format!("THE LAMP MAY STILL BE ON ({seen})"),
    };
    Ok((told, seen.is_none()))
}

/// One thing that is told: its column, its cell, and what stands behind it for a
/// person.
type Told = (&'static str, Cell, &'static str);

fn row(device: &Device, verb: &str, done: &Done) -> Vec<Told> {
    let mut row = vec![
        ("device", Cell::text(&device.name), ""),
        ("verb", Cell::text(verb), ""),
        ("identity", Cell::text(&done.identity), ""),
    ];
    match &done.came {
        Came::Reading(reading) => row.extend(read(reading)),
        Came::At(at) => row.push(("at_mm", Cell::number(at.mm()), "mm")),
        Came::Status(said, at) => {
            row.push(("at_mm", Cell::maybe_number(at.map(Length::mm)), "mm"));
            let home = match at {
                Some(_) => "found",
                None => "not found since its port was opened; it moves only after that",
            };
            row.push(("home_switch", Cell::text(home), ""));
            row.push(("said", Cell::text(latin1::text(said).trim_end()), ""));
        }
        Came::Contact(closed) => {
            let word = if *closed { "closed" } else { "open" };
            row.push(("contact", Cell::text(word), ""));
        }
        Came::Done => row.push(("done", Cell::text("yes"), "")),
    }
    if !matches!(done.came, Came::Reading(_)) {
        let took = done.ended.mono.since(done.begun.mono).secs();
        row.push(("begun_utc", Cell::text(utc(done.begun.wall)), ""));
        row.push(("took_s", Cell::number(took), "s"));
    }
    row
}

fn read(reading: &Reading) -> Vec<Told> {
    let number = match reading.outcome {
        Outcome::Value(value) | Outcome::Over(value) | Outcome::Under(value) => Some(value),
        Outcome::TimedOut | Outcome::Rejected(_) => None,
    };
    let took = reading.taken.mono.since(reading.asked.mono).secs();
    vec![
        ("outcome", Cell::text(reading.outcome.kind()), ""),
        ("value_lx", Cell::maybe_number(number), "lx"),
        ("range_lx", Cell::maybe_number(reading.range), "lx"),
        ("flags", Cell::text(reading.flags.join("; ")), ""),
        ("raw_hex", Cell::text(bytes::hex(&reading.raw)), ""),
        (
            "raw_text",
            Cell::text(latin1::text(&reading.raw).trim_end()),
            "",
        ),
        ("asked_utc", Cell::text(utc(reading.asked.wall)), ""),
        ("took_s", Cell::number(took), "s"),
    ]
}

fn show_bytes(args: &Try, hand: &Hand, device: &Device) {
    let (said, not_kept) = hand.traffic(&device.name);
    if args.bytes {
        eprint!("{}", bytes::text(&device.name, &said, not_kept));
    }
}

fn print(
    args: &Try,
    hand: &Hand,
    device: &Device,
    row: &[Told],
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let form = args.printed.format;
    if form == Format::Json {
        let mut data: serde_json::Map<_, _> = row
            .iter()
            .map(|(name, cell, _)| ((*name).to_owned(), value(cell)))
            .collect();
        if args.bytes {
            let said = bytes::data(&hand.traffic(&device.name).0);
            data.insert("traffic".to_owned(), serde_json::json!(said));
        }
        return format::json(out, &data);
    }
    if form == Format::Table {
        format::say(out, &shown(row))?;
    } else {
        let mut grid = Grid::new(row.iter().map(|(name, ..)| *name)).named("tried", &[]);
        grid.row(row.iter().map(|(_, cell, _)| cell.clone()).collect());
        format::print(out, form, &grid, &())?;
    }
    show_bytes(args, hand, device);
    Ok(())
}

fn value(cell: &Cell) -> serde_json::Value {
    match cell {
        Cell::Empty => serde_json::Value::Null,
        Cell::Text(text) => serde_json::json!(text),
        Cell::Number(number) => number
            .parse::<f64>()
            .map_or(serde_json::Value::Null, |number| serde_json::json!(number)),
    }
}

/// A line for each; what is not there is left out.
fn shown(row: &[Told]) -> String {
    let mut text = String::new();
    for (name, cell, unit) in row {
        let value = match cell {
            Cell::Empty => continue,
            Cell::Text(text) if text.is_empty() => continue,
            Cell::Text(text) | Cell::Number(text) => printable(text),
        };
        let name = name.trim_end_matches(&format!("_{unit}")).replace('_', " ");
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{name:<12} {value} {unit}");
    }
    let lines = text.lines().map(str::trim_end);
    lines.collect::<Vec<_>>().join("\n") + "\n"
}
