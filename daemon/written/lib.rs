//! Reads the YAML files that users write and tells **all** their mistakes at
//! once: file, line, column, the line itself, what is wrong, what to do.
//!
//! ```text
//!  text --caps--> events with places --build--> Document (a tree of nodes)
//!                                                   |  laid_over(base)
//!                                                   v
//!              Fields: need / may / finish  -->  the caller's own types
//!                          |
//!                          v
//!                      Mistakes --render--> a terminal,  --as_json--> a program
//! ```
//!
//! A serde type would stop at the first error and lose the column, so readers
//! take fields from a positioned tree and collect what is wrong. What a plain
//! word *means* (number, yes or no, text) is decided by `serde_yaml`, which
//! lives only here.
//!
//! ```
//! use written::{Fields, Mistakes, readers, read_collecting, render};
//!
//! let text = "lamp: dunlin\nlevles: 12\n";
//! let mut mistakes = Mistakes::new();
//! if let Some(document) = read_collecting("lamp.yaml", text, &mut mistakes) {
//!     if let Some(mut lamp) = Fields::of(document.root(), "the lamp", &mut mistakes) {
//!         let _name = lamp.need("lamp", readers::name);
//!         let _levels = lamp.need_like("levels", "12", readers::integer_in(1..=64));
//!         lamp.finish();
//!     }
//!     let all = mistakes.into_sorted();
//!     assert_eq!(all[0].hint.as_deref(), Some("did you mean `levels`?"));
//!     assert!(render(&all, document.sources(), false).contains("lamp.yaml:2:1"));
//! }
//! ```
//!
//! Called by `plan` (bench, lamp and plan files), by `drivers` (device
//! profiles) and by `cli`, which prints. Not here: opening files, and what any
//! key means.

// A table of cases in a test may be long; functions of the product may not.
#![cfg_attr(not(test), warn(clippy::too_many_lines))]

mod caps;
mod complaint;
pub mod document;
pub mod fields;
pub mod mistake;
mod nearest;
pub mod node;
mod opinion;
mod parse;
pub mod place;
pub mod readers;
pub mod render;

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests_opinion;
#[cfg(test)]
mod told;
#[cfg(test)]
mod traps;

pub use caps::{MAX_BYTES, MAX_DEPTH, MAX_LINE_CHARS, MAX_NODES};
pub use document::{Document, read, read_collecting};
pub use fields::Fields;
pub use mistake::{Mistake, Mistakes, Severity};
pub use nearest::nearest;
pub use node::{Kind, Node};
pub use place::{Place, Sources};
pub use render::{MistakeTold, as_json, render};
