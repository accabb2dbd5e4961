//! The loop that executes runs on one bench: ask the pure rooms what comes
//! next, write it down, do it, write down what came of it.
//!
//! ```text
//!  orders ──► work (phases of a run) ──► acts (one action) ──► lamp, warm
//!                │                           │
//!        lost, record (journal: write, then apply)   safe (coils off, still, dark)
//!        traffic (of links, beside the journal)
//!                                            └──► asking (instruments, with interrupts)
//! ```
//!
//! Called by: queue (through a [`handle::Handle`]). Not here: what comes next
//! (run), how a device is spoken to (bench, drivers), scripts (never: a hung
//! script must not hold a bench).

mod acts;
mod asking;
mod capture;
pub mod handle;
mod lamp;
mod lost;
mod mains;
mod on_the_way;
mod questions;
mod record;
mod room;
mod safe;
#[cfg(test)]
mod scene;
mod series;
mod stop_button;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_ends;
#[cfg(test)]
mod tests_faults;
#[cfg(test)]
mod tests_faults_kinds;
#[cfg(test)]
mod tests_faults_mains;
#[cfg(test)]
mod tests_faults_values;
#[cfg(test)]
mod tests_fixed;
#[cfg(test)]
mod tests_gaps;
#[cfg(test)]
pub mod tests_kinds;
#[cfg(test)]
mod tests_lamp;
#[cfg(test)]
mod tests_light;
#[cfg(test)]
mod tests_lost;
#[cfg(test)]
mod tests_mains;
#[cfg(test)]
mod tests_on_the_way;
#[cfg(test)]
mod tests_orders;
#[cfg(test)]
mod tests_rails;
#[cfg(test)]
mod tests_ramp;
#[cfg(test)]
mod tests_record;
#[cfg(test)]
mod tests_room;
#[cfg(test)]
mod tests_round;
#[cfg(test)]
mod tests_safe;
#[cfg(test)]
mod tests_sphere;
#[cfg(test)]
mod tests_sphere_ramp;
#[cfg(test)]
mod tests_sphere_spectra;
#[cfg(test)]
mod tests_standby;
#[cfg(test)]
mod tests_stop_button;
#[cfg(test)]
mod tests_sweep;
#[cfg(test)]
mod tests_told;
#[cfg(test)]
mod tests_traffic;
#[cfg(test)]
mod tests_unplug;
mod told;
mod traffic;
mod warm;
mod window;
pub mod work;
