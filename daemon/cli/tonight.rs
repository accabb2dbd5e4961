//! `tonight`: what a person must do before going to bed.
//!
//! Called by: run. Not here: the sheet (the daemon makes it).

use std::io::Write;

use super::arguments_of_evening as arguments;
use super::arguments_of_rulings::Told;
use super::client::Client;
use super::complaint::Complaint;
use super::format;
use super::terminal::printable;
use crate::web::wire::Tonight;

/// Prints the evening sheet.
///
/// # Errors
/// No daemon, or output that cannot be written.
pub async fn run(
    client: &Client,
    args: &arguments::Tonight,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let sheet: Tonight = client.get("/tonight").await?;
    match args.format {
        Told::Json => format::json(out, &sheet),
        Told::Text => format::say(out, &printable(&sheet.text())),
    }
}
