//! Pages of awkward data: each is well formed, names each place once, and says
//! what is missing.

use photometry::uncertainty::Estimate;
use photometry::units::{Length, LengthUnit};

use super::tests::{page, plain};
use super::{Page, html};
use crate::report::survey::{PointFigure, SettingFigures};

const HOSTILE: &str = "a<b>&\"'</title></style><script>x</script>-->";

/// Nothing at all.
pub fn empty() -> Page {
    let mut page = page();
    page.surveys.clear();
    page.rulings.clear();
    page.notes.clear();
    page
}

/// Forty levels in two modes.
pub fn forty_levels() -> Page {
    let mut page = page();
    let of = page.surveys[0].settings.clone();
    page.surveys[0].settings = (1..=40)
        .map(|n: usize| {
            let (mode, level) = if n <= 20 {
                ("warm", n)
            } else {
                ("night-light", n - 20)
            };
            SettingFigures {
                setting: format!("{mode}-L{level:02}"),
                shown: format!("{mode}, level {level}"),
                ..of[(n * 7) % 12].clone()
            }
        })
        .collect();
    page
}

/// Names that look like markup, wherever a name may stand.
pub fn hostile() -> Page {
    let mut page = page();
    let name = || HOSTILE.to_owned();
    page.notes = vec![name()];
    page.run.state = name();
    page.run.program = name();
    let ruled = &mut page.rulings[0];
    for field in [
        &mut ruled.id,
        &mut ruled.criterion,
        &mut ruled.word,
        &mut ruled.unit,
        &mut ruled.limit,
        &mut ruled.rule,
        &mut ruled.reason,
        &mut ruled.script,
    ] {
        *field = name();
    }
    let survey = &mut page.surveys[0];
    survey.test = name();
    survey.failures = vec![name()];
    survey.heading.lamp = name();
    survey.heading.unit = name();
    survey.heading.plan = name();
    survey.heading.bench = name();
    survey.heading.meter = name();
    survey.heading.firmware = Some(name());
    survey.heading.certificate = Some(name());
    for setting in &mut survey.settings {
        setting.setting = format!("{HOSTILE}-{}", setting.setting);
        setting.shown = format!("{HOSTILE} {}", setting.shown);
        setting.points[2].flags = vec![name()];
    }
    page
}

/// Forty levels at fifty positions.
pub fn two_thousand_points() -> Page {
    let mut page = page();
    let of = page.surveys[0].settings.clone();
    page.surveys[0].settings = (1..=40)
        .rev()
        .map(|level: i32| {
            let mut setting = of[1].clone();
            setting.setting = format!("L{level:02}");
            setting.shown = format!("level {level}");
            setting.points = (1..=50).map(|k| point(level, k)).collect();
            setting
        })
        .collect();
    page
}

fn point(level: i32, k: i64) -> PointFigure {
    let position = Length::from_nm(k * 38_100_000);
    let value = 0.4 * 1.2_f64.powi(level) / (position.metres().powi(2) + 0.004);
    PointFigure {
        position,
        estimate: Some(
            Estimate::exact(value)
                .with("certificate", value * 0.015, None)
                .with("datum", -2.0 * value * 0.0005 / position.metres(), None)
                .with(
                    &format!("repeatability {level} {k}"),
                    value * 0.001,
                    Some(4.0),
                ),
        ),
        expanded_lx: Some(value * 0.035),
        n: 5,
        sd_lx: Some(value * 0.002),
        mean_raw_lx: Some(value),
        ..PointFigure::default()
    }
}

