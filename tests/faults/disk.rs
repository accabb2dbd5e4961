//! The disk fails: a write or a sync is refused once, there is no room for a
//! while, every sync is slow, another program holds the record. Nights are
//! rehearsed, so that one takes a second.

use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::Ordering::SeqCst;
use std::sync::atomic::{AtomicBool, AtomicUsize};
use std::time::{Duration, Instant};

use super::night::{Heard, Life, Start, Wrong, book, place, state, wrong};
use super::tally;
use crate::cli::daemon::example;

/// A failed write or sync (errno.h).
const EIO: i32 = 5;
/// The record is tried again after some seconds; a night takes one.
const PATIENCE: Duration = Duration::from_secs(60);
const LOOK: Duration = Duration::from_millis(5);
/// What the log says of a record that is in use again.
const OPENED_ANEW: &str = "the record was opened anew";
/// A night waits for its disk and its processes more than it computes.
const NIGHTS_AT_ONCE: usize = 3;

struct Night {
    folder: tempfile::TempDir,
    life: Life,
    heard: Heard,
}

impl Night {
    /// A daemon with the shim, a lamp placed, nothing booked.
    fn with(shim: impl Fn(&Path) -> Vec<(&'static str, String)>) -> Night {
        let folder = tempfile::tempdir().expect("a folder");
        let shim = shim(folder.path());
        let start = Start::rehearsing(1).shimmed(&shim);
        let life = Life::ready(&folder.path().join("data"), &start);
        place(&life, &example("lamp-dunlin.yaml"));
        Night {
            folder,
            life,
            heard: Heard::default(),
        }
    }

    fn data(&self) -> std::path::PathBuf {
        self.folder.path().join("data")
    }

    fn book(&self) {
        book(&self.life, &example("plan-short.yaml"));
        self.heard.listen(&self.data(), 1);
    }

    /// Waits until the run is over; it must be complete.
    fn over(&mut self) {
        let begun = Instant::now();
        loop {
            match state(&self.data(), 1).as_str() {
                "complete" => return,
                "measuring" | "waiting" | "unknown" => {}
                other => panic!("{other}: {}", self.life.log()),
            }
            assert!(begun.elapsed() < PATIENCE, "{}", self.life.log());
            assert!(self.life.runs(), "{}", self.life.log());
            std::thread::sleep(LOOK);
        }
    }

    /// The log, once a record that failed is in use again: where the very last
    /// event failed, the run is over by the time that the record is opened, and
    /// a daemon that is told to leave before that says so by its exit code.
    fn mended(&self) -> String {
        let begun = Instant::now();
        loop {
            let log = self.life.log();
            if !log.contains("its record failed: the journal") || log.contains(OPENED_ANEW) {
                return log;
            }
            assert!(begun.elapsed() < PATIENCE, "{log}");
            std::thread::sleep(LOOK);
        }
    }
}

fn text(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

/// What came of a night whose k-th call failed.
#[derive(Default)]
struct Struck {
    /// The night had that many calls.
    struck: bool,
    refused_to_start: bool,
    reopened: bool,
    wrong: Wrong,
}

/// The k-th write or sync of the daemon's whole life fails once, for every k:
/// the run is put down, the record opened anew, and the night goes on to its
/// end without a restart and without a reading less.
#[test]
fn a_write_or_sync_that_fails_once_costs_nothing() {
    for kind in ["write", "sync"] {
        let every = match (tally::long(), kind) {
            (true, _) => 1,
            (false, "write") => 97,
            (false, _) => 41,
        };
        let nights = failed_calls(kind, every);
        let mut found = Wrong::default();
        let count = |is: fn(&Struck) -> bool| nights.iter().filter(|night| is(night)).count();
        for night in &nights {
            found.add(night.wrong);
        }
        let (tried, reopened) = (nights.len(), count(|night| night.reopened));
        tally::line(
            &format!("EIO at the k-th {kind}"),
            &[
                ("nights", &tried),
                ("refused to start", &count(|night| night.refused_to_start)),
                ("record opened anew", &reopened),
                ("lost", &found.lost),
                ("doubled", &found.doubled),
                ("told and missing", &found.told_and_missing),
                ("damaged", &found.damaged),
            ],
        );
        assert_eq!(found, Wrong::default());
        assert!(
            tried > 3 && reopened > 0,
            "{tried} nights, {reopened} reopened"
        );
    }
}

/// Nights with the call 1, 1 + `every`, ... failing, some at a time, until one
/// has fewer calls than that. With `WAKERAIL_FROM=k` a long run that was broken
/// off goes on at the k-th write.
fn failed_calls(kind: &str, every: usize) -> Vec<Struck> {
    let from = std::env::var("WAKERAIL_FROM").ok();
    let from = from.filter(|_| kind == "write");
    let first = from.map_or(1, |from| from.parse().expect("a number"));
    let (next, ended) = (AtomicUsize::new(first), AtomicBool::new(false));
    let nights = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..NIGHTS_AT_ONCE {
            scope.spawn(|| {
                while !ended.load(SeqCst) {
                    let k = next.fetch_add(every, SeqCst);
                    let night = night_with_failed_call(kind, k);
                    ended.fetch_or(!night.struck, SeqCst);
                    nights.lock().expect("no night panicked").push(night);
                }
            });
        }
    });
    nights.into_inner().expect("no night panicked")
}

