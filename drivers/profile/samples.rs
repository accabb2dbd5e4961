//! Answers that are known, read as a run would read them: a profile is held
//! against its own samples whenever it is read, without any hardware.

use photometry::measured::Outcome;
use written::{Mistake, Mistakes, Node};

use super::blocks;
use super::codec;
use super::many;
use super::pattern::Found;
use super::rail::{self, RailWords};
use super::read_steps;
use super::registers::{self, Source};
use super::types::{Profile, ProfileVerb, Sample, SampleAnswer, Speech, Step, VERBS};
use super::value::{self, IlluminanceUnit};
use crate::exchange::acks::Kind;
use crate::exchange::scpi::{Identity, Number};

/// A value equals its sample when it differs by no more than this share: what
/// scaling by a unit may cost.
const SAME: f64 = 1e-9;
/// The least and the largest of many numbers: by what binary32 holds.
const SAME_OF_MANY: f64 = 1e-6;

/// Adds a mistake for each sample that is not read as it says, and a warning
/// for each verb that gives something and has no sample.
pub(super) fn hold(root: Node<'_>, profile: &Profile, mistakes: &mut Mistakes) {
    let written = root.get("samples");
    let nodes = written.into_iter().flat_map(Node::items);
    for (sample, node) in profile.samples.iter().zip(nodes) {
        let told = told(profile, sample);
        if !same(&told, &sample.gives) {
            let text = format!(
                "the sample {} is read as `{told}`, not as `{}`",
                shown(&sample.answer),
                sample.gives
            );
            let hint = "correct the answer's form above, or the sample";
            let hint = match why_refused(profile, sample) {
                Some(why) => format!("{why}; {hint}"),
                None => hint.to_owned(),
            };
            mistakes.add(Mistake::new(node.place(), "sample", text).hint(hint));
        }
    }
    for form in VERBS.iter().filter(|form| !form.must.is_empty()) {
        let has = profile.samples.iter().any(|s| s.verb == Some(form.verb));
        if profile.verbs.contains_key(&form.verb) && !has {
            let place = root.get(form.word).map_or(root.place(), Node::place);
            let text = format!("`{}` has no sample", form.word);
            mistakes.add(Mistake::warning(place, "no-sample", text).hint(
                "write an answer from the device's papers under `samples`, and what it means",
            ));
        }
    }
}

fn shown(answer: &SampleAnswer) -> String {
    match answer {
        SampleAnswer::Line(line) => written::readers::shown(line),
        SampleAnswer::Words(words) => {
            let words: Vec<String> = words.iter().map(|word| format!("0x{word:04X}")).collect();
            written::readers::shown(&format!("[{}]", words.join(", ")))
        }
        SampleAnswer::Bytes(bytes) => {
            let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
            written::readers::shown(&bytes.join(" "))
        }
    }
}

/// What a sample's answer is read as: `500.6 lx`, `over`, `under`, `invalid`,
/// `refused`, `closed`, `open`, a number for a range, and for an identity its
/// four parts with `-` for what it does not tell.
pub fn told(profile: &Profile, sample: &Sample) -> String {
    let refused = || "refused".to_owned();
    let Some(verb) = sample.verb else {
        let answered = found(profile, &profile.identity, None, &sample.answer);
        return answered.map_or_else(refused, |found| {
            let who = identity(&found, None);
            let known = |part: Option<String>| part.unwrap_or_else(|| "-".to_owned());
            format!(
                "{}, {}, {}, {}",
                who.maker,
                who.model,
                known(who.serial),
                known(who.firmware)
            )
        });
    };
    if verb == ProfileVerb::Heard {
        return heard(profile, &sample.answer).unwrap_or_else(refused);
    }
    if let Some(told) = many_told(profile, verb, &sample.answer) {
        return told;
    }
    let must = VERBS.iter().find(|form| form.verb == verb);
    let field = must.and_then(|form| form.must.first()).copied();
    let steps = profile.steps(verb).unwrap_or_default();
    let Some(found) = found(profile, steps, field, &sample.answer) else {
        return refused();
    };
    match verb {
        ProfileVerb::ReadIlluminance => {
            let outcome = value::illuminance(profile, &found, None, (f64::MIN, f64::MAX));
            outcome_told(&outcome, " lx")
        }
        ProfileVerb::ReadPower | ProfileVerb::ReadTemperature => {
            let field = field.unwrap_or_default();
            outcome_told(
                &value::plain(profile, &found, field, (f64::MIN, f64::MAX)),
                "",
            )
        }
        ProfileVerb::ReadRange
        | ProfileVerb::ReadFill
        | ProfileVerb::ReadTop
        | ProfileVerb::ReadFilter => {
            let text = found.get(field.unwrap_or_default()).unwrap_or_default();
            match value::number(text, &profile.marks, profile.decimal_comma) {
                Some(Number::Value(range)) => range.to_string(),
                _ => refused(),
            }
        }
        ProfileVerb::ReadLevel => {
            value::lit(profile, &found).map_or_else(refused, |lit| lit.to_string())
        }
        ProfileVerb::ReadOutlet => {
            let on = found.get("on").and_then(value::closed);
            on.map_or_else(refused, |on| if on { "on" } else { "off" }.to_owned())
        }
        ProfileVerb::ReadCoil | ProfileVerb::ReadContact => {
            let closed = found.get("closed").and_then(value::closed);
            closed.map_or_else(refused, |closed| {
                if closed { "closed" } else { "open" }.to_owned()
            })
        }
        _ => of_rail(profile, verb, &found).unwrap_or_else(refused),
    }
}

