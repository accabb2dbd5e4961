//! Placing units and booking runs: checked against lamp, placement and bench,
//! frozen, stored.
//!
//! A run freezes its placement when it is booked. A unit that stands nowhere
//! can be booked too; its run is held until it is placed and released.

use super::keeper::Keeper;
use super::orders::{BookOrder, Booked, PlaceOrder, Placed, Rest};
use super::parts::{Other, go_there, no_place, other_key, rest};
use super::refusal::Refusal;
use crate::plan::card::Card;
use crate::plan::frozen::{Frozen, SentText};
use crate::plan::intent::Plan;
use crate::plan::lamp::Lamp;
use crate::plan::parts::{self, Elsewhere};
use crate::plan::placement::Placement;
use crate::plan::{check, layout, placing};
use crate::rulings::library::Library;
use crate::run::journal::{RunId, RunState};
use crate::store::room;
use crate::store::runs::{Booking, RunRow};

impl Keeper {
    /// Records which unit stands where.
    ///
    /// # Errors
    /// Mistakes in the lamp file, or a bench that cannot take the unit so.
    pub async fn place(&self, order: PlaceOrder) -> Result<Placed, Refusal> {
        let _turn = self.gate.lock().await;
        let desk = self.desk(order.bench.as_deref())?;
        let lamp = read_lamp(&order.lamp)?;
        let request = placing::Request {
            unit: order.unit,
            place: order.place,
            firmware: order.firmware,
            gauge: order.gauge,
            carriage_at: order.carriage_at,
            fingers: order.fingers,
            who: order.who,
            stated: order.stated,
            since: self.clock.now().wall,
        };
        let placement = placing::placement(&request, &lamp, &desk.card).map_err(|mistakes| {
            Refusal::Mistakes {
                shown: mistakes.join("\n"),
            }
        })?;
        if let Some(run) = desk.stand().at_hand {
            return Err(Refusal::WrongState {
                run,
                why: format!(
                    "is at work on bench `{}`; the lamp must not be touched",
                    desk.card.name
                ),
                hint: Some(format!("stop it first: `wakerail stop {run}`")),
            });
        }
        let runs = self.store.runs().await?;
        let begun = |row: &&RunRow| {
            let here = row.unit == placement.unit || row.bench == placement.bench;
            here && row.begun.is_some() && !row.state.is_over()
        };
        if let Some(row) = runs.iter().find(begun) {
            return Err(Refusal::WrongState {
                run: row.id,
                why: format!("of unit `{}` has begun and is not over", row.unit),
                hint: Some(format!(
                    "stop it first (`wakerail stop {}`): its readings refer to where the unit stands",
                    row.id
                )),
            });
        }
        let before = self
            .store
            .placement_at(&placement.bench, &placement.place)
            .await?;
        let replaced = before
            .map(|(_, p)| p.unit)
            .filter(|unit| *unit != placement.unit);
        self.store.put_lamp(&lamp, &order.lamp).await?;
        self.store.place(&placement).await?;
        if let Some(stand_in) = &self.stand_in {
            stand_in.placed(&placement, &lamp);
        }
        let held_runs = runs
            .iter()
            .filter(|row| row.unit == placement.unit && row.state == RunState::Held)
            .map(|row| row.id)
            .collect();
        Ok(Placed {
            placement,
            replaced,
            held_runs,
        })
    }

