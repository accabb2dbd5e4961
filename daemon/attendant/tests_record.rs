//! What is written while a rest or a reading is waited for, and what waits for
//! it.

use std::future::poll_fn;
use std::sync::Arc;
use std::task::Poll;

use photometry::measured::Moment;
use photometry::units::{Mono, Wall};
use tokio::sync::{broadcast, mpsc};

use super::handle::{Assignment, Note};
use super::record::{Current, RecordError};
use super::scene::{By, Scene};
use crate::plan::samples;
use crate::run::journal::{Body, Facts, Link, RunId, SeamCause};
use crate::run::ledger::{Ledger, LedgerError, Line, Written};

/// A disk that writes when it is told to, and as it is told.
struct Gate {
    opens: mpsc::UnboundedReceiver<Result<(), LedgerError>>,
    written: mpsc::UnboundedSender<u64>,
}

impl Ledger for Gate {
    fn append_all<'a>(&'a mut self, lines: &'a [Line<'a>]) -> Written<'a> {
        Box::pin(async move {
            self.opens.recv().await.expect("it is told")?;
            for line in lines {
                self.written.send(line.event.seq).expect("heard");
            }
            Ok(())
        })
    }

    fn takes_traffic(&mut self) -> bool {
        true
    }
}

/// A run that has begun, and what stands around it.
struct Desk {
    current: Current,
    gate: mpsc::UnboundedSender<Result<(), LedgerError>>,
    written: mpsc::UnboundedReceiver<u64>,
    notes: broadcast::Receiver<Note>,
}

const AT: Moment = Moment {
    mono: Mono::ZERO,
    wall: Wall::from_us(1_793_649_600_000_000),
};

fn started() -> Body {
    let doing = "as the plan says".to_owned();
    Body::Started { doing }
}

async fn desk() -> Desk {
    let scene = Scene::new(1, By::Memory, 2, samples::survey(&[12, 18]));
    let bundle = serde_json::to_vec(&*scene.frozen).expect("json");
    let link = Link::of_bundle(&bundle);
    let (gate, opens) = mpsc::unbounded_channel();
    let (told, written) = mpsc::unbounded_channel();
    let assignment = Assignment {
        run: RunId(1),
        frozen: Arc::clone(&scene.frozen),
        past: Vec::new(),
        link,
        ledger: Box::new(Gate {
            opens,
            written: told,
        }),
        other_boot: false,
        displaced: None,
        broken_off_by: SeamCause::Died,
    };
    let (sender, notes) = broadcast::channel(100);
    let mut current = Current::take_over(assignment, sender).expect("it begins");
    gate.send(Ok(())).expect("open");
    let bundle = link.hex();
    let begun = Body::Begun { bundle };
    current.write(AT, None, 0, begun).await.expect("written");
    let mut desk = Desk {
        current,
        gate,
        written,
        notes,
    };
    assert_eq!(desk.written.recv().await, Some(1));
    desk
}

fn seq(note: Result<Note, broadcast::error::TryRecvError>) -> Option<u64> {
    match note {
        Ok(Note::Journal { seq, .. }) => Some(seq),
        _ => None,
    }
}

/// It returns while the disk still writes, and nobody is told before it has.
#[tokio::test]
async fn what_follows_waits_for_what_was_handed_over() {
    let mut desk = desk().await;
    assert_eq!(seq(desk.notes.try_recv()), Some(1));
    let current = &mut desk.current;
    let set_out = current.set_out(AT, Some(0), 1, started()).await;
    set_out.expect("it is on its way");
    assert!(current.is_handed_over() && !current.is_written());
    assert!(!current.takes_traffic(), "the ledger is away");
    tokio::task::yield_now().await;
    assert!(desk.written.try_recv().is_err(), "the gate is closed");
    assert_eq!(seq(desk.notes.try_recv()), None);

    // The end of the action may not be kept before that is on disk.
    let facts = Facts::default();
    let mut keeps = Box::pin(current.keep(AT, Some(0), 1, Body::Done { facts }));
    let waits = poll_fn(|context| Poll::Ready(keeps.as_mut().poll(context).is_pending())).await;
    assert!(waits, "kept before it was written");
    desk.gate.send(Ok(())).expect("heard");
    keeps.await.expect("kept");
    assert_eq!(desk.written.try_recv(), Ok(2));
    assert_eq!(seq(desk.notes.try_recv()), Some(2));
    assert!(!desk.current.is_handed_over() && desk.current.takes_traffic());
}

/// A refusal is told by whatever comes next, and nothing is written after it.
#[tokio::test]
async fn a_refusal_is_told_by_what_follows() {
    let mut desk = desk().await;
    let current = &mut desk.current;
    let set_out = current.set_out(AT, Some(0), 1, started()).await;
    set_out.expect("it is on its way");
    let reason = "no space left on device".to_owned();
    desk.gate.send(Err(LedgerError { reason })).expect("heard");
    let facts = Facts::default();
    let kept = current.keep(AT, Some(0), 1, Body::Done { facts }).await;
    let Err(RecordError::Ledger(error)) = kept else {
        panic!("{kept:?}");
    };
    assert_eq!(error.reason, "no space left on device");
    assert!(desk.written.try_recv().is_err());
}
