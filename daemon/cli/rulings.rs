//! `rule`, `rulings`, `report`: what the criteria say, again under other
//! limits or another certificate, and the page that shows it all.
//!
//! Called by: run, demo. Not here: ruling (the daemon does).

use std::io::Write;
use std::path::{Path, PathBuf};

use photometry::units::Ratio;

use super::arguments::Format;
use super::arguments_of_rulings as arguments;
use super::book;
use super::client::Client;
use super::complaint::Complaint;
use super::format::{self, Cell, Grid};
use super::text_files;
use crate::web::wire::{Certificate, Report, Rule, Ruling};

/// The longest number of a certificate.
const NUMBER_BYTES_AT_MOST: usize = 64;
/// The word that is asked for of every criterion.
const PASS: &str = "pass";

/// Rules on a run again, and prints the new round.
///
/// # Errors
/// A file that cannot be read, no daemon, its refusal; a criterion that is not
/// a pass.
pub async fn rule(
    client: &Client,
    args: &arguments::Rule,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let certificate = certificate(args)?;
    let mut rule = Rule {
        certificate,
        ..Rule::default()
    };
    if let Some(path) = &args.plan {
        let plan = text_files::read(path)?;
        rule.based_on = book::base_of(&plan, path)?;
        rule.scripts = book::scripts_of(&plan, rule.based_on.as_ref(), path)?;
        rule.plan = Some(plan);
    }
    let path = format!("/runs/{run}/rulings");
    let rulings: Vec<Ruling> = client.post(&path, &rule, None).await?;
    print(&rulings, args.printed.format, out)?;
    verdict(run, &rulings)
}

fn certificate(args: &arguments::Rule) -> Result<Option<Certificate>, Complaint> {
    let Some(number) = &args.certificate else {
        return Ok(None);
    };
    let finite = args.gain.is_none_or(f64::is_finite);
    if !finite || number.trim().is_empty() || number.len() > NUMBER_BYTES_AT_MOST {
        return Err(Complaint::Option {
            option: "certificate",
            reason: "it is a number of at most 64 characters, and its gain a finite one".to_owned(),
        });
    }
    if args.gain.is_none() && args.certificate_u.is_none() {
        return Err(Complaint::Option {
            option: "certificate",
            reason: format!(
                "its number alone changes no figure; add what `{number}` says of the meter: \
                 --gain FACTOR, --certificate-u RATIO, or both"
            ),
        });
    }
    let u = args.certificate_u.as_deref().map(Ratio::parse).transpose();
    let u = u.map_err(|why| Complaint::Option {
        option: "certificate-u",
        reason: why.to_string(),
    })?;
    Ok(Some(Certificate {
        number: number.clone(),
        gain: args.gain,
        u_percent: u.map(Ratio::percent),
    }))
}

/// Prints the rulings of a run: the newest round of its own plan, then of each
/// other plan and certificate; or every round.
///
/// # Errors
/// No daemon, no such run; a criterion of the run's own plan that is not a pass
/// (where it ruled on none: of the newest round).
pub async fn list(
    client: &Client,
    args: &arguments::Rulings,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let mut rulings = of_run(client, run).await?;
    if args.all {
        print(&rulings, args.printed.format, out)?;
    }
    // The run's own rulings come first, trials beside them.
    rulings.retain(|ruling| ruling.latest);
    rulings.sort_by_key(|ruling| (!ruling.own, std::cmp::Reverse(ruling.round)));
    if !args.all {
        print(&rulings, args.printed.format, out)?;
    }
    let official = rulings.first().map(|ruling| ruling.by.clone());
    rulings.retain(|ruling| Some(&ruling.by) == official.as_ref());
    verdict(run, &rulings)
}

/// Every ruling of a run.
///
/// # Errors
/// No daemon, or no such run.
pub async fn of_run(client: &Client, run: i64) -> Result<Vec<Ruling>, Complaint> {
    client.get(&format!("/runs/{run}/rulings")).await
}

/// A criterion that is not a pass ends the command with a code of its own.
fn verdict(run: i64, rulings: &[Ruling]) -> Result<(), Complaint> {
    let criteria = || rulings.iter().filter(|ruling| ruling.word.is_some());
    // A pass from before readings were set aside is none of what is left.
    let passes = |ruling: &&Ruling| ruling.word.as_deref() == Some(PASS) && !ruling.outdated;
    let other = criteria().count() - criteria().filter(passes).count();
    if other == 0 {
        return Ok(());
    }
    Err(Complaint::NotPassed {
        run,
        other,
        of: criteria().count(),
        outdated: criteria().any(|ruling| ruling.outdated),
    })
}

/// Prints rulings in the form that was asked for.
///
/// # Errors
/// When the output cannot be written.
pub fn print(rulings: &[Ruling], form: Format, out: &mut impl Write) -> Result<(), Complaint> {
    match form {
        Format::Json => format::json(out, rulings),
        Format::Csv | Format::Tsv | Format::Csvw => {
            format::print(out, form, &full(rulings), rulings)
        }
        Format::Table if rulings.is_empty() => {
            eprintln!("nothing was ruled on: the plan has no criteria and no metrics");
            Ok(())
        }
        Format::Table => format::say(out, &tables(rulings)),
    }
}

