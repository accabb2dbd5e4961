//! The async twin: a task as the acting seat.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use photometry::units::Span;

use super::scene::{Log, at_ms, clock};
use super::{Clock, Seat, Woken, mailbox};

/// A port thread that answers each request 5 ms later.
fn port(mut seat: Seat, asked: super::Mailbox<(u32, super::Post<u32>)>, log: &Log) {
    let mut asked = asked;
    loop {
        seat.wait(None, None);
        while let Some((question, answer)) = asked.take() {
            log.note(&seat, format!("asked {question}"));
            let due = seat.now().mono + Span::from_ms(5);
            while seat.wait(Some(due), None) != Woken::Due {}
            let _ = answer.post(question * 2);
        }
        if asked.is_finished() {
            return;
        }
    }
}

async fn attendant(mut seat: Seat, ask: super::Post<(u32, super::Post<u32>)>, log: Log) {
    let flow = seat.clock().hold_flow();
    let acting = Arc::new(AtomicBool::new(false));
    let (answered, mut answers) = mailbox(seat.bell(), 1);
    for question in 0..20 {
        assert!(ask.post((question, answered.clone())).is_ok());
        let answer = loop {
            if let Some(answer) = answers.take() {
                break answer;
            }
            assert_eq!(seat.wait_async(None).await, Woken::Mail);
        };
        // A commit: real work on other threads, awaited, in no time at all.
        let before = seat.now();
        let busy = Arc::clone(&acting);
        let work = tokio::task::spawn_blocking(move || {
            assert!(!busy.swap(true, Ordering::SeqCst), "one commit at a time");
            let sum: u64 = (0..50_000_u64).map(|n| n * n % 7).sum();
            busy.store(false, Ordering::SeqCst);
            sum
        });
        work.await.expect("the work");
        tokio::task::yield_now().await;
        assert_eq!(seat.now(), before, "work takes no simulated time");
        log.note(&seat, format!("got {answer}"));
        let next = seat.now().mono + Span::from_ms(1000);
        while seat.wait_async(Some(next)).await != Woken::Due {}
    }
    drop(flow);
}

#[test]
fn work_of_the_acting_task_takes_no_simulated_time() {
    let mut all = Vec::new();
    for _ in 0..5 {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .expect("a runtime");
        let clock = clock();
        let log = Log::default();
        let [attendant_seat, port_seat, idle]: [Seat; 3] = clock
            .seats(&["attendant", "port", "idle"])
            .try_into()
            .expect("three seats");
        let (ask, asked) = mailbox(port_seat.bell(), 8);
        let port_log = log.clone();
        let thread = std::thread::spawn(move || port(port_seat, asked, &port_log));
        let idler = std::thread::spawn(move || {
            let mut idle = idle;
            // Would run ahead at once, if time ran during the attendant's work.
            for second in 1..15 {
                idle.wait(at_ms(second * 1001), None);
            }
        });
        runtime.block_on(async {
            let task = tokio::spawn(attendant(attendant_seat, ask, log.clone()));
            task.await.expect("the attendant");
        });
        let flow = clock.hold_flow();
        thread.join().expect("the port");
        idler.join().expect("the idler");
        drop(flow);
        all.push(log.lines());
    }
    assert_eq!(all[0].len(), 40);
    assert_eq!(
        all[0][..4],
        [
            "0 port asked 0",
            "5 attendant got 0",
            "1005 port asked 1",
            "1010 attendant got 2"
        ]
    );
    assert!(
        all.iter().all(|lines| *lines == all[0]),
        "the same each time"
    );
}

fn small_runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime")
}

#[test]
fn an_abandoned_wait_loses_no_mail_and_stops_time() {
    for clock in [clock(), Clock::wall()] {
        let flow = clock.hold_flow();
        small_runtime().block_on(async {
            let mut seat = clock.seat("attendant");
            let before = clock.now().mono;
            {
                let far = Some(before + Span::from_secs(3600));
                let other = clock.seat("keeps time from running");
                let wait = seat.wait_async(far);
                tokio::select! {
                    biased;
                    _ = wait => panic!("nothing rang"),
                    () = std::future::ready(()) => {}
                }
                drop(other);
            }
            assert!(clock.now().mono.since(before) < Span::from_secs(3600));
            seat.bell().ring();
            // Woken, but dropped before anybody looked.
            drop(seat.wait_async(None));
            assert_eq!(seat.wait_async(None).await, Woken::Mail);
            let soon = Some(clock.now().mono + Span::from_ms(1));
            assert_eq!(seat.wait_async(soon).await, Woken::Due, "mail came once");
        });
        drop(flow);
    }
}

/// The task is aborted while it acts, and while it waits; the turn goes on.
#[test]
fn an_aborted_task_passes_the_turn() {
    let clock = clock();
    let flow = clock.hold_flow();
    let runtime = small_runtime();
    let mut seats = clock.seats(&["acting task", "waiting task", "thread"]);
    let mut thread_seat = seats.pop().expect("three seats");
    let mut waiting = seats.pop().expect("three seats");
    let mut acting = seats.pop().expect("three seats");
    let (began, begun) = std::sync::mpsc::channel();
    let acting = runtime.spawn(async move {
        acting.wait_async(at_ms(1)).await;
        let _ = began.send(());
        std::future::pending::<()>().await;
    });
    let waiting = runtime.spawn(async move {
        waiting.wait_async(None).await;
    });
    let thread = std::thread::spawn(move || {
        let woken = thread_seat.wait(at_ms(2), None);
        (woken, thread_seat.now().mono)
    });
    begun.recv().expect("the task acts");
    assert_eq!(Some(clock.now().mono), at_ms(1), "nobody else gets a turn");
    waiting.abort();
    acting.abort();
    let (woken, now) = thread.join().expect("the thread");
    assert_eq!((woken, Some(now)), (Woken::Due, at_ms(2)));
    drop(flow);
}

#[test]
fn real_time_wakes_a_task_by_mail_and_when_due() {
    let clock = Clock::wall();
    small_runtime().block_on(async {
        let mut seat = clock.seat("attendant");
        let bell = seat.bell();
        let ringer = std::thread::spawn(move || bell.ring());
        assert_eq!(seat.wait_async(None).await, Woken::Mail);
        drop(ringer.join());
        let until = clock.now().mono + Span::from_ms(2);
        assert_eq!(seat.wait_async(Some(until)).await, Woken::Due);
        assert!(clock.now().mono >= until, "never early");
        assert_eq!(
            seat.wait_async(Some(until)).await,
            Woken::Due,
            "in the past"
        );
    });
}
