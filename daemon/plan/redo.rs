//! What of a run is measured again: its plan, narrowed to some tests, settings
//! and positions. Pure.
//!
//! Called by: queue. Not here: what of a run is missing (queue asks the store).

use photometry::units::Length;

use super::intent::{Plan, SettingWord, Settings, Test, TestKind};
use super::itinerary::Target;
use super::lamp::{Lamp, ONLY_MODE};
use super::settings;

/// What a person wants measured again, as written; empty lists leave it open.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Names of tests.
    pub tests: Vec<String>,
    /// Keys of settings, `L07`.
    pub settings: Vec<String>,
    /// Positions, in any unit.
    pub positions: Vec<String>,
}

impl Wanted {
    /// Nothing was chosen: whatever is missing is meant.
    pub fn is_open(&self) -> bool {
        self.tests.is_empty() && self.settings.is_empty() && self.positions.is_empty()
    }
}

/// Settings and positions of one test that are measured again: the whole grid
/// of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// The test's name.
    pub test: String,
    /// The settings' keys, in the plan's order.
    pub settings: Vec<String>,
    /// The positions, ascending.
    pub positions: Vec<Length>,
}

/// The parts of a plan that were chosen.
///
/// # Errors
/// Every name, setting and position that the plan lacks, each in words.
pub fn choose(plan: &Plan, lamp: &Lamp, wanted: &Wanted) -> Result<Vec<Part>, Vec<String>> {
    let mut mistakes = Vec::new();
    let names = || plan.tests.iter().map(|test| test.name.as_str());
    for name in &wanted.tests {
        if !names().any(|known| known == name) {
            mistakes.push(absent("test", name, names()));
        }
    }
    let meant = |test: &&Test| wanted.tests.is_empty() || wanted.tests.contains(&test.name);
    let mut tests: Vec<&Test> = plan.tests.iter().filter(meant).collect();
    if tests.is_empty() {
        // The tests named are all unknown; the rest is held against all of them.
        tests = plan.tests.iter().collect();
    }
    let all: Vec<Part> = tests.iter().map(|test| whole(test, lamp)).collect();
    for key in &wanted.settings {
        let known = || all.iter().flat_map(|part| &part.settings);
        if !known().any(|known| known == key) {
            mistakes.push(absent("setting", key, known().map(String::as_str)));
        }
    }
    let mut positions = Vec::new();
    for text in &wanted.positions {
        match position(text, &all) {
            Ok(position) => positions.push(position),
            Err(why) => mistakes.push(why),
        }
    }
    if !mistakes.is_empty() {
        return Err(mistakes);
    }
    let mut parts = all;
    for part in &mut parts {
        let kept = |key: &String| wanted.settings.is_empty() || wanted.settings.contains(key);
        part.settings.retain(kept);
        part.positions
            .retain(|at| positions.is_empty() || positions.contains(at));
    }
    parts.retain(|part| !part.settings.is_empty() && !part.positions.is_empty());
    if parts.is_empty() {
        let why = "no test of the plan has these settings at these positions";
        return Err(vec![why.to_owned()]);
    }
    Ok(parts)
}

/// Everything that a test measures.
pub fn whole(test: &Test, lamp: &Lamp) -> Part {
    let targets = targets(test.kind.settings(), lamp);
    let positions = match &test.kind {
        TestKind::Survey(survey) => survey.positions.clone(),
        // Its one place is no choice.
        other => vec![other.sight().and_then(|sight| sight.at).unwrap_or_default()],
    };
    let settings = match &test.kind {
        // Nothing of a program is measured again by itself.
        TestKind::Ramp(ramp) => vec![ramp.program.clone()],
        _ => targets.iter().map(Target::key).collect(),
    };
    Part {
        test: test.name.clone(),
        settings,
        positions,
    }
}

fn targets(settings: &Settings, lamp: &Lamp) -> Vec<Target> {
    let (modes, _) = settings::targets(settings, lamp);
    modes.into_iter().flat_map(|mode| mode.targets).collect()
}

