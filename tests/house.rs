//! Keeps the house in order: who may import whom, where each outside library
//! lives, how long a file may be, what stands at the top. The tables here are
//! those of DEVELOPERS.md; a change of one is a change of the other.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Longest source file, in lines.
const LINES_AT_MOST: usize = 800;
/// The binary's own file holds arguments, a call, a complaint and an exit code.
const MAIN_LINES_AT_MOST: usize = 100;

/// What may stand at the top of the repository.
const TOP: &[&str] = &[
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "README.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "build.rs",
    "daemon",
    "drivers",
    "examples",
    "migrations",
    "scripts",
    "target",
    "tests",
];

/// (room, the rooms of the root package and the crates' modules that it may
/// import). A room is the longest matching prefix of a file's path.
const IMPORTS: &[(&str, &[&str])] = &[
    (
        "daemon/plan",
        &[
            "plan",
            "written",
            "photometry::units",
            "photometry::measured",
            "photometry::stabilisation",
        ],
    ),
    (
        "daemon/run",
        &[
            "run",
            "plan",
            "photometry::units",
            "photometry::measured",
            "photometry::statistics",
            "photometry::stabilisation",
        ],
    ),
    (
        "daemon/bench",
        &[
            "bench",
            "drivers",
            "plan",
            "run::journal",
            "run::traffic",
            "script::codec",
            "script::fault",
            "written",
            "photometry::units",
            "photometry::measured",
        ],
    ),
    (
        "daemon/attendant",
        &[
            "attendant",
            "run",
            "plan",
            "bench",
            "drivers::clock",
            "drivers::error",
            "drivers::roles",
            "photometry::units",
            "photometry::measured",
            "photometry::stabilisation",
            "photometry::statistics",
        ],
    ),
    ("daemon/store", &["store", "run", "plan", "photometry"]),
    (
        "daemon/script",
        &["script", "written::nearest", "photometry"],
    ),
    (
        "daemon/rulings",
        &[
            "rulings",
            "store",
            "script",
            "report",
            "plan",
            "run",
            "written",
            "photometry",
        ],
    ),
    (
        "daemon/report",
        &["report", "store", "run", "plan", "photometry"],
    ),
    (
        "daemon/queue",
        &[
            "queue",
            "rulings",
            "plan",
            "run",
            "attendant::handle",
            "store",
            "drivers::clock",
            "written",
            "photometry::units",
            "photometry::measured",
        ],
    ),
    (
        "daemon/web",
        &[
            "web",
            "queue",
            "store",
            "report",
            "plan",
            "run",
            "rulings",
            "attendant::handle",
            "written",
            "photometry",
        ],
    ),
    (
        "daemon/cli",
        &[
            "cli",
            "web::wire",
            "plan",
            "rulings::library",
            "script::api",
            "script::host",
            "script::limits",
            "script::shipped",
            "bench::profiles",
            "bench::by_hand",
            "bench::failed",
            "bench::probe",
            "bench::traffic",
            "written",
            "photometry",
            "service",
        ],
    ),
];

/// (outside library, the folders or files where it may be named).
const HOMES: &[(&str, &[&str])] = &[
    ("sqlx", &["daemon/store"]),
    ("miniz_oxide", &["daemon/store"]),
    ("serde_yaml", &["daemon/written"]),
    ("saphyr_parser", &["daemon/written"]),
    ("annotate_snippets", &["daemon/written"]),
    ("serialport", &["drivers/link"]),
    ("regex", &["drivers/profile"]),
    (
        "rustix",
        &["drivers/clock", "drivers/link", "daemon/store/room.rs"],
    ),
    ("jiff", &["drivers/clock"]),
    ("tokio::time", &["drivers/clock/wall.rs"]),
    ("rhai", &["daemon/script"]),
    ("axum", &["daemon/web"]),
    ("hyper", &["daemon/cli"]),
    ("clap", &["daemon/cli"]),
    ("clap_complete", &["daemon/cli"]),
    ("realfft", &["daemon/photometry"]),
    ("statrs", &["daemon/photometry"]),
    ("comfy_table", &["daemon/report", "daemon/cli"]),
    ("tracing_subscriber", &["daemon/service.rs"]),
];

/// Rooms that wait only through the clock.
const NO_OTHER_WAITING: &[&str] = &["daemon/bench", "daemon/attendant", "drivers"];

