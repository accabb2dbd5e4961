//! Meters and relays by profile, held against devices that others wrote.
//!
//! ```text
//!  profile ──► driver or whole program ──TCP──► (relay that cuts) ──► foreign device
//!                                                                        │
//!                       expected ◄── light (the test's own lamp) ◄───────┘
//! ```
//!
//! [`answers`] asks one device at a time, [`blocks`] one that answers bytes,
//! [`program`] has the real program measure a survey. Peers: the crates `scpi` and `scpi-contrib`, always; the
//! Python packages scpipy and pymodbus ([`modbus`]), where there is a python with
//! them ([`peer`]).

mod answers;
mod blocks;
mod broker;
mod crate_peer;
mod heard;
mod libmodbus;
mod light;
mod mbpoll;
mod modbus;
mod peer;
mod program;
mod relay;
mod wired;

#[path = "../../faults/tally.rs"]
#[allow(dead_code)]
mod tally;

// The real program and a simulated rail, as the fault tests start them.
#[path = "../../cli"]
mod cli {
    #[allow(dead_code)]
    pub mod daemon;
}
#[path = "../../faults/night.rs"]
#[allow(dead_code)]
mod night;
#[path = "../../faults/shim.rs"]
#[allow(dead_code)]
mod shim;
#[path = "../../faults/wall.rs"]
#[allow(dead_code)]
mod wall;
