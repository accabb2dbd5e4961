//! Rebuilds the binary when a migration is added (`sqlx::migrate!` reads the
//! folder at compile time and does not notice a new file by itself), and tells
//! it which commit it is made from.

use std::path::Path;
use std::process::Command;

/// Hexadecimal digits of a commit that are shown.
const DIGITS: &str = "--short=12";

fn main() {
    println!("cargo:rerun-if-changed=migrations");
    println!("cargo:rerun-if-changed=build.rs");
    let commit = git(&["rev-parse", DIGITS, "HEAD"]);
    // Each commit and each change of branch adds a line to this file.
    if let Some(log) = git(&["rev-parse", "--git-path", "logs/HEAD"])
        && Path::new(&log).exists()
    {
        println!("cargo:rerun-if-changed={log}");
    }
    // Sources without a history (an archive) build as well.
    let commit = commit.unwrap_or_else(|| "unknown".to_owned());
    println!("cargo:rustc-env=WAKERAIL_COMMIT={commit}");
}

fn git(words: &[&str]) -> Option<String> {
    let done = Command::new("git").args(words).output().ok()?;
    let said = String::from_utf8(done.stdout).ok()?;
    (done.status.success() && !said.trim().is_empty()).then(|| said.trim().to_owned())
}
