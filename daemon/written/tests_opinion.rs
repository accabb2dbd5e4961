//! What a plain word means is what `serde_yaml` reads in its place.

use crate::mistake::Mistakes;
use crate::node::Meaning;
use crate::opinion::{meaning, of, second};
use crate::parse;
use crate::place::Source;
use crate::traps::{briefly, refused};
use proptest::prelude::*;
use std::sync::Arc;

/// What `serde_yaml` reads where a value stands; none where it is no plain word
/// of one line, or no number that it can hold.
fn read_by_the_parser(word: &str) -> Option<Meaning> {
    let listed = serde_yaml::from_str::<Vec<serde_yaml::Value>>(&format!("- {word}\n")).ok()?;
    match listed.as_slice() {
        [serde_yaml::Value::String(text)] if text != word => None,
        [serde_yaml::Value::Tagged(_)] => None,
        [value] => Some(of(value)),
        _ => None,
    }
}

fn same(word: &str) -> Result<bool, String> {
    let Some(wanted) = read_by_the_parser(word) else {
        return Ok(false);
    };
    let found = meaning(word);
    let same = match (found, wanted) {
        (Meaning::Float(a), Meaning::Float(b)) => a.to_bits() == b.to_bits(),
        _ => found == wanted,
    };
    match same {
        true => Ok(true),
        false => Err(format!("{word:?}: {found:?} for {wanted:?}")),
    }
}

/// One text as we read it, another as the second reader does: the first
/// difference is told where it stands in ours, unless the second one is refused.
#[test]
fn readers_that_differ_are_told() {
    let ours = "a: 12\nb: [1, x]\nc: {d: true, e: ~}\nf: 1.5\n";
    let cases: [(&str, &[&str]); 17] = [
        (ours, &[]),
        ("a: 13\nb: 1\n", &["1:4 two-readings"]),
        ("a: '12'\nb: [1]\n", &["1:4 two-readings"]),
        ("a: [1]\nb: 2\n", &["1:4 two-readings"]),
        ("a: 18446744073709551615\n", &["1:4 two-readings"]),
        ("A: 12\n", &["1:1 two-readings"]),
        ("a: 12\nb: [1]\nc: 1\n", &["2:4 two-readings"]),
        ("a: 12\nb: [1, x, 2]\nc: 1\n", &["2:4 two-readings"]),
        ("a: 12\nb: [1, y]\n", &["2:8 two-readings"]),
        ("a: 12\nb: {x: 1}\n", &["2:4 two-readings"]),
        ("a: 12\nb: [1, x]\nc: [d, e]\n", &["3:4 two-readings"]),
        ("a: 12\nb: [1, x]\nc: {d: 1, e: ~}\n", &["3:8 two-readings"]),
        (
            "a: 12\nb: [1, x]\nc: {d: true, e: ''}\n",
            &["3:17 two-readings"],
        ),
        (
            "a: 12\nb: [1, x]\nc: {d: true, e: ~}\n",
            &["1:1 two-readings"],
        ),
        (&format!("{ours}g: 1\n"), &["1:1 two-readings"]),
        (&ours.replace("1.5", "1.25"), &["4:4 two-readings"]),
        // A difference in the first line, and what no number holds in the second.
        ("a: 13\nb: [99999999999999999999, x]\n", &["2:5 not-yaml"]),
    ];
    let file: Arc<str> = Arc::from("f.yaml");
    let source = Source::new(ours);
    let mut mistakes = Mistakes::new();
    let root = parse::tree(&file, &source, &mut mistakes).expect("it is read");
    for (theirs, wanted) in cases {
        let mut mistakes = Mistakes::new();
        second(&file, &source, theirs, &root, &mut mistakes);
        assert_eq!(briefly(&mistakes.into_sorted()), wanted, "{theirs:?}");
    }
}

/// Few keys are gone through, many are looked up: either way the first stands.
#[test]
fn a_key_is_found_again_among_few_and_many() {
    for keys in [1, 15, 16, 17, 18, 40] {
        for again in [0, keys / 2, keys - 1] {
            let text: String = (0..keys).map(|key| format!("k{key}: 1\n")).collect();
            let text = format!("{text}k{again}: 2\nlast: 1\nlast: 2\n");
            let twice = |line: usize| format!("{line}:1 key-twice");
            assert_eq!(refused(&text), [twice(keys + 1), twice(keys + 3)]);
        }
    }
}

/// Every way to write the letters of a word, large and small.
fn spellings(word: &str) -> Vec<String> {
    word.chars().fold(vec![String::new()], |begun, c| {
        let both = [c.to_ascii_lowercase(), c.to_ascii_uppercase()];
        let spelt = begun
            .iter()
            .flat_map(|word| both.map(|c| format!("{word}{c}")));
        spelt.collect()
    })
}

/// The words of YAML 1.1 and 1.2 and what floats are called elsewhere, with
/// signs and without, in every spelling.
#[test]
fn words_of_yaml_mean_what_the_parser_reads() {
    let words = [
        "~", "null", "nil", "none", "true", "false", "yes", "no", "on", "off", "y", "n", "t", "f",
        "inf", "nan", ".inf", ".nan", ".", "infinity", "0x", "0xe", "0b1", "0o7", "1e3", "e1",
    ];
    let mut meanings = [0; 5];
    for word in words {
        for spelt in spellings(word) {
            for sign in ["", "+", "-", "+-", "--"] {
                let word = format!("{sign}{spelt}");
                assert_eq!(same(&word), Ok(true), "{word}");
                meanings[match meaning(&word) {
                    Meaning::Null => 0,
                    Meaning::Boolean(_) => 1,
                    Meaning::Integer(_) => 2,
                    Meaning::Float(_) => 3,
                    Meaning::Text => 4,
                }] += 1;
            }
        }
    }
    // Three spellings of each word and the tilde, twice.
    assert_eq!(meanings[..2], [5, 6], "{meanings:?}");
    assert!(meanings[2..].iter().all(|count| *count > 5), "{meanings:?}");
}

/// Beginnings and ends that numbers have, put together.
fn like_a_number() -> impl Strategy<Value = String> {
    let digits = prop_oneof!["[0-9]{1,3}", "[0-9]{15,22}", "0{1,3}[0-9]?"];
    let after = prop_oneof![
        "",
        "\\.",
        "\\.[0-9]{1,20}",
        "[eE][+-]?[0-9]{1,4}",
        "[_:xob][0-9a-f]{1,4}"
    ];
    let base = prop_oneof!["", "", "0x", "0o", "0b", "\\.", "0X"];
    ("[+-]{0,2}", base, digits, after.clone(), after)
        .prop_map(|(sign, base, digits, one, two)| [sign, base, digits, one, two].concat())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(5000) })]

    #[test]
    fn numbers_mean_what_the_parser_reads(word in like_a_number()) {
        // None only for what no i64, u64 or f64 holds: that is refused later.
        let same = same(&word).map_err(TestCaseError::fail)?;
        prop_assert!(same || word.len() > 17, "{word:?} is not read");
    }

    #[test]
    fn short_words_mean_what_the_parser_reads(word in "[0-9a-fA-Fxob_.:+~tTnN-]{0,6}") {
        same(&word).map_err(TestCaseError::fail)?;
    }

    #[test]
    fn any_word_means_what_the_parser_reads(word in "[^#!&*'\"|>%@`\\[\\]{}\\s\\p{C}][^\\s\\p{C}]{0,12}( [^\\s\\p{C}#]{1,5})?") {
        same(&word).map_err(TestCaseError::fail)?;
    }
}
