//! Finds the oracles' python, hands it a request, reads its answer.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// The python, or none when the oracles are not asked; says so loudly.
pub fn python(what: &str) -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
    if let Some(python) = set("WAKERAIL_ORACLE_PYTHON") {
        return Some(PathBuf::from(python));
    }
    let required = set("WAKERAIL_PEERS_REQUIRED").is_some_and(|value| value != "0");
    assert!(
        !required,
        "{what}: WAKERAIL_PEERS_REQUIRED is set, WAKERAIL_ORACLE_PYTHON is not"
    );
    // Written, not printed: what a passing test prints is not shown.
    let said = writeln!(
        std::io::stderr(),
        "PEERS SKIPPED: {what} were NOT held against the oracles. Set WAKERAIL_ORACLE_PYTHON \
         to a python with tests/peers/requirements.txt (.ci/run makes one)."
    );
    said.expect("standard error takes it");
    None
}

/// A file of this test's own, for what is handed over.
pub fn handed(name: &str) -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(name)
}

/// Runs an oracle on a request.
pub fn ask(python: &Path, script: &str, request: &Value) -> Value {
    let file = handed(&format!("{script}.json"));
    std::fs::write(&file, request.to_string()).expect("the request is written");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/peers");
    let answer = Command::new(python)
        .arg(folder.join(script))
        .arg(&file)
        .output()
        .unwrap_or_else(|why| panic!("{} does not start: {why}", python.display()));
    let said = String::from_utf8_lossy(&answer.stderr);
    assert!(answer.status.success(), "{script} failed:\n{said}");
    serde_json::from_slice(&answer.stdout).expect("the oracle answers in JSON")
}

/// Samples as raw numbers of eight bytes, low byte first: millions of them are
/// too many for text.
pub fn raw(name: &str, waves: &[&[f64]]) -> PathBuf {
    let file = handed(name);
    let bytes: Vec<u8> = waves
        .iter()
        .flat_map(|samples| samples.iter().flat_map(|sample| sample.to_le_bytes()))
        .collect();
    std::fs::write(&file, bytes).expect("the samples are written");
    file
}