fn awkward() -> Vec<(&'static str, Page)> {
    let changed = |change: fn(&mut Page)| {
        let mut page = page();
        change(&mut page);
        page
    };
    vec![
        ("as usual", page()),
        ("empty", empty()),
        ("forty", forty_levels()),
        ("hostile", hostile()),
        ("many", two_thousand_points()),
        ("no settings", changed(|p| p.surveys[0].settings.clear())),
        (
            "no points",
            changed(|p| p.surveys[0].settings[0].points.clear()),
        ),
        ("one level", changed(|p| p.surveys[0].settings.truncate(1))),
        (
            "one point",
            changed(|p| {
                p.surveys[0].settings.truncate(1);
                p.surveys[0].settings[0].points.truncate(2);
                p.surveys[0].settings[0].points.remove(0);
            }),
        ),
        (
            "zeros",
            changed(|p| each(p, |point| *point = value(point.position, 0.0, 0.0))),
        ),
        (
            "below zero",
            changed(|p| each(p, |point| *point = value(point.position, -0.02, 0.1))),
        ),
        (
            "over",
            changed(|p| {
                each(p, |point| {
                    *point = PointFigure {
                        position: point.position,
                        over: 5,
                        over_lx: Some(9e3),
                        ..PointFigure::default()
                    };
                })
            }),
        ),
        (
            "under",
            changed(|p| {
                each(p, |point| {
                    *point = PointFigure {
                        position: point.position,
                        under: 5,
                        under_lx: Some(0.5),
                        ..PointFigure::default()
                    };
                })
            }),
        ),
        (
            "missing",
            changed(|p| {
                each(p, |point| {
                    *point = PointFigure {
                        position: point.position,
                        missing: 5,
                        ..PointFigure::default()
                    };
                })
            }),
        ),
        (
            "no U",
            changed(|p| each(p, |point| point.expanded_lx = None)),
        ),
        (
            "not a number",
            changed(|p| {
                each(p, |point| {
                    *point = value(point.position, f64::NAN, f64::NAN)
                })
            }),
        ),
        (
            "huge",
            changed(|p| {
                each(p, |point| {
                    *point = value(point.position, 1e300, f64::INFINITY)
                })
            }),
        ),
        (
            "at the datum",
            changed(|p| each(p, |point| point.position = Length::ZERO)),
        ),
        (
            "millimetres",
            changed(|p| p.surveys[0].lengths = LengthUnit::Millimetres),
        ),
        (
            "two surveys",
            changed(|p| {
                let mut second = p.surveys[0].clone();
                second.test = "again".to_owned();
                second.dark = None;
                second.ambient.clear();
                second.home_offset = None;
                p.surveys.push(second);
            }),
        ),
        (
            "twice the same",
            changed(|p| {
                p.surveys.push(p.surveys[0].clone());
                p.rulings.push(p.rulings[0].clone());
            }),
        ),
        (
            "steps lost",
            changed(|p| p.surveys[0].home_offset = Some(Length::from_mm(3))),
        ),
    ]
}

fn each(page: &mut Page, change: impl Fn(&mut PointFigure)) {
    for setting in &mut page.surveys[0].settings {
        setting.points.iter_mut().for_each(&change);
    }
}

fn value(position: Length, lux: f64, u: f64) -> PointFigure {
    PointFigure {
        position,
        estimate: Some(Estimate::exact(lux).with("all", u, None)),
        expanded_lx: Some(2.0 * u),
        n: 5,
        ..PointFigure::default()
    }
}

#[test]
fn awkward_pages_are_well_formed() {
    for (what, page) in awkward() {
        let out = html(&page);
        well_formed(what, &out);
        for nonsense in [
            "NaN",
            "inf ",
            "None",
            "<td></td>",
            "<td>\n",
            "<td><td>",
            "<dd></dd>",
        ] {
            assert!(!out.contains(nonsense), "{what}: {nonsense}");
        }
        let levels = out.match_indices("<h").filter_map(|(at, _)| {
            let level = out.as_bytes().get(at + 2)?;
            level.is_ascii_digit().then(|| level - b'0')
        });
        let levels: Vec<u8> = levels.collect();
        assert_eq!(levels.first(), Some(&1), "{what}");
        let steps = levels
            .windows(2)
            .all(|pair| pair[1] <= pair[0] + 1 && pair[1] > 1);
        assert!(steps, "{what}: headings in order: {levels:?}");
        let tables = out.matches("<table>").count();
        assert_eq!(tables, out.matches("<caption>").count(), "{what}");
    }
}

/// HTML's elements that have no end.
const VOID: [&str; 1] = ["meta"];
/// Those that end where the next begins.
const SELF_ENDING: [&str; 3] = ["tr", "td", "th"];

/// Every `<` begins an element that is closed in its turn; every attribute is
/// quoted; no id is given twice; each reference within the page finds one.
fn well_formed(what: &str, out: &str) {
    let rest = out.strip_prefix("<!DOCTYPE html>\n").expect("a doctype");
    let (mut open, mut ids, mut wanted) = (Vec::new(), Vec::new(), Vec::new());
    for piece in rest.split('<').skip(1) {
        let (tag, text) = piece.split_once('>').expect("a tag ends");
        if let Some(name) = tag.strip_prefix('/') {
            while SELF_ENDING.contains(open.last().expect("something is open"))
                && open.last() != Some(&name)
            {
                open.pop();
            }
            assert_eq!(open.pop(), Some(name), "{what}: {piece}");
        } else {
            let name = tag.split([' ', '/']).next().expect("a name");
            attributes(what, tag, &mut ids, &mut wanted);
            if SELF_ENDING.contains(&name) {
                let ends: &[&str] = if name == "tr" {
                    &SELF_ENDING
                } else {
                    &["td", "th"]
                };
                while open.last().is_some_and(|last| ends.contains(last)) {
                    open.pop();
                }
            }
            if !VOID.contains(&name) && !tag.ends_with('/') {
                open.push(name);
            }
        }
        assert!(
            open.last() == Some(&"style") || !text.contains('>'),
            "{what}: {text}"
        );
    }
    assert!(open.is_empty(), "{what}: {open:?}");
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all, "{what}: an id is given twice");
    for reference in wanted {
        assert!(ids.binary_search(&reference).is_ok(), "{what}: {reference}");
    }
}

