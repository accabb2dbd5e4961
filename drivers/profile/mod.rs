//! Device profiles: how one model of device is spoken to, as data, so that a new
//! meter or relay board needs no new program.
//!
//! ```text
//!  profile.yaml ── read (every mistake at once) ──► Profile ── perform ──► talk ──► bytes
//!                     │                                │
//!                     └ samples: known answers,        └ value: what a field means
//!                       held without hardware
//! ```
//!
//! Reading order: [`types`] and [`verbs`] (what a profile is), [`template`] (what is sent),
//! [`pattern`] (what comes), [`read`], [`value`], [`samples`], [`perform`],
//! [`shipped`]. Called by the roles that follow a profile, and by whoever checks
//! one. Not here: opening files, and how a role reacts to what goes wrong
//! (`roles`).

pub mod abort;
pub mod blocks;
pub mod codec;
pub mod many;
pub mod pattern;
pub mod perform;
pub mod rail;
pub mod read;
mod read_abort;
mod read_blocks;
mod read_frames;
pub mod read_outlets;
mod read_rail;
mod read_registers;
mod read_settings;
mod read_steps;
pub mod registers;
pub mod samples;
pub mod settings;
pub mod shipped;
pub mod template;
pub mod types;
pub mod value;
pub mod verbs;

#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_abort;
#[cfg(test)]
mod tests_blocks;
#[cfg(test)]
mod tests_frames;
#[cfg(test)]
mod tests_many;
#[cfg(test)]
mod tests_rail;
#[cfg(test)]
mod tests_registers;
#[cfg(test)]
mod tests_settings;
