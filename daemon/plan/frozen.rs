//! Everything that a run rests on, frozen when it is booked: whoever reads the
//! run later needs nothing else.

use serde::{Deserialize, Serialize};

use super::card::Card;
use super::intent::Plan;
use super::itinerary::Itinerary;
use super::lamp::Lamp;
use super::placement::Placement;

/// A file's text as the user sent it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SentText {
    /// The file's name, without folders.
    pub name: String,
    /// Its text.
    pub text: String,
}

/// The bundle that a run freezes; the journal's first link covers it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Frozen {
    /// The version of the program that froze it.
    pub program: String,
    /// The plan's text, and the text of the plan that it is based on.
    pub plan_texts: Vec<SentText>,
    /// The text of every script that the plan uses, shipped ones too: a later
    /// version of the program may ship others.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub scripts: Vec<SentText>,
    /// The plan as understood; of a redo, narrowed to what is measured again.
    pub plan: Plan,
    /// The run that this one measures again, whole or in part.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub redo_of: Option<i64>,
    /// The lamp model.
    pub lamp: Lamp,
    /// The bench.
    pub card: Card,
    /// Where the unit stands.
    pub placement: Placement,
    /// What will be done.
    pub itinerary: Itinerary,
}
