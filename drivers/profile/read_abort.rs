//! The key `on-abort` as written: what a device is told before its thread is found
//! again.
//!
//! ```yaml
//! on-abort: {tell: ABOR}
//! on-abort: [{send: abort}, {pause: 100 ms}]
//! on-abort: {write: holding, at: 9, as: u16, value: "1"}
//! ```

use photometry::units::Span;
use written::{Mistake, Mistakes, Node};

use super::abort::act;
use super::perform::Given;
use super::read_steps;
use super::types::{DeviceRole, Profile, Speech, Step};
use crate::error::DriverError;
use crate::exchange::abort::Act;

/// All of it may take so long, beside the resync that comes after it: whoever makes
/// a bench safe waits for both.
const LONGEST: Span = Span::from_secs(10);

/// A reader of the steps, none of which may wait for an answer.
pub(super) fn steps(
    role: Option<DeviceRole>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<Step>> {
    move |node, mistakes| {
        if role == Some(DeviceRole::Rail) {
            mistakes.add(
                Mistake::new(node.place(), "rail-abort", "a rail has no `on-abort`")
                    .hint("its thread is found again by `stop`, or by the byte `reset`"),
            );
        }
        let steps = read_steps::steps(&[])(node, mistakes)?;
        for (step, at) in steps.iter().zip(nodes(node)) {
            if !step.is_told() {
                let text = format!(
                    "`{}` waits for an answer, and a device that must be aborted gives none",
                    step.word()
                );
                mistakes.add(
                    Mistake::new(at.place(), "abort-waits", text)
                        .hint("write `tell`, `send`, `write` or `pause`"),
                );
            }
        }
        Some(steps)
    }
}

/// Each step's own node.
fn nodes(node: Node<'_>) -> Vec<Node<'_>> {
    match node.kind() {
        written::Kind::List => node.items().collect(),
        _ => vec![node],
    }
}

/// That something can be sent of each step, now that it is known how.
pub(super) fn whole(root: Node<'_>, profile: &Profile, mistakes: &mut Mistakes) {
    let Some(node) = root.get("on-abort") else {
        return;
    };
    if profile.speech == Speech::Program {
        mistakes.add(
            Mistake::new(node.place(), "program-abort", "a program has no `on-abort`")
                .hint("it is ended at its limit, with all that it started"),
        );
        return;
    }
    let given = Given::of(profile, None);
    let mut longest = Span::ZERO;
    for (step, at) in profile.on_abort.iter().zip(nodes(node)) {
        if !step.is_told() || !step.fits(&profile.speech) {
            continue;
        }
        if let Step::Pause(within) | Step::Write { within, .. } = step
            && within.integration
        {
            let text = "what ends an integration does not wait for one";
            mistakes.add(
                Mistake::new(at.place(), "abort-integrates", text)
                    .hint("write a time, such as `100 ms`"),
            );
        }
        match act(step, given) {
            Ok(Act::Pause(span) | Act::Write { within: span, .. }) => longest += span,
            Ok(Act::Line(_) | Act::Bytes(_)) => {}
            Err(error) => {
                let text = match error {
                    DriverError::Unsendable(why) => why,
                    other => other.to_string(),
                };
                mistakes.add(Mistake::new(at.place(), "abort-unsendable", text));
            }
        }
    }
    if longest > LONGEST {
        let text = format!("`on-abort` may take {longest}, and {LONGEST} is the most");
        mistakes.add(Mistake::new(node.place(), "abort-long", text));
    }
}
