//! Another program that has the record open: Python's own SQLite.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// Holds a write transaction open until it is dropped.
pub struct Holder(Child);

const PROGRAM: &str = "
import sqlite3, sys
held = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=30)
held.execute('BEGIN IMMEDIATE')
print('held', flush=True)
sys.stdin.read()
";

/// Begins to write in a record and does not end.
pub fn hold(file: &Path) -> Holder {
    let mut child = Command::new("python3")
        .args(["-c", PROGRAM])
        .arg(file)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3, which the tests' tools need as well");
    let mut said = String::new();
    let out = child.stdout.take().expect("piped");
    BufReader::new(out).read_line(&mut said).expect("a line");
    assert_eq!(said.trim(), "held");
    Holder(child)
}

impl Drop for Holder {
    fn drop(&mut self) {
        // Its transaction goes with it.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
