//! The engine's traps that would turn a fail into a pass, each closed: one test
//! per trap, and what else of the language must not be silently false.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::criteria::Word;
use super::fault::FaultKind;
use super::host::{compile, rule};
use super::limits::Limits;
use super::parameters::{Value, given};
use super::samples::{error, fault, ruled, ruled_with, script, value, view};
use super::unit::Unit;

/// Trap 1: constants folded into a compiled script would answer for the data of
/// the first run.
#[test]
fn a_compiled_script_answers_for_the_data_of_each_run() {
    let text = "fn given() { #{ target: \"250 lx\", factor: 1 } }
        fn criterion(run, given) {
            let factor = given.factor * 2 - 1;
            at_least(run.setting(\"L02\").lux_at(0.3048) * factor, given.target)
        }";
    let script = script(text);
    let word = |cd: f64, target: f64| {
        let mut view = view();
        view.settings[1] = super::samples::setting(2, cd);
        let target = BTreeMap::from([("target".to_owned(), Value::Quantity(target, Unit::Lux))]);
        let given = given(&script, &target).expect("sound");
        rule(&script, &Arc::new(view), &given, &Limits::default()).word
    };
    assert_eq!(word(50.0, 250.0), Word::Pass);
    assert_eq!(word(20.0, 250.0), Word::Fail);
    assert_eq!(word(50.0, 2_500.0), Word::Fail);
    assert_eq!(word(50.0, 250.0), Word::Pass);
}

/// Trap 2: comparisons of unlike kinds are silently false in the engine, so
/// that `!(missing >= 8.0)` would be true.
#[test]
fn unlike_kinds_are_never_compared() {
    for compared in [
        "() < 8.0",
        "!(() >= 8.0)",
        "\"5\" == 5",
        "5 == \"5\"",
        "5 != \"5\"",
        "true == 1",
        "run.lamp == 1",
        "[1] == [1]",
        "#{} == #{}",
        "run == run",
        "run.levels[0].reference >= 8.0",
        "8 <= run.levels[0].reference",
        "run.levels[0].reference == run.levels[0].reference",
        "run.setting(\"L01\").lux == 5",
    ] {
        let body = format!("if {compared} {{ undecided(\"yes\") }} else {{ undecided(\"no\") }}");
        assert!(error(&body).contains("compared"), "{compared}");
    }
}

/// Trap 2, again: what is not there is a fault and not an empty value.
#[test]
fn what_is_not_there_is_a_fault() {
    for (body, message) in [
        (
            "let m = #{ a: 1 }; let b = \"b\"; at_least(run.levels[0].reference, m[b])",
            "`b`",
        ),
        ("at_least(run.levels[9].reference, 1)", "out of bounds"),
        ("let x = given; x.target", "target"),
    ] {
        let text = format!("fn criterion(run, given) {{ {body} }}");
        match compile("mine", &text) {
            Ok(_) => assert!(error(body).contains(message), "{body}: {}", error(body)),
            Err(mistakes) => assert!(mistakes[0].message.contains(message), "{mistakes:?}"),
        }
    }
    let mistakes = compile("mine", "fn criterion(run, given) { at_least(light, 1) }");
    assert!(
        mistakes.expect_err("no such variable")[0]
            .message
            .contains("`light`")
    );
}

/// Trap 3: the engine compares floats within 2.2e-16 and divides whole numbers.
#[test]
fn plain_numbers_are_compared_and_divided_as_they_are() {
    for (condition, holds) in [
        ("0.1 + 0.2 == 0.3", false),
        ("8.0 < 8.000000000000002", true),
        ("5 / 2 == 2.5", true),
        ("5 == 5.0", true),
        ("2 < 2.5", true),
        ("1e16 + 1 > 1e16", false),
        ("\"a\" < \"b\"", true),
        ("true != false", true),
    ] {
        let body =
            format!("if {condition} {{ undecided(\"holds\") }} else {{ undecided(\"does not\") }}");
        assert_eq!(ruled(&body).reason == "holds", holds, "{condition}");
    }
    assert!(error("let x = 5; x /= 2; undecided(`${x}`)").contains("x = x / y"));
    let nan = "let n = 1e308 * 10.0; if n - n < 1 { undecided(\"\") }";
    assert!(error(nan).contains("not-a-number"), "{}", error(nan));
    // Given whole numbers arrive as numbers that divide.
    let text = "fn given() { #{ n: 5 } } fn criterion(run, given) { undecided(`${given.n / 2}`) }";
    let script = script(text);
    let given = given(&script, &BTreeMap::new()).expect("defaults");
    let ruling = rule(&script, &Arc::new(view()), &given, &Limits::default());
    assert_eq!(ruling.reason, "2.5");
}

/// Trap 3, again: at the limit the guard band decides, and no epsilon.
#[test]
fn the_limit_itself_is_decided_by_the_guard_band() {
    let at = |limit: f64| ruled(&format!("at_least(run.levels[1].reference, {limit:?})")).word;
    let lux = value("run.levels[1].reference");
    // 3 % and 0.1 %: U is 6.003 %.
    assert_eq!(at(lux.value), Word::ConditionalPass);
    assert_eq!(at(lux.value * (1.0 + 1e-15)), Word::ConditionalFail);
    assert_eq!(at(lux.value * 0.93), Word::Pass);
    assert_eq!(at(lux.value * 1.07), Word::Fail);
}

/// Trap 4: `disable_symbol` does nothing for functions such as `sleep`.
#[test]
fn no_script_waits_or_leaves() {
    for call in [
        "sleep(10)",
        "sleep(10.0)",
        "exit()",
        "exit(1)",
        "timestamp()",
    ] {
        let before = Instant::now();
        let text = format!("fn criterion(run, given) {{\n    {call};\n}}");
        let mistakes = compile("mine", &text).expect_err("no such function");
        assert_eq!(
            (mistakes[0].line, mistakes[0].column),
            (2, 5),
            "{mistakes:?}"
        );
        assert!(mistakes[0].message.contains("there is no function"));
        assert!(before.elapsed() < Duration::from_secs(1), "{call}");
    }
}

/// Trap 5: `push` counts the whole array each time, and the size of a map is
/// noticed late.
#[test]
fn growth_ends_early() {
    for body in [
        "let a = []; loop { a.push(1); }",
        "let a = [1]; loop { a += a; }",
        "let a = []; loop { a = [a, a]; }",
        "let a = []; loop { a = [a]; }",
        "let m = #{}; loop { m = #{ a: m }; }",
        "let a = []; loop { a.push(a); }",
        "let a = []; loop { a.push(#{ a: a }); }",
        "let a = []; loop { a += [a]; }",
        "let s = \"x\"; loop { s += s; }",
        "let s = \"x\"; loop { s = `${s}${s}`; }",
        "let a = [\"x\"]; loop { a.push(\"xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx\"); }",
    ] {
        let before = Instant::now();
        let fault = fault(body);
        let ends = [FaultKind::Size, FaultKind::Error];
        assert!(ends.contains(&fault.kind), "{body}: {fault:?}");
        assert!(fault.line >= 1, "{body}: {fault:?}");
        println!("{body}: {fault} {:?}", before.elapsed());
        assert!(before.elapsed() < Duration::from_secs(2), "{body}");
    }
}

/// Trap 5, again: nothing grows where the engine does not look.
#[test]
fn parts_of_arrays_and_maps_are_not_assigned() {
    for body in [
        "let m = #{}; let i = 0; loop { m[`k${i}`] = i; i += 1; }",
        "let m = #{}; loop { m.a = m; }",
        "let a = [1]; loop { a[0] = a; }",
        "let a = [1]; a[0] += 1; undecided(\"\")",
        "run.lamp = 1; undecided(\"\")",
    ] {
        let text = format!("fn criterion(run, given) {{ {body} }}");
        let mistakes = compile("mine", &text).expect_err(body);
        assert!(
            mistakes[0].message.contains("only a variable"),
            "{mistakes:?}"
        );
    }
}

/// The watch belongs to the run: a second script has all its operations again.
#[test]
fn each_run_has_its_own_operations() {
    let limits = Limits {
        operations: 5_000,
        ..Limits::default()
    };
    let busy = "let n = 0; for i in 0..400 { n += i; } undecided(`${n}`)";
    for _ in 0..50 {
        assert_eq!(ruled_with(busy, &view(), &limits).reason, "79800");
    }
    let endless = ruled_with("loop {}", &view(), &limits)
        .fault
        .expect("a fault");
    assert_eq!(endless.kind, FaultKind::Operations);
    assert_eq!(ruled_with(busy, &view(), &limits).reason, "79800");
}
