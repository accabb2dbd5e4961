//! A lamp whose only control is its mains, in a rehearsal of the real program: told in
//! the evening, measured at night by an outlet, and asked of nobody.

use super::daemon::{Daemon, example};

#[test]
fn a_rehearsed_night_lights_it_by_its_outlet() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::start(folder.path(), "bench-shore.yaml", 3);
    let lamp = example("lamp-whimbrel.yaml");
    daemon.ok(&["place", "W-1", "--lamp", &lamp, "--gauge", "6 in"]);
    daemon.ok(&[
        "book",
        &example("plan-short.yaml"),
        "--unit",
        "W-1",
        "--hold",
    ]);
    let sheet = daemon.ok(&["tonight"]);
    let words: Vec<&str> = sheet.split_whitespace().collect();
    let words = words.join(" ");
    for told in [
        "Plug unit `W-1` into the outlet `lamp` (relay 1) and into no other, and leave its own \
         switch on",
        "licensed electrician",
        "asks nothing: it needs nobody",
    ] {
        assert!(words.contains(told), "{told}\n{sheet}");
    }
    daemon.ok(&["release", "latest"]);
    assert_eq!(daemon.told(&["watch", "latest"]).code, 0);
    let shown = daemon.ok(&["show", "latest"]);
    assert!(shown.contains("the lamp is off"), "{shown}");
    let standby = daemon.told(&[
        "check",
        &example("bench-shore.yaml"),
        &lamp,
        &example("plan-standby.yaml"),
    ]);
    assert_ne!(standby.code, 0);
    let said = format!("{}{}", standby.out, standby.err);
    assert!(
        said.contains("neither a display nor a power at standby"),
        "{said}"
    );
}