fn position(text: &str, parts: &[Part]) -> Result<Length, String> {
    let at = Length::parse(text).map_err(|why| why.to_string())?;
    let known = || parts.iter().flat_map(|part| part.positions.iter().copied());
    if known().any(|known| known == at) {
        return Ok(at);
    }
    let near = known().min_by_key(|known| (*known - at).abs());
    let near = near.map_or_else(String::new, |near| {
        let inches = near.shown(photometry::units::LengthUnit::Inches);
        format!("; the nearest is {near} ({inches})")
    });
    Err(format!("the plan has no position {text}{near}"))
}

fn absent<'n>(what: &str, name: &str, known: impl Iterator<Item = &'n str>) -> String {
    let mut known: Vec<&str> = known.collect();
    known.sort_unstable();
    known.dedup();
    match written::nearest(name, known.iter().copied()) {
        Some(near) => format!("the plan has no {what} `{name}`; did you mean `{near}`?"),
        None => format!(
            "the plan has no {what} `{name}`; it has {}",
            known.join(", ")
        ),
    }
}

/// The plan with these parts only, and what rules on them.
pub fn narrowed(plan: &Plan, lamp: &Lamp, parts: &[Part]) -> Plan {
    let mut narrow = plan.clone();
    narrow.tests.retain_mut(|test| {
        let Some(part) = parts.iter().find(|part| part.test == test.name) else {
            return false;
        };
        let mut words: Vec<SettingWord> = Vec::new();
        for target in targets(test.kind.settings(), lamp) {
            if part.settings.contains(&target.key()) {
                let word = word_of(target);
                if !words.contains(&word) {
                    words.push(word);
                }
            }
        }
        if !matches!(test.kind, TestKind::Ramp(_)) {
            *test.kind.settings_mut() = Settings::These(words);
        }
        if let TestKind::Survey(survey) = &mut test.kind {
            survey.positions.clone_from(&part.positions);
        }
        true
    });
    let kept: Vec<&str> = narrow.tests.iter().map(|test| test.name.as_str()).collect();
    narrow
        .uses
        .retain(|one| one.test.as_deref().is_none_or(|test| kept.contains(&test)));
    narrow
}

