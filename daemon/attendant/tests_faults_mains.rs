//! Every fault of a device at every action of a night before a lamp that an outlet
//! lights: what `tests_faults` asks of a lamp with buttons holds there too.

use drivers::simulated::faults::Device::{Meter, Outlets, WaveformPhotometer};

use super::scene::Scene;
use super::tests_faults::{Kind, at_every_event};
use super::tests_faults_kinds::{lamp, of_any, relays};
use super::tests_kinds::waveforms;
use super::tests_mains::{Night, full, usual};
use crate::plan::intent::TestKind;

fn surveyed() -> Scene {
    usual().scene()
}

fn captured() -> Scene {
    let TestKind::Flicker(mut test) = full(waveforms()) else {
        panic!("waveforms");
    };
    // References enough to be compared.
    test.sight.readings = 6;
    let kind = Some(TestKind::Flicker(test));
    Night { kind, ..usual() }.scene()
}

const SURVEY: Kind = Kind {
    word: "mains,",
    events: 2,
    night: surveyed,
};

const FLICKER: Kind = Kind {
    word: "mains, flicker,",
    events: 1,
    night: captured,
};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_survey_holds_nothing_wrong_whatever_a_device_does() {
    let faults = [of_any(&[Outlets, Meter]), relays(&[1]), lamp(Meter)];
    at_every_event(&SURVEY, &faults.concat()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn waveforms_hold_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[Outlets]),
        relays(&[1]),
        lamp(WaveformPhotometer),
        lamp(Meter),
    ];
    at_every_event(&FLICKER, &faults.concat()).await;
}