/// Ways of waiting that are not the clock's.
const OTHER_WAITS: &[&str] = &[
    "thread::sleep",
    "tokio::select!",
    "recv_timeout",
    ".recv()",
    "tokio::join!",
];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Every source file of the product, with its path from the root.
fn sources() -> Vec<(String, String)> {
    let mut found = Vec::new();
    for folder in ["daemon", "drivers"] {
        collect(&root().join(folder), &mut found);
    }
    found.sort();
    assert!(
        found.len() > 40,
        "the walk found only {} files",
        found.len()
    );
    found
}

fn collect(folder: &Path, found: &mut Vec<(String, String)>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            collect(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let name = path.strip_prefix(root()).expect("below the root");
            let text = fs::read_to_string(&path).expect("text");
            found.push((name.to_string_lossy().into_owned(), text));
        }
    }
}

/// The product's part of a file: without comments, and without its tests.
fn product(text: &str) -> String {
    let end = text.find("#[cfg(test)]\nmod ").unwrap_or(text.len());
    text[..end]
        .lines()
        .map(|line| line.split("//").next().unwrap_or(""))
        .collect::<Vec<_>>()
        .join("\n")
}

fn is_test_file(name: &str) -> bool {
    let file = name.rsplit('/').next().unwrap_or(name);
    file.starts_with("tests")
        || file == "scene.rs"
        || file == "samples.rs"
        || name.contains("/tests/")
}

/// Names after `root::` in code, `{a, b}` groups taken apart one level.
fn imported(code: &str, root: &str) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    let needle = format!("{root}::");
    for (at, _) in code.match_indices(&needle) {
        let before = code[..at].chars().next_back();
        if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':') {
            continue;
        }
        let rest = &code[at + needle.len()..];
        let ident = |text: &str| -> String {
            text.chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect()
        };
        if let Some(group) = rest.strip_prefix('{') {
            let mut depth = 0;
            let mut start = 0;
            for (index, c) in group.char_indices() {
                match c {
                    '{' => depth += 1,
                    '}' if depth == 0 => {
                        names.insert(path_of(group[start..index].trim()));
                        break;
                    }
                    '}' => depth -= 1,
                    ',' if depth == 0 => {
                        names.insert(path_of(group[start..index].trim()));
                        start = index + 1;
                    }
                    _ => {}
                }
            }
        } else {
            let first = ident(rest);
            let more = rest[first.len()..]
                .strip_prefix("::")
                .map(ident)
                .unwrap_or_default();
            names.insert(if more.is_empty() {
                first
            } else {
                format!("{first}::{more}")
            });
        }
    }
    names.retain(|name| !name.is_empty());
    names
}

fn path_of(item: &str) -> String {
    item.split(|c: char| !(c.is_alphanumeric() || c == '_' || c == ':'))
        .next()
        .unwrap_or("")
        .split("::")
        .take(2)
        .collect::<Vec<_>>()
        .join("::")
}

fn permitted(name: &str, allowed: &[&str]) -> bool {
    allowed
        .iter()
        .any(|allowed| name == *allowed || name.starts_with(&format!("{allowed}::")))
}

