//! One physical set-up, as the attendant works it: an instrument for each
//! device, each with a named thread that owns its port.
//!
//! ```text
//!  attendant ── Verb ──► instrument (thread, seat, port) ── bytes ──► device
//!            ◄─ Answer ─┘         limits: no path leaves the travel
//! ```
//!
//! Without a daemon a person has it in hand: `probe` (is each device there, and
//! the right one?) and `by_hand` (one verb); `failed` is what they say of a
//! device that is not. `traffic`: what goes over links, where it is kept. Called by: attendant and cli; opened by service. Not here: what to do when (run),
//! what the bytes mean (drivers).

pub mod by_hand;
mod codecs;
pub mod failed;
mod given_settings;
pub mod instrument;
pub mod limits;
pub mod names;
pub mod open;
pub mod probe;
pub mod profiles;
#[cfg(test)]
mod tests_codecs;
#[cfg(test)]
mod tests_defect;
#[cfg(test)]
mod tests_frame_fingers;
#[cfg(test)]
mod tests_given;
#[cfg(test)]
mod tests_profiles;
pub mod traffic;
