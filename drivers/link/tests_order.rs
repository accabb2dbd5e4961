//! The same order of events in every run: over memory and over
//! pseudo-terminals, with both cores busy.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use photometry::units::{Mono, Span};
use tempfile::TempDir;

use super::wire::{DeviceEnd, Machine, Served, memory_wire, pty_wire, serve};
use super::{Address, Link};
use crate::clock::scene::{Log, clock};
use crate::clock::{Clock, Mailbox, Post, Seat, Woken, mailbox};

/// A meter that integrates for a while, then tells when it was asked. It also
/// chatters by itself, so that bytes cross.
struct Meter {
    pace: Span,
    due: Option<(Mono, String)>,
    chatter: Mono,
}

impl Machine for Meter {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        let text = format!("{}:{}\n", now.ns(), bytes.len());
        self.due = Some((now + self.pace, text));
    }
    fn next_due(&self) -> Option<Mono> {
        let answer = self.due.as_ref().map(|(due, _)| *due);
        [answer, Some(self.chatter)].into_iter().flatten().min()
    }
    fn due(&mut self, now: Mono) -> Vec<u8> {
        if self.chatter <= now {
            self.chatter = now + Span::from_ms(37);
            return b"~\n".to_vec();
        }
        self.due
            .take()
            .map(|(_, text)| text.into_bytes())
            .unwrap_or_default()
    }
}

type Asked = (usize, Post<String>);

/// Reads whole lines; passes on those that are no chatter.
fn port_thread(mut seat: Seat, address: &Address, mut asked: Mailbox<Asked>, log: &Log) {
    let mut link = Link::open(address, seat.clock()).expect("a link");
    let mut bytes = Vec::new();
    while !asked.is_finished() {
        seat.wait(None, None);
        while let Some((length, answer)) = asked.take() {
            let question = vec![b'?'; length];
            let within = Span::from_ms(100);
            link.write(&mut seat, &question, within).expect("a write");
            let line = loop {
                if let Some(end) = bytes.iter().position(|b| *b == b'\n') {
                    let line: Vec<u8> = bytes.drain(..=end).collect();
                    let line = String::from_utf8_lossy(&line).trim_end().to_owned();
                    log.note(&seat, &line);
                    if line != "~" {
                        break line;
                    }
                    continue;
                }
                let limit = seat.now().mono + Span::from_secs(2);
                if seat.wait(Some(limit), Some(&link.ear())) == Woken::Bytes {
                    link.read(&mut bytes, usize::MAX).expect("a read");
                }
            };
            answer.post(line).expect("the attendant waits");
        }
    }
}

struct Bench {
    clock: Clock,
    log: Log,
    ports: Vec<thread::JoinHandle<()>>,
    posts: Vec<Post<Asked>>,
    devices: Vec<Served>,
    attendant: Seat,
    _names: TempDir,
}

impl Bench {
    fn open(pty: bool, paces_ms: &[i64]) -> Bench {
        let (clock, log) = (clock(), Log::default());
        let names = TempDir::new().expect("a folder");
        let mut seats = clock
            .seats(&["attendant", "port 0", "port 1", "meter 0", "meter 1"])
            .into_iter();
        let mut next = || seats.next().expect("five seats");
        let attendant = next();
        let port_seats = [next(), next()];
        let (mut ports, mut posts, mut devices) = (Vec::new(), Vec::new(), Vec::new());
        for (number, seat) in port_seats.into_iter().enumerate() {
            let end: DeviceEnd = if pty {
                let path = names.path().join(format!("meter{number}"));
                pty_wire(&clock, &path).expect("a pseudo-terminal")
            } else {
                memory_wire(&clock, &format!("meter{number}"))
            };
            let address: Address = end.address().parse().expect("an address");
            let pace = Span::from_ms(paces_ms[number]);
            let meter = Meter {
                pace,
                due: None,
                chatter: Mono::ZERO + pace,
            };
            devices.push(serve(next(), end, meter).expect("a thread"));
            let (post, asked) = mailbox(seat.bell(), 8);
            posts.push(post);
            let log = log.clone();
            ports.push(thread::spawn(move || {
                port_thread(seat, &address, asked, &log)
            }));
        }
        Bench {
            clock,
            log,
            ports,
            posts,
            devices,
            attendant,
            _names: names,
        }
    }

    /// Asks both meters at once, `rounds` times; returns what happened.
    fn run(mut self, rounds: usize) -> Vec<String> {
        let flow = self.clock.hold_flow();
        for round in 0..rounds {
            let (post, mut answers) = mailbox(self.attendant.bell(), 2);
            for ask in &self.posts {
                assert!(ask.post((1 + round % 7, post.clone())).is_ok());
            }
            let mut missing = self.posts.len();
            while missing > 0 {
                assert_eq!(self.attendant.wait(None, None), Woken::Mail);
                while let Some(answer) = answers.take() {
                    self.log.note(&self.attendant, answer);
                    missing -= 1;
                }
            }
            let next = self.attendant.now().mono + Span::from_ms(10);
            while self.attendant.wait(Some(next), None) != Woken::Due {}
        }
        drop(self.posts);
        drop(self.attendant);
        for port in self.ports {
            port.join().expect("a port thread");
        }
        drop(self.devices);
        drop(flow);
        self.log.lines()
    }
}

/// Two threads that only count, as other work would, until dropped.
struct Load(Arc<AtomicBool>, Vec<thread::JoinHandle<u64>>);

impl Load {
    fn start() -> Load {
        let stop = Arc::new(AtomicBool::new(false));
        let work = |stop: Arc<AtomicBool>| {
            thread::spawn(move || {
                let mut sum = 0_u64;
                while !stop.load(Ordering::Relaxed) {
                    sum = sum.wrapping_mul(31).wrapping_add(7);
                }
                sum
            })
        };
        let threads = (0..2).map(|_| work(Arc::clone(&stop))).collect();
        Load(stop, threads)
    }
}

impl Drop for Load {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
        for thread in self.1.drain(..) {
            let _ = thread.join();
        }
    }
}

#[test]
fn twenty_runs_are_the_same_over_memory_and_terminals_under_load() {
    let calm = Bench::open(false, &[20, 20]).run(30);
    // Each round: two answers at the ports, the same two at the attendant.
    let answers = calm.iter().filter(|line| line.contains(':')).count();
    assert_eq!(answers, 120, "{calm:#?}");
    assert!(calm.len() > 150, "chatter crosses the answers");
    let load = Load::start();
    for run in 0..20 {
        assert_eq!(
            Bench::open(run % 2 == 0, &[20, 20]).run(30),
            calm,
            "run {run}"
        );
    }
    drop(load);
    assert_ne!(Bench::open(false, &[20, 21]).run(30), calm);
}

/// 90 min of a ramp at 1 Hz: two meters, every question through the kernel.
#[test]
fn five_thousand_four_hundred_exchanges_over_a_terminal() {
    let lines = Bench::open(true, &[3, 4]).run(5400);
    let attendant = lines.iter().filter(|line| line.contains(" attendant "));
    assert_eq!(attendant.count(), 10_800);
}
