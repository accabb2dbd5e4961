//! Hostile scripts: each is stopped within its limits, with a named line, and
//! leaves the process as it was.

use std::time::{Duration, Instant};

use super::fault::FaultKind;
use super::host::compile;
use super::limits::Limits;
use super::samples::{fault, ruled, ruled_with, view};
use super::tests_hostile_table::{ENDED, HOG_BY_CALLS, HOGS, LONG, RECURSIVE, REFUSED};

/// Longest time that a hostile script may take, beside much other work.
const AT_MOST: Duration = Duration::from_secs(5);

#[test]
fn what_a_script_must_not_do_is_refused_with_its_line() {
    let mut told = String::new();
    for body in REFUSED {
        let text = format!("fn criterion(run, given) {{\n    {body}\n}}");
        let before = Instant::now();
        let mistakes = compile("hostile", &text).expect_err(body);
        assert!(before.elapsed() < Duration::from_secs(1), "{body}");
        told.push_str(&format!("{body}\n"));
        for mistake in mistakes {
            assert!(mistake.line >= 1, "{body}: {mistake:?}");
            let hint = mistake
                .hint
                .map_or_else(String::new, |hint| format!(" ({hint})"));
            let (line, column) = (mistake.line, mistake.column);
            told.push_str(&format!("  {line}:{column} {}{hint}\n", mistake.message));
        }
    }
    insta::assert_snapshot!("refused", told);
}

#[test]
fn what_runs_wild_is_ended_with_its_line() {
    let mut told = String::new();
    for body in ENDED {
        let before = Instant::now();
        let ruling = ruled(body);
        assert!(before.elapsed() < AT_MOST, "{body}: {:?}", before.elapsed());
        assert_eq!(ruling.word.words(), "undecided", "{body}");
        told.push_str(&format!("{body}\n"));
        match ruling.fault {
            Some(fault) => {
                assert!(fault.line >= 1, "{body}: {fault:?}");
                told.push_str(&format!("  {:?} at {fault}\n", fault.kind));
            }
            None => told.push_str(&format!("  undecided: {}\n", ruling.reason)),
        }
    }
    insta::assert_snapshot!("ended", told);
}

#[test]
fn endless_recursion_ends_by_its_depth() {
    for text in RECURSIVE {
        let script = compile("hostile", text).expect("sound");
        let given = Default::default();
        let view = std::sync::Arc::new(view());
        let ruling = super::host::rule(&script, &view, &given, &Limits::default());
        let fault = ruling.fault.expect("a fault");
        assert_eq!(fault.kind, FaultKind::Depth, "{text}: {fault:?}");
        assert!(fault.line >= 1);
    }
    let text = "fn given() { given() } fn criterion(run, given) { undecided(\"\") }";
    let mistakes = compile("hostile", text).expect_err("endless");
    assert!(mistakes[0].message.contains("too deep"), "{mistakes:?}");
    let text = "fn given() { loop {} } fn criterion(run, given) { undecided(\"\") }";
    let mistakes = compile("hostile", text).expect_err("endless");
    assert!(mistakes[0].message.contains("operations"), "{mistakes:?}");
}

#[test]
fn deep_expressions_do_not_use_up_the_stack() {
    let deep = |open: &str, inner: &str, close: &str| {
        format!("{}{inner}{}", open.repeat(5_000), close.repeat(5_000))
    };
    for expression in [
        deep("(", "1", ")"),
        deep("[", "1", "]"),
        deep("-", "1", ""),
        deep("!", "true", ""),
        deep("1 + (", "1", ")"),
        deep("if true { ", "1", " }"),
        deep("{ ", "1", " }"),
        deep("#{ a: ", "1", " }"),
        deep("abs(", "1", ")"),
        deep("`${", "1", "}`"),
        format!("1{}", " + 1".repeat(5_000)),
        format!("run{}", ".levels".repeat(5_000)),
        format!("run{}", "[0]".repeat(5_000)),
        format!("let x = {}1;", "x = ".repeat(5_000)),
        format!("if true {{ 1 }} {}", "else if true { 1 } ".repeat(3_000)),
        "1 ".repeat(20_000),
        "/*".repeat(20_000),
        "\"".repeat(20_001),
    ] {
        let text = format!("fn criterion(run, given) {{ {expression} }}");
        let shown: String = expression.chars().take(20).collect();
        let mistakes = compile("hostile", &text).map(|_| ()).expect_err(&shown);
        assert!(!mistakes.is_empty(), "{shown}");
    }
    let long = format!("fn criterion(run, given) {{ {} }}", " ".repeat(100_000));
    assert!(
        compile("hostile", &long).expect_err("long")[0]
            .message
            .contains("bytes")
    );
}

/// The deepest that the limits allow, in a thread with the smallest stack that
/// the daemon's pool has.
#[test]
fn what_the_limits_allow_fits_into_the_stack() {
    let nested =
        "let a = []; for i in 0..990 { a = [a]; } let b = a; let c = [b]; undecided(\"fits\")";
    assert_eq!(ruled(nested).reason, "fits");
    let expression = format!("{}n{}", "abs(1 + ".repeat(10), ")".repeat(10));
    let text = format!(
        "fn f(n) {{ if n > 20 {{ return n; }} f({expression} - 9) }}\n\
         fn criterion(run, given) {{ undecided(`${{f(0)}}`) }}"
    );
    let script = compile("deep", &text).expect("sound");
    let view = std::sync::Arc::new(view());
    let ruling = super::host::rule(&script, &view, &Default::default(), &Limits::default());
    assert_eq!(ruling.reason, "21");
}

/// Where operations are plenty, the deadline ends a script.
#[test]
fn the_deadline_is_a_second_net() {
    let limits = Limits {
        operations: u64::MAX,
        deadline: Duration::from_millis(250),
        ..Limits::default()
    };
    for body in LONG {
        let fault = ruled_with(body, &view(), &limits).fault.expect("a fault");
        assert_eq!(fault.kind, FaultKind::Deadline, "{body}: {fault:?}");
    }
}

#[test]
fn after_all_of_them_a_sound_script_still_rules() {
    for body in ENDED.iter().step_by(5) {
        let _ = ruled(body);
    }
    let ruling = ruled("at_least(run.levels[2].reference, 250)");
    assert_eq!(ruling.word.words(), "pass");
    assert!(fault("loop {}").message.contains("operations"));
}

/// Resident memory of this process in MiB.
fn resident_mib() -> usize {
    let pages = std::fs::read_to_string("/proc/self/statm").expect("Linux");
    let resident = pages
        .split(' ')
        .nth(1)
        .and_then(|pages| pages.parse::<usize>().ok());
    resident.expect("a number") * 4096 / 1024 / 1024
}

/// What a script may hold by many values at once, where each is small enough.
#[test]
fn no_script_takes_much_memory() {
    let before = resident_mib();
    for body in HOGS {
        let text = format!("fn criterion(run, given) {{ {body} }}");
        takes_little(&text, before);
    }
    takes_little(HOG_BY_CALLS, before);
}

/// Runs a script that must be ended before this process has grown much.
fn takes_little(text: &str, before: usize) {
    let script = compile("hog", text).expect("sound");
    let view = std::sync::Arc::new(view());
    let ruling = super::host::rule(&script, &view, &Default::default(), &Limits::default());
    assert!(ruling.fault.is_some(), "{text}");
    let grown = resident_mib().saturating_sub(before);
    // Other tests run beside this one.
    assert!(grown < 256, "{text}: {grown} MiB");
}
