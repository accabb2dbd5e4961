//! What a person orders, and what comes of it.

use std::collections::BTreeMap;

use crate::plan::card::Card;
use crate::plan::frozen::SentText;
use crate::plan::intent::Window;
use crate::plan::itinerary::Duration3;
use crate::plan::parts::Side;
use crate::plan::placement::Placement;
use crate::run::journal::RunId;

/// A unit is to stand somewhere.
#[derive(Clone, Debug)]
pub struct PlaceOrder {
    /// The unit.
    pub unit: String,
    /// Its model's file.
    pub lamp: SentText,
    /// The bench, unless there is one only.
    pub bench: Option<String>,
    /// The place, unless it is clear.
    pub place: Option<String>,
    /// The firmware revision.
    pub firmware: Option<String>,
    /// The gauge block, as written.
    pub gauge: Option<String>,
    /// The carriage's coordinate while it was used, as written.
    pub carriage_at: Option<String>,
    /// Finger by button.
    pub fingers: BTreeMap<String, String>,
    /// Who placed it.
    pub who: String,
    /// What that person states, words by item.
    pub stated: BTreeMap<String, String>,
}

/// A placement as recorded.
#[derive(Clone, Debug)]
pub struct Placed {
    /// The placement.
    pub placement: Placement,
    /// The unit that stood there before.
    pub replaced: Option<String>,
    /// Runs of the unit that wait for a release.
    pub held_runs: Vec<RunId>,
}

/// A run is to be booked.
#[derive(Clone, Debug)]
pub struct BookOrder {
    /// The plan.
    pub plan: SentText,
    /// The plan that it is based on.
    pub based_on: Option<SentText>,
    /// The unit.
    pub unit: String,
    /// The bench, unless there is one only.
    pub bench: Option<String>,
    /// The lamp file, for a unit that was never placed.
    pub lamp: Option<SentText>,
    /// Book it held.
    pub hold: bool,
    /// The script files that the plan names.
    pub scripts: Vec<SentText>,
    /// Makes a repetition harmless.
    pub key: Option<String>,
}

/// A run as booked.
#[derive(Clone, Debug)]
pub struct Booked {
    /// Its number.
    pub run: RunId,
    /// How long it takes.
    pub time: Duration3,
    /// When it measures.
    pub window: Option<Window>,
    /// What cannot be had here.
    pub left_out: Vec<String>,
    /// It was booked before, by the same request.
    pub repeated: bool,
    /// What may go wrong; it was booked all the same.
    pub warnings: Vec<String>,
    /// The plan's other part, which is held until the unit stands there.
    pub rest: Option<Rest>,
}

/// The other part of a plan, as booked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rest {
    /// Its run.
    pub run: RunId,
    /// The bench that has a place for it.
    pub bench: String,
    /// The tests.
    pub tests: Vec<String>,
    /// Where they are measured.
    pub side: Side,
}

/// A bench as others see it.
#[derive(Clone, Debug)]
pub struct BenchShown {
    /// What it can do.
    pub card: Card,
    /// The run in its attendant's hands.
    pub at_hand: Option<RunId>,
    /// Why it takes no run.
    pub out_of_service: Option<String>,
}
