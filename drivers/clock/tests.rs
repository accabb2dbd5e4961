//! The rules of simulated time, one test each, and the same calls in real time.

use std::sync::mpsc::channel;
use std::time::Duration;

use photometry::units::{Mono, Span, Wall};

use super::scene::{at_ms, clock, part, play};
use super::{Bell, Clock, Patience, PostError, Seat, Woken, mailbox};
use crate::link::wire::memory_wire;
use crate::link::{Address, Link};

#[test]
fn of_several_ready_seats_the_lowest_rank_acts() {
    let clock = clock();
    let act = |mut seat: Seat, log: &super::scene::Log| {
        for round in 0..3 {
            seat.wait(at_ms(0), None);
            log.note(&seat, round);
        }
    };
    let lines = play(
        &clock,
        vec![("a", part(act)), ("b", part(act)), ("c", part(act))],
        |_| {},
    );
    let expected = [
        "0 a 0", "0 a 1", "0 a 2", "0 b 0", "0 b 1", "0 b 2", "0 c 0", "0 c 1", "0 c 2",
    ];
    assert_eq!(lines, expected);
}

#[test]
fn now_becomes_the_smallest_until() {
    let clock = clock();
    let flow = clock.hold_flow();
    let waits = |times: [i64; 2]| {
        part(move |mut seat: Seat, log| {
            for ms in times {
                let woken = seat.wait(at_ms(ms), None);
                log.note(&seat, format!("{woken:?}"));
            }
        })
    };
    let cast = vec![
        ("a", waits([30, 40])),
        ("b", waits([10, 40])),
        ("c", waits([20, 3_600_000])),
    ];
    let lines = play(&clock, cast, |_| {});
    let expected = [
        "10 b Due",
        "20 c Due",
        "30 a Due",
        "40 a Due",
        "40 b Due",
        "3600000 c Due",
    ];
    assert_eq!(lines, expected);
    drop(flow);
    assert_eq!(
        clock.now().wall,
        Wall::from_us(1_795_564_800_000_000 + 3_600_000_000)
    );
}

#[test]
fn without_a_flow_time_stands_still() {
    let clock = clock();
    let (send, bells) = channel::<Bell>();
    let cast = vec![(
        "a",
        part(move |mut seat: Seat, log| {
            send.send(seat.bell()).expect("the test listens");
            let woken = seat.wait(at_ms(10), None);
            log.note(&seat, format!("{woken:?}"));
            let flow = seat.clock().hold_flow();
            let woken = seat.wait(at_ms(10), None);
            log.note(&seat, format!("{woken:?}"));
            drop(flow);
        }),
    )];
    let lines = play(&clock, cast, |_| {
        bells.recv().expect("a bell").ring();
    });
    assert_eq!(lines, ["0 a Mail", "10 a Due"]);
}

/// A watchdog waits for a time but holds no flow: the clock stops at it on its
/// way, and never runs because of it.
#[test]
fn a_watchdog_does_not_make_time_run() {
    let clock = clock();
    let (send, bells) = channel::<Bell>();
    let cast = vec![
        (
            "attendant",
            part(move |mut seat: Seat, log| {
                let flow = seat.clock().hold_flow();
                seat.wait(at_ms(10_000), None);
                log.note(&seat, "has measured");
                drop(flow);
                send.send(seat.bell()).expect("the test listens");
                let woken = seat.wait(None, None);
                log.note(&seat, format!("{woken:?}"));
            }),
        ),
        (
            "watchdog",
            part(|mut seat: Seat, log| {
                for ms in [5_000, 15_000] {
                    if seat.wait(at_ms(ms), None) == Woken::Due {
                        log.note(&seat, "looks");
                    }
                }
            }),
        ),
    ];
    let lines = play(&clock, cast, |log| {
        bells.recv().expect("a bell").ring();
        // The attendant got its mail at 10 s, so the 15 s were not reached.
        while log.lines().len() < 3 {
            std::thread::yield_now();
        }
        clock.hold_flow()
    });
    let expected = [
        "5000 watchdog looks",
        "10000 attendant has measured",
        "10000 attendant Mail",
        "15000 watchdog looks",
    ];
    assert_eq!(lines, expected);
}

