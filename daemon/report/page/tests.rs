//! The page, whole: as it is printed, and what it must never say.

use photometry::units::{Length, Wall};

use super::{Derived, Page, Ruled, RunFacts, html};
use crate::report::background::{Background, Scatter};
use crate::report::ids::FigureId;
use crate::report::survey::AmbientFigure;
use crate::report::tests_table::figures;

/// A page of the twelve levels, with five rulings.
pub fn page() -> Page {
    let mut survey = figures();
    let background = |lux: f64, minutes: i64| Background {
        lux,
        u_lx: 0.004,
        dof: Some(4.0),
        scatter: Scatter::Own,
        n: 5,
        below_lx: None,
        at: Wall::from_us(minutes * 60_000_000),
        seqs: Vec::new(),
    };
    survey.dark = Some(background(0.02, 1_320));
    survey.ambient = [6, 36, 72]
        .map(|inches| AmbientFigure {
            position: Length::from_nm(inches * 25_400_000),
            before: Some(background(0.42, 1_325)),
            after: (inches != 36).then(|| Background {
                below_lx: (inches == 72).then_some(0.5),
                ..background(0.54, 1_500)
            }),
        })
        .to_vec();
    Page {
        run: RunFacts {
            number: 12,
            state: "complete".to_owned(),
            booked: "2026-11-25 21:40 UTC".to_owned(),
            begun: "2026-11-25 22:00 UTC".to_owned(),
            ended: "2026-11-26 00:24 UTC".to_owned(),
            program: "wakerail 0.1.0".to_owned(),
            made: "2026-11-26 08:00 UTC".to_owned(),
        },
        subject: "no survey".to_owned(),
        measures: Vec::new(),
        surveys: vec![survey],
        other_rulings: Vec::new(),
        rulings: vec![
            ruled(1, "pass", Some(1153.0), Some(46.0)),
            ruled(2, "conditional pass", Some(258.4), Some(10.4)),
            ruled(3, "conditional fail", Some(244.1), Some(9.8)),
            ruled(4, "fail", Some(31.71), Some(1.3)),
            ruled(5, "undecided", None, None),
        ],
        derived: vec![
            derived(6, Some(27.43), Some(0.61), ""),
            derived(7, Some(0.75), None, "m"),
            derived(8, None, None, "lx"),
        ],
        remarks: vec![
            "Note 1 by ada at 2026-11-26T07:00:00Z: thunder from 01:10.".to_owned(),
            "Set aside 2 by bob at 2026-11-26T07:10:00Z: door open (levels/L07/24 in/read/1)."
                .to_owned(),
            "Taken back 3 by bob at 2026-11-26T07:12:00Z: wrong door (levels/L07/24 in/read/1)."
                .to_owned(),
        ],
        notes: vec!["The door was opened at 23:10.".to_owned()],
    }
}

/// The page with plain spaces within its values.
pub fn plain(html: &str) -> String {
    html.replace('\u{a0}', " ")
}

fn derived(no: u32, value: Option<f64>, expanded: Option<f64>, unit: &str) -> Derived {
    Derived {
        id: FigureId::Ruling { run: 12, no },
        name: "directed (levels)".to_owned(),
        value,
        expanded,
        unit: unit.to_owned(),
        rests_on: 2 * usize::from(value.is_some()),
        script: "directivity".to_owned(),
        reason: String::new(),
    }
}

fn ruled(no: u32, word: &str, value: Option<f64>, expanded: Option<f64>) -> Ruled {
    Ruled {
        id: format!("12.r{no}"),
        outdated: false,
        criterion: "bright enough beside the bed".to_owned(),
        word: word.to_owned(),
        value,
        expanded,
        unit: "lx".to_owned(),
        limit: "at least 250 lx".to_owned(),
        rule: "guarded by U (ILAC-G8:09/2019, from memory)".to_owned(),
        reason: match value {
            Some(_) => "level 12 at 24 in".to_owned(),
            None => "the point was over the meter's range".to_owned(),
        },
        script: "bright-enough.rhai".to_owned(),
    }
}

/// What rests on readings that no longer count is no pass of what is left.
#[test]
fn outdated_rulings_are_not_counted_as_what_they_say() {
    let now = ruled(1, "pass", Some(300.0), Some(9.0));
    let before = Ruled {
        outdated: true,
        ..now.clone()
    };
    let page = |rulings: Vec<Ruled>| html(&Page { rulings, ..page() });
    let mixed = page(vec![now.clone(), before.clone(), before.clone()]);
    assert!(mixed.contains("of 3 criteria: 1 pass, 2 outdated"));
    let all = page(vec![before]);
    assert!(all.contains("; 1 criterion: outdated") && !all.contains("1 pass"));
    let passed = page(vec![now.clone(), now.clone()]);
    assert!(passed.contains("; all 2 criteria: pass<"));
    assert!(all.contains("before readings were set aside or taken back"));
    assert!(!page(vec![now]).contains("outdated"));
}

#[test]
fn a_page_of_twelve_levels() {
    insta::assert_snapshot!("page", plain(&html(&page())));
}

/// Each row has an id of its own; a second warm-up at a level leads to its own
/// account.
#[test]
fn no_two_rows_share_an_id() {
    let mut page = page();
    let setting = &mut page.surveys[0].settings[0];
    let again = setting.warm_up[0].clone();
    setting.warm_up.push(again);
    let name = setting.setting.clone();
    let out = html(&page);
    let rows = out.lines().filter_map(|line| line.rsplit_once("<td>"));
    let ids: Vec<&str> = rows.map(|(_, id)| id).collect();
    let set: std::collections::BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), set.len(), "{ids:?}");
    for tail in ["warm-up", "warm-up-2"] {
        let id = format!("12.survey.{name}.{tail}");
        assert!(set.contains(id.as_str()), "{id}");
    }
}

