//! The trade's units, measured data and computations. Pure: no clock, no file,
//! no thread, no outside library but serde's derives.
//!
//! Reading order: [`units`] (every figure has a type or a unit in its name),
//! [`measured`] (what an instrument said, kept as it was said), then the
//! computations: [`stabilisation`] (has the lamp warmed up?), [`drift`]
//! (linear corrections between two visits), [`statistics`], [`uncertainty`]
//! (a result and where its doubt comes from).
//!
//! Called by: every room. Not here: reading files, asking meters, deciding
//! whether a lamp passes.

// A table of cases in a test may be long; functions of the product may not.
#![cfg_attr(not(test), warn(clippy::too_many_lines))]

pub mod alpha_opic;
pub mod blue_light;
pub mod colour;
pub mod comparison;
pub mod data_figures;
pub mod decision;
pub mod distance;
pub mod distance_figures;
mod distribution;
pub mod drift;
mod esd;
pub mod far_field;
pub mod fidelity;
pub mod figure;
pub mod flicker;
pub mod light_units;
pub mod measured;
pub mod mismatch;
pub mod ordering;
pub mod outliers;
pub mod positioning;
pub mod ramp;
pub mod regression;
pub mod rendering;
pub mod robust;
mod scale;
pub mod spectrum;
pub mod spectrum_figures;
pub mod sphere;
pub mod sphere_figures;
pub mod sphere_spectral;
pub mod stabilisation;
pub mod standby;
pub mod statistics;
mod tables;
pub mod temperature;
pub mod two_spectra;
pub mod uncertainty;
pub mod units;