/// What an answer of many numbers is read as; none where the verb gives no such.
fn many_told(profile: &Profile, verb: ProfileVerb, answer: &SampleAnswer) -> Option<String> {
    let (SampleAnswer::Bytes(bytes), Speech::Lines(manner)) = (answer, &profile.speech) else {
        return None;
    };
    let mut steps = profile.steps(verb).unwrap_or_default().iter();
    let step = steps.find_map(|step| match step {
        Step::Many(step) => Some(step),
        _ => None,
    })?;
    let told = many::told(step, bytes, manner.end);
    Some(told.unwrap_or_else(|_| "refused".to_owned()))
}

/// An outcome of a reading, its value with this behind it.
fn outcome_told(outcome: &Outcome, unit: &str) -> String {
    match outcome {
        Outcome::Value(value) => format!("{value}{unit}"),
        Outcome::Over(_) => "over".to_owned(),
        Outcome::Under(_) => "under".to_owned(),
        Outcome::Rejected(why) if why == value::NO_NUMBER => "invalid".to_owned(),
        Outcome::Rejected(_) | Outcome::TimedOut => "refused".to_owned(),
    }
}

/// What the fields of a rail's answer say.
fn of_rail(profile: &Profile, verb: ProfileVerb, found: &Found) -> Option<String> {
    let rail = profile.rail.as_ref()?;
    match verb {
        ProfileVerb::ReadPlace => {
            // A sample has one answer: what another step gives is not in it.
            let states = rail.states.clone();
            let alone = RailWords {
                states: states.filter(|_| found.get("state").is_some()),
                bits: None,
                ..rail.clone()
            };
            Some(alone.look(found)?.told())
        }
        ProfileVerb::ReadSwitch => {
            let closed = rail.switch.as_ref()?.is_closed(found.get("switch")?)?;
            Some(if closed { "closed" } else { "open" }.to_owned())
        }
        ProfileVerb::TouchSwitch => {
            let at = rail.unit.told(found.get("at")?)?;
            Some(format!("{} mm", at.mm()))
        }
        _ => None,
    }
}

/// What a line or a status of a rail is read as: `good`, `bad 9`, `halt 1`, `aside`,
/// `banner`; `homed, in position`.
fn heard(profile: &Profile, answer: &SampleAnswer) -> Option<String> {
    let numbered = |word: &str, code: Option<i64>| match code {
        Some(code) => format!("{word} {code}"),
        None => word.to_owned(),
    };
    match (answer, &profile.speech) {
        (SampleAnswer::Line(line), Speech::Lines(manner)) => {
            Some(match manner.acks.as_ref()?.kind(line) {
                Kind::Good => "good".to_owned(),
                Kind::Bad(code, _) => numbered("bad", code),
                Kind::Halt(code, _) => numbered("halt", code.map(i64::from)),
                Kind::Aside(_) => "aside".to_owned(),
                Kind::Banner(_) => "banner".to_owned(),
            })
        }
        (answer @ SampleAnswer::Words(_), Speech::Registers(_)) => {
            let steps = profile.steps(ProfileVerb::ReadPlace)?;
            let found = found(profile, steps, Some("status"), answer)?;
            let status = rail::bits_of(found.get("status")?)?;
            Some(profile.rail.as_ref()?.bits?.words(status))
        }
        _ => None,
    }
}

