//! Whole files with their mistakes, as a person sees them.

use crate::mistake::{Mistake, Mistakes};
use crate::place::Sources;
use crate::readers::{
    at, boolean, checked, integer_in, list_of, name, number_in, one_of, one_or_list_of, quantity,
    some_of, text, within,
};
use crate::traps::{briefly, looks, taken};
use crate::{Fields, Node, read, read_collecting, render};

fn length(text: &str) -> Result<f64, String> {
    let (number, unit) = text.split_once(' ').unwrap_or((text, ""));
    let per_unit = match unit {
        "in" => 25.4,
        "mm" => 1.0,
        "" => return Err(format!("`{text}` has no unit; write it with one of mm, in")),
        _ => return Err(format!("`{unit}` is no unit of length; use mm or in")),
    };
    let number: f64 = number
        .parse()
        .map_err(|_| format!("`{number}` is not a number"))?;
    Ok(number * per_unit)
}

/// Reads a made-up kind of file with every reader.
fn rig(text_read: &str, mistakes: &mut Mistakes) {
    let Some(document) = read_collecting("f.yaml", text_read, mistakes) else {
        return;
    };
    let Some(mut rig) = Fields::of(document.root(), "the rig", mistakes) else {
        return;
    };
    rig.need("rig", name);
    rig.need("format", integer_in(1..=1));
    rig.may("note", text);
    rig.need_like("axis", "{travel: 1500 mm, away: left}", |node, mistakes| {
        let mut axis = Fields::of(node, "the axis", mistakes)?;
        let travel = axis.need_like("travel", "1500 mm", at(quantity(length)));
        let speed = axis.may("speed", within(quantity(length), 1.0..=100.0));
        let away = axis.need("away", one_of(&[("left", -1), ("right", 1)]));
        let homed = axis.may_or("homed", boolean, true);
        axis.finish();
        Some((travel?, speed, away?, homed))
    });
    rig.may("points", some_of(quantity(length)));
    rig.may("levels", one_or_list_of(integer_in(1..=12)));
    rig.may("share", number_in(0.0..=1.0));
    rig.may(
        "pair",
        checked(list_of(text), |pair: &Vec<String>| {
            if pair.len() == 2 {
                return Ok(());
            }
            Err("a pair has two words; write `[one, two]`".to_owned())
        }),
    );
    rig.finish();
}

const TEN_MISTAKES: &str = "\
rig: dunlin/2
format: 2
note: true
axis:
  travel: 1500
  sped: 20 mm
  away: lift
  homed: yes
points: [6 in, 12 inch, x mm]
levels: 13
share: .inf
pair: [a]
colour: red
";

