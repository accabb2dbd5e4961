//! What a person orders of a run: hold, release, stop, answer.

use super::answers::refused;
use super::booking::{Papers, freeze, lay_out};
use super::keeper::Keeper;
use super::refusal::Refusal;
use crate::attendant::handle::Order;
use crate::run::journal::{Body, Event, HoldCause, RunId, RunState};
use crate::store::runs::RunRow;

impl Keeper {
    /// Makes the bench safe and lets the run wait.
    ///
    /// # Errors
    /// When there is no such run, or it is over.
    pub async fn hold(&self, run: RunId) -> Result<(), Refusal> {
        let _turn = self.gate.lock().await;
        let row = self.row(run).await?;
        match self.desk_of(&row) {
            Some(desk) => self.order(desk, Order::Hold(run)),
            None if row.state == RunState::Waiting && row.begun.is_none() => {
                let why = "a person asked for it";
                self.store.hold_unbegun(run, why).await?;
                self.stir();
                Ok(())
            }
            None if row.state == RunState::Held => {
                let hint = format!("`wakerail release {run}` lets it go on");
                Err(wrong_state(&row, "is held already", Some(hint)))
            }
            None if row.state.is_over() => Err(over(&row)),
            None => Err(not_served(&row)),
        }
    }

    /// Lets a held run go on, if its unit stands where it must and the bench is as
    /// it was.
    ///
    /// # Errors
    /// When it is not held, or its unit stands elsewhere.
    pub async fn release(&self, run: RunId) -> Result<(), Refusal> {
        let _turn = self.gate.lock().await;
        let row = self.row(run).await?;
        if row.state.is_over() {
            return Err(over(&row));
        }
        if row.state != RunState::Held {
            return Err(wrong_state(&row, "is not held", None));
        }
        let events = self.store.events(run, 0, u32::MAX).await?;
        if open_question(&events).is_some() {
            let hint = format!("do what it asks, then `wakerail answer {run}`");
            return Err(wrong_state(
                &row,
                "is not held: it asks a question",
                Some(hint),
            ));
        }
        if let Some(desk) = self.desk_of(&row) {
            if let Some(why) = self.displaced(run).await? {
                let hint = format!("stop it (`wakerail stop {run}`) and book it again: {why}");
                let why = "cannot go on: its unit or its bench are not as when it began";
                return Err(wrong_state(&row, why, Some(hint)));
            }
            return self.order(desk, Order::Release(run));
        }
        if row.begun.is_some() {
            return Err(not_served(&row));
        }
        let Some((id, placement)) = self.store.placement_of_unit(&row.unit).await? else {
            let why = self.displaced(run).await?;
            return Err(wrong_state(&row, "cannot go on", why));
        };
        let (old, _) = self.store.frozen(run).await?.ok_or(Refusal::NoRun(run))?;
        if let Some(why) = self.belongs_elsewhere(&old, Some(&placement)) {
            return Err(wrong_state(&row, "cannot go on", Some(why)));
        }
        if placement.bench != row.bench {
            let hint = format!("it stands on bench `{}`; book it there", placement.bench);
            return Err(wrong_state(&row, "is booked for another bench", Some(hint)));
        }
        let desk = self.desk(Some(&row.bench))?;
        let lamp = self.store.lamp(&placement.lamp).await?;
        let lamp = lamp.map_or(old.lamp, |(lamp, _)| lamp);
        let (texts, scripts) = (old.plan_texts, old.scripts);
        // Its texts ask for more than is measured, again or here.
        let narrowed = old.redo_of.is_some() || old.itinerary.elsewhere.is_some();
        let frozen = match narrowed {
            false => freeze(texts, scripts, lamp, &desk.card, placement, &self.today())?,
            true => {
                let papers = Papers {
                    texts,
                    scripts,
                    plan: old.plan,
                    redo_of: old.redo_of,
                    elsewhere: old.itinerary.elsewhere,
                };
                lay_out(papers, lamp, &desk.card, placement, &self.today())?
            }
        };
        self.store.freeze_anew(run, &frozen, id).await?;
        self.stir();
        let bench = row.bench.clone();
        self.hand_on(&bench).await
    }

    /// Makes the bench safe and ends the run.
    ///
    /// # Errors
    /// When there is no such run, or it is over.
    pub async fn stop(&self, run: RunId) -> Result<(), Refusal> {
        let _turn = self.gate.lock().await;
        let row = self.row(run).await?;
        if row.state.is_over() {
            return Err(over(&row));
        }
        match self.desk_of(&row) {
            Some(desk) => self.order(desk, Order::Stop(run)),
            None if row.begun.is_none() => {
                self.store.stop_unbegun(run, self.clock.now().wall).await?;
                self.stir();
                Ok(())
            }
            None => Err(not_served(&row)),
        }
    }

    /// Hands a person's answer over.
    ///
    /// # Errors
    /// When the run asks nothing, or the answer says that it is not done as asked.
    pub async fn answer(&self, run: RunId, text: String) -> Result<(), Refusal> {
        let _turn = self.gate.lock().await;
        let row = self.row(run).await?;
        let Some(desk) = self.desk_of(&row) else {
            return Err(wrong_state(&row, "asks nothing", None));
        };
        let events = self.store.events(run, 0, u32::MAX).await?;
        let Some((seq, question)) = open_question(&events) else {
            return Err(wrong_state(&row, "asks nothing", None));
        };
        // A second answer would be taken for that of the next question.
        if desk.stand().answered == Some((run, seq)) {
            return Err(wrong_state(&row, "has its answer already", None));
        }
        if let Some(why) = refused(question, &text) {
            let hint = format!(
                "do it, then `wakerail answer {run}`; until then it waits, with the bench as it \
                 is: \"{question}\""
            );
            return Err(wrong_state(&row, &why, Some(hint)));
        }
        if let Some(stand_in) = &self.stand_in {
            stand_in.asked(&row.bench, question);
        }
        self.order(desk, Order::Answer { run, text })?;
        desk.stand().answered = Some((run, seq));
        Ok(())
    }
}

/// The question that waits for its answer, with its event's number: asked, and
/// nothing happened since.
fn open_question(events: &[Event]) -> Option<(u64, &str)> {
    let last = events.last()?;
    match &last.body {
        Body::Held {
            cause: HoldCause::Question(words),
        } => Some((last.seq, words)),
        _ => None,
    }
}
fn wrong_state(row: &RunRow, why: &str, hint: Option<String>) -> Refusal {
    Refusal::WrongState {
        run: row.id,
        why: why.to_owned(),
        hint,
    }
}

fn over(row: &RunRow) -> Refusal {
    wrong_state(row, &format!("is {} already", row.state.words()), None)
}

fn not_served(row: &RunRow) -> Refusal {
    let hint = format!(
        "bench `{}` is not served by this daemon, or its attendant has left; see `wakerail runs` and the daemon's log",
        row.bench
    );
    wrong_state(row, "waits for its bench", Some(hint))
}
