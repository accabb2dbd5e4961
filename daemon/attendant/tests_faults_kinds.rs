//! Every fault of a device at every action of a night of spectra, waveforms, a
//! program, flux and standby: what `tests_faults` asks of a survey holds there too.

use drivers::simulated::faults::Device::{
    Fingers, Meter, Outlets, PowerMeter, Rail, Spectroradiometer, SpherePhotometer,
    SphereSpectroradiometer, WaveformPhotometer,
};
use drivers::simulated::faults::{Amiss, Contact, Device, Fault};
use photometry::units::{Length, Span};

use super::scene::{By, Scene};
use super::tests_faults::{Kind, at_every_event, named, of_any_device, stays_mended};
use super::{tests_kinds, tests_sphere, tests_sphere_spectra, tests_standby};
use crate::plan::intent::OnFailure;

fn spectra() -> Scene {
    tests_kinds::night(
        12,
        By::Memory,
        tests_kinds::plover(),
        tests_kinds::spectra(),
    )
}

fn waveforms() -> Scene {
    tests_kinds::night(
        12,
        By::Memory,
        tests_kinds::plover(),
        tests_kinds::waveforms(),
    )
}

fn dawn() -> Scene {
    let dawn = tests_kinds::dawn_every(Span::from_secs(30));
    tests_kinds::night(12, By::Memory, tests_kinds::plover(), dawn)
}

fn flux() -> Scene {
    tests_sphere::night(12, By::Memory, false, Vec::new())
}

fn flux_by_spectra() -> Scene {
    tests_sphere_spectra::night(12, Span::from_secs(2), Vec::new())
}

fn flux_by_an_array() -> Scene {
    tests_sphere_spectra::alone(12)
}

fn standby() -> Scene {
    tests_standby::night_every(Span::from_secs(20))
}

const fn kind(word: &'static str, night: fn() -> Scene) -> Kind {
    Kind {
        word,
        events: 1,
        night,
    }
}

const SPECTRUM: Kind = kind("spectrum,", spectra);
const FLICKER: Kind = kind("flicker,", waveforms);
const RAMP: Kind = kind("ramp,", dawn);
const FLUX: Kind = kind("flux,", flux);
const FLUX_BY_SPECTRA: Kind = kind("flux by spectra,", flux_by_spectra);
const FLUX_BY_AN_ARRAY: Kind = kind("flux by an array alone,", flux_by_an_array);
const STANDBY: Kind = kind("standby,", standby);

/// What a wire or a device does with any answer, of all these devices.
pub(super) fn of_any(devices: &[Device]) -> Vec<(String, Fault)> {
    let of_each = devices.iter().map(|device| of_any_device(*device));
    of_each.flatten().collect()
}

/// A block that is not as it should be.
fn blocks(device: Device) -> Vec<(String, Fault)> {
    let block = |amiss| Fault::Block(device, amiss);
    named(&[
        ("a block cut short", block(Amiss::CutShort)),
        ("a block's head says more", block(Amiss::SaysMore)),
        ("a block's head says less", block(Amiss::SaysLess)),
        ("a block lacks a number", block(Amiss::OneLess)),
        ("a number of a block is none", block(Amiss::NoNumber)),
        ("a block is saturated", block(Amiss::Saturated)),
    ])
}

/// A meter of single numbers that says something else.
fn readings(device: Device) -> Vec<(String, Fault)> {
    let at = |fault| Fault::At(device, Box::new(fault));
    named(&[
        ("a reading is nan", at(Fault::Says("NAN".to_owned()))),
        ("a reading is nothing", at(Fault::Says(String::new()))),
        (
            "a reading in another unit",
            at(Fault::Says("46.52 fc".to_owned())),
        ),
        ("a reading over range", at(Fault::OverRange)),
        ("a reading without a number", at(Fault::NoNumber)),
    ])
}

/// A lamp with a will of its own while this device looks at it.
pub(super) fn lamp(device: Device) -> Vec<(String, Fault)> {
    let at = |fault| Fault::At(device, Box::new(fault));
    named(&[
        ("lamp goes out", at(Fault::LampOut)),
        (
            "lamp out, back in 0.4 s at level 1",
            at(Fault::LampBack(Span::from_ms(400), 1)),
        ),
        (
            "lamp out, back in 20 s at level 10",
            at(Fault::LampBack(Span::from_secs(20), 10)),
        ),
        (
            "lamp out, back in 5 min at level 1",
            at(Fault::LampBack(Span::from_mins(5), 1)),
        ),
    ])
}

/// Presses and motion that go wrong.
fn moving() -> Vec<(String, Fault)> {
    named(&[
        ("press missed", Fault::MissedPress),
        ("press counts twice", Fault::DoublePress),
        ("coil of the power button stuck", Fault::StuckCoil(1)),
        ("coil of a level button welded", Fault::WeldedCoil(2)),
        ("steps lost, 60 mm", Fault::LostSteps(Length::from_mm(60))),
        ("rail stalls", Fault::Stall),
        ("limit switch hit", Fault::LimitHit),
        ("rail loses power", Fault::PowerLoss),
    ])
}

