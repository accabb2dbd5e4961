//! Scripts that compute metrics and rule on measured lamps.
//!
//! ```text
//!  text --compile--> Script --given(plan's values)--> Given
//!                      |                                |
//!  View (measured) ----+-------- rule / measure --------+--> Ruling / Measured
//! ```
//!
//! Reading order: [`view`] (what a script sees), [`host`] (compile, rule,
//! measure), [`parameters`], [`criteria`] (the five words), [`api`] (all that a
//! script can call), [`limits`] and `sandbox` (what ends a script), then
//! `values`, `columns`, `seen`, `distances`: the things in a script's hands.
//!
//! Rules of the room: a value that is missing or flagged is never pass or fail;
//! only a limit function makes a ruling; no script can hang, end or change the
//! daemon. A bench never waits for a script.
//!
//! [`codec`] is another kind of script in the same sandbox, with `bytes` in its hands:
//! it makes bytes for odd devices, and fields of their answers.
//!
//! Called by: plans (checking), rulings; bench (codecs). Not here: files, the store, reports.

pub mod api;
mod bytes;
mod check;
pub mod codec;
mod column_figures;
mod columns;
mod comparing;
pub mod criteria;
mod distances;
pub mod fault;
pub mod host;
mod items;
mod language;
pub mod limits;
pub mod parameters;
pub mod reach;
mod sandbox;
mod seen;
pub mod shipped;
pub mod unit;
mod values;
pub mod view;

#[cfg(test)]
mod samples;
#[cfg(test)]
mod tests_check;
#[cfg(test)]
mod tests_codec;
#[cfg(test)]
mod tests_hostile;
#[cfg(test)]
mod tests_hostile_table;
#[cfg(test)]
mod tests_rulings;
#[cfg(test)]
mod tests_shipped;
#[cfg(test)]
mod tests_traps;
#[cfg(test)]
mod tests_values;
