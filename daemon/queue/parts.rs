//! A plan of two parts: the one for the place where the unit stands is booked as it
//! is, the other as a run that is held until a person has put the unit there. Both
//! are written in one transaction, so that no half of a plan is forgotten.
//!
//! Called by: booking, verbs, keeper. Not here: which test belongs where
//! (plan::parts).

use super::adopt;
use super::booking::freeze;
use super::keeper::{Desk, Keeper};
use super::orders::{BookOrder, Rest};
use super::refusal::Refusal;
use crate::plan::card::Card;
use crate::plan::check;
use crate::plan::frozen::{Frozen, SentText};
use crate::plan::lamp::Lamp;
use crate::plan::parts::{self, Elsewhere, Side};
use crate::plan::placement::Placement;
use crate::plan::placing;
use crate::run::journal::RunId;

/// Follows a client's key where the other part was booked under it.
const OTHER_PART: &str = "/other-part";

/// The key of the other part.
pub(super) fn other_key(key: &str) -> String {
    format!("{key}{OTHER_PART}")
}

/// What a plan's other part is, before it is booked.
pub(super) enum Other {
    /// The plan has one part.
    None,
    /// It is held until its unit stands there.
    Frozen(Box<Frozen>),
    /// No bench of this daemon has such a place.
    NoPlace,
}

impl Keeper {
    /// Freezes the other part of a plan, at a bench that has a place for it: the
    /// same one if it has, else the first by name.
    ///
    /// # Errors
    /// What does not fit there.
    pub(super) fn other_part(
        &self,
        order: &BookOrder,
        texts: &[SentText],
        lamp: &Lamp,
        (here, side): (&Desk, Side),
    ) -> Result<Other, Refusal> {
        let mut parts = check::parts_of(texts).into_iter().flatten();
        let Some(other) = parts.find(|part| part.side != side) else {
            return Ok(Other::None);
        };
        let mut desks = std::iter::once(here).chain(self.desks.values());
        let Some(desk) = desks.find(|desk| parts::has(&desk.card, other.side)) else {
            return Ok(Other::NoPlace);
        };
        let placement = placing::nominal_on(other.side, &order.unit, lamp, &desk.card);
        let (texts, scripts) = (texts.to_vec(), order.scripts.clone());
        let lamp = lamp.clone();
        let frozen = freeze(texts, scripts, lamp, &desk.card, placement, &self.today())?;
        Ok(Other::Frozen(Box::new(frozen)))
    }

    /// The other part of a run that was booked under a key, if there is one.
    pub(super) async fn rest_of(&self, key: Option<&str>) -> Result<Option<Rest>, Refusal> {
        let Some(key) = key else { return Ok(None) };
        let Some(run) = self.store.run_of_key(&other_key(key)).await? else {
            return Ok(None);
        };
        let (frozen, _) = self.store.frozen(run).await?.ok_or(Refusal::NoRun(run))?;
        Ok(Some(rest(run, &frozen)))
    }

    /// Why a run of one part of a plan cannot begin where its unit stands; none when
    /// it can, or its plan has one part.
    pub(super) fn belongs_elsewhere(
        &self,
        frozen: &Frozen,
        current: Option<&Placement>,
    ) -> Option<String> {
        let card = |bench: &str| self.desks.get(bench).map(|desk| &desk.card);
        let known = current.and_then(|placement| Some((placement, card(&placement.bench)?)));
        (!adopt::stands_for_its_part(frozen, known)).then(|| go_there(frozen))
    }
}

/// The other part as it is told.
pub(super) fn rest(run: RunId, frozen: &Frozen) -> Rest {
    Rest {
        run,
        bench: frozen.card.name.clone(),
        tests: names(frozen),
        side: parts::side_at(&frozen.placement, &frozen.card),
    }
}

/// That no bench has a place for a part.
pub(super) fn no_place(elsewhere: &Elsewhere) -> String {
    format!(
        "not booked, because no bench of this daemon has a place for it: {}",
        elsewhere.words()
    )
}

/// What a person does so that the other part can be measured.
pub(super) fn go_there(frozen: &Frozen) -> String {
    let (placement, card) = (&frozen.placement, &frozen.card);
    let side = parts::side_at(placement, card);
    let unit = &placement.unit;
    format!(
        "measured {}: {}; when unit `{unit}` is needed nowhere else, place it there (`wakerail place \
         {unit} --lamp FILE --bench {} --place {}`), then release the run",
        side.words(),
        names(frozen).join(", "),
        card.name,
        place(card, side, &placement.place),
    )
}

fn place<'a>(card: &'a Card, side: Side, nominal: &'a str) -> &'a str {
    let mut places = card.places.iter();
    let of_side = places.find(|place| Side::of(place.kind) == side);
    match nominal.is_empty() {
        true => of_side.map_or(nominal, |place| &place.name),
        false => nominal,
    }
}

fn names(frozen: &Frozen) -> Vec<String> {
    let tests = frozen.itinerary.tests.iter();
    tests.map(|test| test.name.clone()).collect()
}
