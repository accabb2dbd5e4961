//! Every command's help, and every page, as a whole.

use assert_cmd::Command;

/// The commands, in the order of the general help.
const COMMANDS: [&str; 32] = [
    "new",
    "check",
    "bench",
    "serve",
    "demo",
    "place",
    "book",
    "redo",
    "tonight",
    "morning",
    "runs",
    "show",
    "watch",
    "answer",
    "hold",
    "release",
    "stop",
    "readings",
    "figures",
    "traffic",
    "note",
    "set-aside",
    "survey",
    "rulings",
    "rule",
    "report",
    "account",
    "script",
    "compute",
    "completion",
    "help",
    "",
];

fn wakerail() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wakerail"));
    command.env_clear();
    command
}

fn stdout_of(words: &[&str]) -> String {
    let done = wakerail().args(words).output().expect("the program runs");
    assert!(done.status.success(), "{words:?}: {done:?}");
    assert_eq!(String::from_utf8_lossy(&done.stderr), "", "{words:?}");
    String::from_utf8(done.stdout).expect("text")
}

#[test]
fn every_command_has_help_with_examples_first() {
    for command in COMMANDS {
        let mut words = vec![command, "-h"];
        words.retain(|word| !word.is_empty());
        let text = stdout_of(&words);
        assert!(text.starts_with("Examples:\n"), "{words:?}:\n{text}");
        let name = match command {
            "" => "wakerail",
            // The page of that name has a snapshot, too.
            "figures" => "figures_of_a_run",
            other => other,
        };
        insta::assert_snapshot!(format!("help_{name}"), text);
    }
}

#[test]
fn what_is_done_with_a_bench_by_hand_has_help_with_examples_first() {
    for command in ["probe", "try"] {
        let text = stdout_of(&["bench", command, "-h"]);
        assert!(text.starts_with("Examples:\n"), "{text}");
        insta::assert_snapshot!(format!("help_bench_{command}"), text);
    }
}

#[test]
fn every_page_is_printed() {
    for page in [
        "survey",
        "spectrum",
        "flicker",
        "ramp",
        "flux",
        "standby",
        "bench",
        "lamp",
        "plan",
        "evening",
        "scripts",
        "compute",
        "exit-codes",
        "safety",
    ] {
        let text = stdout_of(&["help", page]);
        assert!(text.starts_with("# "), "{page}:\n{text}");
        assert!(text.len() > 300, "{page} says next to nothing");
        for (at, line) in text.lines().enumerate() {
            assert!(
                line.chars().count() <= 80,
                "{page}:{} is too wide: {line}",
                at + 1
            );
        }
    }
}

#[test]
fn the_page_of_figures_tells_standard_and_check_of_each() {
    let text = stdout_of(&["help", "figures"]);
    insta::assert_snapshot!("help_figures", text);
}

#[test]
fn the_version_names_commit_and_sqlite() {
    let text = stdout_of(&["--version"]);
    let start = format!("wakerail {} (commit ", env!("CARGO_PKG_VERSION"));
    assert!(text.starts_with(&start), "{text}");
    assert!(text.contains(", SQLite 3."), "{text}");
}

#[test]
fn three_shells_get_a_completion() {
    for (shell, mark) in [
        ("bash", "complete -F"),
        ("zsh", "#compdef wakerail"),
        ("fish", "complete -c wakerail"),
    ] {
        let text = stdout_of(&["completion", shell]);
        assert!(text.contains(mark), "{shell}: {text}");
        assert!(text.contains("readings"), "{shell} knows no `readings`");
    }
}

/// Whoever copies an example from the page has a sound script.
#[test]
fn the_examples_of_scripts_have_no_mistakes() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = stdout_of(&["help", "scripts"]);
    let blocks: Vec<&str> = text.split("```rhai\n").skip(1).collect();
    assert_eq!(blocks.len(), 3);
    for (at, block) in blocks.iter().enumerate() {
        let (script, _) = block.split_once("```").expect("its end");
        assert!(script.lines().count() < 13, "{script}");
        let path = folder.path().join(format!("example{at}.rhai"));
        std::fs::write(&path, script).expect("written");
        let done = wakerail().args(["script", "check"]).arg(&path).output();
        let done = done.expect("the program runs");
        assert!(done.status.success(), "{done:?}");
    }
}

#[test]
fn the_page_of_scripts_tells_all_that_can_be_called() {
    insta::assert_snapshot!("help_scripts_page", stdout_of(&["help", "scripts"]));
}

/// The example in a page is a file that the program accepts.
#[test]
fn the_examples_of_the_pages_have_no_mistakes() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut files = Vec::new();
    for page in ["bench", "lamp", "plan"] {
        let text = stdout_of(&["help", page]);
        let (_, rest) = text.split_once("```yaml\n").expect("an example");
        let (yaml, _) = rest.split_once("```").expect("its end");
        let path = folder.path().join(format!("{page}.yaml"));
        std::fs::write(&path, yaml).expect("written");
        files.push(path);
    }
    let done = wakerail()
        .arg("check")
        .args(&files)
        .arg("--itinerary")
        .output();
    let done = done.expect("the program runs");
    assert!(done.status.success(), "{done:?}");
    let shown = String::from_utf8_lossy(&done.stdout);
    assert!(shown.contains("12 settings x 12 positions"), "{shown}");
}
