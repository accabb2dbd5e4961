//! Links and wires, one test for each trap that was met on a real kernel.

use std::path::PathBuf;

use photometry::units::{Mono, Span};
use tempfile::TempDir;

use super::tap::Way;
use super::wire::lane::LIMIT_WIRE_BYTES;
use super::wire::{DeviceEnd, Machine, memory_wire, pty_wire, serve};
use super::{Address, Link, LinkError, Tap};
use crate::clock::scene::clock;
use crate::clock::{Clock, Seat, Woken};

/// A place for the names of pseudo-terminals.
struct Bay(TempDir);

impl Bay {
    fn new() -> Bay {
        Bay(TempDir::new().expect("a folder"))
    }

    fn path(&self) -> PathBuf {
        self.0.path().join("meter")
    }

    fn wire(&self, clock: &Clock, pty: bool) -> (DeviceEnd, Address) {
        let end = if pty {
            pty_wire(clock, &self.path()).expect("a pseudo-terminal")
        } else {
            memory_wire(clock, "meter")
        };
        let address = if pty {
            Address::serial(end.address(), 115_200)
        } else {
            Address::memory("meter")
        };
        assert_eq!(end.address(), address.to_string());
        (end, address)
    }
}

/// Each clock with each kind of wire.
fn everywhere(test: impl Fn(&Clock, &Bay, bool)) {
    for pty in [false, true] {
        for clock in [clock(), Clock::wall()] {
            test(&clock, &Bay::new(), pty);
        }
    }
}

/// Reads until `count` bytes are there.
fn read_all(link: &mut Link, seat: &mut Seat, count: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    while bytes.len() < count {
        assert_eq!(seat.wait(None, Some(&link.ear())), Woken::Bytes);
        link.read(&mut bytes, count).expect("a read");
    }
    bytes
}

fn hear(end: &mut DeviceEnd, seat: &mut Seat, count: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    while bytes.len() < count {
        assert_eq!(seat.wait(None, Some(&end.ear())), Woken::Bytes);
        end.read(&mut bytes).expect("a read");
    }
    bytes
}

const LIMIT: Span = Span::from_ms(1000);

/// A terminal that is not raw before the first byte sends what the port is
/// told back to the device and turns CR into NL; whatever an earlier owner
/// left is not an answer.
#[test]
fn bytes_pass_unchanged_and_nothing_echoes() {
    everywhere(|clock, bay, pty| {
        let (mut end, address) = bay.wire(clock, pty);
        let mut seat = clock.seat("both");
        if clock.is_simulated() {
            end.write(b"early\r\n\x03\x04\x11\x13").expect("a write");
        }
        let mut link = Link::open(&address, clock).expect("a link");
        let all: Vec<u8> = (0..=255).collect();
        link.write(&mut seat, &all, LIMIT).expect("a write");
        // An echo would come before, since a terminal keeps the order.
        assert_eq!(hear(&mut end, &mut seat, all.len()), all);
        end.write(&all).expect("a write");
        assert_eq!(read_all(&mut link, &mut seat, all.len()), all);
        link.write(&mut seat, b"end", LIMIT).expect("a write");
        assert_eq!(hear(&mut end, &mut seat, 3), b"end");
    });
}

#[test]
fn what_an_earlier_owner_left_is_thrown_away() {
    for pty in [false, true] {
        let (clock, bay) = (clock(), Bay::new());
        let (mut end, address) = bay.wire(&clock, pty);
        let mut seat = clock.seat("both");
        let mut link = Link::open(&address, &clock).expect("a link");
        link.write(&mut seat, b"?\n", LIMIT).expect("a write");
        drop(link);
        end.write(b"a late answer\n").expect("a write");
        let mut link = Link::open(&address, &clock).expect("a link");
        let mut bytes = Vec::new();
        assert_eq!(link.read(&mut bytes, 100).expect("a read"), 0);
        assert_eq!(hear(&mut end, &mut seat, 2), b"?\n", "the question arrived");
        end.write(b"new\n").expect("a write");
        assert_eq!(read_all(&mut link, &mut seat, 4), b"new\n");
    }
}

/// What was left over, what is asked, what is answered; and nothing without a
/// tap.
#[test]
fn a_tap_records_every_byte_with_its_way_and_moment() {
    everywhere(|clock, bay, pty| {
        let (mut end, address) = bay.wire(clock, pty);
        let mut seat = clock.seat("both");
        end.write(b"left over\n").expect("a write");
        let tap = Tap::new();
        let before = clock.now().mono;
        let mut link = Link::open_tapped(&address, clock, Some(tap.clone())).expect("a link");
        link.write(&mut seat, b"?\n", LIMIT).expect("a write");
        assert_eq!(hear(&mut end, &mut seat, 2), b"?\n");
        end.write(b"12.5\n").expect("a write");
        read_all(&mut link, &mut seat, 5);
        let traffic = tap.take();
        let mut last = before;
        let mut went = [Vec::new(), Vec::new()];
        for chunk in &traffic.chunks {
            assert!(chunk.at.mono >= last, "{traffic:?}");
            last = chunk.at.mono;
            went[usize::from(chunk.way == Way::From)].extend(&chunk.bytes);
        }
        assert_eq!(went[0], b"?\n");
        // On the wall clock the kernel may hand over what was left over later.
        assert!(went[1].ends_with(b"12.5\n"), "{traffic:?}");
        if clock.is_simulated() {
            assert_eq!(went[1], b"left over\n12.5\n");
        }
    });
}

