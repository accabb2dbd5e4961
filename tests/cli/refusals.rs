//! What the program says when it cannot do what it was told, and its codes.

use assert_cmd::Command;

/// Runs in a fresh folder without an environment; code, stdout, stderr, the
/// folder's path replaced.
fn told(words: &[&str]) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().to_string_lossy().into_owned();
    let done = Command::new(env!("CARGO_BIN_EXE_wakerail"))
        .env_clear()
        .env("HOME", folder.path())
        .current_dir(folder.path())
        .args(words)
        .output()
        .expect("the program runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).replace(&path, "FOLDER");
    format!(
        "$ wakerail {}\n[code {}]\n{}{}",
        words.join(" "),
        done.status.code().unwrap_or(-1),
        text(&done.stdout),
        text(&done.stderr)
    )
}

#[test]
fn every_refusal_says_what_and_what_to_do() {
    let cases: &[&[&str]] = &[
        &[],
        &["brew"],
        &["cheek", "plan.yaml"],
        &["show"],
        &["show", "soon"],
        &["book", "plan.yaml"],
        &["runs", "--format", "xml"],
        &[
            "place",
            "D-17",
            "--lamp",
            "lamp.yaml",
            "--carriage-at",
            "200 mm",
        ],
        &["help", "survay"],
        &["help", "nothing-like-it"],
        &["check", "not-there.yaml"],
        &["check", "."],
        &["runs"],
        &["runs", "--data", "elsewhere"],
        &["watch", "latest"],
        &["serve"],
        &["serve", "--bench", "not-there.yaml"],
    ];
    let text: Vec<String> = cases.iter().map(|words| told(words)).collect();
    insta::assert_snapshot!(text.join("\n"));
}

#[test]
fn without_a_home_it_says_so() {
    let done = Command::new(env!("CARGO_BIN_EXE_wakerail"))
        .env_clear()
        .arg("runs")
        .output()
        .expect("the program runs");
    assert_eq!(done.status.code(), Some(78));
    insta::assert_snapshot!(String::from_utf8_lossy(&done.stderr));
}
