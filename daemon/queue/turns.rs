//! Turns: one at a time for each run, and few runs at once.
//!
//! A round of rulings says which remarks and events it knew, so nothing else
//! may be said of its run while it is made; what is said of another run does
//! not wait for it. Scripts take a processor each, so a ruling also takes one
//! of a few places.
//!
//! Called by: ruling, remarks. Not here: what is done in a turn.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::{OwnedMutexGuard, Semaphore, SemaphorePermit};

use crate::run::journal::RunId;

/// Runs whose scripts work at the same time: a bench's own ruling finds a place
/// beside those that people ask for.
const SCRIPTS_AT_ONCE: usize = 4;

/// The turns of all runs. Only a run in whose turn someone is, or for which
/// someone waits, has an entry, so there are never more than requests at work.
#[derive(Debug)]
pub(super) struct Turns {
    of: Mutex<BTreeMap<RunId, Arc<tokio::sync::Mutex<()>>>>,
    scripts: Semaphore,
}

/// A run's turn, until it is dropped.
#[derive(Debug)]
pub(super) struct Turn<'t> {
    // Dropped in this order: the turn is passed on before the entry goes.
    _scripts: Option<SemaphorePermit<'t>>,
    _held: OwnedMutexGuard<()>,
    _interest: Interest<'t>,
}

/// Someone who has, or waits for, a run's turn.
#[derive(Debug)]
struct Interest<'t> {
    turns: &'t Turns,
    run: RunId,
}

impl Turns {
    /// Nobody's turn.
    pub(super) fn new() -> Turns {
        Turns {
            of: Mutex::default(),
            scripts: Semaphore::new(SCRIPTS_AT_ONCE),
        }
    }