/// The library locks by ioctl and by flock; the second stops even root.
#[test]
fn a_second_owner_is_refused_until_the_first_is_gone() {
    everywhere(|clock, bay, pty| {
        let (end, address) = bay.wire(clock, pty);
        let first = Link::open(&address, clock).expect("a link");
        let second = Link::open(&address, clock);
        assert!(matches!(second, Err(LinkError::Busy { .. })), "{second:?}");
        drop(first);
        let third = Link::open(&address, clock);
        assert!(third.is_ok(), "{third:?}");
        drop(end);
    });
}

#[test]
fn unplugged_is_gone_then_absent_and_a_new_wire_is_found_by_name() {
    everywhere(|clock, bay, pty| {
        let (mut end, address) = bay.wire(clock, pty);
        let mut seat = clock.seat("port");
        let mut link = Link::open(&address, clock).expect("a link");
        end.write(b"pending at the end").expect("a write");
        end.unplug();
        assert_eq!(seat.wait(None, Some(&link.ear())), Woken::Bytes);
        let read = link.read(&mut Vec::new(), 100);
        assert!(matches!(read, Err(LinkError::Gone { .. })), "{read:?}");
        let write = link.write(&mut seat, b"?\n", LIMIT);
        assert!(matches!(write, Err(LinkError::Gone { .. })), "{write:?}");
        let absent = Link::open(&address, clock);
        assert!(
            matches!(absent, Err(LinkError::NotFound { .. })),
            "{absent:?}"
        );

        // Even while the dead link is still held.
        let (mut end, address) = bay.wire(clock, pty);
        let mut fresh = Link::open(&address, clock).expect("the new wire");
        drop(link);
        end.write(b"hello\n").expect("a write");
        assert_eq!(read_all(&mut fresh, &mut seat, 6), b"hello\n");
    });
}

/// An old wire that goes late takes neither the name nor the entry of the new.
#[test]
fn a_wire_that_replaced_another_stays() {
    for pty in [false, true] {
        let (clock, bay) = (clock(), Bay::new());
        let (old, _) = bay.wire(&clock, pty);
        let (new, address) = bay.wire(&clock, pty);
        drop(old);
        assert!(Link::open(&address, &clock).is_ok());
        drop(new);
        assert!(!bay.path().exists());
    }
}

#[test]
fn what_a_wire_cannot_hold_is_lost_and_counted() {
    for pty in [false, true] {
        let (clock, bay) = (clock(), Bay::new());
        let (mut end, address) = bay.wire(&clock, pty);
        let mut seat = clock.seat("both");
        let mut link = Link::open(&address, &clock).expect("a link");
        end.write(&[b'a'; 5000]).expect("a write");
        end.write(b"more").expect("a write");
        link.write(&mut seat, &[b'b'; 4100], LIMIT)
            .expect("a write");
        assert_eq!(end.lost_bytes(), (908, 4));
        let heard = read_all(&mut link, &mut seat, LIMIT_WIRE_BYTES);
        assert_eq!(heard, vec![b'a'; LIMIT_WIRE_BYTES]);
        let mut bytes = Vec::new();
        assert_eq!(link.read(&mut bytes, 10).expect("a read"), 0);
        assert_eq!(
            hear(&mut end, &mut seat, LIMIT_WIRE_BYTES).len(),
            LIMIT_WIRE_BYTES
        );
    }
}

/// A blocking write sleeps in the kernel until the last byte fits, whatever the
/// library's time limit; 17 408 bytes go into a terminal that nobody reads.
#[test]
fn a_writer_without_a_reader_times_out() {
    let (clock, bay) = (Clock::wall(), Bay::new());
    let (end, address) = bay.wire(&clock, true);
    let mut seat = clock.seat("port");
    let mut link = Link::open(&address, &clock).expect("a link");
    let failed = link.write(&mut seat, &vec![b'x'; 200_000], Span::from_ms(5));
    match failed {
        Err(LinkError::WriteTimedOut { left, of, .. }) => {
            assert!(left > 0 && left < of, "{left} of {of}");
        }
        other => panic!("{other:?}"),
    }
    drop(end);
}

