//! The scripts that come with the program, from `scripts/`.
//!
//! Beside each stands a sample of data and what the script says of it.
//!
//! Called by: plans, help pages.

/// (name, text) of each.
const SHIPPED: &[(&str, &str)] = &[
    (
        "directivity",
        include_str!("../../scripts/directivity.rhai"),
    ),
    (
        "drift-within",
        include_str!("../../scripts/drift-within.rhai"),
    ),
    (
        "inverse-square",
        include_str!("../../scripts/inverse-square.rhai"),
    ),
    (
        "monotonic-ladder",
        include_str!("../../scripts/monotonic-ladder.rhai"),
    ),
    (
        "reaches-target",
        include_str!("../../scripts/reaches-target.rhai"),
    ),
    (
        "useful-steps",
        include_str!("../../scripts/useful-steps.rhai"),
    ),
];

/// All of them: name and text.
pub fn shipped() -> &'static [(&'static str, &'static str)] {
    SHIPPED
}
