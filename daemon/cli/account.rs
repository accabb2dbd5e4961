//! `account`: the full story behind one printed figure.
//!
//! Called by: run. Not here: the story (the daemon tells it).

use std::fmt::Write as _;
use std::io::Write;

use super::arguments::RunName;
use super::arguments_of_rulings::{self as arguments, Told};
use super::client::Client;
use super::complaint::Complaint;
use super::format;
use super::terminal::printable;
use crate::web::wire::Account;

/// What may stand for the run's number in an id.
const LATEST: &str = "latest.";

/// Prints the account of a figure.
///
/// # Errors
/// No daemon, or no such figure.
pub async fn run(
    client: &Client,
    args: &arguments::Account,
    out: &mut impl Write,
) -> Result<(), Complaint> {
    let id = match args.id.strip_prefix(LATEST) {
        Some(rest) => format!("{}.{rest}", client.number(RunName::Latest).await?),
        None => args.id.clone(),
    };
    let path = format!("/accounts/{}", escaped(&id));
    let account: Account = client.get(&path).await?;
    match args.format {
        Told::Json => format::json(out, &account),
        Told::Text => format::say(out, &printable(&account.text())),
    }
}

/// As a part of a path (RFC 3986, 2.3).
pub fn escaped(part: &str) -> String {
    let mut escaped = String::new();
    for byte in part.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~@".contains(&byte) {
            escaped.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(escaped, "%{byte:02X}");
        }
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::escaped;

    #[test]
    fn an_id_passes_through_a_path() {
        assert_eq!(escaped("12.levels.L07@24in"), "12.levels.L07@24in");
        assert_eq!(escaped("12.a%20b.dark/x?"), "12.a%2520b.dark%2Fx%3F");
        assert_eq!(escaped("é"), "%C3%A9");
    }
}