    /// Waits for the turn of a run, to say something of it.
    pub(super) async fn of(&self, run: RunId) -> Turn<'_> {
        let interest = Interest { turns: self, run };
        let lock = Arc::clone(self.entries().entry(run).or_default());
        Turn {
            _held: lock.lock_owned().await,
            _interest: interest,
            _scripts: None,
        }
    }

    /// The same, to run scripts over it.
    pub(super) async fn for_scripts(&self, run: RunId) -> Turn<'_> {
        let turn = self.of(run).await;
        // Never closed; were it, scripts would only lose their limit.
        let place = self.scripts.acquire().await.ok();
        Turn {
            _scripts: place,
            ..turn
        }
    }

    fn entries(&self) -> MutexGuard<'_, BTreeMap<RunId, Arc<tokio::sync::Mutex<()>>>> {
        self.of.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Interest<'_> {
    fn drop(&mut self) {
        let mut entries = self.turns.entries();
        // Whoever else has or awaits the turn holds the lock as well.
        if entries
            .get(&self.run)
            .is_some_and(|lock| Arc::strong_count(lock) == 1)
        {
            entries.remove(&self.run);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::pin::pin;

    use drivers::clock::Clock;
    use futures_util::{FutureExt, poll};
    use photometry::measured::Outcome;

    use super::*;
    use crate::plan::frozen::SentText;
    use crate::plan::intent::PlanLine;
    use crate::plan::samples::survey;
    use crate::plan::uses::{Purpose, Use};
    use crate::queue::keeper::Keeper;
    use crate::queue::remarks::SetAsideOrder;
    use crate::queue::ruling::RuleOrder;
    use crate::run::journal::{Body, End};
    use crate::store::open::Store;
    use crate::store::samples::{Story, frozen};

    /// A keeper without benches, of so many runs that are over.
    async fn keeper(runs: usize) -> (tempfile::TempDir, Arc<Keeper>, Vec<RunId>) {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("record.db");
        let store = Store::open(&file).await.expect("opened");
        let mut bundle = frozen(1, survey(&[6, 12]));
        bundle.plan.uses = vec![Use {
            name: "bright".to_owned(),
            line: PlanLine::default(),
            purpose: Purpose::Criterion,
            script: "mine.rhai".to_owned(),
            given: BTreeMap::new(),
            test: None,
        }];
        bundle.scripts = vec![SentText {
            name: "mine.rhai".to_owned(),
            text: "// Mine.\nfn criterion(run, given) { undecided(\"as told\") }".to_owned(),
        }];
        let mut story = Story::begin(bundle);
        story.act(0..story.actions(), |_, _| Outcome::Value(100.0));
        let end = End::Complete;
        story.tell(None, Body::Ended { end });
        let mut all = Vec::new();
        for _ in 0..runs {
            all.push(story.write(&store).await);
        }
        let boot = "boot-1".to_owned();
        let keeper = Keeper::new(store, Clock::wall(), boot, None, Vec::new(), None);
        (folder, keeper, all)
    }

    fn aside() -> SetAsideOrder {
        SetAsideOrder {
            key: "survey/L01/6 in/read/1".to_owned(),
            attempt: None,
            because: "the door was open".to_owned(),
            who: "ada".to_owned(),
        }
    }

    /// While the turn of one run is held, all that is said of another goes on.
    #[tokio::test]
    async fn a_run_does_not_wait_for_the_turn_of_another() {
        let (_folder, keeper, runs) = keeper(2).await;
        let (first, second) = (runs[0], runs[1]);
        let held = keeper.turns.for_scripts(second).await;
        let mut waiting = pin!(keeper.rulings(second).fuse());
        let mut aside_waits = pin!(keeper.set_aside(second, aside()).fuse());
        assert!(poll!(&mut waiting).is_pending());
        assert!(poll!(&mut aside_waits).is_pending());
        assert_eq!(keeper.rulings(first).await.expect("ruled").len(), 1);
        let again = keeper.rule_again(first, RuleOrder::default()).await;
        assert_eq!(again.expect("ruled again"), 2);
        let said = keeper.set_aside(first, aside()).await;
        assert_eq!(said.expect("set aside").readings.len(), 1);
        assert!(poll!(&mut waiting).is_pending());
        assert!(poll!(&mut aside_waits).is_pending());
        drop(held);
        // Together: whichever stands first in line must be let go on.
        let (rulings, aside) = futures_util::join!(waiting, aside_waits);
        let rulings = rulings.expect("ruled");
        assert_eq!(rulings.len(), 1);
        assert_eq!(rulings[0].ruled.reason, "as told");
        assert_eq!(aside.expect("set aside").no, 1);
        assert!(keeper.turns.entries().is_empty());
    }

    /// Two who come for the same run's first rulings make them once.
    #[tokio::test]
    async fn whoever_comes_first_rules_once() {
        let (_folder, keeper, runs) = keeper(1).await;
        let both = futures_util::join!(keeper.rulings(runs[0]), keeper.rulings(runs[0]));
        let (one, other) = (both.0.expect("ruled"), both.1.expect("ruled"));
        assert_eq!((one.len(), &one), (1, &other));
    }

    /// Scripts of a few runs at once; a set-aside takes no place among them.
    #[tokio::test]
    async fn scripts_have_few_places() {
        let turns = Turns::new();
        let mut held = Vec::new();
        for run in 0..SCRIPTS_AT_ONCE {
            held.push(turns.for_scripts(RunId(run as i64)).await);
        }
        let mut one_more = pin!(turns.for_scripts(RunId(100)).fuse());
        assert!(poll!(&mut one_more).is_pending());
        drop(turns.of(RunId(101)).await);
        held.pop();
        drop(one_more.await);
        drop(held);
        assert!(turns.entries().is_empty());
    }

    /// An entry goes with the last who has an interest in it, also with one who
    /// stopped waiting.
    #[tokio::test]
    async fn entries_go_when_nobody_wants_them() {
        let turns = Turns::new();
        let run = RunId(7);
        let held = turns.of(run).await;
        {
            let mut waits = pin!(turns.of(run).fuse());
            assert!(poll!(&mut waits).is_pending());
        }
        assert_eq!(turns.entries().len(), 1, "it is still held");
        {
            let mut waits = pin!(turns.of(run).fuse());
            assert!(poll!(&mut waits).is_pending());
            drop(held);
            assert_eq!(turns.entries().len(), 1, "one still waits");
        }
        assert!(turns.entries().is_empty());
        drop(turns.of(run).await);
        assert!(turns.entries().is_empty());
    }
}
