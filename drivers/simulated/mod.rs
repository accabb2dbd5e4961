//! A bench that exists only as arithmetic: it speaks the real bytes, so every
//! test runs the real drivers.
//!
//! ```text
//! drivers ── bytes ── wire ── meters, spectrum, waveform, power, room ─┐
//!                          ── rail ────────────────────────────────────┼── world
//!                          ── fingers, outlets, level ─────────────────┘    │ └─ file, written
//!                          person (by hand, truth) ─────────────────────────┘    before each answer
//! ```
//!
//! The lamp: what it is (`lamp_model`, with `programs`, `modulation` and `spectra`;
//! the invented ones are `shore_birds`), and what it is doing (`lamp`).
//!
//! Where light goes: `room` and `lights` (the rail's axis), `sphere`. What measures
//! it: `meter` (on the carriage, fixed, at the sphere's port), `spectroradiometer` (on
//! the carriage, at the sphere's port), `waveform_photometer`; beside them
//! `power_meter`, `room_sensor`, and `outlets` in the mains; `level` tells the lamp its
//! level, `contact` is a stop button. `equipment` holds what they are.
//!
//! The rail is one of three kinds: `rail` (lines and bytes), `line_rail`,
//! `register_rail`. What leaves a device of lines, and what a bad wire makes of
//! it: `outgoing`, `mangle`. `registers` is a Modbus device for itself: a map,
//! its frames, its `lapses`; `framed` a meter of binary frames and its slips;
//! `replayed` a recorded talk, played again.
//!
//! Truth comes from closed forms and a seed, never from `photometry`'s
//! analysis: the code is not to be compared with itself. Machines are pure;
//! time is only the `now` that they are given. Called by the demo and by
//! tests. Not here: the clock, the wires (`clock`, `link`).

pub mod bench;
pub mod carriage;
pub mod contact;
pub mod equipment;
pub mod faults;
pub mod fingers;
pub mod framed;
pub mod lamp;
pub mod lamp_model;
pub mod lapses;
pub mod level;
pub mod lights;
mod line_rail;
mod mangle;
pub mod meter;
pub mod modulation;
mod outgoing;
pub mod outlets;
pub mod person;
pub mod power_meter;
pub mod programs;
pub mod rail;
pub mod random;
mod register_rail;
pub mod registers;
pub mod replayed;
pub mod room;
pub mod room_sensor;
pub mod scpi_device;
pub mod shore_birds;
pub mod spectra;
pub mod spectroradiometer;
pub mod sphere;
pub mod waveform_photometer;
pub mod world;

#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests_blocks;
#[cfg(test)]
mod tests_devices;
#[cfg(test)]
mod tests_lamp;
#[cfg(test)]
mod tests_level;
#[cfg(test)]
mod tests_sphere;
