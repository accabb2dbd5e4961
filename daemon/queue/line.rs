//! Who is next on a bench. Pure.

use crate::run::journal::{RunId, RunState};

/// A run as the line sees it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InLine {
    /// Its number; booked in this order.
    pub run: RunId,
    /// Its bench.
    pub bench: String,
    /// Its state.
    pub state: RunState,
    /// It has a journal: it began, or was held after it began.
    pub begun: bool,
}

/// The run to hand to the free attendant of a bench: first one that was begun
/// and not ended (also when it is held: the bench is as it left it), then the
/// first that waits.
pub fn next<'a>(runs: &'a [InLine], bench: &str) -> Option<&'a InLine> {
    let here = || {
        runs.iter()
            .filter(|run| run.bench == bench && !run.state.is_over())
    };
    here()
        .filter(|run| run.begun)
        .min_by_key(|run| run.run)
        .or_else(|| {
            here()
                .filter(|run| run.state == RunState::Waiting)
                .min_by_key(|run| run.run)
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(no: i64, bench: &str, state: RunState, begun: bool) -> InLine {
        InLine {
            run: RunId(no),
            bench: bench.to_owned(),
            state,
            begun,
        }
    }

    #[test]
    fn the_begun_run_comes_first_then_the_order_of_booking() {
        use RunState::{Complete, Held, Measuring, Stopped, Waiting};
        let cases = [
            (vec![], None),
            (
                vec![run(2, "a", Waiting, false), run(1, "a", Waiting, false)],
                Some(1),
            ),
            (
                vec![run(1, "a", Waiting, false), run(2, "a", Measuring, true)],
                Some(2),
            ),
            (
                vec![run(1, "a", Waiting, false), run(2, "a", Held, true)],
                Some(2),
            ),
            (
                vec![run(1, "a", Held, false), run(2, "a", Waiting, false)],
                Some(2),
            ),
            (vec![run(1, "a", Held, false)], None),
            (
                vec![run(1, "a", Complete, true), run(2, "a", Stopped, true)],
                None,
            ),
            (
                vec![run(1, "b", Waiting, false), run(2, "a", Waiting, false)],
                Some(2),
            ),
            // Between two windows a begun run waits, and is still the first.
            (
                vec![run(1, "a", Waiting, false), run(3, "a", Waiting, true)],
                Some(3),
            ),
        ];
        for (runs, expected) in cases {
            assert_eq!(next(&runs, "a").map(|run| run.run.0), expected, "{runs:?}");
        }
    }
}
