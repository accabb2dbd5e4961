//! The settings of a profile as written: set at every opening, and read back.
//!
//! ```yaml
//! settings:
//!   integration: {set: "SENS:APER {value}", ask: "SENS:APER?", in: s}
//!   gain: {set: {write: holding, at: 5, as: u16, value: "{value}"}, value: 2}
//! ```

use written::{Fields, Mistake, Mistakes, Node, readers};

use super::pattern::Pattern;
use super::read_steps::{self, pattern, template};
use super::types::{Setting, SettingUnit, Step, Within};

/// Most settings: no device of a bench has more that matter.
const SETTINGS_AT_MOST: usize = 30;
/// A setting reads back equal when it differs by less, unless the profile says.
const ROUNDS_BY: f64 = 0.01;

/// The key `settings`.
pub(super) fn settings(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Setting>> {
    if node.kind() != written::Kind::Map {
        mistakes.add(readers::must_be(node, "settings by their names"));
        return None;
    }
    if node.entries().len() > SETTINGS_AT_MOST {
        let text = format!("more than {SETTINGS_AT_MOST} settings");
        mistakes.add(Mistake::new(node.place(), "too-many", text));
        return None;
    }
    let read: Vec<Option<Setting>> = node
        .entries()
        .map(|(key, value)| {
            let name = readers::name(key, mistakes)?;
            setting(&name, value, mistakes)
        })
        .collect();
    read.into_iter().collect()
}

fn setting(name: &str, node: Node<'_>, mistakes: &mut Mistakes) -> Option<Setting> {
    let mut fields = Fields::of(node, &format!("the setting `{name}`"), mistakes)?;
    let set = fields.need_like("set", "\"SENS:APER {value}\"", set);
    let answer = match fields.has("answer") || fields.has("match") {
        true => pattern(&mut fields),
        false => Pattern::read("{value}").ok(),
    };
    let ask = fields.may_or("ask", ask(answer), Vec::new());
    let units = [
        ("s", SettingUnit::Seconds),
        ("ms", SettingUnit::Milliseconds),
        ("number", SettingUnit::Number),
        ("word", SettingUnit::Word),
    ];
    let unit = fields.may_or("in", readers::one_of(&units), SettingUnit::Number);
    let value = fields.may("value", readers::text);
    let between = fields.may("between", between);
    let share = readers::quantity(photometry::units::Ratio::parse);
    let rounds_by = fields
        .may("rounds-by", share)
        .map_or(ROUNDS_BY, |r| r.share());
    fields.finish();
    let setting = Setting {
        name: name.to_owned(),
        set: set?,
        ask,
        unit,
        value,
        between,
        rounds_by,
    };
    check(node, &setting, mistakes);
    Some(setting)
}

/// What several keys say together.
fn check(node: Node<'_>, setting: &Setting, mistakes: &mut Mistakes) {
    let Setting {
        name,
        ask,
        unit,
        value,
        ..
    } = setting;
    if !ask.is_empty() && !read_steps::fields(ask).any(|field| field == "value") {
        let text = format!("what is asked of the setting `{name}` gives no `{{value}}`");
        mistakes.add(Mistake::new(node.place(), "missing-field", text));
    }
    let given = matches!(name.as_str(), "integration" | "averages");
    if given == value.is_some() {
        let text = if given {
            format!("the value of `{name}` comes from the bench file")
        } else {
            format!("the setting `{name}` has no value")
        };
        mistakes.add(
            Mistake::new(node.place(), "setting-value", text).hint(if given {
                "leave `value` out"
            } else {
                "write `value: ...`; it is set at every opening"
            }),
        );
    }
    let (Some(text), Some(place)) = (value, node.get("value")) else {
        return;
    };
    if *unit != SettingUnit::Word && !text.parse::<f64>().is_ok_and(f64::is_finite) {
        mistakes.add(readers::must_be(place, "a number").hint("or say `in: word`"));
    } else if let Err(outside) = setting.within(text) {
        let text = outside.to_string();
        mistakes.add(Mistake::new(place.place(), "setting-value", text));
    }
}

/// A line that the device must take without complaint, or steps.
fn set(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Step>> {
    if node.kind() == written::Kind::Text {
        return template(&["value"])(node, mistakes).map(|line| vec![Step::Set(line)]);
    }
    read_steps::steps(&["value"])(node, mistakes)
}

/// A question whose answer has this form, or steps.
fn ask(answer: Option<Pattern>) -> impl FnOnce(Node<'_>, &mut Mistakes) -> Option<Vec<Step>> {
    move |node, mistakes| {
        if node.kind() != written::Kind::Text {
            return read_steps::steps(&[])(node, mistakes);
        }
        let line = template(&[])(node, mistakes)?;
        Some(vec![Step::Ask {
            line,
            answer: answer?,
            within: Within::USUAL,
            is: Vec::new(),
        }])
    }
}

fn between(node: Node<'_>, mistakes: &mut Mistakes) -> Option<(f64, f64)> {
    let ends = readers::list_of(readers::number)(node, mistakes)?;
    let [low, high] = ends[..] else {
        mistakes.add(readers::must_be(
            node,
            "a list of two numbers, `[least, largest]`",
        ));
        return None;
    };
    Some((low, high))
}
