//! What has happened in a run and what comes next: pure code over the
//! journal. No clock, no device, no database.
//!
//! ```text
//!  journal (events) ──replay──► progress (state) ──► next move
//!                                   │ after a break
//!                                restart (preamble)
//!  lit: what is known of the lamp             done: which actions are
//!  decide: what data decides (warm? drifted?)   ladder: which button next
//!  walk: a ladder, or a round of levels        pressed: what a press did
//!  room: what a look at the room says
//!  ledger: the trait through which the attendant writes the journal
//!  traffic: a piece of what went over a link, kept beside it on demand
//! ```
//!
//! Called by: attendant (asks for the next move, applies each event), store
//! (keeps events), cli and web (show them). Not here: carrying anything out.

pub mod decide;
mod done;
pub mod exposure;
pub mod journal;
pub mod ladder;
pub mod ledger;
pub mod lit;
pub mod mains;
pub mod pressed;
pub mod progress;
pub mod restart;
pub mod room;
pub mod round;
pub mod traffic;
pub mod walk;

#[cfg(test)]
mod tests_decide;
#[cfg(test)]
mod tests_ladder;
#[cfg(test)]
mod tests_light;
#[cfg(test)]
mod tests_presses;
#[cfg(test)]
mod tests_restart;
#[cfg(test)]
mod tests_round;
#[cfg(test)]
mod tests_state;
#[cfg(test)]
mod tests_walk;