/// The word by which a plan asks for a target.
fn word_of(target: Target) -> SettingWord {
    match target {
        Target::Setting(setting) if setting.mode == ONLY_MODE => SettingWord::Level(setting.level),
        Target::Setting(setting) => SettingWord::ModeLevel(setting.mode, setting.level),
        // In every mode: a plan cannot ask for it in one.
        Target::HalfLight(_) => SettingWord::HalfLight,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::lamp::Mode;
    use crate::plan::{layout, samples};

    fn words(words: &[&str]) -> Vec<String> {
        words.iter().map(|word| (*word).to_owned()).collect()
    }

    fn wanted(tests: &[&str], settings: &[&str], positions: &[&str]) -> Wanted {
        Wanted {
            tests: words(tests),
            settings: words(settings),
            positions: words(positions),
        }
    }

    #[test]
    fn a_narrowed_plan_asks_for_nothing_else() {
        let (plan, lamp) = (
            samples::plan(samples::survey(&[6, 12, 24])),
            samples::lamp(5),
        );
        let name = plan.tests[0].name.clone();
        let chosen = wanted(&[&name], &["L04", "L02"], &["24 in", "152.4 mm"]);
        let parts = choose(&plan, &lamp, &chosen).expect("parts");
        assert_eq!(parts[0].settings, ["L04", "L02"]);
        let narrow = narrowed(&plan, &lamp, &parts);
        let (card, placement) = (samples::card(), samples::placement());
        let itinerary = layout::itinerary(&narrow, &lamp, &placement, &card).expect("fits");
        let mut read: Vec<(String, i64)> = itinerary
            .actions
            .iter()
            .filter_map(|action| action.key.as_ref())
            .filter(|key| key.purpose == crate::plan::itinerary::Purpose::Read)
            .map(|key| (key.setting.clone(), key.position.nm()))
            .collect();
        read.sort();
        read.dedup();
        let at = |setting: &str, inches: i64| (setting.to_owned(), inches * 25_400_000);
        let expected = [at("L02", 6), at("L02", 24), at("L04", 6), at("L04", 24)];
        assert_eq!(read, expected);
    }

    /// A setting that one test has and a position that another has: each is in the
    /// plan, but nowhere both.
    #[test]
    fn only_tests_with_the_setting_and_the_position_are_taken() {
        let mut plan = samples::plan(samples::survey(&[6]));
        let mut second = plan.tests[0].clone();
        second.name = "far".to_owned();
        second.kind = TestKind::Survey(samples::survey(&[24]));
        plan.tests.push(second);
        for (test, level) in plan.tests.iter_mut().zip([1, 2]) {
            *test.kind.settings_mut() = Settings::These(vec![SettingWord::Level(level)]);
        }
        let lamp = samples::lamp(2);
        type Names<'a> = &'a [&'a str];
        let nowhere = "no test of the plan has these settings at these positions";
        let cases: [(Names<'_>, Names<'_>, Result<&str, &str>); 4] = [
            (&["L02"], &[], Ok("far")),
            (&["L02"], &["24 in"], Ok("far")),
            (&["L01", "L02"], &["6 in"], Ok("survey")),
            (&["L01"], &["24 in"], Err(nowhere)),
        ];
        for (settings, positions, expected) in cases {
            let wanted = wanted(&[], settings, positions);
            let chosen = choose(&plan, &lamp, &wanted).map(|parts| {
                let names: Vec<String> = parts.into_iter().map(|part| part.test).collect();
                names.join(", ")
            });
            let expected = expected.map(str::to_owned);
            let expected = expected.map_err(|why| vec![why.to_owned()]);
            assert_eq!(chosen, expected, "{wanted:?}");
        }
    }

    /// A level is asked for in its own mode; the level of half the light in both,
    /// and once, because no word of a plan asks for it in one.
    #[test]
    fn a_lamp_of_several_modes_is_asked_for_each_by_name() {
        let mode = |name: &str| Mode {
            name: name.to_owned(),
            levels: 4,
        };
        let mut lamp = samples::lamp(4);
        lamp.modes = vec![mode("warm"), mode("cool")];
        let mut survey = samples::survey(&[6, 12]);
        survey.settings = Settings::These(vec![SettingWord::Full, SettingWord::HalfLight]);
        let plan = samples::plan(survey);
        let in_mode = |mode: &str, level| SettingWord::ModeLevel(mode.to_owned(), level);
        let half = SettingWord::HalfLight;
        let cases = [
            (&["cool-L04"][..], vec![in_mode("cool", 4)]),
            (
                &["cool-L04", "warm-L04"],
                vec![in_mode("warm", 4), in_mode("cool", 4)],
            ),
            (&["warm-half-light"], vec![half.clone()]),
            (
                &["warm-half-light", "cool-half-light", "warm-L04"],
                vec![in_mode("warm", 4), half],
            ),
        ];
        for (settings, asked) in cases {
            let parts = choose(&plan, &lamp, &wanted(&[], settings, &[])).expect("parts");
            let narrow = narrowed(&plan, &lamp, &parts);
            let found = narrow.tests[0].kind.settings();
            assert_eq!(*found, Settings::These(asked), "{settings:?}");
        }
    }

    #[test]
    fn every_mistake_is_told_at_once() {
        let (plan, lamp) = (samples::plan(samples::survey(&[6, 12])), samples::lamp(3));
        let chosen = wanted(&["nothing"], &["L3", "L09"], &["25 in", "6 furlong"]);
        let mistakes = choose(&plan, &lamp, &chosen).expect_err("mistakes");
        insta::assert_snapshot!(mistakes.join("\n"));
    }
}
