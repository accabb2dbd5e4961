//! The demo's figures against the simulated lamp's closed form.
//!
//! The lamp is a flat Lambertian disc: on its axis E = I / (d² + R²) exactly,
//! I by a geometric ladder of levels. Between that truth and the figures lie a
//! calibration error, a wrong datum, stray and ambient light, noise, backlash
//! and a warming lamp, all drawn from the seed and unknown to the program.

use std::path::Path;

use drivers::simulated::lamp::LampModel;
use photometry::units::Length;
use wakerail::plan::check;
use wakerail::plan::frozen::SentText;
use wakerail::rehearsal;
use wakerail::web::wire::Survey;

use crate::cli::daemon::{example, wakerail};

fn demo_lamp() -> LampModel {
    let name = "lamp-dunlin.yaml";
    let text = std::fs::read_to_string(example(name)).expect("an example");
    let lamp = check::read_lamp(&SentText {
        name: name.to_owned(),
        text,
    })
    .expect("a lamp");
    rehearsal::lamp_model(&lamp)
}

fn survey(folder: &Path) -> Survey {
    let data = folder.to_string_lossy();
    let told = wakerail(
        folder,
        &["demo", "--short", "--format", "json", "--data", &data],
    );
    assert_eq!(told.code, 0, "{told:?}");
    serde_json::from_str(&told.out).expect("a survey as JSON")
}

/// Show 1: at the fixed seed the error is at most U (k = 2) at 95 % of the
/// points, and at most 2 U at all of them.
#[test]
fn the_demos_figures_are_true_within_their_uncertainty() {
    let folder = tempfile::tempdir().expect("a folder");
    let (survey, lamp) = (survey(folder.path()), demo_lamp());
    assert_eq!(survey.cells.len(), 12 * 12);
    let (mut within, mut worst) = (0, 0.0_f64);
    for cell in &survey.cells {
        let level: u16 = cell
            .setting
            .trim_start_matches('L')
            .parse()
            .expect("a level");
        let truth = lamp.truth(level, Length::from_metres(cell.position_m)).0;
        let (value, expanded) = (
            cell.illuminance_lx.expect("a value"),
            cell.expanded_uncertainty_lx.expect("its uncertainty"),
        );
        let share = (value - truth).abs() / expanded;
        assert!(
            share <= 2.0,
            "{}: {value} lx, true {truth} lx, U {expanded} lx",
            cell.setting
        );
        within += usize::from(share <= 1.0);
        worst = worst.max(share);
        // An uncertainty that is too wide would make this test blind.
        assert!(
            expanded / value < 0.06,
            "U is {:.1} %",
            100.0 * expanded / value
        );
    }
    println!(
        "{within} of {} within U, the worst at {worst:.2} U",
        survey.cells.len()
    );
    assert!(
        within * 100 >= survey.cells.len() * 95,
        "{within} of {}",
        survey.cells.len()
    );
}
