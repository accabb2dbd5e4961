//! The whole job: `demo`, end to end, over pseudo-terminals.

use super::daemon::wakerail;

#[test]
fn the_demo_measures_everything_and_leaves_a_chart() {
    let folder = tempfile::tempdir().expect("a folder");
    let told = wakerail(
        folder.path(),
        &["demo", "--data", &folder.path().to_string_lossy()],
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
