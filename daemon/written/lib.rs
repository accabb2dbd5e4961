//! Filled by the commits that follow.
