//! A report of 10,000 readings: 40 levels at 50 positions, 5 readings each.

use photometry::uncertainty::Estimate;
use photometry::units::{Length, LengthUnit, Ratio};
use wakerail::report::page::{Page, RunFacts};
use wakerail::report::survey::{Heading, NetOf, PointFigure, SettingFigures, SurveyFigures};

/// The report's data.
pub fn page() -> Page {
    let text = |text: &str| text.to_owned();
    Page {
        subject: String::new(),
        measures: Vec::new(),
        run: RunFacts {
            number: 12,
            state: text("complete"),
            booked: text("2026-11-25 21:40 UTC"),
            begun: text("2026-11-25 22:00 UTC"),
            ended: text("2026-11-26 05:24 UTC"),
            program: text("wakerail"),
            made: text("2026-11-26 08:00 UTC"),
        },
        surveys: vec![survey()],
        rulings: Vec::new(),
        other_rulings: Vec::new(),
        derived: Vec::new(),
        remarks: Vec::new(),
        notes: Vec::new(),
    }
}

fn survey() -> SurveyFigures {
    let text = |text: &str| text.to_owned();
    SurveyFigures {
        test: text("levels"),
        heading: Heading {
            plan: text("a long night"),
            lamp: text("dunlin"),
            unit: text("D-17"),
            firmware: Some(text("1.4")),
            bench: text("strand"),
            meter: text("lux-head"),
            fixed_sensor: None,
            certificate: Some(text("K-2026-118")),
            datum: "the front of the housing",
            near_field: Length::from_mm(900),
            placed_by: text("ada"),
            stated: Default::default(),
        },
        lengths: LengthUnit::Inches,
        net_of: NetOf::Dark,
        settings: (1..=40).rev().map(setting).collect(),
        dark: None,
        ambient: Vec::new(),
        home_offset: Some(Length::from_um(4)),
        home_tolerance: Some(Length::from_um(50)),
        unfinished: false,
        failures: Vec::new(),
        set_aside: Vec::new(),
    }
}

fn setting(level: i32) -> SettingFigures {
    SettingFigures {
        setting: format!("L{level:02}"),
        shown: format!("level {level}"),
        points: (1..=50).map(|station| point(level, station)).collect(),
        drift: Some(Ratio::new(-0.000_4)),
        left_over: None,
        drift_flagged: false,
        visits: 3,
        warm_up: Vec::new(),
        reference: Vec::new(),
    }
}

fn point(level: i32, station: i64) -> PointFigure {
    let position = Length::from_nm(station * 38_100_000);
    let d = position.metres();
    let value = 0.4 * 1.2_f64.powi(level) / (d * d + 0.004);
    let estimate = Estimate::exact(value)
        .with("certificate", value * 0.015, None)
        .with("datum", -2.0 * value * 0.0005 / d, None)
        .with(
            &format!("repeatability {level} {station}"),
            value * 0.001,
            Some(4.0),
        )
        .with(&format!("drift L{level:02}"), value * 0.0005, None);
    PointFigure {
        position,
        expanded_lx: Some(estimate.expanded(2.0)),
        estimate: Some(estimate),
        n: 5,
        sd_lx: Some(value * 0.002),
        mean_raw_lx: Some(value),
        ..PointFigure::default()
    }
}