#[test]
fn a_seat_that_goes_while_acting_passes_the_turn() {
    let clock = clock();
    let cast = vec![
        (
            "goes",
            part(|mut seat: Seat, log| {
                seat.wait(at_ms(0), None);
                log.note(&seat, "acts and goes");
            }),
        ),
        (
            "falls",
            part(|mut seat: Seat, log| {
                seat.wait(at_ms(0), None);
                log.note(&seat, "acts and falls");
                std::panic::resume_unwind(Box::new("on purpose"));
            }),
        ),
        (
            "stays",
            part(|mut seat: Seat, log| {
                seat.wait(at_ms(0), None);
                log.note(&seat, "acts");
            }),
        ),
        ("never waits", part(|_seat: Seat, _| {})),
    ];
    let lines = play(&clock, cast, |_| {});
    assert_eq!(
        lines,
        [
            "0 goes acts and goes",
            "0 falls acts and falls",
            "0 stays acts"
        ]
    );
}

#[test]
fn mail_comes_before_bytes_and_bytes_before_due() {
    let clock = clock();
    let mut device = memory_wire(&clock, "meter");
    let address = Address::memory("meter");
    let mut link = Link::open(&address, &clock).expect("a link");
    let mut seat = clock.seat("port");
    let ear = link.ear();
    device.write(b"1").expect("a write");
    seat.bell().ring();
    seat.bell().ring();
    let mut order = Vec::new();
    for _ in 0..2 {
        order.push(seat.wait(at_ms(0), Some(&ear)));
    }
    let mut bytes = Vec::new();
    assert_eq!(link.read(&mut bytes, 10).expect("a read"), 1);
    order.push(seat.wait(at_ms(0), Some(&ear)));
    assert_eq!(order, [Woken::Mail, Woken::Bytes, Woken::Due]);
}

#[test]
fn a_mailbox_is_bounded_and_each_side_sees_the_other_go() {
    for clock in [clock(), Clock::wall()] {
        let mut seat = clock.seat("owner");
        let (post, mut letters) = mailbox(seat.bell(), 2);
        assert!(post.post(1).is_ok());
        assert!(post.clone().post(2).is_ok());
        assert!(matches!(post.post(3), Err(PostError::Full(3))));
        assert_eq!(seat.wait(None, None), Woken::Mail);
        assert_eq!(
            (letters.take(), letters.take(), letters.take()),
            (Some(1), Some(2), None)
        );
        assert!(!letters.is_finished());

        let other = post.clone();
        drop(post);
        assert!(!letters.is_finished());
        drop(other);
        assert_eq!(
            seat.wait(None, None),
            Woken::Mail,
            "the last post rings when it goes"
        );
        assert!(letters.is_finished());

        let (post, letters) = mailbox(seat.bell(), 2);
        drop(letters);
        assert!(post.is_closed());
        assert!(matches!(post.post(4), Err(PostError::Closed(4))));
    }
}

/// The bell of a seat that is gone, and of a clock that is gone.
#[test]
fn ringing_nobody_is_harmless() {
    for clock in [clock(), Clock::wall()] {
        let bell = clock.seat("gone").bell();
        bell.ring();
        drop(clock);
        bell.ring();
    }
}

/// 20 s without a turn, with a shorter limit and a softer end.
#[test]
fn a_seat_that_never_parks_is_reported() {
    let (send, tables) = channel::<String>();
    let patience = Patience {
        limit: Duration::from_millis(20),
        end: Box::new(move |table| {
            let _ = send.send(table.to_owned());
        }),
    };
    let clock = Clock::simulated_with(Wall::from_us(0), Mono::ZERO, patience);
    let seats = clock.seats(&["attendant", "rail port"]);
    let table = tables.recv().expect("a table");
    let expected = "now 0 ns, flows 0, busy 2\n   \
                    1  attendant                busy, has not parked\n   \
                    2  rail port                busy, has not parked\n";
    assert_eq!(table, expected);
    drop(seats);
}

