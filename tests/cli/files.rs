//! Starter files, and a plan with its base and its defaults.

use std::path::Path;

use assert_cmd::Command;

use super::daemon::example;

/// Code, stdout and stderr of a command in a folder.
fn told(folder: &Path, words: &[&str]) -> (i32, String, String) {
    let done = Command::new(env!("CARGO_BIN_EXE_wakerail"))
        .env_clear()
        .current_dir(folder)
        .args(words)
        .output()
        .expect("the program runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let code = done.status.code().unwrap_or(-1);
    (code, text(&done.stdout), text(&done.stderr))
}

#[test]
fn starters_pass_together_as_they_are_and_are_never_overwritten() {
    let folder = tempfile::tempdir().expect("a folder");
    let new = |words: &[&str]| told(folder.path(), &[&["new"], words].concat());
    assert_eq!(new(&["bench", "mudflat"]).1, "bench-mudflat.yaml\n");
    assert_eq!(new(&["lamp", "sanderling"]).1, "lamp-sanderling.yaml\n");
    assert_eq!(new(&["plan", "first look"]).1, "plan-first-look.yaml\n");
    let files = [
        "check",
        "bench-mudflat.yaml",
        "lamp-sanderling.yaml",
        "plan-first-look.yaml",
    ];
    let (code, _, err) = told(folder.path(), &files);
    assert_eq!((code, err.as_str()), (0, "3 files, no mistakes\n"));
    let path = folder.path().join("lamp-sanderling.yaml");
    std::fs::write(&path, "mine").expect("written");
    let mut said = Vec::new();
    for words in [
        &["lamp", "sanderling"][..],
        &["lamp", "knot", "--to", "lamp-sanderling.yaml"],
        &["lamp", "knot", "--to", "no/such/folder.yaml"],
        &["lamp", "a/b"],
        &["lamp", " x"],
        &["lamp", "12"],
        &["lamp", "True"],
        &["lmap", "knot"],
    ] {
        let (code, out, err) = new(words);
        said.push(format!(
            "$ wakerail new {}\n[code {code}]\n{out}{err}",
            words.join(" ")
        ));
    }
    insta::assert_snapshot!(said.join("\n"));
    assert_eq!(std::fs::read_to_string(&path).expect("there"), "mine");
    let (code, text, _) = new(&["lamp", "knot", "--to", "-"]);
    assert_eq!(code, 0);
    assert!(text.contains("\nlamp: knot\n"), "{text}");
}

/// Whole: what the plan says, what its base says, what neither says.
#[test]
fn a_merged_plan_names_the_origin_of_every_value() {
    let folder = tempfile::tempdir().expect("a folder");
    let merged = |words: &[&str]| {
        let (code, out, err) = told(folder.path(), &[&["check", "--merged"], words].concat());
        assert_eq!(code, 0, "{err}");
        out
    };
    let night = merged(&[&example("plan-night.yaml")]);
    insta::assert_snapshot!("merged_night", night);
    let short = merged(&[&example("plan-short.yaml")]);
    insta::assert_snapshot!("merged_short", short);
    let json = merged(&["--format", "json", &example("plan-night.yaml")]);
    assert!(json.contains("\"path\": \"policies.window\""), "{json}");
    assert!(
        json.contains("\"file\": \"plan-evening-survey.yaml\""),
        "{json}"
    );
    let (code, _, err) = told(
        folder.path(),
        &["check", "--merged", &example("lamp-dunlin.yaml")],
    );
    assert_eq!(code, 64);
    assert!(err.contains("--merged: needs a plan file"), "{err}");
}

/// A codec is looked for beside its profile, with the bench file that names the
/// profile and without; one that is not there, or is wrong, is told with its place.
#[test]
fn a_codec_lies_beside_its_profile() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).expect("written");
    };
    let shipped = |name: &str| drivers::profile::shipped::text(name).expect("shipped");
    let codec = drivers::profile::shipped::codec("frame-luxmeter.rhai").expect("shipped");
    let profile = shipped("frame-luxmeter").replace("frame-luxmeter.rhai", "mine.rhai");
    write("profile-mine.yaml", &profile);
    let bench = std::fs::read_to_string(example("bench-strand.yaml")).expect("an example");
    let bench = bench.replace(
        "    dark: shutter\n",
        "    dark: cap\n    profile: profile-mine.yaml\n",
    );
    write("bench.yaml", &bench);
    let missing = "the codec `mine.rhai` was not given";
    for files in [
        &["check", "profile-mine.yaml"][..],
        &["check", "bench.yaml"],
        &["check", "bench.yaml", "profile-mine.yaml"],
    ] {
        std::fs::remove_file(folder.path().join("mine.rhai")).ok();
        let (code, _, err) = told(folder.path(), files);
        assert!(
            code == 65 && err.contains(missing),
            "{code} {files:?} {err}"
        );
        assert_eq!(err.matches(missing).count(), 1, "{err}");
        write("mine.rhai", codec);
        let (code, _, err) = told(folder.path(), files);
        let s = if files.len() == 2 {
            "1 file"
        } else {
            "2 files"
        };
        assert_eq!((code, err), (0, format!("{s}, no mistakes\n")), "{files:?}");
        write(
            "mine.rhai",
            &codec.replace("counted.sum()", "counted.summ()"),
        );
        let (code, _, err) = told(folder.path(), files);
        assert!(
            code == 65 && err.contains("--> mine.rhai:13:"),
            "{code} {err}"
        );
        write("mine.rhai", &codec.replace("/ 100", "/ 10"));
        let (code, _, err) = told(folder.path(), files);
        let told = "is read as `345 lx`, not as `34.5 lx`";
        assert!(code == 65 && err.contains(told), "{code} {err}");
    }
}
