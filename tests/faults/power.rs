//! The power fails: what would lie on the disk at every instant of a night, by
//! the record that the shim makes of all writes and syncs.
//!
//! A disk may keep any part of what was written since the file's last sync, in
//! sectors of 512 bytes. Three images of each instant: nothing of it, all of
//! it, and half of the sectors, drawn. Not tried: that a file's name itself is
//! lost (SQLite syncs the folder when it makes one), and a disk that lies about
//! a sync. The shared memory beside the log is no file that a start reads.

use std::collections::BTreeMap;
use std::path::Path;

use super::night::{Heard, Life, Start, book, place, state};
use super::tally;
use crate::cli::daemon::example;
use wakerail::run::journal::RunId;
use wakerail::store::open::Store;

/// The smallest piece that a disk writes as a whole.
const SECTOR: usize = 512;
/// Bytes of an entry's head in the shim's record.
const HEAD: usize = 24;

/// What the shim noted.
enum Noted {
    Write {
        file: String,
        at: usize,
        bytes: Vec<u8>,
    },
    Sync {
        file: String,
    },
    Cut {
        file: String,
        size: usize,
    },
    Drop {
        file: String,
    },
    /// A client was told of this event.
    Told(u64),
}

/// Reads the shim's record (the struct `entry` of `shim.c`).
fn noted(record: &[u8]) -> Vec<Noted> {
    let mut all = Vec::new();
    let mut said = String::new();
    let mut rest = record;
    while rest.len() >= HEAD {
        let word = |at: usize| u32::from_ne_bytes(rest[at..at + 4].try_into().expect("four"));
        let long = |at: usize| u64::from_ne_bytes(rest[at..at + 8].try_into().expect("eight"));
        let (kind, name) = (word(0), word(4) as usize);
        let (at, size) = (long(8) as usize, long(16) as usize);
        let (path, bytes) = rest[HEAD..HEAD + name + size].split_at(name);
        let path = String::from_utf8_lossy(path);
        let file = path.rsplit('/').next().unwrap_or("").to_owned();
        match kind {
            1 => all.push(Noted::Write {
                file,
                at,
                bytes: bytes.to_vec(),
            }),
            2 => all.push(Noted::Sync { file }),
            3 => all.push(Noted::Cut { file, size: at }),
            4 => all.push(Noted::Drop { file }),
            _ => {
                // An event's number may be cut in two by the socket.
                said.push_str(&String::from_utf8_lossy(bytes));
                let whole = said.rfind('\n').map_or(0, |end| end + 1);
                for line in said[..whole].lines() {
                    if let Some(seq) = line.strip_prefix("id: ").and_then(|id| id.parse().ok()) {
                        all.push(Noted::Told(seq));
                    }
                }
                said.drain(..whole);
            }
        }
        rest = &rest[HEAD + name + size..];
    }
    all
}

/// A file: what a disk surely holds, and what was written since.
#[derive(Clone, Default)]
struct OnDisk {
    sure: Vec<u8>,
    since: Vec<Change>,
}

#[derive(Clone)]
enum Change {
    Bytes(usize, Vec<u8>),
    Size(usize),
}

fn apply(content: &mut Vec<u8>, change: &Change, kept: &mut dyn FnMut() -> bool) {
    match change {
        Change::Bytes(at, bytes) => {
            for (no, sector) in bytes.chunks(SECTOR).enumerate() {
                if kept() {
                    let from = at + no * SECTOR;
                    let to = from + sector.len();
                    if content.len() < to {
                        content.resize(to, 0);
                    }
                    content[from..to].copy_from_slice(sector);
                }
            }
        }
        Change::Size(size) => {
            if kept() {
                content.resize(*size, 0);
            }
        }
    }
}

/// The disk's files at one instant.
#[derive(Clone, Default)]
struct Disk(BTreeMap<String, OnDisk>);

impl Disk {
    fn take(&mut self, noted: &Noted) {
        match noted {
            Noted::Write { file, at, bytes } => self
                .file(file)
                .since
                .push(Change::Bytes(*at, bytes.clone())),
            Noted::Cut { file, size } => self.file(file).since.push(Change::Size(*size)),
            Noted::Sync { file } => {
                let file = self.file(file);
                for change in std::mem::take(&mut file.since) {
                    apply(&mut file.sure, &change, &mut || true);
                }
            }
            Noted::Drop { file } => {
                self.0.remove(file);
            }
            Noted::Told(_) => {}
        }
    }

    fn file(&mut self, name: &str) -> &mut OnDisk {
        self.0.entry(name.to_owned()).or_default()
    }

    /// Whether something was written since a sync.
    fn is_torn(&self) -> bool {
        self.0.values().any(|file| !file.since.is_empty())
    }

