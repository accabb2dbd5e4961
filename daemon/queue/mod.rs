//! Who is measured next, and what a person's orders become.
//!
//! ```text
//!  web ──► booking (place, book) · verbs (hold, release, stop, answer) · remarks
//!             │
//!          keeper ── next run ──► attendant's handle
//!             │  mend (a record that failed is opened anew)
//!             │  line (who is next) · adopt (may it be handed over): pure
//!             │  evening, sheets (what to do tonight, what is there in the morning)
//!             │  ruling (when a run is over, or asked for) · turns (one for each run)
//!             └─ store: placements, runs        refusal: why an order is not taken
//! ```
//!
//! Called by: web, service. Not here: how a run is carried out (attendant),
//! what crosses HTTP (web::wire).

pub mod adopt;
mod answers;
pub mod booking;
mod evening;
pub mod keeper;
pub mod line;
mod mend;
pub mod orders;
mod parts;
pub mod redo;
pub mod refusal;
pub mod remarks;
pub mod ruling;
pub mod sheets;
mod turns;
pub mod verbs;
