//! A simulated bench in the test's own process and in real time, reached over
//! pseudo-terminals: whatever happens to a daemon, it keeps its world.
//!
//! It is a fast one, so that a night takes seconds: the rail runs at 2 m/s,
//! the lamp warms in seconds, a reading takes 20 ms.

use std::path::{Path, PathBuf};

use drivers::clock::Clock;
use drivers::simulated::bench::{BenchSpec, SimulatedBench, Wire};
use drivers::simulated::carriage::RailModel;
use drivers::simulated::faults::Device;
use drivers::simulated::lamp::LampModel;
use drivers::simulated::world::WorldSpec;
use photometry::units::{Acceleration, Lux, Span, Speed};

/// Metres a second, as nanometres.
const fn mm_per_s(mm: i64) -> Speed {
    Speed::from_nm_per_s(mm * 1_000_000)
}

/// What is fixed about its world.
pub fn spec(seed: u64) -> WorldSpec {
    let mut spec = WorldSpec::new(seed);
    spec.lamp = LampModel {
        levels: 3,
        brightest: Lux(2000.0),
        darkest: Lux(100.0),
        warming: Span::from_secs(1),
        fade: Span::from_ms(20),
        first_level: 2,
        ..LampModel::sanderling()
    };
    spec.rail = RailModel {
        speed: mm_per_s(2000),
        acceleration: Acceleration::from_nm_per_s2(20_000_000_000),
        seek: mm_per_s(1000),
        touch: mm_per_s(50),
        ..RailModel::two_metres()
    };
    spec
}

/// A bench that lives as long as this value.
pub struct WallBench {
    pub bench: SimulatedBench,
    /// The clock of its world; for the foreign devices, who share this file.
    #[allow(dead_code)]
    pub clock: Clock,
    folder: PathBuf,
    spec: WorldSpec,
}

/// What its bench file describes.
const DEVICES: [Device; 3] = [Device::Rail, Device::Meter, Device::Fingers];

impl WallBench {
    /// Starts it; its ports and the files that describe it lie in `folder`.
    pub fn start(folder: &Path, spec: WorldSpec) -> WallBench {
        WallBench::with(folder, spec, &[])
    }

    /// The same with more devices, which its bench file does not describe.
    #[allow(dead_code)] // of the benchmarks alone
    pub fn with(folder: &Path, spec: WorldSpec, more: &[Device]) -> WallBench {
        std::fs::create_dir_all(folder).expect("a folder");
        let clock = Clock::wall();
        let devices: Vec<Device> = DEVICES.iter().chain(more).copied().collect();
        let bench = started(&clock, folder, &spec, &devices);
        let this = WallBench {
            bench,
            clock,
            folder: folder.to_owned(),
            spec,
        };
        for (name, text) in [
            ("bench.yaml", this.bench_file()),
            ("lamp.yaml", LAMP.to_owned()),
            ("plan.yaml", PLAN.to_owned()),
        ] {
            std::fs::write(folder.join(name), text).expect("written");
        }
        this
    }

    /// A file beside its ports.
    pub fn file(&self, name: &str) -> String {
        self.folder.join(name).to_string_lossy().into_owned()
    }

    fn bench_file(&self) -> String {
        let port = |device| wire(&self.folder, device);
        let path = |device| match port(device) {
            Wire::Pty(path) => path.to_string_lossy().into_owned(),
            Wire::Memory(name) => name,
        };
        let ranges: Vec<String> = self
            .spec
            .meter
            .ranges
            .iter()
            .map(|range| format!("{} lx", range.0))
            .collect();
        BENCH
            .replace("RAIL-PORT", &path(Device::Rail))
            .replace("METER-PORT", &path(Device::Meter))
            .replace("FINGER-PORT", &path(Device::Fingers))
            .replace("RANGES", &ranges.join(", "))
    }
}

fn wire(folder: &Path, device: Device) -> Wire {
    Wire::Pty(folder.join(format!("{device:?}").to_lowercase()))
}

fn started(clock: &Clock, folder: &Path, spec: &WorldSpec, devices: &[Device]) -> SimulatedBench {
    let spec = BenchSpec {
        world: spec.clone(),
        world_file: None,
        absent: Span::ZERO,
        devices: devices
            .iter()
            .map(|device| (*device, wire(folder, *device)))
            .collect(),
    };
    let (bench, _) = SimulatedBench::start(clock, spec, &[]).expect("a bench");
    bench
}

const BENCH: &str = "\
bench: quick
format: 1
ports:
  rail-port: {serial: RAIL-PORT, baud: 115200}
  meter-port: {serial: METER-PORT, baud: 115200}
  finger-port: {serial: FINGER-PORT, baud: 115200}
places: {axis: rail axis}
rail:
  port: rail-port
  place: axis
  travel: 1 mm to 2000 mm
  speed: 2000 mm/s
  acceleration: 20000 mm/s2
  settle: 10 ms
  away: up
  carries: meter
  overshoot: 2 mm
  datum-at: -100 mm
  datum-uncertainty: 0.5 mm
  gauge-at: 52.4 mm
  gauge-uncertainty: 0.3 mm
  home-tolerance: 0.1 mm
meters:
  lux-head:
    port: meter-port
    place: axis
    rides: true
    plane: 0 mm
    yields: illuminance
    ranges: [RANGES]
    integration: 20 ms
    averages: 1
    dark: shutter
    calibration: {certificate: K-2026-031, due: 2100-01-01}
    uncertainty: {certificate: 1.5 %}
fingers:
  port: finger-port
  channels: {round: 1, left: 2, right: 3}
made-safe: {carriage: stops, fingers: off, lamp: by its own switch}
";

const LAMP: &str = "\
lamp: knot
format: 1
levels: 3
worked: {up: brighter, down: dimmer, power: power}
face: 180 mm
datum: front face
off: power
warm-up-cap: 5 min
maximum-on-time: 12 h
";

const PLAN: &str = "\
plan: a night of seconds
format: 1
tests:
  look:
    kind: survey
    settings: all
    positions: [12 in, 18 in, 24 in]
    readings: 3
    dark: 2
    ambient: 1
    warm-up: 1 s
    reference: {at: 24 in, every: 6, drift-limit: 2 %, give-up: 5 %}
";
