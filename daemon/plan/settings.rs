//! From the words of a plan to settings of a lamp: `all`, `full`,
//! `half-setting`, `half-light`, numbers.

use super::faults::Problem;
use super::intent::{SettingWord, Settings};
use super::itinerary::Target;
use super::lamp::{Lamp, Mode, Setting};

/// The targets of one mode, the highest first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ModeTargets {
    /// The mode.
    pub mode: Mode,
    /// What is measured in it; the level of half the light comes last.
    pub targets: Vec<Target>,
}

/// The targets by mode, and what of the words the lamp lacks: (place of the
/// word in its list, what is wrong).
pub fn targets(settings: &Settings, lamp: &Lamp) -> (Vec<ModeTargets>, Vec<(usize, Problem)>) {
    let words = match settings {
        Settings::All => vec![],
        Settings::These(words) => words.clone(),
    };
    let lacking = words
        .iter()
        .enumerate()
        .filter_map(|(at, word)| Some((at, lacks(word, lamp)?)))
        .collect();
    let modes = lamp
        .modes
        .iter()
        .map(|mode| {
            let mut levels: Vec<u16> = match settings {
                Settings::All => (1..=mode.levels).collect(),
                Settings::These(words) => words
                    .iter()
                    .filter_map(|word| level_in(word, mode))
                    .collect(),
            };
            levels.sort_unstable();
            levels.dedup();
            let mut targets: Vec<Target> = levels
                .into_iter()
                .rev()
                .map(|level| {
                    Target::Setting(Setting {
                        mode: mode.name.clone(),
                        level,
                    })
                })
                .collect();
            if words.contains(&SettingWord::HalfLight) && mode.levels > 1 {
                targets.push(Target::HalfLight(mode.name.clone()));
            }
            ModeTargets {
                mode: mode.clone(),
                targets,
            }
        })
        .filter(|mode| !mode.targets.is_empty())
        .collect();
    (modes, lacking)
}

/// The level that a word means in a mode, if the mode has it.
fn level_in(word: &SettingWord, mode: &Mode) -> Option<u16> {
    match word {
        SettingWord::Full => Some(mode.levels),
        SettingWord::HalfSetting => Some(mode.levels.div_ceil(2)),
        SettingWord::HalfLight => None,
        SettingWord::Level(level) => Some(*level),
        SettingWord::ModeLevel(name, level) => (*name == mode.name).then_some(*level),
    }
    .filter(|level| (1..=mode.levels).contains(level))
}

/// What the lamp lacks of a word.
fn lacks(word: &SettingWord, lamp: &Lamp) -> Option<Problem> {
    let highest = lamp.modes.iter().map(|mode| mode.levels).max().unwrap_or(0);
    match word {
        SettingWord::Full | SettingWord::HalfSetting | SettingWord::HalfLight => None,
        SettingWord::Level(level) => {
            (*level == 0 || *level > highest).then(|| Problem::LevelAbsent {
                lamp: lamp.name.clone(),
                level: *level,
                highest,
            })
        }
        SettingWord::ModeLevel(name, level) => {
            match lamp.modes.iter().find(|mode| mode.name == *name) {
                None => Some(Problem::ModeAbsent {
                    lamp: lamp.name.clone(),
                    mode: name.clone(),
                    known: lamp.modes.iter().map(|mode| mode.name.clone()).collect(),
                }),
                Some(mode) => (*level == 0 || *level > mode.levels).then(|| Problem::LevelAbsent {
                    lamp: lamp.name.clone(),
                    level: *level,
                    highest: mode.levels,
                }),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::samples;

    fn shown(words: Vec<SettingWord>, levels: u16) -> Vec<String> {
        let (modes, _) = targets(&Settings::These(words), &samples::lamp(levels));
        modes
            .into_iter()
            .flat_map(|mode| mode.targets)
            .map(|target| target.key())
            .collect()
    }

    #[test]
    fn words_become_levels_highest_first() {
        use SettingWord::{Full, HalfLight, HalfSetting, Level};
        let cases: [(Vec<SettingWord>, u16, &[&str]); 5] = [
            (vec![Level(2), Level(5), Level(2)], 12, &["L05", "L02"]),
            (vec![Full, HalfSetting], 12, &["L12", "L06"]),
            (vec![HalfSetting], 5, &["L03"]),
            (vec![Full, HalfLight], 9, &["L09", "half-light"]),
            (vec![HalfLight], 1, &[]),
        ];
        for (words, levels, expected) in cases {
            assert_eq!(shown(words, levels), expected);
        }
    }

    /// Also level 0, which no file can ask for, and a mode's own highest level
    /// where another mode goes higher.
    #[test]
    fn what_the_lamp_lacks_is_named_by_its_place_in_the_list() {
        let in_mode = |mode: &str, level| SettingWord::ModeLevel(mode.to_owned(), level);
        let words = vec![
            SettingWord::Full,
            SettingWord::Level(13),
            SettingWord::Level(0),
            SettingWord::Level(12),
            in_mode("warm", 1),
            in_mode("warm", 0),
            in_mode("warm", 5),
            in_mode("amber", 1),
        ];
        let mode = |name: &str, levels| Mode {
            name: name.to_owned(),
            levels,
        };
        let mut lamp = samples::lamp(12);
        lamp.modes = vec![mode("warm", 4), mode("cool", 12)];
        let (_, lacking) = targets(&Settings::These(words), &lamp);
        let told: Vec<(usize, String, Option<String>)> = lacking
            .iter()
            .map(|(at, problem)| (*at, problem.to_string(), problem.hint()))
            .collect();
        insta::assert_debug_snapshot!(told);
    }
}
