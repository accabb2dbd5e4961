//! Whether a run finds room on the disk of its record: told when it is booked
//! and when it begins, so that nobody has to learn it from a write that fails.
//!
//! Called by: queue. Not here: what happens when the disk is full (ledger,
//! reopen).

use std::path::Path;

use super::open::Store;
use crate::plan::itinerary::{Itinerary, What};

/// Bytes that an event takes in the file with its reading, its link and its
/// entries in the indexes. A reading takes most; `tests` holds it against a file.
const BYTES_AN_EVENT: u64 = 1_000;

/// Events of an action: started, decided, done.
const EVENTS_AN_ACTION: u64 = 3;

/// Bytes beside the events: SQLite's own log, the frozen bundle, rulings, and a
/// leg or two that are measured again.
const BESIDE: u64 = 16 << 20;

impl Store {
    /// Bytes that this program may still write to the disk of the record; none
    /// where the system does not say.
    pub fn free_room(&self) -> Option<u64> {
        free_beside(self.file())
    }
}

/// An absent or foreign file system says nothing rather than no room.
fn free_beside(file: &Path) -> Option<u64> {
    let disk = rustix::fs::statvfs(file).ok()?;
    Some(disk.f_bavail.saturating_mul(disk.f_frsize))
}

/// Bytes that a run needs, every warm-up as long as it may be.
pub fn needed(itinerary: &Itinerary) -> u64 {
    let events = itinerary.actions.iter().map(|action| {
        EVENTS_AN_ACTION
            + match action.what {
                What::WarmUp { every, cap, .. } => {
                    // A pause of nothing would be refused; it must not divide.
                    u64::try_from(cap.ns() / every.ns().max(1)).unwrap_or(0)
                }
                _ => 0,
            }
    });
    let events = events.fold(0, u64::saturating_add);
    BYTES_AN_EVENT.saturating_mul(events).saturating_add(BESIDE)
}

/// What to tell a person where the room may not do; none where it does, or where
/// it is not known.
pub fn warning(free: Option<u64>, itinerary: &Itinerary) -> Option<String> {
    let (free, needed) = (free?, needed(itinerary));
    let mib = |bytes: u64| format!("{:.1} MiB", bytes as f64 / f64::from(1 << 20));
    (free < needed).then(|| {
        format!(
            "the disk of the record has {} left, and this run may need {}; where it ends, the run \
             stops and the bench is made safe until there is room: make some now",
            mib(free),
            mib(needed)
        )
    })
}

#[cfg(test)]
mod tests {
    use photometry::measured::Outcome;
    use photometry::units::Span;

    use super::*;
    use crate::plan::samples::survey;
    use crate::store::samples::{Story, frozen};

    /// The file grows by less than was asked for, and by no tenth of it only: an
    /// estimate that is far too large warns of nothing.
    #[tokio::test]
    async fn an_event_takes_about_what_is_said() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("record.db")).await;
        let store = store.expect("opened");
        let size = || -> u64 {
            let files = std::fs::read_dir(folder.path()).expect("a folder");
            let main = files
                .filter_map(Result::ok)
                .find(|f| f.file_name() == "record.db");
            main.and_then(|f| f.metadata().ok()).map_or(0, |m| m.len())
        };
        let mut story = Story::begin(frozen(4, survey(&[6, 12, 18, 24])));
        story.act(0..story.actions(), |_, _| Outcome::Value(100.0));
        story.write(&store).await;
        sync_log(&store).await;
        let before = size();
        let mut events = 0;
        for _ in 0..4 {
            story.write(&store).await;
            events += story.events.len() as u64;
        }
        sync_log(&store).await;
        let an_event = (size() - before) / events;
        assert!(
            (BYTES_AN_EVENT / 10..=BYTES_AN_EVENT).contains(&an_event),
            "{an_event} bytes an event, of {events}"
        );
    }

    /// Brings what is in the log into the file.
    async fn sync_log(store: &Store) {
        let writer = store.writer().expect("a writer");
        let sql = "PRAGMA wal_checkpoint(TRUNCATE)";
        sqlx::query(sql)
            .execute(writer)
            .await
            .expect("checkpointed");
    }

    #[test]
    fn a_run_is_warned_of_exactly_where_it_may_not_fit() {
        let itinerary = frozen(2, survey(&[6, 12])).itinerary;
        let needed = needed(&itinerary);
        let least = itinerary.actions.len() as u64 * EVENTS_AN_ACTION * BYTES_AN_EVENT;
        assert!(needed > BESIDE + least, "warm-ups count");
        assert_eq!(warning(None, &itinerary), None);
        assert_eq!(warning(Some(needed), &itinerary), None);
        let told = warning(Some(needed - 1), &itinerary).expect("a warning");
        assert!(told.contains("make some now"), "{told}");
        insta::assert_snapshot!(warning(Some(3 << 20), &itinerary).expect("a warning"));
    }

    #[test]
    fn a_pause_of_nothing_divides_nothing() {
        let mut itinerary = frozen(2, survey(&[6, 12])).itinerary;
        for action in &mut itinerary.actions {
            if let What::WarmUp { every, cap, .. } = &mut action.what {
                (*every, *cap) = (Span::ZERO, Span::from_ns(i64::MAX));
            }
        }
        assert_eq!(needed(&itinerary), u64::MAX);
    }

    /// The disk on which the tests run has some room; a path that is none, none
    /// that is known.
    #[test]
    fn the_system_is_asked() {
        let folder = tempfile::tempdir().expect("a folder");
        assert!(free_beside(folder.path()).is_some_and(|free| free > 0));
        assert_eq!(free_beside(Path::new("/no/such/file")), None);
    }
}