/// Relays in the mains that do not follow, whether their board tells or not.
pub(super) fn relays(of: &[u16]) -> Vec<(String, Fault)> {
    let cases = [
        ("dead", Contact::Dead),
        ("dead, unseen", Contact::DeadUnseen),
        ("welded", Contact::Welded),
        ("welded, unseen", Contact::WeldedUnseen),
    ];
    let of_one = |relay: &u16| {
        let relay = *relay;
        cases.map(|(word, contact)| {
            (
                format!("relay {relay} {word}"),
                Fault::Relay(relay, contact),
            )
        })
    };
    of.iter().flat_map(of_one).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn spectra_hold_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[Spectroradiometer, Meter, Rail, Fingers]),
        blocks(Spectroradiometer),
        lamp(Spectroradiometer),
        lamp(Meter),
        moving(),
    ];
    at_every_event(&SPECTRUM, &faults.concat()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn waveforms_hold_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[WaveformPhotometer, Meter, Rail, Fingers]),
        blocks(WaveformPhotometer),
        lamp(WaveformPhotometer),
        lamp(Meter),
        moving(),
    ];
    at_every_event(&FLICKER, &faults.concat()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn programs_hold_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[Meter, Rail, Fingers]),
        readings(Meter),
        lamp(Meter),
        moving(),
        named(&[
            ("coil of the start button stuck", Fault::StuckCoil(4)),
            ("coil of the start button welded", Fault::WeldedCoil(4)),
        ]),
    ];
    at_every_event(&RAMP, &faults.concat()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn flux_holds_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[SpherePhotometer, Outlets, Fingers]),
        readings(SpherePhotometer),
        lamp(SpherePhotometer),
        relays(&[1, 2]),
        named(&[
            ("press missed", Fault::MissedPress),
            ("press counts twice", Fault::DoublePress),
        ]),
    ];
    at_every_event(&FLUX, &faults.concat()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn flux_by_spectra_holds_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[SphereSpectroradiometer, SpherePhotometer]),
        blocks(SphereSpectroradiometer),
        lamp(SphereSpectroradiometer),
        relays(&[1, 2]),
    ];
    at_every_event(&FLUX_BY_SPECTRA, &faults.concat()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn flux_by_an_array_alone_holds_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[SphereSpectroradiometer]),
        blocks(SphereSpectroradiometer),
        lamp(SphereSpectroradiometer),
        relays(&[1, 2]),
    ];
    at_every_event(&FLUX_BY_AN_ARRAY, &faults.concat()).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn standby_holds_nothing_wrong_whatever_a_device_does() {
    let faults = [
        of_any(&[PowerMeter, Outlets, Meter, Rail, Fingers]),
        readings(PowerMeter),
        lamp(PowerMeter),
        lamp(Meter),
        relays(&[1]),
        moving(),
    ];
    at_every_event(&STANDBY, &faults.concat()).await;
}

/// What the whole loop found once, with the event at which it did.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_found_once_in_these_kinds_stays_mended() {
    let at = |device, fault| Fault::At(device, Box::new(fault));
    let back = |secs, level| Fault::LampBack(Span::from_secs(secs), level);
    let blink = || Fault::LampBack(Span::from_ms(400), 1);
    let lost = || Fault::LostSteps(Length::from_mm(60));
    let (hold, next, stop) = (OnFailure::Hold, OnFailure::NextTest, OnFailure::Stop);
    for (night, nth, policy, fault) in [
        // A capture of a lamp that was dark meanwhile, between two references.
        (SPECTRUM, 1, next, at(Spectroradiometer, back(20, 10))),
        // A shutter that was closed when the night was held.
        (SPECTRUM, 24, hold, Fault::Stale(Spectroradiometer)),
        // A finger that was down when the last press of making safe failed.
        (
            SPECTRUM,
            106,
            next,
            Fault::Noise(Fingers, vec![0, 0xff, 0xc3, 0]),
        ),
        // A press that was too long, or missed, and a program that never began.
        (RAMP, 16, next, Fault::Split(Fingers, Span::from_ms(700))),
        (RAMP, 2, stop, Fault::MissedPress),
        // A recording from elsewhere.
        (RAMP, 3, hold, lost()),
        (RAMP, 3, hold, Fault::Stall),
        (STANDBY, 3, hold, lost()),
        (STANDBY, 3, hold, Fault::Stall),
        // Relays whose board tells what it was told.
        (FLUX, 1, hold, Fault::Relay(2, Contact::DeadUnseen)),
        (FLUX, 2, hold, Fault::Relay(1, Contact::DeadUnseen)),
        (FLUX, 2, stop, Fault::Relay(1, Contact::WeldedUnseen)),
        (FLUX, 3, hold, Fault::Relay(2, Contact::WeldedUnseen)),
        // A lamp that lit by itself beside the auxiliary lamp.
        (FLUX, 20, stop, at(SpherePhotometer, back(20, 10))),
        // One that was dark while its power was read, or lit while it was to be off.
        (STANDBY, 3, hold, at(PowerMeter, back(20, 10))),
        (STANDBY, 10, next, at(Meter, back(300, 1))),
        (STANDBY, 35, stop, at(Meter, blink())),
        (STANDBY, 42, hold, at(Meter, blink())),
        (STANDBY, 22, next, at(Meter, back(300, 1))),
    ] {
        stays_mended(&night, nth, policy, fault).await;
    }
}