#[test]
fn all_mistakes_of_a_file_at_once() {
    let mut mistakes = Mistakes::new();
    rig(TEN_MISTAKES, &mut mistakes);
    assert!(mistakes.refuses());
    insta::assert_snapshot!(looks(TEN_MISTAKES, &mistakes.into_sorted()), @r#"
    mistake: the name `dunlin/2` has the character `/`
     --> f.yaml:1:6
      |
    1 | rig: dunlin/2
      |      ^^^^^^^^
      |
      = hint: names have letters, digits, `-`, `_` and spaces

    mistake: `2` is out of range
     --> f.yaml:2:9
      |
    2 | format: 2
      |         ^
      |
      = hint: it must be 1

    mistake: must be text, this is true or false
     --> f.yaml:3:7
      |
    3 | note: true
      |       ^^^^
      |
      = hint: put it in quotes

    mistake: the unit is missing after `1500`
     --> f.yaml:5:11
      |
    5 |   travel: 1500
      |           ^^^^
      |
      = hint: write it with one of mm, in

    mistake: the axis has no key `sped`
     --> f.yaml:6:3
      |
    6 |   sped: 20 mm
      |   ^^^^
      |
      = hint: did you mean `speed`?

    mistake: `lift` is not known here
     --> f.yaml:7:9
      |
    7 |   away: lift
      |         ^^^^
      |
      = hint: did you mean `left`?

    mistake: `yes` must be `true` or `false`
     --> f.yaml:8:10
      |
    8 |   homed: yes
      |          ^^^
      |
      = hint: write `true`

    mistake: `inch` is no unit of length
     --> f.yaml:9:16
      |
    9 | points: [6 in, 12 inch, x mm]
      |                ^^^^^^^
      |
      = hint: use mm or in

    mistake: `x` is not a number
     --> f.yaml:9:25
      |
    9 | points: [6 in, 12 inch, x mm]
      |                         ^^^^

    mistake: `13` is out of range
      --> f.yaml:10:9
       |
    10 | levels: 13
       |         ^^
       |
       = hint: it must lie between 1 and 12

    mistake: `.inf` is not a number that can be measured or set
      --> f.yaml:11:8
       |
    11 | share: .inf
       |        ^^^^

    mistake: a pair has two words
      --> f.yaml:12:7
       |
    12 | pair: [a]
       |       ^^^
       |
       = hint: write `[one, two]`

    mistake: the rig has no key `colour`
      --> f.yaml:13:1
       |
    13 | colour: red
       | ^^^^^^
       |
       = hint: remove it; every key that can stand here is there
    "#);
}

#[test]
fn missing_keys_are_told_where_they_belong() {
    let text = "rig: dunlin\naxis:\n  travell: 9 mm\npoints: []\nlevels:\n";
    let mut mistakes = Mistakes::new();
    rig(text, &mut mistakes);
    insta::assert_snapshot!(looks(text, &mistakes.into_sorted()), @r#"
    mistake: the rig lacks the key `format`
     --> f.yaml:1:1
      |
    1 | rig: dunlin
      | ^^^
      |
      = hint: add the line `format: ...`

    mistake: the axis lacks the key `away`
     --> f.yaml:2:1
      |
    2 | axis:
      | ^^^^
      |
      = hint: add the line `away: ...`

    mistake: the axis has no key `travell`
     --> f.yaml:3:3
      |
    3 |   travell: 9 mm
      |   ^^^^^^^
      |
      = hint: did you mean `travel`?

    mistake: the list is empty
     --> f.yaml:4:9
      |
    4 | points: []
      |         ^^
      |
      = hint: write at least one item

    mistake: a value is missing, it must be a whole number
     --> f.yaml:5:1
      |
    5 | levels:
      | ^^^^^^
      |
      = hint: write digits alone, such as 5
    "#);
}

#[test]
fn a_good_file_has_no_mistakes() {
    let mut mistakes = Mistakes::new();
    rig(
        "rig: dunlin 2\nformat: 1\naxis: {travel: 1500 mm, speed: 2 in, away: left, homed: false}\n\
         points:\n- 6 in\n- 12 in\nlevels: [1, 12]\nshare: 1\npair: [a, b]\n",
        &mut mistakes,
    );
    assert_eq!(briefly(&mistakes.into_sorted()), Vec::<String>::new());
}

#[test]
fn laid_over_keeps_the_file_of_origin() {
    let base = read(
        "base.yaml",
        "plan: base\nrail:\n  speed: 1 mm\n  travel: 9 mm\nlist: [1, 2]\n",
    );
    let over = read(
        "over.yaml",
        "plan: over\nlist: [3]\nrail: {speed: 2 mm}\nnew: x\n",
    );
    let both = over.expect("over").laid_over(base.expect("base"));
    let mut seen = Vec::new();
    fn walk(node: Node<'_>, path: &str, seen: &mut Vec<String>) {
        for (key, value) in node.entries() {
            let path = format!("{path}/{}", key.text().unwrap_or_default());
            let shown = value.text().unwrap_or(value.kind().words());
            seen.push(format!(
                "{path} = {shown}, {} {}",
                key.place(),
                value.place()
            ));
            walk(value, &path, seen);
        }
    }
    walk(both.root(), "", &mut seen);
    insta::assert_snapshot!(seen.join("\n"), @r#"
    /plan = over, over.yaml:1:1 over.yaml:1:7
    /rail = a group of keys, over.yaml:3:1 over.yaml:3:7
    /rail/speed = 2 mm, over.yaml:3:8 over.yaml:3:15
    /rail/travel = 9 mm, base.yaml:4:3 base.yaml:4:11
    /list = a list, over.yaml:2:1 over.yaml:2:7
    /new = x, over.yaml:4:1 over.yaml:4:6
    "#);
    assert_eq!(both.sources().line("base.yaml", 4), Some("  travel: 9 mm"));
    assert_eq!(both.sources().line("over.yaml", 4), Some("new: x"));
}

#[test]
fn places_in_two_files_are_both_shown() {
    let mut sources = Sources::new();
    sources.add("plan.yaml", "position: 80 in\n");
    sources.add("bench.yaml", "rail:\n  travel: 1500 mm\n");
    let plan = read("plan.yaml", "position: 80 in\n").expect("plan");
    let bench = read("bench.yaml", "rail:\n  travel: 1500 mm\n").expect("bench");
    let position = plan.root().get("position").expect("position");
    let travel = bench.root().get("rail").and_then(|rail| rail.get("travel"));
    let mistake = Mistake::new(position.place(), "outside", "80 in lies outside the travel")
        .also(travel.expect("travel").place(), "the travel")
        .hint("choose at most 59.06 in");
    let warning = Mistake::warning(position.place(), "soon", "the calibration ends soon");
    insta::assert_snapshot!(render(&[mistake, warning], &sources, false), @r#"
    mistake: 80 in lies outside the travel
     --> plan.yaml:1:11
      |
    1 | position: 80 in
      |           ^^^^^
      |
     ::: bench.yaml:2:11
      |
    2 |   travel: 1500 mm
      |           ------- the travel
      |
      = hint: choose at most 59.06 in

    warning: the calibration ends soon
     --> plan.yaml:1:11
      |
    1 | position: 80 in
      |           ^^^^^
    "#);
    let coloured = render(&[], &sources, true);
    assert_eq!(coloured, "");
}

#[test]
fn mistakes_are_sorted_and_capped() {
    let text: String = (0..300).rev().map(|n| format!("k{n}: 1\n")).collect();
    let mut mistakes = Mistakes::new();
    let document = taken(&text);
    Fields::of(document.root(), "it", &mut mistakes)
        .expect("map")
        .finish();
    assert_eq!((mistakes.count(), mistakes.left_out()), (200, 100));
    let all = mistakes.into_sorted();
    assert!(all.windows(2).all(|pair| pair[0].place <= pair[1].place));
    let last = all.last().expect("last");
    assert_eq!((all.len(), &*last.message), (201, "100 more are not shown"));
}

#[test]
fn a_program_gets_the_same() {
    let mistakes = read("f.yaml", "größe: &x 1\n").expect_err("anchor");
    let told = &crate::as_json(&mistakes)[0];
    assert_eq!(
        (
            &*told.file,
            told.line,
            told.column,
            told.end_column,
            told.code,
            told.severity
        ),
        ("f.yaml", 1, 8, 12, "anchor", "mistake")
    );
}