/// One table for each round, named by what ruled where there are several.
fn tables(rulings: &[Ruling]) -> String {
    let rounds: Vec<&[Ruling]> = rulings.chunk_by(|a, b| a.round == b.round).collect();
    if let [only] = rounds.as_slice() {
        return short(only).table();
    }
    let one = |round: &&[Ruling]| {
        let head = round.first().map_or(String::new(), |first| {
            let (by, utc, no) = (&first.by, &first.ruled.utc, first.round);
            format!("by {by}, round {no}, {utc}\n")
        });
        format!("{head}{}", short(round).table())
    };
    rounds.iter().map(one).collect::<Vec<_>>().join("\n")
}

/// As a person reads them.
fn short(rulings: &[Ruling]) -> Grid {
    let mut grid = Grid::new(["id", "name", "test", "ruling", "value", "limit", "because"]);
    for ruling in rulings {
        grid.row(vec![
            Cell::text(&ruling.id),
            Cell::text(&ruling.name),
            Cell::text(&ruling.test),
            Cell::text(word(ruling)),
            Cell::text(&ruling.shown),
            Cell::text(&ruling.limit),
            Cell::text(&ruling.reason),
        ]);
    }
    grid
}

/// The ruling's word; of a run that was not over, it says so.
fn word(ruling: &Ruling) -> String {
    let word = ruling.word.as_deref().unwrap_or("(metric)");
    if ruling.outdated {
        format!("{word} (before readings were set aside or taken back: rule again)")
    } else if ruling.unfinished {
        format!("{word} (unfinished run)")
    } else {
        word.to_owned()
    }
}

/// Everything, for programs.
fn full(rulings: &[Ruling]) -> Grid {
    let mut grid = Grid::new([
        "id",
        "run",
        "round",
        "latest",
        "cause",
        "name",
        "metric",
        "test",
        "word",
        "value",
        "expanded_uncertainty",
        "unit",
        "limit",
        "rule",
        "reason",
        "script",
        "script_digest",
        "given",
        "unfinished",
        "certificate",
        "program",
        "ruled_utc",
        "ruled_us",
        "own",
        "by",
    ]);
    for ruling in rulings {
        let given = ruling
            .given
            .iter()
            .map(|(name, value)| format!("{name}={value}"));
        grid.row(vec![
            Cell::text(&ruling.id),
            Cell::number(ruling.run),
            Cell::number(ruling.round),
            Cell::text(ruling.latest.to_string()),
            Cell::text(&ruling.cause),
            Cell::text(&ruling.name),
            Cell::text(ruling.metric.to_string()),
            Cell::text(&ruling.test),
            Cell::maybe_text(ruling.word.as_deref()),
            Cell::maybe_number(ruling.value),
            Cell::maybe_number(ruling.expanded),
            Cell::text(&ruling.unit),
            Cell::text(&ruling.limit),
            Cell::text(&ruling.rule),
            Cell::text(&ruling.reason),
            Cell::text(&ruling.script),
            Cell::text(&ruling.script_digest),
            Cell::text(given.collect::<Vec<_>>().join("; ")),
            Cell::text(ruling.unfinished.to_string()),
            Cell::maybe_text(ruling.certificate.as_deref()),
            Cell::text(&ruling.program),
            Cell::text(&ruling.ruled.utc),
            Cell::number(ruling.ruled.us),
            Cell::text(ruling.own.to_string()),
            Cell::text(&ruling.by),
        ]);
    }
    grid
}

/// Writes a run's report into a file, or to stdout for `-`.
///
/// # Errors
/// No daemon, no such run, or a file that cannot be written.
pub async fn report(
    client: &Client,
    args: &arguments::Report,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let run = client.number(args.run.run).await?;
    let html = page(client, run).await?;
    match args.to.as_deref() {
        Some(path) if path == Path::new("-") => format::say(out, &html),
        path => {
            let path =
                path.map_or_else(|| PathBuf::from(format!("run-{run}.html")), Path::to_owned);
            write_page(&path, &html)?;
            format::say(out, &format!("{}\n", path.display()))
        }
    }
}

/// A run's page.
///
/// # Errors
/// No daemon, or no such run.
pub async fn page(client: &Client, run: i64) -> Result<String, Complaint> {
    let report: Report = client.get(&format!("/runs/{run}/report")).await?;
    Ok(report.html)
}

/// Writes a page into a file.
///
/// # Errors
/// When it cannot be written.
pub fn write_page(path: &Path, html: &str) -> Result<(), Complaint> {
    std::fs::write(path, html).map_err(|source| Complaint::CannotWrite {
        path: path.to_owned(),
        source,
    })
}