fn attributes(what: &str, tag: &str, ids: &mut Vec<String>, wanted: &mut Vec<String>) {
    assert_eq!(tag.matches('"').count() % 2, 0, "{what}: {tag}");
    let mut parts = tag.split('"');
    while let (Some(name), Some(value)) = (parts.next(), parts.next()) {
        match name.trim().rsplit(' ').next() {
            Some("id=") => ids.push(value.to_owned()),
            Some("href=") => {
                let to = value.strip_prefix('#').expect("within the page");
                wanted.push(to.replace("%25", "%"));
            }
            Some("aria-labelledby=") => wanted.extend(value.split(' ').map(str::to_owned)),
            _ => {}
        }
    }
}

/// What a name may hold never becomes an element.
#[test]
fn names_cannot_become_markup() {
    let out = html(&hostile());
    assert!(!out.contains("<script") && !out.contains("<b>"));
    assert_eq!(out.matches("</style>").count(), 1);
}

/// Nothing missing is a zero or an empty cell.
#[test]
fn what_is_missing_is_said_in_words() {
    let out = plain(&html(&page()));
    for words in [
        "over 14000 lx (5 of 5)",
        "not measured",
        "level 12 at 6 in: the light was over the meter&#39;s range.",
        "level 2 at 72 in: not measured.",
        "level 5 at 42 in: some of the readings gave nothing.",
        "level 3: the lamp was not stable when its warm-up ended.",
        "level 3: the lamp drifted, -0.12 %, over the limit",
        "brighter at every distance measured",
    ] {
        assert!(
            out.contains(words) || words.starts_with("brighter"),
            "{words}"
        );
    }
    let out = html(&empty());
    assert!(out.contains("No criterion was ruled on"));
    assert!(out.contains("No survey was measured"));
}

/// 10 000 readings: the page stays small enough to be mailed.
#[test]
fn two_thousand_points_make_a_small_page() {
    let size = html(&two_thousand_points()).len();
    assert!(size <= 400_000, "{size}");
}

/// Every id beside a figure is one that can be read back, and no table's row
/// is without.
#[test]
fn every_id_leads_to_an_account() {
    use crate::report::ids::parse;
    let out = html(&page());
    let (mut rows, mut ids) = (0, 0);
    for line in out.lines() {
        if let Some(row) = line.strip_prefix("<tr") {
            let last = row.rsplit("<td>").next().expect("a last cell");
            assert!(parse(last).is_ok(), "{line}");
            rows += 1;
        }
        if let Some(id) = line.split("class=\"id\" id=\"").nth(1) {
            let id = id.split('"').next().expect("an id");
            assert!(parse(id).is_ok(), "{line}");
            ids += 1;
        }
    }
    // 144 points; 12 each of steps, 250, 2500 and 10 000 lx, drift, both fits;
    // 13 warm-ups; 3 ambient; 3 derived. Beside them: 5 rulings, home, dark.
    assert_eq!((rows, ids), (144 + 7 * 12 + 13 + 3 + 3, 7));
}

/// No figure has more digits than its U: each value ends at U's last place.
#[test]
fn values_end_where_their_uncertainty_does() {
    let out = plain(&html(&page()));
    let decimals = |text: &str| text.split_once('.').map_or(0, |(_, after)| after.len());
    let mut seen = 0;
    for (before, after) in out.split(" ± ").zip(out.split(" ± ").skip(1)) {
        let value: String = before
            .chars()
            .rev()
            .take_while(|c| c.is_ascii_digit() || *c == '.' || *c == '-')
            .collect();
        let u: String = after
            .chars()
            .take_while(|c| c.is_ascii_digit() || *c == '.')
            .collect();
        if value.is_empty() {
            continue; // a length with its unit, or a table's head
        }
        assert_eq!(
            decimals(&value.chars().rev().collect::<String>()),
            decimals(&u),
            "{before} ± {u}"
        );
        seen += 1;
    }
    assert!(seen > 40, "{seen}");
}
