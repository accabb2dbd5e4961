//! From what a user wrote to what will be done: read, check everything at
//! once, freeze into an itinerary. Pure; needs no hardware.
//!
//! ```text
//!  bench.yaml ──► card ─┐
//!  lamp.yaml ───► lamp ─┼─► layout (settings, order, motion) ──► itinerary ──► print
//!  plan.yaml ───► intent┘          placement ─┘
//!        *_file (as written) · check (every mistake at once)
//! ```
//!
//! Called by: cli (check), queue (booking), run and attendant (which read the
//! itinerary). Not here: opening ports, deciding while measuring.

pub mod bench_file;
pub mod card;
pub mod check;
pub mod course;
pub mod evenings;
pub mod faults;
pub mod file;
pub mod fitting;
mod fixed_sensor;
pub mod flux_layout;
pub mod frozen;
mod given_settings;
pub mod intent;
pub mod itinerary;
pub mod kinds;
mod kinds_file;
pub mod lamp;
pub mod lamp_file;
mod lamp_programs;
pub mod layout;
pub mod mains;
pub mod merged;
pub mod motion;
pub mod order;
pub mod parts;
pub mod placement;
pub mod placing;
pub mod plan_file;
pub mod port_file;
pub mod power;
pub mod print;
pub mod profiles;
pub mod ramp_layout;
pub mod redo;
mod room_file;
#[cfg(test)]
pub mod samples;
pub mod settings;
mod sight_fitting;
pub mod sight_layout;
mod sphere_file;
pub mod standby_layout;
pub mod survey_layout;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_beside;
#[cfg(test)]
mod tests_faults;
#[cfg(test)]
mod tests_flux;
#[cfg(test)]
mod tests_mains;
#[cfg(test)]
mod tests_mistakes;
#[cfg(test)]
mod tests_on_the_way;
#[cfg(test)]
mod tests_profiles;
#[cfg(test)]
mod tests_slips;
#[cfg(test)]
pub mod tests_standby;
pub mod uses;
