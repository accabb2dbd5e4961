//! One test for each trap that YAML and its readers are known to set.

use crate::mistake::{Mistake, Mistakes};
use crate::place::Sources;
use crate::readers::{integer_in, number_in, quantity};
use crate::{Document, Fields, Kind, MAX_BYTES, Node, read, read_collecting, render};

/// What is refused, as `line:column code`.
pub(crate) fn refused(text: &str) -> Vec<String> {
    let mistakes = read("f.yaml", text).expect_err("must be refused");
    briefly(&mistakes)
}

pub(crate) fn briefly(mistakes: &[Mistake]) -> Vec<String> {
    let one = |m: &Mistake| format!("{}:{} {}", m.place.line, m.place.column, m.code);
    mistakes.iter().map(one).collect()
}

pub(crate) fn taken(text: &str) -> Document {
    read("f.yaml", text).expect("must be read")
}

pub(crate) fn looks(text: &str, mistakes: &[Mistake]) -> String {
    let mut sources = Sources::new();
    sources.add("f.yaml", text);
    render(mistakes, &sources, false)
}

fn refused_looks(text: &str) -> String {
    looks(text, &read("f.yaml", text).expect_err("must be refused"))
}

/// The kind and the text of the value of `v`.
fn value(written: &str) -> (Kind, Option<String>) {
    let document = taken(&format!("v: {written}\n"));
    let node = document.root().get("v").expect("v");
    (node.kind(), node.text().map(str::to_owned))
}

/// `serde_yaml` stops this one by its repetition limit; here no alias is taken.
#[test]
fn alias_bomb() {
    let mut bomb = String::from("a0: &a0 [lol]\n");
    for level in 1..10 {
        let aliases = vec![format!("*a{}", level - 1); 10].join(", ");
        bomb.push_str(&format!("a{level}: &a{level} [{aliases}]\n"));
    }
    let mistakes = read("f.yaml", &bomb).expect_err("must be refused");
    assert_eq!(mistakes.len(), 10 + 90);
    assert_eq!(mistakes[0].code, "anchor");
    assert!(mistakes[1..].iter().any(|m| m.code == "alias"));
}

/// `serde_yaml` alone needs 11.6 s for it. No parser sees the long line; on
/// lines of their own the brackets stop the first parser at its limit.
#[test]
fn hundred_kilobytes_of_brackets() {
    assert_eq!(refused(&"[".repeat(100_000)), ["1:1 long-line"]);
    assert_eq!(refused(&"[\n".repeat(50_000)).len(), 1);
    assert_eq!(refused(&"{a: \n".repeat(20_000)).len(), 1);
    assert!(refused(&"[\n".repeat(50_000))[0].ends_with("too-deep"));
}

#[test]
fn nesting_up_to_the_limit_is_read() {
    let nested = |depth: usize| format!("v: {}{}", "[".repeat(depth), "]".repeat(depth));
    taken(&nested(crate::MAX_DEPTH - 1));
    assert_eq!(refused(&nested(crate::MAX_DEPTH)), ["1:67 too-deep"]);
    let block: String = (0..=crate::MAX_DEPTH)
        .map(|depth| format!("{}a:\n", " ".repeat(depth)))
        .collect();
    assert_eq!(refused(&block), ["65:65 too-deep"]);
}

#[test]
fn scalar_of_64_megabytes() {
    let text = format!("a: {}", "x".repeat(64 << 20));
    assert_eq!(refused(&text), ["1:1 too-large"]);
    // Showing it stays short as well.
    assert!(refused_looks(&text).len() < 1000);
}

#[test]
fn size_up_to_the_limit_is_read() {
    let line = "# a comment of thirty-two bytes\n";
    let fill = |bytes: usize| format!("a: 1\n{}", line.repeat(bytes / line.len()));
    taken(&fill(MAX_BYTES - 100));
    assert_eq!(refused(&fill(MAX_BYTES + 100)), ["1:1 too-large"]);
    assert_eq!(refused(&"- 1\n".repeat(150_000)), ["100001:3 too-large"]);
}

#[test]
fn numbers_that_are_not_finite() {
    for written in [".nan", ".inf", "-.inf", ".NaN"] {
        let document = taken(&format!("v: {written}"));
        let node = document.root().get("v").expect("v");
        assert_eq!(node.as_f64(), None, "{written}");
        let mut mistakes = Mistakes::new();
        assert_eq!(number_in(f64::MIN..=f64::MAX)(node, &mut mistakes), None);
        assert_eq!(integer_in(0..=9)(node, &mut mistakes), None);
        assert_eq!(
            quantity(|t: &str| Ok::<_, String>(t.len()))(node, &mut mistakes),
            None
        );
        assert_eq!(briefly(&mistakes.into_sorted()), ["1:4 not-finite"; 3]);
    }
    // Too large for a number is text, not infinity.
    assert_eq!(value("1e999").0, Kind::Text);
}

