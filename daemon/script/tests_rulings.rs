//! Rulings: their words, figures, units and reasons; what is missing or flagged
//! is undecided, and nothing but a limit function makes one.

use photometry::uncertainty::Estimate;

use super::criteria::{Ruling, Word};
use super::fault::FaultKind;
use super::limits::Limits;
use super::reach::Reach;
use super::samples::{error, fault, ruled, ruled_with, view};
use super::unit::Unit;
use super::view::{Measured, View};

fn told(ruling: &Ruling) -> String {
    format!("{}: {}", ruling.word.words(), ruling.reason)
}

/// A reference of 100 lx with u = 2 lx at level 1.
fn view_of_hundred() -> View {
    let mut view = view();
    let estimate = Estimate::exact(100.0).with("meter", 2.0, None);
    view.settings[0].reference = Measured::known(estimate, Unit::Lux, "here");
    view
}

/// ILAC-G8:09/2019 with w = U (from memory): U is 4 lx about 100 lx.
#[test]
fn four_words_by_the_guard_band() {
    for (limit, word) in [
        ("at_least(x, 96)", Word::Pass),
        ("at_least(x, 96.1)", Word::ConditionalPass),
        ("at_least(x, 100)", Word::ConditionalPass),
        ("at_least(x, 103.9)", Word::ConditionalFail),
        ("at_least(x, 104)", Word::Fail),
        ("at_most(x, 104)", Word::Pass),
        ("at_most(x, 100)", Word::ConditionalPass),
        ("at_most(x, 96)", Word::Fail),
        ("between(x, 96, 104)", Word::Pass),
        ("between(x, 97, 104)", Word::ConditionalPass),
        ("between(x, 101, 104)", Word::ConditionalFail),
        ("between(x, 0, 50)", Word::Fail),
        ("same_as(x, 100, 0.04)", Word::Pass),
        ("same_as(x, 100.0, 0.03)", Word::ConditionalPass),
        ("same_as(x, 120, 0.03)", Word::Fail),
    ] {
        let body = format!("let x = run.levels[0].reference; {limit}");
        let ruling = ruled_with(&body, &view_of_hundred(), &Limits::default());
        assert_eq!(ruling.word, word, "{limit}: {ruling:?}");
        assert_eq!(ruling.rests_on, ["here"]);
        assert_eq!(ruling.about.expect("figures").k, 2.0);
    }
}

#[test]
fn a_ruling_tells_its_figures() {
    let ruling = ruled_with(
        "at_least(run.levels[0].reference, 98).named(run.levels[0].shown)",
        &view_of_hundred(),
        &Limits::default(),
    );
    let text = serde_json::to_string_pretty(&ruling).expect("JSON");
    insta::assert_snapshot!("a ruling", text);
    let back: Ruling =
        serde_json::from_str(&serde_json::to_string(&ruling).expect("text")).expect("a ruling");
    assert_eq!(back, ruling);
}

#[test]
fn missing_and_flagged_values_are_undecided() {
    let mut view = view();
    view.settings[0].reference = Measured::unknown("timed out", Unit::Lux);
    view.settings[1].reference.flags = vec!["drift".to_owned()];
    view.settings[2].reference = Measured::known(Estimate::exact(f64::NAN), Unit::Lux, "k");
    let endless = Estimate::exact(5.0).with("meter", f64::INFINITY, None);
    view.settings[2].drift = Measured::known(endless, Unit::Percent, "k");
    let mut all = Vec::new();
    for x in [
        "run.levels[0].reference",
        "run.levels[1].reference",
        "run.levels[1].reference * 2 + 1",
        "run.levels[1].reference / run.levels[0].reference",
        "run.levels[2].reference",
        "run.levels[2].drift",
        "run.levels[0].lux_at(0.01)",
        "run.levels[0].lux_at(100)",
        "run.levels[0].lux_at(1) / 0",
        "run.levels[0].fit_disc().offset",
        "run.levels[0].distance_for(1000000)",
        "run.levels[0].distance_for(0.001)",
        "largest([run.levels[0].reference, run.levels[1].reference])",
        "smallest([])",
    ] {
        for limit in ["at_least(x, 0)", "at_most(x, 1e9)", "between(x, 0, 1e9)"] {
            let ruling = ruled_with(&format!("let x = {x}; {limit}"), &view, &Limits::default());
            assert_eq!(
                (ruling.word, &ruling.fault),
                (Word::Undecided, &None),
                "{x}: {ruling:?}"
            );
            if limit.starts_with("at_least") {
                all.push(format!("{x}\n  {}", ruling.reason));
            }
        }
    }
    insta::assert_snapshot!("undecided", all.join("\n"));
    let why = ruled_with(
        "let x = run.levels[0].reference; at_least(x.value, 1)",
        &view,
        &Limits::default(),
    );
    assert!(why.fault.expect("a fault").message.contains("timed out"));
}