fn night_with_failed_call(kind: &str, k: usize) -> Struck {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let struck = folder.path().join("struck");
    let shim = [
        ("SHIM_FAIL", format!("{kind}:{k}:{EIO}")),
        ("SHIM_STRUCK", text(&struck)),
    ];
    let start = Start::rehearsing(1).shimmed(&shim);
    let mut life = Life::start(&data, &start);
    let mut came = Struck::default();
    // A failure while the record is made: it says so, and the next start finds
    // nothing half-made in its way.
    if !life.answers_or_ends() {
        came.refused_to_start = true;
        life = Life::ready(&data, &Start::rehearsing(1));
    }
    let struck_early = struck.exists();
    let placed = life.told_place(&example("lamp-dunlin.yaml"));
    if placed.code != 0 {
        assert!(struck.exists() && !struck_early, "{kind} {k}: {placed:?}");
        place(&life, &example("lamp-dunlin.yaml"));
    }
    let booked = life.told_book(&example("plan-short.yaml"));
    if booked.code != 0 {
        assert!(struck.exists() && !struck_early, "{kind} {k}: {booked:?}");
        book(&life, &example("plan-short.yaml"));
    }
    let heard = Heard::default();
    heard.listen(&data, 1);
    let mut night = Night {
        folder,
        life,
        heard,
    };
    night.over();
    let log = night.mended();
    came.reopened = log.contains(OPENED_ANEW);
    let heard = night.heard.seq();
    assert_eq!(night.life.leave().0, Some(0), "{kind} {k}: {log}");
    came.wrong = wrong(&data, 1, heard);
    came.struck = struck.exists();
    came
}

/// No room from the middle of a night on, for some seconds: the bench is out of
/// service and says why; with room again the night goes on by itself.
#[test]
fn a_full_disk_that_gets_room_again_goes_on_by_itself() {
    let mut night = Night::with(|folder| vec![("SHIM_FULL", text(&folder.join("full")))]);
    let full = night.folder.path().join("full");
    night.book();
    night.heard.beyond(40, &mut night.life);
    std::fs::write(&full, "").expect("full now");
    let begun = Instant::now();
    let why = loop {
        let why = night.life.ok(&["show", "1"]);
        if why.contains("out of service") {
            break why;
        }
        assert!(begun.elapsed() < PATIENCE, "{why}\n{}", night.life.log());
        std::thread::sleep(LOOK);
    };
    assert!(why.contains("its record failed"), "{why}");
    assert!(why.contains("as soon as the record can be used"), "{why}");
    // It is tried while there is no room, and does not spin.
    std::thread::sleep(Duration::from_secs(4));
    let log = night.life.log();
    assert!(log.contains("no room to grow"), "{log}");
    assert!(log.matches("cannot be used yet").count() <= 3, "{log}");
    std::fs::remove_file(&full).expect("room again");
    let room = Instant::now();
    night.over();
    let took = room.elapsed();
    let heard = night.heard.seq();
    let data = night.data();
    assert_eq!(night.life.leave().0, Some(0));
    let found = wrong(&data, 1, heard);
    tally::line(
        "disk full in the night, then room again",
        &[
            ("lost", &found.lost),
            ("told and missing", &found.told_and_missing),
            ("without a restart", &"yes"),
            ("from room to the end ms", &took.as_millis()),
        ],
    );
    assert_eq!(found, Wrong::default());
}

/// Another program writes in the record and does not let go for a while.
#[test]
fn a_record_that_another_program_holds_is_waited_for() {
    let mut night = Night::with(|_| Vec::new());
    night.book();
    night.heard.beyond(40, &mut night.life);
    let file = night.data().join("wakerail.db");
    let held = super::other_program::hold(&file);
    let begun = Instant::now();
    loop {
        let log = night.life.log();
        if log.contains("locked by another program") {
            break;
        }
        assert!(begun.elapsed() < PATIENCE, "{log}");
        std::thread::sleep(LOOK);
    }
    drop(held);
    night.over();
    let heard = night.heard.seq();
    let data = night.data();
    assert_eq!(night.life.leave().0, Some(0));
    let found = wrong(&data, 1, heard);
    tally::line(
        "record locked by another program",
        &[
            ("lost", &found.lost),
            ("told and missing", &found.told_and_missing),
        ],
    );
    assert_eq!(found, Wrong::default());
}

/// Every sync takes 50 ms more: the night takes longer and loses nothing.
#[test]
fn slow_syncs_cost_time_and_nothing_else() {
    let mut night = Night::with(|_| vec![("SHIM_SLOW", "20".to_owned())]);
    night.book();
    night.over();
    let heard = night.heard.seq();
    let data = night.data();
    assert_eq!(night.life.leave().0, Some(0));
    let found = wrong(&data, 1, heard);
    tally::line("every sync 20 ms slower", &[("lost", &found.lost)]);
    assert_eq!(found, Wrong::default());
}