/// The fields of an answer to the step that gives `field`, or to the only step.
fn found(
    profile: &Profile,
    steps: &[Step],
    field: Option<&str>,
    answer: &SampleAnswer,
) -> Option<Found> {
    let gives = |step: &&Step| {
        let step = std::slice::from_ref(*step);
        read_steps::fields(step).any(|known| field.is_none_or(|field| known == field))
    };
    match (steps.iter().find(gives)?, answer) {
        (
            Step::Ask { answer: form, .. }
            | Step::Until { answer: form, .. }
            | Step::Hear { answer: form, .. }
            | Step::Run { answer: form, .. },
            SampleAnswer::Line(line),
        ) => form.find(line),
        (Step::Read { source, gives, .. }, answer) => {
            let text = match (source, answer) {
                (Source::Bit { .. }, SampleAnswer::Line(bit)) => bit.clone(),
                (_, SampleAnswer::Words(words)) => registers::text(source, words)?,
                _ => return None,
            };
            let mut found = Found::default();
            found.set(gives, text);
            Some(found)
        }
        (step, SampleAnswer::Bytes(bytes)) => of_bytes(profile, step, bytes)?.ok(),
        _ => None,
    }
}

/// The fields of an answer of bytes, or why there are none; nothing where the step is
/// answered by something else.
fn of_bytes(profile: &Profile, step: &Step, bytes: &[u8]) -> Option<Result<Found, String>> {
    match (step, &profile.speech, &profile.codec) {
        (Step::Frame(step), _, Some(codec)) => Some(codec::read(codec.0.as_ref(), step, bytes)),
        (Step::Block(step), Speech::Lines(manner), _) => {
            Some(blocks::read(step, bytes, manner.end))
        }
        (Step::Many(step), Speech::Lines(manner), _) => {
            Some(many::told(step, bytes, manner.end).map(|_| Found::default()))
        }
        _ => None,
    }
}

/// Why a sample of bytes is no answer.
fn why_refused(profile: &Profile, sample: &Sample) -> Option<String> {
    let SampleAnswer::Bytes(bytes) = &sample.answer else {
        return None;
    };
    let steps = match sample.verb {
        Some(verb) => profile.steps(verb).unwrap_or_default(),
        None => &profile.identity,
    };
    let mut told = steps
        .iter()
        .filter_map(|step| of_bytes(profile, step, bytes));
    told.next()?.err()
}

/// Who an identity's fields say it is; `0` stands for unknown (IEEE 488.2,
/// 10.14). `line` is the answer as it came, where it came as one.
pub fn identity(found: &Found, line: Option<&str>) -> Identity {
    let part = |name: &str| {
        let text = found.get(name).unwrap_or_default();
        (!text.is_empty() && text != "0").then(|| text.to_owned())
    };
    let parts = ["maker", "model", "serial", "firmware"].map(part);
    let raw = line.map_or_else(
        || {
            let known = parts.clone().map(Option::unwrap_or_default);
            known.join(",")
        },
        |line| line.trim().to_owned(),
    );
    let [maker, model, serial, firmware] = parts;
    Identity {
        maker: maker.unwrap_or_default(),
        model: model.unwrap_or_default(),
        serial,
        firmware,
        raw,
    }
}

/// Numbers are compared as numbers, whatever their unit, everything else as
/// text.
fn same(told: &str, gives: &str) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() <= SAME * a.abs().max(b.abs());
    let both = |read: fn(&str) -> Option<f64>| read(told).zip(read(gives));
    let numbers = both(lux).or_else(|| both(|text| text.trim().parse().ok()));
    let many = spread(told).zip(spread(gives));
    // Papers print fewer digits than a number has: 0.1 is no binary32.
    let close = |a: f64, b: f64| (a - b).abs() <= SAME_OF_MANY * a.abs().max(b.abs());
    told == gives.trim()
        || numbers.is_some_and(|(a, b)| near(a, b))
        || many.is_some_and(|(a, b)| a.0 == b.0 && close(a.1, b.1) && close(a.2, b.2))
}

/// `4 numbers, 0.5 to 2`: how many, the least and the largest.
fn spread(text: &str) -> Option<(usize, f64, f64)> {
    let (count, ends) = text.trim().split_once(" numbers, ")?;
    let (least, most) = ends.split_once(" to ")?;
    let number = |text: &str| text.trim().parse::<f64>().ok();
    Some((count.parse().ok()?, number(least)?, number(most)?))
}

/// `0.5 klx` is 500.
fn lux(text: &str) -> Option<f64> {
    let (number, unit) = text.trim().rsplit_once(' ')?;
    let number: f64 = number.trim().parse().ok()?;
    Some(number * IlluminanceUnit::read(unit)?.lux())
}