#[test]
fn only_a_limit_function_makes_a_ruling() {
    for (body, kind) in [
        ("true", "a bare `true`"),
        ("1 < 2", "a bare `true`"),
        ("5", "the plain number 5"),
        ("\"pass\"", "a text"),
        ("", "nothing"),
        ("#{ word: \"pass\" }", "a map"),
        ("run.levels[0].reference", "a measured value"),
    ] {
        let fault = fault(body);
        assert_eq!(fault.kind, FaultKind::NotARuling, "{body}");
        assert!(fault.message.contains(kind), "{body}: {}", fault.message);
    }
}

#[test]
fn messages_say_what_to_write() {
    let bodies = [
        "at_least(5, 3)",
        "at_least(run.levels[0].reference.value, 3)",
        "at_least(run.levels[0].points[0].distance, 3)",
        "at_least(run.levels[0].reference, run.levels[1].reference)",
        "at_least(run.levels[0].reference, \"250 lx\")",
        "at_least(run.levels[0].reference, run.levels[0].points[0].distance)",
        "between(run.levels[0].reference, 5, 3)",
        "same_as(run.levels[0].reference, run.levels[0].drift, 0.1)",
        "same_as(run.levels[0].reference, run.levels[1].reference, -1)",
        "all_of([true])",
        "run.levels[0].reference + run.levels[0].drift",
        "run.levels[0].reference - run.levels[0].drift",
        "if run.levels[0].reference > 5 { undecided(\"\") }",
        "if run.lamp == 5 { undecided(\"\") }",
        "run.setting(\"L1\")",
        "run.levels[0].lux_at(run.levels[0].reference)",
        "run.levels[0].lux_at(\"x\")",
        "directivity(run.levels[0].reference, run.levels[0].reference)",
        "column([run.levels[0].reference, run.levels[0].drift])",
        "largest([run.levels[0].reference, 5])",
        "run.setting(\"L01\").lux[40]",
        "run.setting(\"L01\").lux.slope(run.setting(\"L02\").lux.ratios())",
        "let x = 5; x.value",
        "run.levels[0].reference.flags.value",
        "at_least(run, 5)",
        "run + run",
        "\"a\" - 1",
    ];
    let told: Vec<String> = bodies
        .iter()
        .map(|b| format!("{b}\n  {}", error(b)))
        .collect();
    insta::assert_snapshot!("messages", told.join("\n"));
}