#[test]
fn scalars_that_stay_text() {
    for written in [
        "no",
        "yes",
        "on",
        "off",
        "12:30",
        "1_000",
        "012",
        "2026-11-01",
        "6 in",
        "1e",
        "0x",
        "NO",
    ] {
        assert_eq!(value(written), (Kind::Text, Some(written.to_owned())));
    }
    for written in ["'12'", "\"true\"", "'~'"] {
        assert_eq!(value(written).0, Kind::Text, "{written}");
    }
}

#[test]
fn scalars_that_are_more_than_text() {
    let cases = [
        ("12", Kind::Integer),
        ("-3", Kind::Integer),
        ("0o14", Kind::Integer),
        ("1e3", Kind::Number),
        ("0.5", Kind::Number),
        ("18446744073709551615", Kind::Number),
        ("true", Kind::Boolean),
        ("~", Kind::Null),
        ("null", Kind::Null),
        ("", Kind::Null),
    ];
    for (written, kind) in cases {
        assert_eq!(value(written).0, kind, "{written}");
    }
    let document = taken("a: 0o14\nb: 1e3\n");
    assert_eq!(document.root().get("a").and_then(Node::as_i64), Some(12));
    assert_eq!(
        document.root().get("b").and_then(Node::as_f64),
        Some(1000.0)
    );
}