#[test]
fn addresses_that_lead_nowhere_say_why() {
    let wall = Clock::wall();
    let bay = Bay::new();
    let path = bay.path().to_string_lossy().into_owned();
    let shown = |address: &Address, clock: &Clock| match Link::open(address, clock) {
        Ok(_) => "opened".to_owned(),
        Err(error) => error.to_string().replace(&path, "PATH"),
    };
    let serial = Address::serial(path.clone(), 9600);
    let absent = "PATH is not there; is the device plugged in and switched on?";
    assert_eq!(shown(&serial, &wall), absent);
    assert_eq!(shown(&serial, &clock()), absent);
    assert_eq!(
        shown(&Address::memory("x"), &wall),
        "memory:x is not there; is the device plugged in and switched on?"
    );
    std::fs::write(bay.path(), "a file").expect("a file");
    assert_eq!(
        shown(&serial, &clock()),
        "PATH is not part of the simulated bench"
    );
    let no_tty = shown(&serial, &wall);
    assert!(no_tty.starts_with("PATH: "), "{no_tty}");
    std::fs::remove_file(bay.path()).expect("the file");

    let end = pty_wire(&wall, &bay.path()).expect("a pseudo-terminal");
    assert_eq!(
        shown(&Address::serial(path.clone(), 0), &wall),
        "PATH: 0 baud is not possible on a serial line"
    );
    drop(end);
}

#[test]
fn a_socket_is_a_link_too() {
    use std::io::{Read as _, Write as _};
    let server = std::net::TcpListener::bind("127.0.0.1:0").expect("a server");
    let port = server.local_addr().expect("its address").port();
    let address: Address = format!("tcp:127.0.0.1:{port}").parse().expect("an address");
    let clock = Clock::wall();
    let mut seat = clock.seat("port");
    let mut link = Link::open(&address, &clock).expect("a link");
    let (mut device, _) = server.accept().expect("the link");
    link.write(&mut seat, b"?\n", LIMIT).expect("a write");
    let mut asked = [0; 2];
    device.read_exact(&mut asked).expect("the question");
    device.write_all(b"12.5\n").expect("an answer");
    assert_eq!(read_all(&mut link, &mut seat, 5), b"12.5\n");
    drop(device);
    assert_eq!(seat.wait(None, Some(&link.ear())), Woken::Bytes);
    let read = link.read(&mut Vec::new(), 1);
    assert!(matches!(read, Err(LinkError::Gone { .. })), "{read:?}");
    drop(server);
    let refused = Link::open(&address, &clock);
    assert!(
        matches!(refused, Err(LinkError::NotFound { .. })),
        "{refused:?}"
    );
}

/// Answers any question with so many bytes, so much later.
struct Answers {
    bytes: usize,
    after: Span,
    due: Option<Mono>,
}

impl Machine for Answers {
    fn bytes(&mut self, now: Mono, _bytes: &[u8]) {
        self.due = Some(now + self.after);
    }
    fn next_due(&self) -> Option<Mono> {
        self.due
    }
    fn due(&mut self, _now: Mono) -> Vec<u8> {
        self.due = None;
        vec![b'w'; self.bytes]
    }
}

/// 10 000 bytes at 10 000 bytes a second: 4000 at once, 4000 and 2000 as the
/// line gets free.
#[test]
fn a_long_answer_leaves_in_pieces_at_the_speed_of_the_line() {
    for pty in [false, true] {
        let (clock, bay) = (clock(), Bay::new());
        let flow = clock.hold_flow();
        let mut seats = clock.seats(&["meter", "port"]);
        let mut port = seats.pop().expect("two seats");
        let (end, address) = bay.wire(&clock, pty);
        let machine = Answers {
            bytes: 10_000,
            after: Span::from_ms(20),
            due: None,
        };
        let meter = seats.pop().expect("two seats");
        let served = serve(meter, end.at_bytes_per_second(10_000), machine).expect("a thread");
        let mut link = Link::open(&address, &clock).expect("a link");
        link.write(&mut port, b"?\n", LIMIT).expect("a write");
        let mut pieces = Vec::new();
        let mut bytes = Vec::new();
        while bytes.len() < 10_000 {
            assert_eq!(port.wait(None, Some(&link.ear())), Woken::Bytes);
            let read = link.read(&mut bytes, usize::MAX).expect("a read");
            pieces.push((port.now().mono.ns() / 1_000_000, read));
        }
        assert_eq!(pieces, [(20, 4000), (420, 4000), (820, 2000)]);

        served.unplug();
        assert_eq!(port.wait(None, Some(&link.ear())), Woken::Bytes);
        let read = link.read(&mut bytes, 1);
        assert!(matches!(read, Err(LinkError::Gone { .. })), "{read:?}");
        drop(flow);
    }
}

#[test]
fn a_device_answers_in_real_time_too() {
    for pty in [false, true] {
        let (clock, bay) = (Clock::wall(), Bay::new());
        let (end, address) = bay.wire(&clock, pty);
        let machine = Answers {
            bytes: 5,
            after: Span::from_ms(1),
            due: None,
        };
        let served = serve(clock.seat("meter"), end, machine).expect("a thread");
        let mut port = clock.seat("port");
        let mut link = Link::open(&address, &clock).expect("a link");
        for _ in 0..20 {
            link.write(&mut port, b"?\n", LIMIT).expect("a write");
            assert_eq!(read_all(&mut link, &mut port, 5), b"wwwww");
        }
        drop(served);
        assert_eq!(port.wait(None, Some(&link.ear())), Woken::Bytes);
        assert!(link.read(&mut Vec::new(), 1).is_err());
    }
}
