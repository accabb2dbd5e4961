//! Filled by the commits that follow.

fn main() {}