    /// The same disk, if it had ignored every sync: nothing is sure.
    fn lying(&self, noted: &[Noted]) -> Disk {
        let mut disk = Disk::default();
        for one in noted
            .iter()
            .filter(|one| !matches!(one, Noted::Sync { .. }))
        {
            disk.take(one);
        }
        // The file itself is there, as it was made.
        for (name, file) in &mut disk.0 {
            if name.ends_with(".db")
                && let Some(sound) = self.0.get(name)
            {
                file.sure.clone_from(&sound.sure);
            }
        }
        disk
    }

    /// Writes the files as the power failure leaves them.
    fn leave(&self, folder: &Path, kept: &mut dyn FnMut() -> bool) {
        for (name, file) in &self.0 {
            let path = folder.join(name);
            if name.ends_with("-shm") {
                continue;
            }
            let mut content = file.sure.clone();
            for change in &file.since {
                apply(&mut content, change, kept);
            }
            std::fs::write(path, content).expect("an image");
        }
    }
}

/// The image opens, its journals are whole, and it holds what was told.
async fn holds(folder: &Path, told: u64) -> Result<(), String> {
    let file = folder.join("wakerail.db");
    let told_of = |what: &str, why: &dyn std::fmt::Display| format!("{what}: {why}");
    let store = Store::open(&file)
        .await
        .map_err(|why| told_of("opening", &why))?;
    let run = RunId(1);
    let found = async {
        if told == 0 {
            return Ok(());
        }
        let verified = store
            .verify(run)
            .await
            .map_err(|why| told_of("verifying", &why))?;
        if !verified.is_whole() {
            return Err(format!("damaged: {verified:?}"));
        }
        if verified.events < told {
            return Err(format!("told of {told}, holds {}", verified.events));
        }
        Ok(())
    };
    let found = found.await;
    store.close().await;
    found
}

#[test]
fn the_power_fails_at_any_instant_and_nothing_told_is_missing() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let record = folder.path().join("record");
    let shim = [("SHIM_RECORD", record.to_string_lossy().into_owned())];
    let mut life = Life::ready(&data, &Start::rehearsing(1).shimmed(&shim));
    place(&life, &example("lamp-dunlin.yaml"));
    let heard = Heard::default();
    book(&life, &example("plan-short.yaml"));
    heard.listen(&data, 1);
    while state(&data, 1) != "complete" {
        assert!(life.runs(), "{}", life.log());
    }
    assert_eq!(life.leave().0, Some(0));
    let noted = noted(&std::fs::read(&record).expect("a record"));
    let wanted = if tally::long() { usize::MAX } else { 300 };
    // Instants between two notes, spread evenly; the first comes when the file
    // has its layout.
    let first = noted.iter().position(|one| matches!(one, Noted::Told(_)));
    let first = first.expect("somebody was told");
    let every = ((noted.len() - first) / wanted).max(1);
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    let image = folder.path().join("image");
    let (mut disk, mut told) = (Disk::default(), 0);
    let (mut instants, mut images, mut torn) = (0, 0, 0);
    let mut wrong = Vec::new();
    let mut drawn = 1_u64;
    for (no, one) in noted.iter().enumerate() {
        disk.take(one);
        if let Noted::Told(seq) = one {
            told = told.max(*seq);
        }
        if no < first || !(no - first).is_multiple_of(every) {
            continue;
        }
        instants += 1;
        for which in ["none", "all", "torn"] {
            if which != "none" && !disk.is_torn() {
                continue; // the same image
            }
            torn += usize::from(which == "torn");
            let _ = std::fs::remove_dir_all(&image);
            std::fs::create_dir_all(&image).expect("a folder");
            let mut kept = || {
                drawn = drawn
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                match which {
                    "none" => false,
                    "all" => true,
                    _ => drawn >> 63 == 1,
                }
            };
            disk.leave(&image, &mut kept);
            images += 1;
            if let Err(why) = runtime.block_on(holds(&image, told)) {
                wrong.push(format!("after note {no}, {which} kept: {why}"));
            }
        }
    }
    // Can the check fail? On a disk that lies about syncs readings are missing.
    let _ = std::fs::remove_dir_all(&image);
    std::fs::create_dir_all(&image).expect("a folder");
    let half = noted
        .iter()
        .position(|one| matches!(one, Noted::Told(seq) if *seq * 2 > told));
    let before = &noted[..half.expect("half of the night")];
    let mut honest = Disk::default();
    before.iter().for_each(|one| honest.take(one));
    honest.lying(before).leave(&image, &mut || false);
    let lied = runtime.block_on(holds(&image, told / 2));
    assert!(lied.is_err(), "a disk that lies is not noticed");
    tally::line(
        "power failure, images of the disk",
        &[
            ("instants", &instants),
            ("images", &images),
            ("torn", &torn),
            ("told", &told),
            ("missing or corrupt", &wrong.len()),
        ],
    );
    assert!(
        instants >= 300 && torn > 0,
        "{instants} instants, {torn} torn"
    );
    assert!(told > 100, "a night was told");
    assert_eq!(wrong, Vec::<String>::new());
}