    /// Books a run, and hands it over if the bench is free.
    ///
    /// # Errors
    /// Mistakes in the plan, or a unit or bench that is not known.
    pub async fn book(&self, order: BookOrder) -> Result<Booked, Refusal> {
        let _turn = self.gate.lock().await;
        if let Some(key) = &order.key
            && let Some(run) = self.store.run_of_key(key).await?
        {
            let (frozen, _) = self.store.frozen(run).await?.ok_or(Refusal::NoRun(run))?;
            let same = frozen.placement.unit == order.unit
                && frozen.plan_texts.iter().eq(plan_texts(&order))
                && order
                    .scripts
                    .iter()
                    .all(|script| frozen.scripts.contains(script));
            return if same {
                let rest = self.rest_of(Some(key)).await?;
                let booked = self.booked(run, &frozen, self.state_of(run).await?);
                Ok(Booked { rest, ..booked })
            } else {
                Err(Refusal::KeyReused(run))
            };
        }
        let placed = self.store.placement_of_unit(&order.unit).await?;
        let bench = order
            .bench
            .clone()
            .or_else(|| placed.as_ref().map(|(_, p)| p.bench.clone()));
        let desk = self.desk(bench.as_deref())?;
        let stands_here = placed.filter(|(_, placement)| placement.bench == desk.card.name);
        let lamp = self
            .lamp_for(&order, stands_here.as_ref().map(|(_, p)| p))
            .await?;
        let texts: Vec<SentText> = plan_texts(&order).cloned().collect();
        let (placement_id, placement) = match stands_here {
            Some((id, placement)) => (Some(id), placement),
            None => (None, check::nominal(&texts, &order.unit, &lamp, &desk.card)),
        };
        let scripts = order.scripts.clone();
        let side = parts::side_at(&placement, &desk.card);
        let other = self.other_part(&order, &texts, &lamp, (desk, side));
        let here = freeze(texts, scripts, lamp, &desk.card, placement, &self.today());
        let (frozen, other) = both(here, other)?;
        let (run, rest) = self
            .write_down(&order, &frozen, placement_id, &other)
            .await?;
        if placement_id.is_none() {
            let why = self.displaced(run).await?.unwrap_or_default();
            self.store.hold_unbegun(run, &why).await?;
        } else if order.hold {
            self.store
                .hold_unbegun(run, "booked to be released by hand")
                .await?;
        }
        let name = desk.card.name.clone();
        let mut booked = self.booked(run, &frozen, None);
        booked.rest = rest;
        if let (Other::NoPlace, Some(elsewhere)) = (&other, &frozen.itinerary.elsewhere) {
            booked.warnings.push(no_place(elsewhere));
        }
        self.hand_on(&name).await?;
        Ok(booked)
    }

    /// Writes a booked run, and the plan's other part with it.
    async fn write_down(
        &self,
        order: &BookOrder,
        frozen: &Frozen,
        placement: Option<i64>,
        other: &Other,
    ) -> Result<(RunId, Option<Rest>), Refusal> {
        let at = self.clock.now().wall;
        let key = order.key.as_deref();
        let Other::Frozen(second) = other else {
            let run = self.store.book_run(key, frozen, placement, at).await?;
            return Ok((run, None));
        };
        let (second_key, why) = (key.map(other_key), go_there(second));
        let first = Booking {
            key,
            frozen,
            placement,
            held: None,
        };
        let then = Booking {
            key: second_key.as_deref(),
            frozen: second,
            placement: None,
            held: Some(&why),
        };
        let (run, other_run) = self.store.book_two(first, then, at).await?;
        Ok((run, Some(rest(other_run, second))))
    }

    /// The state of a run that was booked before.
    pub(super) async fn state_of(&self, run: RunId) -> Result<Option<RunState>, Refusal> {
        Ok(self.store.run(run).await?.map(|row| row.state))
    }

    /// What is told of a run as booked; `before`: the state of one that was
    /// booked before. Room is looked for before it is handed over, and told in
    /// the log too: whoever books may be a program. A run that is over needs
    /// none.
    pub(super) fn booked(&self, run: RunId, frozen: &Frozen, before: Option<RunState>) -> Booked {
        let is_over = before.is_some_and(RunState::is_over);
        let short = if is_over {
            None
        } else {
            self.short_of_room(run, frozen)
        };
        Booked {
            run,
            time: frozen.itinerary.time(),
            window: frozen.plan.policies.window,
            left_out: frozen.itinerary.not_measured(),
            repeated: before.is_some(),
            warnings: short.into_iter().collect(),
            rest: None,
        }
    }

    /// Whether the disk may be full before a run's end; also told in the log.
    pub(super) fn short_of_room(&self, run: RunId, frozen: &Frozen) -> Option<String> {
        let warning = room::warning((self.free_room)(&self.store), &frozen.itinerary)?;
        tracing::warn!(%run, "{warning}");
        Some(warning)
    }

    /// The lamp's model: from the order, or as the unit was placed.
    async fn lamp_for(
        &self,
        order: &BookOrder,
        placement: Option<&Placement>,
    ) -> Result<Lamp, Refusal> {
        if let Some(text) = &order.lamp {
            let lamp = read_lamp(text)?;
            self.store.put_lamp(&lamp, text).await?;
            return Ok(lamp);
        }
        let unknown = || Refusal::NoName {
            what: "unit",
            name: order.unit.clone(),
            hint: format!(
                "place it (`wakerail place {} --lamp FILE`), or name its model with --lamp FILE",
                order.unit
            ),
        };
        let model = match placement {
            Some(placement) => placement.lamp.clone(),
            None => self
                .store
                .model_of_unit(&order.unit)
                .await?
                .ok_or_else(unknown)?,
        };
        let lamp = self.store.lamp(&model).await?;
        lamp.map(|(lamp, _)| lamp).ok_or_else(unknown)
    }
}

/// The plan's text, and the text that it is based on.
fn plan_texts(order: &BookOrder) -> impl Iterator<Item = &SentText> {
    std::iter::once(&order.plan).chain(&order.based_on)
}

