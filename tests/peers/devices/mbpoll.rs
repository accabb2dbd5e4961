//! Our simulated transmitter and relay board (`drivers/simulated/registers.rs`)
//! asked and told by mbpoll, a Modbus client of others: over a pseudo-terminal,
//! and over TCP through a way that passes bytes on. What it prints is what the
//! simulated lamp gives, and what it writes presses the lamp's buttons.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;

use drivers::clock::Clock;
use drivers::link::wire::{Machine, Served, pty_wire, serve};
use drivers::simulated::registers::{Contents, RegisterDevice, Registers, Wrapping};
use drivers::simulated::world::{World, WorldSpec};
use photometry::units::{Mono, Span};

use super::peer::installed;
use super::tally;

const UNIT: u8 = 9;
const COILS: u16 = 8;
/// Input registers: the light as an IEEE 754 number, high word first, then low
/// word first.
const BIG: u16 = 0;
const LITTLE: u16 = 2;

/// A device before the lamp of a simulated world, as one that serves it: whenever
/// it is asked, its registers hold the light of that moment; a coil that closes
/// presses its button.
struct Bench {
    world: World,
    registers: Registers,
}

impl Bench {
    /// Sets one up in the dark; its lamp is off.
    fn start(now: Mono) -> Bench {
        let mut spec = WorldSpec::new(11);
        // A level is there as soon as it is set.
        spec.lamp.fade = Span::from_ns(1);
        let world = World::start(spec, None, now, Span::ZERO);
        Bench {
            world: world.expect("a world"),
            registers: Registers::new(Contents {
                coils: (0..COILS).map(|coil| (coil, false)).collect(),
                input: (0..4).map(|at| (at, 0)).collect(),
                ..Contents::default()
            }),
        }
    }

    fn device(&self, wrapping: Wrapping) -> Device {
        Device {
            world: self.world.clone(),
            registers: self.registers.clone(),
            served: self.registers.machine(wrapping, UNIT),
        }
    }

    /// The number that the registers hold.
    fn held(&self) -> f32 {
        let input = self.registers.contents().input;
        let bits = u32::from(input[&BIG]) << 16 | u32::from(input[&(BIG + 1)]);
        f32::from_bits(bits)
    }
}

struct Device {
    world: World,
    registers: Registers,
    served: RegisterDevice,
}

impl Machine for Device {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        self.served.bytes(now, bytes);
    }

    fn next_due(&self) -> Option<Mono> {
        self.served.next_due()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let bits = (self.world.light(now).0 as f32).to_bits();
        let (high, low) = ((bits >> 16) as u16, bits as u16);
        self.registers.edit(|held| {
            for (at, word) in [
                (BIG, high),
                (BIG + 1, low),
                (LITTLE, low),
                (LITTLE + 1, high),
            ] {
                held.input.insert(at, word);
            }
        });
        let before = self.registers.contents().coils;
        let said = self.served.due(now);
        for (coil, closed) in self.registers.contents().coils {
            let spec = self.world.spec();
            let mut under = spec.fingers.iter();
            let under = under.find(|(channel, _)| *channel == coil + 1);
            if let (true, false, Some((_, button))) = (closed, before[&coil], under) {
                self.world.person().press(*button, now);
            }
        }
        said
    }
}

/// Serves a device to one client after another, over TCP and in real time; the
/// port. It ends with the test's process.
fn over_tcp(clock: &Clock, mut device: Device) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    let clock = clock.clone();
    std::thread::spawn(move || {
        for mut client in listener.incoming().flatten() {
            let mut bytes = [0; 300];
            while let Ok(count @ 1..) = client.read(&mut bytes) {
                device.bytes(clock.now().mono, &bytes[..count]);
                // It thinks for some milliseconds.
                while device.next_due().is_some() {
                    let said = device.due(clock.now().mono);
                    if client.write_all(&said).is_err() {
                        break;
                    }
                    std::thread::yield_now();
                }
            }
        }
    });
    port
}

/// How mbpoll reaches the device, and what must live as long.
struct Way {
    arguments: Vec<String>,
    _served: Option<Served>,
}

fn ways(clock: &Clock, folder: &Path, bench: &Bench) -> [Way; 2] {
    let port = over_tcp(clock, bench.device(Wrapping::Tcp));
    let tcp = ["-m", "tcp", "-p", &port.to_string(), "127.0.0.1"].map(str::to_owned);
    let path = folder.join("line");
    let end = pty_wire(clock, &path).expect("a pseudo-terminal");
    let served = serve(clock.seat("device"), end, bench.device(Wrapping::Rtu));
    let path = path.to_str().expect("text");
    let rtu = ["-m", "rtu", "-b", "19200", "-P", "none", path].map(str::to_owned);
    [
        Way {
            arguments: tcp.to_vec(),
            _served: None,
        },
        Way {
            arguments: rtu.to_vec(),
            _served: Some(served.expect("a thread")),
        },
    ]
}

