//! From stored raw readings to what a person reads: corrected figures with
//! their uncertainty, tables, charts. Pure functions of what the store gives;
//! nothing here is ever written back.
//!
//! ```text
//!  frozen + readings + events ──► gather ──► survey (figures) ──► table (text, CSV, JSON)
//!               background · reference ┘                    ├──► lux_chart ──► chart ──► svg
//!                                                           └──► ladder · reach ──► page (HTML)
//! ```
//!
//! Called by: web and service (show a run), cli through web. Not here: reading
//! the database (store), rules that pass or fail a lamp.

pub mod account;
pub mod background;
pub mod chart;
pub mod curve_chart;
pub mod digits;
pub mod disturbed;
mod drift;
mod fixed;
pub mod gather;
mod halves;
pub mod ids;
pub mod ink;
pub mod ladder;
pub mod ladder_chart;
pub mod lux_chart;
pub mod measures;
pub mod page;
pub mod reach;
pub mod reach_chart;
pub mod reference;
pub mod rows;
pub mod scale;
pub mod strokes;
pub mod survey;
pub mod svg;
pub mod table;
#[cfg(test)]
mod tests_chart;
#[cfg(test)]
mod tests_gather;
#[cfg(test)]
mod tests_table;
