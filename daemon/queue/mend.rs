//! A bench whose record failed: the record is opened anew, the journal looked
//! through, and the run handed over again, without a restart of the daemon.
//!
//! Tried again and again, because a full disk gets room and a forgotten lock
//! is let go; not when a journal is no longer what was written. Called by:
//! keeper.

use std::sync::Arc;

use drivers::clock::Clock;
use photometry::units::Span;

use super::keeper::Keeper;
use crate::run::journal::RunId;
use crate::store::error::{StoreError, reasons};

/// Pauses between tries; the last one is kept.
const PAUSES: [Span; 4] = [
    Span::from_secs(1),
    Span::from_secs(2),
    Span::from_secs(5),
    Span::from_secs(10),
];

/// Why a record is not in use again.
enum Unmended {
    /// It may be, later.
    NotYet(StoreError),
    /// A journal is damaged: a person must decide.
    Damaged(String),
}

impl Keeper {
    /// Tries until the record can be used again, and hands the next run over.
    /// Real time also in a rehearsal: it is the disk that is waited for.
    pub(super) async fn mend(self: Arc<Keeper>, bench: String, run: Option<RunId>) {
        let clock = Clock::wall();
        let mut seat = clock.seat("mending the record");
        let mut said = String::new();
        for pause in PAUSES.iter().chain(PAUSES.last().into_iter().cycle()) {
            let until = clock.now().mono + *pause;
            // Nobody rings this bell, so every wait is whole.
            seat.wait_async(Some(until)).await;
            if self.is_leaving(&bench) {
                return;
            }
            match self.back_at_work(&bench, run).await {
                Ok(()) => return,
                Err(Unmended::NotYet(error)) => {
                    let why = reasons(&error);
                    if why != said {
                        tracing::warn!(%bench, "the record cannot be used yet: {why}");
                        said = why;
                    }
                }
                Err(Unmended::Damaged(why)) => {
                    tracing::error!(%bench, "{why}");
                    self.still_out_of_service(&bench, &why);
                    return;
                }
            }
        }
    }

    async fn back_at_work(&self, bench: &str, run: Option<RunId>) -> Result<(), Unmended> {
        self.store.reopen().await.map_err(Unmended::NotYet)?;
        if let Some(run) = run {
            let verified = self.store.verify(run).await.map_err(Unmended::NotYet)?;
            if let Some(bad) = verified.bad {
                return Err(Unmended::Damaged(format!(
                    "its record is damaged: event {} of run {run} is not as it was written \
                     ({}); `wakerail store check` tells more",
                    bad.seq, bad.why
                )));
            }
        }
        tracing::info!(%bench, "the record was opened anew; what it holds is as it was written");
        self.in_service(bench, run);
        self.hand_on_or_say(bench).await.map_err(|error| {
            self.out_of_service(bench, &format!("its record failed: {}", reasons(&error)));
            Unmended::NotYet(error)
        })
    }
}
