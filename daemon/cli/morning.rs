//! `morning`: what was done, and what needs a person now.
//!
//! Called by: run. Not here: the sheet (the daemon makes it).

use std::io::Write;

use super::account::escaped;
use super::arguments_of_evening as arguments;
use super::arguments_of_rulings::Told;
use super::client::Client;
use super::complaint::Complaint;
use super::format;
use super::terminal::printable;
use crate::web::wire::Morning;

/// Prints the morning sheet.
///
/// # Errors
/// No daemon, a time that is not understood, or output that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Morning,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let path = match &args.since {
        Some(since) => format!("/morning?since={}", escaped(since)),
        None => "/morning".to_owned(),
    };
    let sheet: Morning = client.get(&path).await?;
    match args.format {
        Told::Json => format::json(out, &sheet),
        Told::Text => format::say(out, &printable(&sheet.text())),
    }
}