#[test]
fn duplicate_key_shows_both_places() {
    let text = "rail:\n  travel: 1500 mm\n  speed: 100 mm/s\n  travel: 1200 mm\n";
    insta::assert_snapshot!(refused_looks(text), @r#"
    mistake: the key `travel` is written twice
     --> f.yaml:4:3
      |
    2 |   travel: 1500 mm
      |   ------ first written here
    3 |   speed: 100 mm/s
    4 |   travel: 1200 mm
      |   ^^^^^^
      |
      = hint: keep one of the two
    "#);
}

#[test]
fn columns_are_characters() {
    let text = "größe: [ä, ü, 'x', ö]\n";
    let document = taken(text);
    let columns: Vec<(u32, u32)> = document
        .root()
        .get("größe")
        .expect("key")
        .items()
        .map(|item| (item.place().column, item.place().end_column))
        .collect();
    assert_eq!(columns, [(9, 10), (12, 13), (15, 18), (20, 21)]);
}

#[test]
fn what_yaml_allows_and_we_do_not() {
    let cases = [
        ("a: &x 1\n", "1:4 anchor"),
        ("a: !thing 1\n", "1:4 tag"),
        ("a: !!str 1\n", "1:4 tag"),
        ("a: *x\n", "1:4 alias"),
        ("<<: {a: 1}\n", "1:1 merge-key"),
        ("a: 1\n---\nb: 1\n", "2:1 second-document"),
        ("a: 1\n...\nb: 1\n", "3:1 second-document"),
        ("1: a\n", "1:1 key-not-text"),
        ("true: a\n", "1:1 key-not-text"),
        ("~: a\n", "1:1 key-not-text"),
        ("? [a]\n: b\n", "1:3 key-not-text"),
        ("", "1:1 empty-file"),
        ("# only words\n\n", "1:1 empty-file"),
        ("---\n", "1:1 empty-file"),
        ("a: \u{0}\n", "1:4 control-character"),
        ("a: b\u{7f}\n", "1:5 control-character"),
        ("a: \u{202e}b\n", "1:4 control-character"),
        ("a: 1\rb: 2\n", "1:5 control-character"),
        ("a: b\u{2028}c: d\n", "1:5 control-character"),
    ];
    for (text, expected) in cases {
        assert_eq!(refused(text), [expected], "{text:?}");
    }
    // A mark at the start and carriage returns are what editors add.
    assert_eq!(taken("\u{feff}a: 1\r\nb: 2\r\n").root().entries().len(), 2);
    assert_eq!(value("'<<'").0, Kind::Text);
}

/// The rest of the file is still checked.
#[test]
fn a_duplicate_key_does_not_hide_other_mistakes() {
    let mut mistakes = Mistakes::new();
    let document = read_collecting("f.yaml", "a: 1\na: 2\nb: x\n", &mut mistakes);
    let document = document.expect("readable");
    if let Some(mut fields) = Fields::of(document.root(), "the file", &mut mistakes) {
        fields.need("a", integer_in(0..=9));
        fields.finish();
    }
    assert_eq!(
        briefly(&mistakes.into_sorted()),
        ["2:1 key-twice", "3:1 unknown-key"]
    );
}

#[test]
fn not_yaml_in_plain_words() {
    let cases = [
        "a:1\nb: 2\n",
        "a: 1\n\tb: 2\n",
        "a: b: c\n",
        "a: \"x\nb: 2\n",
        "a: [1, 2\nb: 2\n",
        "a: @x\n",
        "a:\n  b: 1\n c: 2\n",
        "a: 1\n- b\n",
        "a: {x: 1\nb: 2\n",
        "a: 'it's'\n",
        "a: - b\n",
        "a: ]\n",
        "a: \"\\q\"\n",
        "a:\tb\n",
    ];
    let looks: Vec<String> = cases.iter().map(|text| refused_looks(text)).collect();
    insta::assert_snapshot!(looks.join("\n"), @r#"
    mistake: no space after the `:`
     --> f.yaml:1:2
      |
    1 | a:1
      |  ^
      |
      = hint: write `key: value`

    mistake: a tab stands where the indentation must be spaces
     --> f.yaml:2:1
      |
    2 |     b: 2
      | ^^^^
      |
      = hint: use two spaces for each step

    mistake: a `:` stands where no key can be
     --> f.yaml:1:5
      |
    1 | a: b: c
      |     ^
      |
      = hint: check the indentation here and one line up; text that contains `: ` needs quotes

    mistake: the quotes that open here are not closed, or hold a wrong escape
     --> f.yaml:1:4
      |
    1 | a: "x
      |    ^
      |
      = hint: close the quotes on the same line

    mistake: a `:` stands inside brackets that are still open
     --> f.yaml:2:2
      |
    2 | b: 2
      |  ^
      |
      = hint: close the `[` or `{` before it

    mistake: a value can't begin with this character
     --> f.yaml:1:4
      |
    1 | a: @x
      |    ^
      |
      = hint: put the text in quotes

    mistake: this line fits neither the lines above nor a new key
     --> f.yaml:3:2
      |
    3 |  c: 2
      |  ^
      |
      = hint: keys of one group begin in the same column; a list needs a key above it

    mistake: this line fits neither the lines above nor a new key
     --> f.yaml:2:3
      |
    2 | - b
      |   ^
      |
      = hint: keys of one group begin in the same column; a list needs a key above it

    mistake: a `,` or the closing `}` is missing
     --> f.yaml:2:2
      |
    2 | b: 2
      |  ^
      |
      = hint: write `{key: value, key: value}`

    mistake: something follows the closing quote
     --> f.yaml:1:8
      |
    1 | a: 'it's'
      |        ^
      |
      = hint: put the whole text into the quotes; a quote inside is written twice: 'it''s'

    mistake: a `- ` stands where no list can begin
     --> f.yaml:1:4
      |
    1 | a: - b
      |    ^
      |
      = hint: begin the list on the next line, or write it as `[one, two]`

    mistake: a closing bracket without its opening one
     --> f.yaml:1:4
      |
    1 | a: ]
      |    ^
      |
      = hint: remove it, or put the text in quotes

    mistake: an unknown escape after `\` in double quotes
     --> f.yaml:1:4
      |
    1 | a: "\q"
      |    ^
      |
      = hint: write `\\` for a backslash, or use single quotes

    mistake: a tab follows the `:`
     --> f.yaml:1:4
      |
    1 | a:    b
      |       ^
      |
      = hint: write one space instead
    "#);
}

/// libyaml takes the last line without its line break, saphyr with it.
#[test]
fn a_file_without_a_final_line_break() {
    for (text, value) in [
        ("v: |\n  x", "x\n"),
        ("v: >\n  x\n  y", "x y\n"),
        ("v: x", "x"),
    ] {
        let document = taken(text);
        assert_eq!(
            document.root().get("v").and_then(Node::text),
            Some(value),
            "{text:?}"
        );
    }
}

/// The second reader refuses these; the first takes them.
#[test]
fn the_second_opinion_counts() {
    let cases = [
        "v: 99999999999999999999\n",
        "v: -0xFFFFFFFFFFFFFFFFF\n",
        "\"v\":1\n",
    ];
    let looks: Vec<String> = cases.iter().map(|text| refused_looks(text)).collect();
    insta::assert_snapshot!(looks.join("\n"), @r#"
    mistake: the number is too large
     --> f.yaml:1:4
      |
    1 | v: 99999999999999999999
      |    ^
      |
      = hint: text made of digits needs quotes

    mistake: the number is too large
     --> f.yaml:1:4
      |
    1 | v: -0xFFFFFFFFFFFFFFFFF
      |    ^
      |
      = hint: text made of digits needs quotes

    mistake: a key or value can't go on like this
     --> f.yaml:1:4
      |
    1 | "v":1
      |    ^
      |
      = hint: a `:` after a key needs a space; text with marks in it needs quotes
    "#);
}
