//! A box that talks faster than it is read, before a real socket: a wait finds
//! bytes before it finds that its time is over, and must end all the same.

use std::io::{ErrorKind, Write};
use std::net::TcpListener;
use std::sync::atomic::AtomicBool;
use std::sync::mpsc::channel;

use photometry::units::Span;

use super::block::{self, Length, NoBlock};
use super::talk::{LinkState, Talk};
use super::{ack, line};
use crate::clock::Clock;
use crate::error::DriverError;
use crate::link::{Address, Link};

/// What the box says before it closes its connection.
const FLOOD_BYTES: usize = 8 << 20;
/// What is read of it: a drain, and as much when the time is over, 16 reads of 4 kB.
const READ_AT_MOST_BYTES: u64 = 2 * 16 * 4096;

/// Talks with a box that says `piece` again and again; what came of it, and how many
/// bytes were thrown away.
fn flooded<T>(piece: &[u8], how: impl FnOnce(&mut Talk<'_>) -> T) -> (T, u64) {
    let server = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = server.local_addr().expect("an address").port();
    let (tell, full) = channel();
    let flood = piece.repeat(4096);
    let box_ = std::thread::spawn(move || {
        let (mut socket, _) = server.accept().expect("a client");
        socket.set_nonblocking(true).expect("set");
        let mut left = FLOOD_BYTES;
        while left > 0 {
            match socket.write(&flood) {
                Ok(sent) => left = left.saturating_sub(sent),
                Err(error) if error.kind() == ErrorKind::WouldBlock => {
                    // All that a kernel holds is there, and more will come.
                    let _ = tell.send(());
                    socket.set_nonblocking(false).expect("set");
                }
                // Nobody listens any more.
                Err(_) => break,
            }
        }
    });
    let clock = Clock::wall();
    let mut seat = clock.seats(&["port"]).pop().expect("a seat");
    let address: Address = format!("tcp:127.0.0.1:{port}").parse().expect("an address");
    let mut link = Link::open(&address, &clock).expect("a link");
    full.recv().expect("a flood");
    let never = AtomicBool::new(false);
    let mut state = LinkState::new();
    let came = how(&mut Talk::new(&mut seat, &mut link, &never, &mut state));
    let thrown = state.counts().thrown();
    drop(link);
    box_.join().expect("the box ended");
    (came, thrown)
}

fn is_silent(error: &DriverError) -> bool {
    matches!(error, DriverError::Silent { .. })
}

/// Bytes without an end of line, blank lines, and lines that answer nothing: none of
/// them is an answer, however many there are.
#[test]
fn a_flood_ends_with_its_time() {
    for piece in [&b"\0"[..], b"\n", b"\r\n"] {
        let (came, thrown) = flooded(piece, |talk| line::ask(talk, "READ?", Span::ZERO));
        let error = came.expect_err("no answer");
        assert!(is_silent(&error), "{piece:?}: {error}");
        assert!(thrown <= READ_AT_MOST_BYTES, "{piece:?}: {thrown}");
    }
    let (came, thrown) = flooded(b"\n", |talk| {
        block::ask(talk, "CURV?", Length::Exactly(4), Span::ZERO)
    });
    let error = came.expect_err("no block");
    let silent = matches!(&error, NoBlock::Driver(error) if is_silent(error));
    assert!(silent, "{error:?}");
    assert!(thrown <= READ_AT_MOST_BYTES, "{thrown}");
    let (came, thrown) = flooded(b"[MSG:a]\n", |talk| {
        talk.follow(ack::tests::manner());
        ack::send(talk, "G21", Span::ZERO)
    });
    let error = came.expect_err("no word");
    assert!(is_silent(&error), "{error}");
    assert!(thrown <= READ_AT_MOST_BYTES, "{thrown}");
}

/// What was there when the time was over is an answer: the program may have stood
/// still meanwhile.
#[test]
fn an_answer_that_is_there_is_taken_when_the_time_is_over() {
    let (came, _) = flooded(b"12.5\n", |talk| line::ask(talk, "READ?", Span::ZERO));
    let text = came.expect("an answer").text;
    assert!("12.5".ends_with(&text), "{text}");
}
