//! Inputs that are kept because each leads where no other one does, or because it
//! once failed, each with what must come of it.
//!
//! ```text
//!  corpus/READER/NAME.txt|hex   the input: a text, or bytes in hexadecimal
//!  corpus/READER/told           `NAME: what the reader makes of it`, a line each
//! ```
//!
//! `WAKERAIL_UPDATE_CORPUS=1 cargo test --test texts corpus` writes `told` anew:
//! read the difference.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::readings::{READINGS, Reading, Written};

/// All of them together, in bytes.
const CORPUS_AT_MOST_BYTES: u64 = 200_000;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/texts/corpus")
}

/// The inputs of one reader, by name.
///
/// # Panics
/// When a file is none, or not written as the reader's files are.
pub fn inputs(reading: &Reading) -> BTreeMap<String, Vec<u8>> {
    let (name, written, _) = reading;
    let ending = match written {
        Written::Text => "txt",
        Written::Hex => "hex",
    };
    let mut found = BTreeMap::new();
    let entries = fs::read_dir(folder().join(name)).expect("a folder for each reader");
    for entry in entries {
        let path = entry.expect("an entry").path();
        if path.file_name().is_some_and(|file| file == "told") {
            continue;
        }
        let right = path.extension().is_some_and(|found| found == ending);
        assert!(right, "{} does not end with .{ending}", path.display());
        let bytes = fs::read(&path).expect("a file");
        let stem = path.file_stem().expect("a name").to_string_lossy();
        let bytes = match written {
            Written::Text => bytes,
            Written::Hex => hex(&bytes).unwrap_or_else(|| panic!("{}", path.display())),
        };
        found.insert(stem.into_owned(), bytes);
    }
    found
}

/// Pairs of hexadecimal digits, blanks between them; `78*4096` is so many of one.
fn hex(text: &[u8]) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    for word in std::str::from_utf8(text).ok()?.split_whitespace() {
        let (pair, times) = word.split_once('*').unwrap_or((word, "1"));
        let byte = u8::from_str_radix(pair, 16)
            .ok()
            .filter(|_| pair.len() == 2)?;
        bytes.extend(std::iter::repeat_n(byte, times.parse().ok()?));
    }
    Some(bytes)
}

/// What a reader makes of its inputs, and what is written of that.
fn told(reading: &Reading) -> (String, String) {
    let (name, _, read) = reading;
    let mut told = String::new();
    for (file, bytes) in inputs(reading) {
        let made = read(&bytes).unwrap_or_else(|| panic!("{name}/{file} is asked nothing"));
        assert!(!made.contains('\n'), "{name}/{file}: {made}");
        told.push_str(&format!("{file}: {made}\n"));
    }
    let written = folder().join(name).join("told");
    if std::env::var_os("WAKERAIL_UPDATE_CORPUS").is_some() {
        fs::write(&written, &told).expect("the corpus can be written");
    }
    (told, fs::read_to_string(&written).unwrap_or_default())
}

#[test]
fn each_kept_input_is_read_as_it_says() {
    for reading in READINGS {
        let (told, written) = told(reading);
        assert!(!told.is_empty(), "{} has no input", reading.0);
        for (told, written) in told.lines().zip(written.lines()) {
            assert_eq!(told, written, "{}", reading.0);
        }
        let (told, written) = (told.lines().count(), written.lines().count());
        assert_eq!(told, written, "{}: lines that are too many", reading.0);
    }
}

#[test]
fn the_corpus_is_small_and_all_of_it_is_read() {
    let mut bytes = 0;
    for reader in fs::read_dir(folder()).expect("the corpus") {
        let reader = reader.expect("an entry").path();
        let name = reader.file_name().expect("a name").to_string_lossy();
        let known = READINGS.iter().any(|(known, ..)| *known == name);
        assert!(known, "nothing reads {}", reader.display());
        for file in fs::read_dir(&reader).expect("a folder") {
            bytes += file.and_then(|f| f.metadata()).expect("a file").len();
        }
    }
    assert!(bytes <= CORPUS_AT_MOST_BYTES, "{bytes} bytes");
}
