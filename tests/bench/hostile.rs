//! Hostile scripts: how long after its deadline each is stopped.
//!
//! Operations are not counted here, so the deadline decides. A loop that does
//! nothing but ask for the time stands beside them: what it runs past the same
//! deadline is the machine's.

use std::sync::Arc;
use std::time::{Duration, Instant};

use wakerail::script::fault::FaultKind;
use wakerail::script::host::{compile, rule};
use wakerail::script::limits::Limits;
use wakerail::script::view::View;

use crate::{Failed, Times, row};

#[path = "../../daemon/script/tests_hostile_table.rs"]
mod table;

/// After so long every script is stopped.
const DEADLINE: Duration = Duration::from_millis(250);
/// What a stop may take beyond it.
const BEYOND: Duration = Duration::from_millis(1);
/// Times that each script runs; the worst that are named.
const ROUNDS: usize = 5;
const WORST: usize = 3;

/// Measures and prints, over one lamp.
pub fn rows(lamp: &str, view: &Arc<View>) -> Result<(), Failed> {
    let mut past: Vec<(Duration, String)> = Vec::new();
    let mut ended_otherwise = 0;
    for text in texts() {
        // What is refused before it runs needs no deadline.
        let Ok(script) = compile("hostile", &text) else {
            continue;
        };
        for _ in 0..ROUNDS {
            let limits = Limits {
                operations: u64::MAX,
                deadline: DEADLINE,
                ..Limits::default()
            };
            let begun = Instant::now();
            let ruling = rule(&script, view, &Default::default(), &limits);
            let late = begun.elapsed().saturating_sub(DEADLINE);
            let by_deadline = ruling
                .fault
                .is_some_and(|fault| fault.kind == FaultKind::Deadline);
            if by_deadline || late > Duration::ZERO {
                past.push((late, text.clone()));
            } else {
                // A fault of its own, or an end, came before.
                ended_otherwise += 1;
                break;
            }
        }
    }
    let machine = (0..past.len()).map(|_| busy()).collect();
    row(
        "a loop that only asks for the time, past 250 ms",
        Times::of(machine),
    );
    let times = Times::of(past.iter().map(|(late, _)| *late).collect());
    row(&format!("hostile scripts over {lamp}, past 250 ms"), times);
    past.sort_by_key(|(late, _)| std::cmp::Reverse(*late));
    let beyond = past.iter().filter(|(late, _)| *late > BEYOND).count();
    println!(
        "  {} stops, {beyond} of them more than 1 ms late; {ended_otherwise} scripts ended before",
        past.len()
    );
    for (late, text) in past.iter().take(WORST) {
        let text = text.replace('\n', " ");
        println!("  {:.3} ms: {text}", late.as_secs_f64() * 1e3);
    }
    Ok(())
}

/// All hostile scripts, whole.
fn texts() -> Vec<String> {
    let bodies = [table::REFUSED, table::ENDED, table::LONG, table::HOGS];
    let whole = |body: &&str| format!("fn criterion(run, given) {{\n{body}\n}}");
    let mut all: Vec<String> = bodies.into_iter().flatten().map(whole).collect();
    all.extend(table::RECURSIVE.iter().map(|text| (*text).to_owned()));
    all.push(table::HOG_BY_CALLS.to_owned());
    all
}

/// How late a loop ends that looks at the clock all the time.
fn busy() -> Duration {
    let begun = Instant::now();
    while begun.elapsed() < DEADLINE {
        std::hint::spin_loop();
    }
    begun.elapsed().saturating_sub(DEADLINE)
}
