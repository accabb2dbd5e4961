//! The tables as a person and as a program sees them.

use crate::plan::placement::Stated;
use photometry::uncertainty::Estimate;
use photometry::units::{Length, LengthUnit, Ratio, Span};

use super::survey::{Heading, NetOf, PointFigure, SettingFigures, SurveyFigures, WarmUpFigure};
use super::table;

/// Twelve levels at twelve positions, as a bright lamp gives them: 0.85 cd to
/// 430 cd, U about 4 %; level 12 is over range nearest to the lamp.
pub fn figures() -> SurveyFigures {
    let settings = (1..=12).rev().map(setting).collect();
    SurveyFigures {
        test: "survey".to_owned(),
        heading: Heading {
            plan: "every-six-inches".to_owned(),
            lamp: "dunlin".to_owned(),
            unit: "dunlin-1".to_owned(),
            firmware: Some("1.4".to_owned()),
            bench: "strand".to_owned(),
            meter: "lux-head".to_owned(),
            fixed_sensor: None,
            certificate: Some("K-2026-118".to_owned()),
            datum: "the front of the housing",
            near_field: Length::from_mm(1000),
            placed_by: "ada".to_owned(),
            stated: [(Stated::Supply, "230 V, 50 Hz".to_owned())].into(),
        },
        lengths: LengthUnit::Inches,
        net_of: NetOf::Ambient,
        settings,
        dark: None,
        ambient: Vec::new(),
        home_offset: Some(Length::from_um(4)),
        home_tolerance: Some(Length::from_um(50)),
        unfinished: false,
        failures: Vec::new(),
        set_aside: Vec::new(),
    }
}

fn setting(level: u16) -> SettingFigures {
    let candela = 0.85 * 1.76_f64.powi(i32::from(level) - 1);
    let point = |station: i64| {
        let position = Length::from_nm(station * 152_400_000);
        let (d, r) = (position.metres(), 0.06);
        let value = candela / (d * d + r * r);
        let u = value * (0.018_f64.powi(2) + (0.002 / d).powi(2)).sqrt() + 0.003;
        let mut point = PointFigure {
            position,
            estimate: Some(Estimate::exact(value).with("all", u, None)),
            expanded_lx: Some(2.0 * u),
            n: 5,
            sd_lx: Some(value * 0.001),
            mean_raw_lx: Some(value + 0.4),
            ..PointFigure::default()
        };
        if level == 12 && station == 1 {
            point = PointFigure {
                position,
                over: 5,
                over_lx: Some(14_000.0),
                ..PointFigure::default()
            };
        }
        if level == 5 && station == 7 {
            point.n = 4;
            point.missing = 1;
        }
        if level == 2 && station == 12 {
            point = PointFigure {
                position,
                missing: 5,
                ..PointFigure::default()
            };
        }
        point
    };
    let mut warm_up = vec![WarmUpFigure {
        stable: level != 3,
        figure: Some(Ratio::new(0.000_8)),
        by: "predicted drift".to_owned(),
        after: Span::from_secs(140),
        decline_per_hour: (level == 9).then(|| Ratio::new(0.004)),
        after_seam: level == 9,
        seq: 0,
    }];
    if level == 12 {
        let full = WarmUpFigure {
            stable: true,
            figure: Some(Ratio::new(0.004_6)),
            by: "spread".to_owned(),
            after: Span::from_mins(75),
            decline_per_hour: Some(Ratio::new(0.011)),
            after_seam: false,
            seq: 0,
        };
        warm_up.insert(0, full);
    }
    SettingFigures {
        setting: format!("L{level:02}"),
        shown: format!("level {level}"),
        points: (1..=12).map(point).collect(),
        drift: Some(Ratio::new(-0.000_4 * f64::from(level % 5))),
        left_over: None,
        drift_flagged: level == 3,
        visits: 3,
        warm_up,
        reference: Vec::new(),
    }
}

fn small() -> SurveyFigures {
    let mut small = figures();
    small
        .settings
        .retain(|s| ["L12", "L05", "L03"].contains(&s.setting.as_str()));
    for setting in &mut small.settings {
        setting.points.truncate(7);
    }
    small.heading.plan = "=cmd|' /C calc'!A0".to_owned();
    small
}

#[test]
fn the_tables_of_a_survey() {
    insta::assert_snapshot!("text", table::text(&figures()));
}

#[test]
fn the_same_for_programs() {
    let csv = table::csv(&[small()]).expect("csv");
    insta::assert_snapshot!("csv", csv);
    assert!(!csv.contains(",=") && !csv.starts_with('='), "no formula");
    let json: serde_json::Value =
        serde_json::from_str(&table::json(&[small()]).expect("json")).expect("json");
    let value = &json[0]["settings"][1]["points"][3]["estimate"]["value"];
    assert_eq!(
        value.as_f64(),
        small().settings[1].points[3]
            .estimate
            .as_ref()
            .map(|e| e.value)
    );
}

#[test]
fn millimetres_when_the_bench_says_so_and_lux_stay() {
    let mut metric = small();
    metric.lengths = LengthUnit::Millimetres;
    let (inches, mm) = (table::text(&small()), table::text(&metric));
    assert!(inches.contains(" 6 in") && mm.contains(" 152.4 mm"), "{mm}");
    assert_eq!(table::csv(&[small()]).ok(), table::csv(&[metric]).ok());
}

/// However many settings there are, no grid is wider than a terminal, and no
/// setting is left out.
#[test]
fn forty_levels_stand_in_blocks() {
    let mut many = figures();
    let twelve = many.settings.clone();
    many.settings = (1..=40)
        .map(|level: usize| SettingFigures {
            shown: format!("warm, level {level}"),
            ..twelve[level % 12].clone()
        })
        .collect();
    let text = table::text(&many);
    let grids = text.split("Drift and warm-up").next().expect("grids");
    let heads = grids
        .lines()
        .filter(|line| line.trim_start().starts_with("distance"));
    let levels: Vec<usize> = heads
        .flat_map(|head| head.split_whitespace().skip(1))
        .map(|level| level.parse().expect("a level"))
        .collect();
    assert_eq!(levels, (1..=40).chain(1..=40).collect::<Vec<_>>());
    assert!(grids.contains("(down) and warm, level (across)"));
    for line in grids.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
}

/// One setting keeps its whole name; settings without a common word, theirs.
#[test]
fn only_what_all_names_share_is_left_out() {
    let mut named = figures();
    named.settings.truncate(2);
    named.settings[0].shown = "night light".to_owned();
    let text = table::text(&named);
    assert!(text.contains("night light  level 11"), "{text}");
    named.settings.truncate(1);
    assert!(table::text(&named).contains("distance  night light"));
}

/// The same thing at several distances is said once.
#[test]
fn a_note_names_its_places_once() {
    let mut flagged = small();
    for point in &mut flagged.settings[1].points {
        point.flags = vec!["cold".to_owned()];
    }
    for at in [0, 2] {
        flagged.settings[2].points[at].flags = vec!["cold".to_owned()];
    }
    let notes = table::notes(&flagged);
    let cold: Vec<&String> = notes.iter().filter(|n| n.contains("cold")).collect();
    assert_eq!(
        cold,
        [
            "* level 5 at every distance: cold.",
            "* level 3 at 6 in, 18 in: cold."
        ]
    );
}