#[test]
fn rooms_import_only_what_the_table_allows() {
    let mut wrong = Vec::new();
    for (name, text) in sources() {
        if is_test_file(&name) || name == "daemon/lib.rs" || name == "daemon/main.rs" {
            continue;
        }
        let Some((_, allowed)) = IMPORTS
            .iter()
            .find(|(room, _)| name.starts_with(&format!("{room}/")))
        else {
            continue;
        };
        let code = product(&text);
        for import in imported(&code, "crate") {
            if !permitted(&import, allowed) {
                wrong.push(format!("{name}: crate::{import}"));
            }
        }
        for outside in ["photometry", "drivers", "written"] {
            for import in imported(&code, outside) {
                let full = format!("{outside}::{import}");
                if !permitted(&full, allowed) {
                    wrong.push(format!("{name}: {full}"));
                }
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "imports against the table:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn the_simulated_bench_never_uses_the_analysis_that_it_tests() {
    for (name, text) in sources() {
        if !name.starts_with("drivers/simulated/") {
            continue;
        }
        for import in imported(&product(&text), "photometry") {
            let data = permitted(&import, &["units", "measured"]);
            assert!(data, "{name} uses photometry::{import}");
        }
    }
}

#[test]
fn each_outside_library_stays_in_its_home() {
    let mut wrong = Vec::new();
    for (name, text) in sources() {
        if is_test_file(&name) {
            continue;
        }
        let code = product(&text);
        for (library, homes) in HOMES {
            let at_home = homes
                .iter()
                .any(|home| name == *home || name.starts_with(&format!("{home}/")));
            let needle = format!("{library}::");
            let named = code.match_indices(&needle).any(|(at, _)| {
                let before = code[..at].chars().next_back();
                !before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':')
            });
            if named && !at_home {
                wrong.push(format!("{name}: {library}"));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "libraries away from home:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn the_bench_waits_only_through_the_clock() {
    let mut wrong = Vec::new();
    for (name, text) in sources() {
        let watched = NO_OTHER_WAITING
            .iter()
            .any(|room| name.starts_with(&format!("{room}/")));
        if !watched || is_test_file(&name) || name.starts_with("drivers/clock/") {
            continue;
        }
        let code = product(&text);
        wrong.extend(
            OTHER_WAITS
                .iter()
                .filter(|w| code.contains(**w))
                .map(|w| format!("{name}: {w}")),
        );
    }
    assert!(
        wrong.is_empty(),
        "other ways of waiting:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn files_stay_short_and_open_with_a_page() {
    let mut wrong = Vec::new();
    for (name, text) in sources() {
        let lines = text.lines().count();
        let most = if name == "daemon/main.rs" {
            MAIN_LINES_AT_MOST
        } else {
            LINES_AT_MOST
        };
        if lines > most {
            wrong.push(format!("{name}: {lines} lines, at most {most}"));
        }
        if !text.trim_start().starts_with("//!") {
            wrong.push(format!("{name}: no page at its top"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn nothing_else_stands_at_the_top() {
    let mut strangers = Vec::new();
    for entry in fs::read_dir(root()).expect("the root") {
        let name = entry
            .expect("an entry")
            .file_name()
            .to_string_lossy()
            .into_owned();
        if !name.starts_with('.') && !TOP.contains(&name.as_str()) {
            strangers.push(name);
        }
    }
    assert!(strangers.is_empty(), "strangers at the top: {strangers:?}");
    for needed in [
        "README.md",
        "DEVELOPERS.md",
        "LICENSE-MIT",
        "LICENSE-APACHE",
    ] {
        assert!(root().join(needed).is_file(), "{needed} is missing");
    }
}

/// Whether a test of that name stands in one of these sources.
fn is_a_test(name: &str, sources: &[(String, String)]) -> bool {
    sources.iter().any(|(_, text)| {
        let needle = format!("fn {name}()");
        let mut found = text.match_indices(&needle);
        found.any(|(at, _)| text[..at].trim_end().ends_with("#[test]"))
    })
}

#[test]
fn the_driver_acceptance_cases_are_tests() {
    let path = "tests/peers/devices/README.md";
    let readme = fs::read_to_string(root().join(path)).expect("text");
    let mut all = sources();
    collect(&root().join("tests/peers/devices"), &mut all);
    let table = readme.split("\n| case | test |\n").nth(1).expect("a table");
    let rows = table
        .lines()
        .skip(1)
        .take_while(|line| line.starts_with('|'));
    let rows: Vec<&str> = rows.collect();
    assert!(rows.len() >= 21, "{path} has only {} cases", rows.len());
    let mut missing = Vec::new();
    for row in rows {
        // Between backticks.
        let names: Vec<&str> = row.split('`').skip(1).step_by(2).collect();
        assert!(!names.is_empty(), "{path}: {row} names no test");
        missing.extend(names.iter().filter(|name| !is_a_test(name, &all)).copied());
    }
    assert!(missing.is_empty(), "{path} names no tests: {missing:?}");
}

#[test]
fn the_checker_itself_sees_what_it_should() {
    let code = "use crate::{run::journal, store};\nuse photometry::units::Length; let x = drivers::clock::Clock;";
    assert_eq!(
        imported(code, "crate"),
        BTreeSet::from(["run::journal".to_owned(), "store".to_owned()])
    );
    assert_eq!(
        imported(code, "photometry"),
        BTreeSet::from(["units::Length".to_owned()])
    );
    assert_eq!(
        imported(code, "drivers"),
        BTreeSet::from(["clock::Clock".to_owned()])
    );
    let sources = [(
        "a.rs".to_owned(),
        "#[test]\n    fn one() {}\nfn two() {}".to_owned(),
    )];
    assert!(is_a_test("one", &sources) && !is_a_test("two", &sources));
    assert!(!permitted("store::open", &["run"]) && permitted("run::journal", &["run"]));
}