/// Writes pages to look at; `cargo test -- --ignored a_page_to_look_at`.
#[test]
#[ignore = "for looking at; leaves files in the folder for temporary ones"]
fn a_page_to_look_at() {
    let folder = std::env::temp_dir();
    let pages = [
        ("page", page()),
        ("page-forty", super::tests_awkward::forty_levels()),
        ("page-hostile", super::tests_awkward::hostile()),
        ("page-empty", super::tests_awkward::empty()),
        ("page-many", super::tests_awkward::two_thousand_points()),
    ];
    for (name, page) in pages {
        let begun = std::time::Instant::now();
        let text = html(&page);
        println!("{name}: {} bytes, {:?}", text.len(), begun.elapsed());
        std::fs::write(folder.join(format!("wakerail-{name}.html")), text).expect("written");
    }
}

/// Rulings stand before surprises, these before charts, and so on.
#[test]
fn the_order_is_that_of_a_reader_in_a_hurry() {
    let out = html(&page());
    let heads = [
        "<h1>dunlin gives",
        "<h2>Rulings",
        "<h2>Surprises",
        "<h2>Notes",
        "<h2>Light at each",
        "<h2>Drift and",
        "<h2>Fits against",
        "<h2>What was subtracted",
        "<h2>How it was measured",
        "<h2>Cautions",
    ];
    let at: Vec<Option<usize>> = heads.iter().map(|head| out.find(head)).collect();
    assert!(at.iter().all(Option::is_some), "{at:?}");
    assert!(at.is_sorted(), "{at:?}");
}

/// No network, no script: nothing is loaded from anywhere.
#[test]
fn the_page_needs_nothing_else() {
    let out = html(&page());
    for loads in [
        "<script", "<link", "<img", "@import", "url(http", "src=", "<iframe",
    ] {
        assert!(!out.contains(loads), "{loads}");
    }
    let outside = out.replace("http://www.w3.org/2000/svg", "");
    assert!(!outside.contains("http"), "only the name of SVG");
}

/// Claims that figures of this kind cannot carry are never printed.
#[test]
fn nothing_is_claimed_that_was_not_measured() {
    let forbidden = [
        "risk group",
        "exempt",
        "62471",
        "62778",
        "complies",
        "compliant",
        "conforms",
        "low flicker",
        "flicker-free",
        "safe distance",
        "is safe",
        "eye-safe",
        "1789",
        "2019/2020",
        "ja8",
        "well-being",
        "lm-79",
        "s 025",
        "13854",
        "60204",
        "13850",
        "melanopic",
        "therap",
        "recommended",
        "minutes a day",
        "treat",
        "cure",
        "emergency stop",
    ];
    for page in [
        page(),
        super::tests_awkward::empty(),
        super::tests_awkward::forty_levels(),
    ] {
        let out = html(&page).to_lowercase();
        for word in forbidden {
            assert!(!out.contains(word), "{word}");
        }
    }
}

#[test]
fn an_unfinished_run_says_so_before_all() {
    for state in ["measuring", "held", "stopped", "failed", "waiting", ""] {
        let mut page = page();
        page.run.state = state.to_owned();
        page.run.ended = String::new();
        let out = html(&page);
        let banner = out.find("class=\"banner\"").expect("a banner");
        assert!(out.contains("<h1>Unfinished: ") && banner < out.find("<h2>").expect("a head"));
        assert!(out.contains("<dt>ended</dt>\n<dd>not yet</dd>"));
    }
    let mut page = page();
    page.surveys[0].unfinished = true;
    assert!(html(&page).contains("<h1>Unfinished: "));
    page.surveys[0].unfinished = false;
    page.run.state = "complete with gaps".to_owned();
    let out = html(&page);
    assert!(out.contains("This run is complete with gaps.") && !out.contains("Unfinished"));
}

/// The word stands beside its mark, and U beside its value.
#[test]
fn rulings_are_words_with_marks() {
    let out = plain(&html(&page()));
    for (mark, word) in [
        ("✓", "pass"),
        ("(✓)", "conditional pass"),
        ("(✗)", "conditional fail"),
        ("✗", "fail"),
        ("?", "undecided"),
    ] {
        let head = format!("aria-hidden=\"true\">{mark}</span>\n{word}: bright enough");
        assert!(out.contains(&head), "{head}");
    }
    assert!(out.contains("258 ± 10 lx (U for 95 %); limit: at least 250 lx."));
    assert!(out.contains("No value; limit: at least 250 lx."));
    assert!(out.contains(
        "of 5 criteria: 1 pass, 1 conditional pass, 1 conditional fail, 1 fail, 1 undecided"
    ));
}

/// On a narrow screen a long caption breaks where its wide table does not, and
/// on paper no table is cut that has room on a page.
#[test]
fn long_captions_and_tables_fit_screen_and_paper() {
    let out = html(&page());
    assert!(out.contains("<caption><span>Where 250\u{a0}lx is reached"));
    assert!(out.contains("<caption>level 12, n = 5</caption>"));
    let style = out.split("</style>").next().expect("a style sheet");
    let print = style.split("@media print{figcaption").nth(1);
    assert!(
        print
            .expect("a part for paper")
            .contains(".scroll{overflow:visible;break-inside:avoid")
    );
    assert!(
        style.contains(
            "caption span{display:inline-block;position:sticky;left:0;max-width:calc(100vw"
        )
    );
}