impl Way {
    /// What mbpoll prints of each reference that it reads, or its complaint.
    fn poll(
        &self,
        program: &Path,
        asked: &[&str],
        written: &[&str],
    ) -> Result<Vec<String>, String> {
        let (place, how) = self.arguments.split_last().expect("a place");
        let output = Command::new(program)
            .args(["-1", "-o", "10", "-a", &UNIT.to_string()])
            .args(how)
            .args(asked)
            .arg(place)
            .args(written)
            .output()
            .expect("it runs");
        let told = String::from_utf8_lossy(&output.stdout);
        if !output.status.success() {
            return Err(String::from_utf8_lossy(&output.stderr).trim().to_owned());
        }
        // `[1]:` and a tabulator.
        let values = told.lines().filter_map(|line| line.strip_prefix('['));
        let values = values.filter_map(|line| line.split_once("]:"));
        Ok(values.map(|(_, value)| value.trim().to_owned()).collect())
    }
}

/// A number to six digits, as C's `%g` prints it and mbpoll with it.
fn six_digits(number: f32) -> f64 {
    format!("{number:.5e}").parse().expect("a number")
}

#[test]
fn mbpoll_reads_what_the_simulated_lamp_gives() {
    let program = installed("mbpoll", "mbpoll");
    let met = usize::from(program.is_some());
    if let Some(program) = program {
        let folder = tempfile::tempdir().expect("a folder");
        let clock = Clock::wall();
        let bench = Bench::start(clock.now().mono);
        let person = bench.world.person();
        for way in ways(&clock, folder.path(), &bench) {
            let poll = |asked: &[&str], written: &[&str]| way.poll(&program, asked, written);
            let mut seen = Vec::new();
            for level in [12, 1, 7] {
                person.set_level(level, clock.now().mono);
                // Both orders of words; references are counted from 1.
                for asked in [["-B", "-r1"], ["-c1", "-r3"]] {
                    let told = poll(&[&asked[..], &["-t", "3:float"]].concat(), &[]);
                    let told = told.unwrap_or_else(|no| panic!("{:?}: {no}", way.arguments));
                    let told: Vec<f64> = told
                        .iter()
                        .map(|text| text.parse().expect("a number"))
                        .collect();
                    assert_eq!(told, [six_digits(bench.held())], "{:?}", way.arguments);
                    seen.push(told[0]);
                }
                // To the last bit.
                let told = poll(&["-t", "3:hex", "-r1", "-c2"], &[]).expect("registers");
                let bits = bench.held().to_bits();
                let wanted = [bits >> 16, bits & 0xFFFF].map(|word| format!("0x{word:04X}"));
                assert_eq!(told, wanted);
            }
            // The brightest level is far brighter than the darkest.
            assert!(seen[0] > 50.0 * seen[2], "{seen:?}");
            press(&bench, &clock, &poll);
            // What is not there: exception 2, in its words.
            let refused = poll(&["-t", "3", "-r", "100"], &[]);
            let wanted = "Read input register failed: Illegal data address";
            assert_eq!(refused, Err(wanted.to_owned()));
        }
    }
    tally::line(
        "foreign clients, mbpoll over TCP and a line",
        &[("spoken to", &met), ("skipped", &(1 - met))],
    );
}

/// The power button's coil is closed and opened again: the lamp goes out, or on.
fn press(
    bench: &Bench,
    clock: &Clock,
    poll: &impl Fn(&[&str], &[&str]) -> Result<Vec<String>, String>,
) {
    let lit = || bench.world.person().sees_level(clock.now().mono) > 0;
    let before = lit();
    poll(&["-t0", "-r1"], &["1"]).expect("closed");
    let coils = poll(&["-t0", "-r1", "-c8"], &[]).expect("coils");
    assert_eq!(coils, ["1", "0", "0", "0", "0", "0", "0", "0"]);
    assert_eq!(lit(), !before);
    poll(&["-t0", "-r1"], &["0"]).expect("open");
    let coils = poll(&["-t0", "-r1", "-c8"], &[]).expect("coils");
    assert_eq!(coils, ["0"; 8]);
    assert_eq!(lit(), !before);
}
