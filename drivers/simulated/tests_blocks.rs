//! Long answers over a wire: they leave at the line's speed in pieces that the wire
//! holds, nothing is lost, and faults strike at them as at any answer.

use std::sync::atomic::AtomicBool;

use photometry::units::{Mono, Span, Wall};

use super::bench::{BenchSpec, SimulatedBench, Wire};
use super::faults::{Device, Fault, Planned};
use super::testing::answer;
use super::waveform_photometer::WaveformPhotometer;
use super::world::{World, WorldSpec};
use crate::clock::{Clock, Seat};
use crate::exchange::block::{self, Length, NoBlock};
use crate::exchange::line;
use crate::exchange::talk::{LinkState, Talk};
use crate::link::Link;

/// Samples of the capture: 120,000 bytes.
const POINTS: usize = 30_000;

/// Asks a waveform photometer for a capture, and how long its answer took to come.
fn captured(
    spec: &WorldSpec,
    pty: bool,
    points: usize,
    timeout: Span,
) -> (Result<Vec<u8>, NoBlock>, Span) {
    let dir = tempfile::tempdir().expect("a directory");
    let clock = Clock::simulated(Wall::from_us(0), Mono::ZERO);
    let wire = match pty {
        true => Wire::Pty(dir.path().join("fast")),
        false => Wire::Memory("fast".to_owned()),
    };
    let address = wire.address();
    let bench = BenchSpec {
        world: spec.clone(),
        world_file: None,
        absent: Span::ZERO,
        devices: vec![(Device::WaveformPhotometer, wire)],
    };
    let (_bench, mut seats) = SimulatedBench::start(&clock, bench, &["port"]).expect("a bench");
    let _flow = clock.hold_flow();
    let mut link = Link::open(&address, &clock).expect("a link");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let seat: &mut Seat = &mut seats[0];
    let mut talk = Talk::new(seat, &mut link, &never, &mut state);
    line::tell(&mut talk, &format!("SENS:SWE:POIN {points};TINT 1E-5")).expect("told");
    let asked = talk.now().mono;
    let got = block::ask(&mut talk, "READ:WAV?", Length::Exactly(4 * points), timeout);
    let took = talk.now().mono.since(asked);
    (got.map(|block| block.answer.raw), took)
}

/// What the machine itself answers, without a wire.
fn wanted(spec: &WorldSpec, points: usize) -> Vec<u8> {
    let world = World::start(spec.clone(), None, Mono::ZERO, Span::ZERO).expect("a world");
    let mut machine = WaveformPhotometer::machine(&world);
    let mut now = Mono::ZERO;
    let told = format!("SENS:SWE:POIN {points};TINT 1E-5");
    answer(&mut machine, &mut now, &told);
    answer(&mut machine, &mut now, "READ:WAV?")
}

#[test]
fn a_long_block_comes_whole_at_the_lines_speed() {
    let spec = WorldSpec::new(1);
    let wanted = wanted(&spec, POINTS);
    assert_eq!(wanted.len(), "#6120000".len() + 4 * POINTS + 1);
    for pty in [false, true] {
        let (got, took) = captured(&spec, pty, POINTS, Span::from_secs(60));
        assert_eq!(got.expect("a block"), wanted, "pty: {pty}");
        // 0.3 s of samples, 10 ms to convert, 3 ms to think; then thirty pieces of
        // 4000 bytes at 92,160 bytes a second, and the last nine bytes.
        let pieces = Span::from_ns(30 * (4000 * 1_000_000_000 / 92_160));
        assert_eq!(took, Span::from_ms(313) + pieces, "pty: {pty}");
    }
}

/// More than four million bytes, as the longest captures have.
#[test]
fn the_longest_blocks_are_not_cut() {
    let mut spec = WorldSpec::new(1);
    spec.equipment.bytes_per_second = 10_000_000;
    let points = 1_100_000;
    let (got, _) = captured(&spec, false, points, Span::from_secs(60));
    assert_eq!(got.expect("a block").len(), 9 + 4 * points + 1);
}

#[test]
fn faults_strike_at_a_long_block_as_at_any_answer() {
    let device = Device::WaveformPhotometer;
    let hit = |fault| {
        let mut spec = WorldSpec::new(1);
        spec.faults = vec![Planned { nth: 1, fault }];
        captured(&spec, false, POINTS, Span::from_secs(5)).0
    };
    let whole = wanted(&WorldSpec::new(1), POINTS);
    let late = Span::from_ms(700);
    for fault in [Fault::Late(device, late), Fault::Split(device, late)] {
        assert_eq!(hit(fault.clone()).expect("a block"), whole, "{fault:?}");
    }
    for fault in [
        Fault::Silent(device),
        Fault::Garbage(device, b"?!\n".to_vec()),
        Fault::Reset(device),
        Fault::LinkLost(device, Span::from_secs(1)),
    ] {
        assert!(hit(fault.clone()).is_err(), "{fault:?}");
    }
}