fn read_lamp(text: &SentText) -> Result<Lamp, Refusal> {
    check::read_lamp(text).map_err(|shown| Refusal::Mistakes { shown })
}

/// Checks a plan against lamp, placement and bench, and freezes all of it.
/// `scripts`: files that the plan may name; `today`: the day against which
/// calibrations are held.
pub(super) fn freeze(
    plan_texts: Vec<SentText>,
    scripts: Vec<SentText>,
    lamp: Lamp,
    card: &Card,
    placement: Placement,
    today: &str,
) -> Result<Frozen, Refusal> {
    // Told before any mistake of the plan: mending those would not help.
    overdue(card, today)?;
    let library = Library::of(scripts.clone());
    let (plan, elsewhere) = check::read_plan(&plan_texts, &lamp, card, &placement, &library)
        .map_err(|shown| Refusal::Mistakes { shown })?;
    let papers = Papers {
        texts: plan_texts,
        scripts,
        plan,
        redo_of: None,
        elsewhere,
    };
    lay_out(papers, lamp, card, placement, today)
}

/// Both parts of a plan, or the mistakes of both; what both say once.
fn both(
    here: Result<Frozen, Refusal>,
    other: Result<Other, Refusal>,
) -> Result<(Frozen, Other), Refusal> {
    match (here, other) {
        (Ok(here), Ok(other)) => Ok((here, other)),
        (Err(Refusal::Mistakes { shown }), Err(Refusal::Mistakes { shown: more })) => {
            let shown = match shown == more {
                true => shown,
                false => format!("{shown}\n{more}"),
            };
            Err(Refusal::Mistakes { shown })
        }
        (Err(refusal), _) | (_, Err(refusal)) => Err(refusal),
    }
}

/// A plan as understood, with what it was read from.
pub(super) struct Papers {
    /// The plan's text and that of its base.
    pub texts: Vec<SentText>,
    /// Scripts that it may name.
    pub scripts: Vec<SentText>,
    /// The plan; of a redo, narrowed.
    pub plan: Plan,
    /// The run that is measured again.
    pub redo_of: Option<i64>,
    /// What of the plan is measured at another place.
    pub elsewhere: Option<Elsewhere>,
}

fn overdue(card: &Card, today: &str) -> Result<(), Refusal> {
    let overdue = check::overdue(card, today);
    if overdue.is_empty() {
        return Ok(());
    }
    Err(Refusal::Mistakes {
        shown: overdue.join("\n"),
    })
}

/// Lays a plan out for lamp, placement and bench, and freezes all of it.
pub(super) fn lay_out(
    papers: Papers,
    lamp: Lamp,
    card: &Card,
    placement: Placement,
    today: &str,
) -> Result<Frozen, Refusal> {
    overdue(card, today)?;
    let Papers {
        texts,
        scripts,
        plan,
        redo_of,
        elsewhere,
    } = papers;
    let mut itinerary = layout::itinerary(&plan, &lamp, &placement, card).map_err(|faults| {
        let shown = faults
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("\n");
        Refusal::Mistakes { shown }
    })?;
    itinerary.elsewhere = elsewhere;
    Ok(Frozen {
        program: env!("CARGO_PKG_VERSION").to_owned(),
        plan_texts: texts,
        scripts: Library::of(scripts).used(&plan.uses),
        plan,
        redo_of,
        lamp,
        card: card.clone(),
        placement,
        itinerary,
    })
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use drivers::clock::Clock;

    use super::*;
    use crate::plan::samples::survey;
    use crate::store::open::Store;
    use crate::store::samples;

    /// A small disk is told of with the booking, and never refuses it.
    #[tokio::test]
    async fn a_booking_says_that_the_room_may_not_do() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("record.db")).await;
        let (store, boot) = (store.expect("opened"), "boot-1".to_owned());
        let mut keeper = Keeper::new(store, Clock::wall(), boot, None, Vec::new(), None);
        let frozen = samples::frozen(1, survey(&[6, 12]));
        type Says = fn(&Store) -> Option<u64>;
        let cases: [(Says, usize); 3] = [
            (|_| Some(1 << 20), 1),
            (|_| Some(1 << 40), 0),
            (|_| None, 0),
        ];
        for (free_room, warnings) in cases {
            Arc::get_mut(&mut keeper).expect("only one").free_room = free_room;
            let before = [
                (None, warnings),
                (Some(RunState::Measuring), warnings),
                (Some(RunState::Complete), 0),
            ];
            for (before, warnings) in before {
                let booked = keeper.booked(RunId(1), &frozen, before);
                assert_eq!(booked.warnings.len(), warnings, "{booked:?}");
            }
        }
    }
}
