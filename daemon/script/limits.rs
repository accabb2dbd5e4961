//! What a script may use up, each with its reason.
//!
//! Operations are counted, so that a script ends the same way on every machine;
//! the deadline is a second net for what counts few operations and takes long.
//!
//! Called by: `sandbox`. Not here: what a script may call (`api`).

use std::time::Duration;

/// Operations at most. A shipped criterion takes some hundred; an endless loop
/// is ended after about a quarter of a second.
const OPERATIONS: u64 = 2_000_000;
/// Operations of all scripts of one round together: twenty that use up their own,
/// some five seconds; a plan of shipped criteria takes a few thousand. Looked at
/// before each script, so that the last one to begin may go beyond by its own
/// limit; the same everywhere, because it is counted.
pub const ROUND_OPERATIONS: u64 = 40_000_000;
/// Wall time at most: ten times what the operations take on a slow machine, so
/// that they decide and the deadline does not.
const DEADLINE: Duration = Duration::from_secs(5);
/// Calls within calls. Each takes some kilobytes of a 2 MiB thread's stack.
const DEPTH: usize = 24;
/// Expressions within expressions, in a function's body.
const EXPRESSION_DEPTH: usize = 32;
/// Bytes of all strings within one value: a reason fits into a thousandth.
const STRING_BYTES: usize = 16 * 1024;
/// Items of an array and of those within it. A survey has some hundred points;
/// arrays within arrays cannot nest deeper than this, so that to drop them does
/// not use up the stack, and to put one more in (which counts all) stays cheap.
const ARRAY_ITEMS: usize = 1_000;
/// Entries of a map and of those within it: parameters, a few dozen.
const MAP_ITEMS: usize = 200;
/// Bytes in a codec's hands at once: a frame of an odd device is some dozen.
pub const BYTES: usize = ARRAY_ITEMS;
/// Variables at once.
pub(super) const VARIABLES: usize = 128;
/// Functions in a script.
pub(super) const FUNCTIONS: usize = 64;
/// Bytes of a script's text: its page and ten lines fill four thousand.
pub(super) const TEXT_BYTES: usize = 64 * 1024;
/// Operations between two looks at the clock (25 ns each, half an operation's time).
pub(super) const CLOCK_EVERY: u64 = 64;
/// Items that a native function goes through for the price of an operation.
pub(super) const ITEMS_PER_OPERATION: usize = 8;
/// What a new measured value costs as items: to make it takes as long as some
/// sixteen operations.
pub(super) const ITEMS_PER_VALUE: usize = 128;

/// What a script may use up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Operations at most.
    pub operations: u64,
    /// Wall time at most.
    pub deadline: Duration,
    /// Calls within calls at most.
    pub depth: usize,
    /// Expressions within expressions at most.
    pub expression_depth: usize,
    /// Bytes of strings in one value at most.
    pub string_bytes: usize,
    /// Items of arrays in one value at most.
    pub array_items: usize,
    /// Entries of maps in one value at most.
    pub map_items: usize,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            operations: OPERATIONS,
            deadline: DEADLINE,
            depth: DEPTH,
            expression_depth: EXPRESSION_DEPTH,
            string_bytes: STRING_BYTES,
            array_items: ARRAY_ITEMS,
            map_items: MAP_ITEMS,
        }
    }
}