#[test]
fn the_worst_or_the_best_decides() {
    let rulings = "let a = at_least(run.levels[0].reference, 250).named(\"a\");
        let c = at_least(run.levels[2].reference, 250).named(\"c\");
        let u = undecided(\"not seen\");";
    let word = |end: &str| {
        let ruling = ruled(&format!("{rulings} {end}"));
        assert_eq!(ruling.fault, None, "{end}");
        (ruling.word, told(&ruling), ruling.rests_on.len())
    };
    assert_eq!(word("all_of([a, u, c])").0, Word::Fail);
    assert_eq!(word("all_of([u, c])").0, Word::Undecided);
    assert_eq!(word("any_of([a, u])").0, Word::Undecided);
    let (best, told, keys) = word("any_of([a, u, c])");
    assert_eq!((best, keys), (Word::Pass, 2));
    assert!(
        told.starts_with("pass: c: 646 ± 39 lx") && told.ends_with("(widest margin of 3)"),
        "{told}"
    );
    // Of equal words the nearer to its limit tells.
    let near = "at_least(run.levels[1].reference, 1).named(\"near\")";
    let (_, told, _) = word(&format!("all_of([c, {near}, c])"));
    assert!(told.starts_with("pass: c:"), "{told}");
    let (_, told, _) = word(&format!("any_of([c, {near}, c])"));
    assert!(told.starts_with("pass: near:"), "{told}");
    assert_eq!(word("all_of([])").0, Word::Undecided);
    assert_eq!(word("any_of([])").0, Word::Undecided);
    let words = [Word::Fail, Word::ConditionalFail, Word::Undecided];
    assert!(words.is_sorted() && Word::Undecided < Word::ConditionalPass);
}

#[test]
fn counts_are_ruled_on_without_doubt() {
    assert_eq!(
        ruled("at_least(counted(run.levels.len()), 3)").word,
        Word::Pass
    );
    assert_eq!(
        ruled("at_least(counted(run.levels.len()), 4)").word,
        Word::Fail
    );
}

/// The certificate lies behind both levels: their ratio does not owe it.
#[test]
fn equal_sources_cancel_in_a_comparison() {
    let ruling = ruled("same_as(run.levels[1].reference * 3, run.levels[2].reference, \"x\")");
    assert!(ruling.fault.is_some(), "a text is no limit");
    let ruling = ruled("same_as(run.levels[1].reference * 3, run.levels[2].reference, 0.01)");
    assert_eq!(ruling.word, Word::Pass, "{ruling:?}");
    let about = ruling.about.expect("figures");
    // Two repeatabilities of 0.1 % with 4 degrees of freedom each: 8 together.
    assert!(
        (about.expanded / about.k - 2.0_f64.sqrt() * 1e-3).abs() < 1e-9,
        "{about:?}"
    );
    assert!((about.k - 2.366).abs() < 0.01, "{about:?}");
}

/// Largest and smallest of what is known, as functions of values and as figures
/// of a column: what is passed over can forbid a ruling, and still does when the
/// figure was computed with.
#[test]
fn what_was_passed_over_forbids_a_ruling() {
    let with = |unknown: Measured| {
        let mut view = view_of_hundred();
        view.settings[0].points.truncate(3);
        for (point, value) in view.settings[0].points.iter_mut().zip([100.0, 50.0]) {
            let estimate = Estimate::exact(value).with("meter", 0.01 * value, None);
            point.lux = Measured::known(estimate, Unit::Lux, &point.key);
        }
        view.settings[0].points[2].lux = unknown;
        view
    };
    let over = Measured {
        reach: Some(Reach::over(20_000.0, "over 20000 lx")),
        ..Measured::unknown("over 20000 lx", Unit::Lux)
    };
    let flagged = Measured {
        flags: vec!["drift".to_owned()],
        ..over.clone()
    };
    let silent = Measured::unknown("timed out", Unit::Lux);
    let mut told = String::new();
    for (name, unknown) in [("over", over), ("flagged", flagged), ("timed out", silent)] {
        let view = with(unknown);
        for x in [
            "largest_known(l)",
            "smallest_known(l)",
            "s.lux.max()",
            "s.lux.min()",
            "s.lux.percentile(100)",
            "s.lux.mean()",
            "largest_known([largest_known(l), s.points[0].lux])",
            "smallest_known(l) * 2",
            "column([smallest_known(l)]).mean()",
        ] {
            let of = |limit: &str| {
                let body = format!(
                    "let s = run.levels[0]; let l = []; for p in s.points {{ l.push(p.lux); }}
                     let x = {x}; {limit}"
                );
                let ruling = ruled_with(&body, &view, &Limits::default());
                assert_eq!(ruling.fault, None, "{body}");
                ruling
            };
            told.push_str(&format!("{name}: {x}\n"));
            for limit in ["at_least(x, 10)", "at_least(x, 200)", "at_most(x, 200)"] {
                told.push_str(&format!(
                    "    {limit:17} {}\n",
                    super::tests_rulings::told(&of(limit))
                ));
            }
        }
    }
    insta::assert_snapshot!("passed over", told);
}

/// A distance is found between neighbours only: a point without a value between
/// them, as one without light, leaves none; elsewhere it does no harm.
#[test]
fn no_distance_across_a_point_without_a_value() {
    let hole = |at: usize, lux: Measured| {
        let mut view = view();
        view.settings[0].points[at].lux = lux;
        view
    };
    let silent = Measured::unknown("timed out", Unit::Lux);
    let dark = Measured::known(Estimate::exact(0.0), Unit::Lux, "k");
    // 5 cd: 23.9 lx at 18 in (the third point), 13.5 lx at 24 in, 8.6 lx at 30 in.
    let body = "at_least(run.levels[0].distance_for(12), 0.1 * 1)";
    let mut told = String::new();
    for (name, view) in [
        ("whole", view()),
        ("timed out beyond the crossing", hole(4, silent.clone())),
        ("timed out before it", hole(3, silent.clone())),
        ("without light", hole(4, dark)),
        ("timed out elsewhere", hole(7, silent)),
    ] {
        let ruling = ruled_with(body, &view, &Limits::default());
        assert_eq!(ruling.fault, None, "{name}");
        told.push_str(&format!(
            "{name}: {}\n",
            super::tests_rulings::told(&ruling)
        ));
    }
    insta::assert_snapshot!("across a hole", told);
}

/// Names and reasons stand in tables: one line, and names are short.
#[test]
fn names_are_one_short_line() {
    let named = |name: &str| format!("undecided(\"x\").named(\"{name}\")");
    assert_eq!(ruled(&named(&"é".repeat(80))).fault, None);
    let long = error(&named(&"x".repeat(81)));
    assert!(long.contains("at most 80 letters"), "{long}");
    for bad in ["a\\nb", "a\\tb", "a\\rb"] {
        let told = error(&named(bad));
        assert!(told.contains("name is one line"), "{told}");
        let told = error(&format!("undecided(\"{bad}\")"));
        assert!(told.contains("reason is one line"), "{told}");
    }
}

/// A limit of 309 digits is told in a few.
#[test]
fn extreme_numbers_are_told_in_few_digits() {
    for limit in ["1.7e308", "-1.7e308", "1e-300", "123456789012345.0"] {
        let ruling = ruled(&format!("at_most(run.levels[0].reference, {limit})"));
        assert_eq!(ruling.fault, None);
        assert!(ruling.reason.len() < 60, "{}", ruling.reason);
    }
    let mut large = view_of_hundred();
    let estimate = Estimate::exact(1e300).with("meter", 1.0, None);
    large.settings[0].reference = Measured::known(estimate, Unit::Lux, "here");
    let ruling = ruled_with(
        "at_most(run.levels[0].reference, 5)",
        &large,
        &Limits::default(),
    );
    assert!(ruling.reason.len() < 60, "{}", ruling.reason);
    let fault = error("at_least(17e307, 1)");
    assert!(fault.len() < 160, "{fault}");
}
