//! The photometry crate against independent oracles: the same random data to
//! numpy, scipy and colour-science, and figure for figure the answers side by
//! side. What the oracles define otherwise stands in `README.md` here.
//!
//! `WAKERAIL_ORACLE_PYTHON` names a python that has `requirements.txt`; without
//! it the oracles are not asked and every test says so. With
//! `WAKERAIL_PEERS_REQUIRED=1` that is a failure. `.ci/run` sets both.

mod colour;
mod contest;
mod flicker;
mod lights;
mod oracle;
mod random;
mod severity;
mod statistics;
mod waves;
