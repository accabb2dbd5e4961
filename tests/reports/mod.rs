//! What a run says of a lamp, held against what the lamp truly is.

mod truth;
