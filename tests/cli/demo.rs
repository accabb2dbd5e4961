//! The whole job: `demo`, end to end, over pseudo-terminals.

use std::io::{BufRead, BufReader, Read};
use std::process::{Command, Stdio};

use drivers::simulated::lamp::LampModel;

use super::daemon::wakerail;

#[test]
fn the_short_demo_measures_a_survey_and_leaves_a_chart() {
    let folder = tempfile::tempdir().expect("a folder");
    let told = wakerail(
        folder.path(),
        &[
            "demo",
            "--short",
            "--data",
            &folder.path().to_string_lossy(),
        ],
    );
    assert_eq!(told.code, 0, "{told:?}");
    // The same seed gives the same table, to the last digit.
    let path = folder.path().to_string_lossy();
    insta::assert_snapshot!(told.out.replace(path.as_ref(), "FOLDER"));
    let chart = folder.path().join("lux-against-distance.svg");
    let svg = std::fs::read_to_string(chart).expect("a chart");
    assert!(svg.starts_with("<svg") && svg.contains("level 12"));
    assert!(told.err.contains("bench hours"), "{}", told.err);
}

/// The second part finds the faults that three of its lamps were given, each by its
/// own kind of test, and nothing in the fourth, which has none; flux and power of all
/// four are those of the lamps.
#[test]
fn the_whole_demo_finds_the_faults_and_no_others() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().to_string_lossy();
    let told = wakerail(folder.path(), &["demo", "--data", &path]);
    assert_eq!(told.code, 0, "{told:?}");
    let (_, found) = told.out.split_once("What stands out").expect("a section");
    let of = |lamp: &str| {
        let mut lines = found.lines().map(str::trim);
        let line = lines.find_map(|line| line.strip_prefix(lamp));
        line.unwrap_or_else(|| panic!("{lamp} in {found}"))
    };
    assert_eq!(of("plover: "), "nothing", "{found}");
    let checked = wakerail(folder.path(), &["store", "check", "--data", &path]);
    assert_eq!(checked.code, 0, "{checked:?}");
    // A blue tone far off the locus, and its other tones not.
    let knot = of("knot: ");
    assert!(
        knot.contains("Duv +0.01") && !knot.contains("times"),
        "{knot}"
    );
    // Slow pulses at the two lowest levels alone.
    let godwit = of("godwit: ");
    assert_eq!(godwit.matches("high risk").count(), 2, "{godwit}");
    assert!(
        godwit.contains("% at 480 Hz") && !godwit.contains("L03"),
        "{godwit}"
    );
    // A step between two levels, and a dusk that stops half way and then goes out.
    let stint = of("stint: ");
    assert!(stint.contains("L03 to L04: 6.0 times"), "{stint}");
    assert!(
        stint.contains("dusk-1: between a half and a tenth"),
        "{stint}"
    );
    for (lamp, model) in LAMPS {
        let page = |bench: &str| {
            let page = folder.path().join(format!("report-{lamp}-{bench}.html"));
            std::fs::read_to_string(page).expect("a report")
        };
        let (sphere, rail) = (page("dune"), page("shore"));
        assert!(
            sphere.contains("flux_lm") && sphere.contains("</html>"),
            "{lamp}"
        );
        assert!(rail.contains("<svg") && rail.contains("</html>"), "{lamp}");
        measured_as_it_is(&told.out, lamp, &model());
    }
}

type Model = fn() -> LampModel;

const LAMPS: [(&str, Model); 4] = [
    ("knot", LampModel::knot),
    ("godwit", LampModel::godwit),
    ("stint", LampModel::stint),
    ("plover", LampModel::plover),
];

/// Flux, efficacy and power against what the simulated lamp is made of: closed forms,
/// ours. 3 % is twice the standard uncertainty of the flux (1.2 % of the reference
/// lamp, 0.8 % of mismatch).
fn measured_as_it_is(table: &str, lamp: &str, model: &LampModel) {
    let line = |start: &str| {
        let line = table.lines().find(|line| line.starts_with(start));
        line.unwrap_or_else(|| panic!("{start} in {table}"))
    };
    let columns = line("figure  ");
    let names: Vec<&str> = columns.split_whitespace().collect();
    let at = names
        .iter()
        .position(|name| *name == lamp)
        .expect("a column");
    let value = |row: &str| -> f64 {
        let cells: Vec<&str> = line(row).split("  ").map(str::trim).collect();
        let cells: Vec<&str> = cells.into_iter().filter(|cell| !cell.is_empty()).collect();
        cells[at]
            .parse()
            .unwrap_or_else(|_| panic!("{row}: {cells:?}"))
    };
    let near = |row: &str, truth: f64, share: f64, rounding: f64| {
        let found = value(row);
        let within = truth * share + rounding;
        assert!(
            (found - truth).abs() <= within,
            "{lamp}, {row}: {found} for {truth}"
        );
    };
    let full_w = model.mains.full_w;
    near("luminous flux at full", model.flux_lm, 0.03, 0.5);
    near("efficacy at full", model.flux_lm / full_w, 0.03, 0.05);
    near("power, most", full_w, 0.005, 0.05);
    near("power when off", model.mains.standby_w, 0.01, 0.005);
}

/// A demo begins with an empty record; one that is there is left as it is.
#[test]
fn a_demo_does_not_touch_a_record_that_is_there() {
    let folder = tempfile::tempdir().expect("a folder");
    let record = folder.path().join("wakerail.db");
    std::fs::write(&record, "a year of work").expect("written");
    let path = folder.path().to_string_lossy();
    let told = wakerail(folder.path(), &["demo", "--data", &path]);
    assert_eq!(told.code, 64, "{told:?}");
    assert!(told.err.contains("name an empty directory"), "{told:?}");
    let kept = std::fs::read_to_string(&record).expect("there");
    assert_eq!(kept, "a year of work");
    assert_eq!(std::fs::read_dir(folder.path()).expect("there").count(), 1);
}

/// Told to end, in either way, it makes its bench safe and says where the
/// readings are.
#[test]
fn a_demo_that_is_told_to_end_leaves_a_safe_bench() {
    for signal in ["INT", "TERM"] {
        let folder = tempfile::tempdir().expect("a folder");
        let mut child = Command::new(env!("CARGO_BIN_EXE_wakerail"))
            .env_clear()
            .args(["demo", "--short"])
            .arg("--data")
            .arg(folder.path())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let mut told = BufReader::new(child.stderr.take().expect("piped"));
        let mut line = String::new();
        while !line.contains("level 12") {
            line.clear();
            assert!(told.read_line(&mut line).expect("text") > 0, "no mean came");
        }
        let pid = child.id().to_string();
        let sent = Command::new("kill").args(["-s", signal, &pid]).status();
        assert!(sent.expect("kill runs").success());
        let mut rest = String::new();
        told.read_to_string(&mut rest).expect("text");
        let code = child.wait().expect("it ended").code();
        assert_eq!(code, Some(130), "{rest}");
        assert!(rest.contains("its bench was made safe"), "{rest}");
    }
}