#[test]
fn a_later_sitting_starts_where_it_is_told() {
    let clock = Clock::simulated(Wall::from_us(1_000_000), Mono::from_ns(30_000_000_000));
    let now = clock.now();
    assert_eq!(now.mono, Mono::from_ns(30_000_000_000));
    assert_eq!(now.wall, Wall::from_us(31_000_000));
    assert_eq!(clock.civil(now.wall).offset, Span::ZERO);
}

#[test]
fn real_time_has_the_same_three_reasons() {
    let clock = Clock::wall();
    assert!(!clock.is_simulated());
    let mut seat = clock.seat("port");
    let mut device = memory_wire(&clock, "meter");
    let mut link = Link::open(&Address::memory("meter"), &clock).expect("a link");
    let ear = link.ear();

    let until = clock.now().mono + Span::from_ms(2);
    assert_eq!(seat.wait(Some(until), Some(&ear)), Woken::Due);
    assert!(clock.now().mono >= until, "never early");

    let writer = std::thread::spawn(move || {
        device.write(b"12.5\n").expect("a write");
        device
    });
    assert_eq!(seat.wait(None, Some(&ear)), Woken::Bytes);
    let mut bytes = Vec::new();
    link.read(&mut bytes, 100).expect("a read");
    assert_eq!(bytes, b"12.5\n");
    drop(writer.join());
    assert_eq!(
        seat.wait(None, Some(&ear)),
        Woken::Bytes,
        "the end is to be read"
    );
    assert!(link.read(&mut bytes, 100).is_err());

    let bell = seat.bell();
    let ringer = std::thread::spawn(move || bell.ring());
    assert_eq!(seat.wait(None, None), Woken::Mail);
    drop(ringer.join());
    let until = clock.now().mono + Span::from_ms(1);
    assert_eq!(
        seat.wait(Some(until), None),
        Woken::Due,
        "rung once, mail once"
    );
}

mod model {
    //! Simulated time against the plainest model of it.

    use super::*;
    use proptest::prelude::*;

    /// Each actor waits for its times in turn; by hand: always the smallest
    /// time not yet passed, of equals the lowest rank, one at a time.
    fn by_hand(parts: &[Vec<i64>]) -> Vec<String> {
        let mut next = vec![0; parts.len()];
        let mut now = 0;
        let mut lines = Vec::new();
        loop {
            let due = (0..parts.len())
                .filter_map(|rank| Some(((*parts[rank].get(next[rank])?).max(now), rank)))
                .min();
            let Some((time, rank)) = due else {
                return lines;
            };
            now = time;
            next[rank] += 1;
            lines.push(format!("{now} {rank} turn"));
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn turns_are_taken_as_by_hand(
            parts in proptest::collection::vec(proptest::collection::vec(0_i64..20, 0..6), 1..5)
        ) {
            let clock = clock();
            let flow = clock.hold_flow();
            let names: Vec<String> = (0..parts.len()).map(|rank| rank.to_string()).collect();
            let cast = names.iter().zip(parts.clone()).map(|(name, times)| {
                let act = move |mut seat: Seat, log: &super::super::scene::Log| {
                    for ms in times {
                        seat.wait(at_ms(ms), None);
                        log.note(&seat, "turn");
                    }
                };
                (name.as_str(), part(act))
            });
            let lines = play(&clock, cast.collect(), |_| {});
            drop(flow);
            prop_assert_eq!(lines, by_hand(&parts));
        }
    }
}

/// In real time a sharp wait is never early, and a bell ends it as any other.
#[test]
fn a_sharp_wait_is_never_early_and_hears_the_bell() {
    let wall = Clock::wall();
    let mut seats = wall.seats(&["sharp"]);
    let mut seat = seats.remove(0);
    for ns in [0, 100_000, 1_000_000, 3_000_000] {
        let due = seat.now().mono + Span::from_ns(ns);
        assert_eq!(seat.wait_sharply(due), Woken::Due);
        assert!(seat.now().mono >= due, "{ns} ns");
    }
    seat.bell().ring();
    let far = seat.now().mono + Span::from_mins(60);
    assert_eq!(seat.wait_sharply(far), Woken::Mail);
}
