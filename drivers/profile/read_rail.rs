//! What a profile says of a rail, as written.
//!
//! ```yaml
//! acks: {good: ok, bad: "error:{code}", halt: "ALARM:{code}", aside: ["[{-}", "<{-}"]}
//! steps: 80                                              # or places are millimetres
//! states: {at-rest: Idle, moving: [Run, "Hold:1"]}
//! bits: {homed: 0, moving: 1, in-position: 2, alarm: 3}
//! ```

use std::collections::BTreeMap;
use std::sync::Arc;

use photometry::units::Span;
use written::{Fields, Kind, Mistake, Mistakes, Node, readers};

use super::pattern::Pattern;
use super::rail::{Bits, PlaceUnit, RailWords, States, SwitchWords};
use super::read::span;
use super::read_steps::template;
use super::types::{Profile, ProfileVerb, Speech, Step};
use crate::exchange::acks::{Acks, Quieting};

/// From one look at a carriage that moves to the next, where the profile says
/// nothing: five in a second are borne by every controller.
const LOOK_EVERY: Span = Span::from_ms(200);
/// The shortest.
const LOOK_EVERY_AT_LEAST: Span = Span::from_ms(10);
/// Most steps a millimetre.
const STEPS_AT_MOST: i64 = 100_000;
/// Most forms of one kind of answer.
const FORMS_AT_MOST: usize = 20;
/// Most numbers that are explained.
const MEANS_AT_MOST: usize = 200;

/// The keys of a rail, and how its lines are acknowledged.
pub(super) fn rail(fields: &mut Fields<'_, '_>) -> (RailWords, Option<Acks>) {
    let acks = fields.may("acks", acks);
    let steps = fields.may("steps", readers::integer_in(1..=STEPS_AT_MOST));
    let look_every = fields.may_or("look-every", span, LOOK_EVERY);
    let states = fields.may("states", states);
    let bits = fields.may("bits", bits);
    let switch = fields.may("switch", switch);
    let words = RailWords {
        unit: steps.map_or(PlaceUnit::Millimetres, |per_mm| PlaceUnit::Steps { per_mm }),
        look_every: look_every.max(LOOK_EVERY_AT_LEAST),
        states,
        bits,
        switch,
    };
    (words, acks)
}

fn forms(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Pattern>> {
    if node.items().len() > FORMS_AT_MOST {
        let text = format!("more than {FORMS_AT_MOST} forms of an answer");
        mistakes.add(Mistake::new(node.place(), "too-many", text));
        return None;
    }
    readers::one_or_list_of(form)(node, mistakes)
}

fn form(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Pattern> {
    let text = readers::text(node, mistakes)?;
    let form = match Pattern::read(&text) {
        Ok(form) => form,
        Err(error) => {
            let error = error.to_string();
            let (message, hint) = match error.split_once("; ") {
                Some((message, hint)) => (message.to_owned(), Some(hint.to_owned())),
                None => (error, None),
            };
            mistakes.add(Mistake::new(node.place(), "pattern", message).maybe_hint(hint));
            return None;
        }
    };
    let odd = form.fields().find(|name| !["code", "text"].contains(name));
    if let Some(odd) = odd {
        let text = format!("nothing uses the field `{{{odd}}}`");
        mistakes.add(
            Mistake::new(node.place(), "unused-field", text)
                .hint("it has `{code}` and `{text}`; write `{-}` for what is not needed"),
        );
    }
    Some(form)
}

fn acks(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Acks> {
    let mut fields = Fields::of(node, "`acks`", mistakes)?;
    let good = fields.need_like("good", "ok", forms);
    let bad = fields.need_like("bad", "\"error:{code}\"", forms);
    let mut list = |key| fields.may_or(key, forms, Vec::new());
    let (halt, aside, banner) = (list("halt"), list("aside"), list("banner"));
    let bad_means = fields.may_or("bad-means", means, BTreeMap::new());
    let good_follows_bad = fields.may_or("good-follows-bad", readers::boolean, false);
    let after_bad = fields.may("after-bad", |node, mistakes| {
        template(&[])(node, mistakes).map(|line| line.fill(&[]))
    });
    let bytes = fields.may_or("bytes", bytes, Vec::new());
    let reset = fields.may("reset", readers::integer_in(1..=255));
    let locks = fields.may_or("locks", readers::boolean, false);
    let code = readers::integer_in(0..=65_535);
    let no_touch = fields.may_or("no-touch", readers::one_or_list_of(code), Vec::new());
    fields.finish();
    Some(Acks {
        good: good?,
        bad: bad?,
        halt,
        aside,
        banner,
        bad_means,
        good_follows_bad,
        after_bad,
        bytes,
        reset: reset.map(|byte| byte as u8),
        locks,
        no_touch: no_touch.into_iter().map(|code| code as u16).collect(),
        quieting: None,
    })
}

/// Characters that are sent alone.
fn bytes(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<u8>> {
    let text = readers::text(node, mistakes)?;
    if text.bytes().all(|byte| byte.is_ascii_punctuation()) {
        return Some(text.into_bytes());
    }
    let message = format!("{} has more than signs", readers::shown(&text));
    mistakes.add(
        Mistake::new(node.place(), "bytes", message)
            .hint("write the signs that are obeyed at once, such as `?!~`"),
    );
    None
}

/// `{9: locked until it has found its home switch}`
fn means(node: Node<'_>, mistakes: &mut Mistakes) -> Option<BTreeMap<i64, String>> {
    if node.kind() != Kind::Map || node.entries().count() > MEANS_AT_MOST {
        mistakes.add(readers::must_be(node, "numbers and what they mean"));
        return None;
    }
    let read: Vec<Option<(i64, String)>> = node
        .entries()
        .map(|(key, value)| {
            let code = key.text().and_then(|text| text.parse().ok());
            if code.is_none() {
                mistakes.add(readers::must_be(key, "a number that the device tells"));
            }
            Some((code?, readers::text(value, mistakes)?))
        })
        .collect();
    read.into_iter().collect()
}

fn states(node: Node<'_>, mistakes: &mut Mistakes) -> Option<States> {
    let mut fields = Fields::of(node, "`states`", mistakes)?;
    let words = || readers::one_or_list_of(readers::text);
    let at_rest = fields.need_like("at-rest", "Idle", words());
    let moving = fields.need_like("moving", "[Run, \"Hold:1\"]", words());
    fields.finish();
    Some(States {
        at_rest: at_rest?,
        moving: moving?,
    })
}

fn switch(node: Node<'_>, mistakes: &mut Mistakes) -> Option<SwitchWords> {
    let mut fields = Fields::of(node, "`switch`", mistakes)?;
    let words = || readers::one_or_list_of(readers::text);
    let closed = fields.need_like("closed", "TRIGGERED", words());
    let open = fields.need_like("open", "open", words());
    fields.finish();
    Some(SwitchWords {
        closed: closed?,
        open: open?,
    })
}

fn bits(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Bits> {
    let mut fields = Fields::of(node, "`bits`", mistakes)?;
    let mut bit = |key| fields.need_like(key, "0", readers::integer_in(0..=31));
    let read = [
        bit("homed"),
        bit("moving"),
        bit("in-position"),
        bit("alarm"),
    ];
    let switch = fields.may("switch", readers::integer_in(0..=31));
    fields.finish();
    let [homed, moving, in_position, alarm] = read;
    let [homed, moving, in_position, alarm] =
        [homed?, moving?, in_position?, alarm?].map(|bit| bit as u8);
    Some(Bits {
        homed,
        moving,
        in_position,
        alarm,
        switch: switch.map(|bit| bit as u8),
    })
}

/// A mistake at a key, or where that is not there, of the whole profile.
fn mistake(root: Node<'_>, key: &str, code: &'static str, text: &str) -> Mistake {
    let place = root.get(key).map_or_else(|| root.place(), Node::place);
    Mistake::new(place, code, text)
}

/// What concerns several keys of a rail; gives its manner what it must know. False
/// where a key could not be read, so that more would be told of it than was wrong.
pub(super) fn whole(
    root: Node<'_>,
    profile: &mut Profile,
    acks: Option<Acks>,
    mistakes: &mut Mistakes,
) -> bool {
    let Some(words) = profile.rail.clone() else {
        return true;
    };
    let read = [
        ("acks", acks.is_some()),
        ("states", words.states.is_some()),
        ("bits", words.bits.is_some()),
        ("switch", words.switch.is_some()),
    ];
    if read
        .iter()
        .any(|(key, read)| root.get(key).is_some() && !read)
    {
        return false;
    }
    if matches!(profile.speech, Speech::Registers(_)) {
        if acks.is_some() {
            let text = "a device that speaks by registers has no `acks`";
            mistakes.add(mistake(root, "acks", "two-ways", text).hint("leave it out"));
        }
        if words.bits.is_none() {
            let text = "nothing says when the carriage has arrived";
            mistakes.add(mistake(root, "", "no-bits", text).hint(BITS));
        }
    } else {
        acknowledged(root, profile, acks, &words, mistakes);
    }
    proof(root, profile, &words, mistakes);
    fields(root, profile, &words, mistakes);
    true
}

/// How lines are acknowledged, and how the link is brought to order.
fn acknowledged(
    root: Node<'_>,
    profile: &mut Profile,
    acks: Option<Acks>,
    words: &RailWords,
    mistakes: &mut Mistakes,
) {
    let Some(mut acks) = acks else {
        let text = "nothing says how a line is acknowledged";
        mistakes.add(mistake(root, "", "no-acks", text).hint(ACKS));
        return;
    };
    acks.quieting = quieting(profile);
    if acks.reset.is_none() && acks.quieting.is_none() {
        let text = "nothing brings the link to order after an answer that did not come";
        mistakes.add(mistake(root, "acks", "no-order", text).hint(ORDER));
    }
    let plain = words.states.is_none() && words.bits.is_none();
    if !acks.locks && plain && profile.steps(ProfileVerb::WaitForRest).is_none() {
        let text = "whether the carriage has arrived is seen by its place alone";
        mistakes.add(Mistake::warning(root.place(), "no-rest", text).hint(REST));
    }
    if let Speech::Lines(manner) = &mut profile.speech {
        manner.acks = Some(Arc::new(acks));
    }
}

/// Whether lost steps can be seen.
fn proof(root: Node<'_>, profile: &Profile, words: &RailWords, mistakes: &mut Mistakes) {
    let asks = profile.steps(ProfileVerb::ReadSwitch).is_some();
    if asks != words.switch.is_some() {
        let text = "`read-switch` and `switch`, what its words mean, belong together";
        let hint = "write `switch: {closed: TRIGGERED, open: open}`";
        mistakes.add(mistake(root, "switch", "half-a-switch", text).hint(hint));
    }
    let tells = asks || words.bits.is_some_and(|bits| bits.switch.is_some());
    if !tells && profile.steps(ProfileVerb::TouchSwitch).is_none() {
        let text = "nothing proves that no steps were lost: the home switch cannot be touched";
        let hint = "give it `touch-switch`, or `read-switch`, or the bit `switch`";
        mistakes.add(Mistake::warning(root.place(), "no-proof", text).hint(hint));
    }
}

/// What `read-place` gives must be what is explained, and the other way round.
fn fields(root: Node<'_>, profile: &Profile, words: &RailWords, mistakes: &mut Mistakes) {
    let gives = |field: &str| {
        let steps = profile.steps(ProfileVerb::ReadPlace).unwrap_or_default();
        super::read_steps::fields(steps).any(|known| known == field)
    };
    for (said, key, field) in [
        (words.states.is_some(), "states", "state"),
        (words.bits.is_some(), "bits", "status"),
    ] {
        let text = match (said, gives(field)) {
            (true, false) => format!("`{key}` is said, and `read-place` gives no `{{{field}}}`"),
            (false, true) => format!("`read-place` gives `{{{field}}}`, and there is no `{key}`"),
            _ => continue,
        };
        mistakes.add(mistake(root, "read-place", "missing-field", &text));
    }
}

const ACKS: &str = "write `acks: {good: ok, bad: \"error:{code}\"}`";
const ORDER: &str = "write `reset: 24`, the byte that starts it anew; or let `stop` be one \
                     `tell` and `read-place` one `ask`, which are used for it";
const REST: &str = "give it `wait-for-rest`, a line that is acknowledged when all motion has ended";
const BITS: &str = "write `bits: {homed: 0, moving: 1, in-position: 2, alarm: 3}`";

/// The line that stops, and the question that is harmless, where both are one line.
fn quieting(profile: &Profile) -> Option<Quieting> {
    let [Step::Tell(stop)] = profile.steps(ProfileVerb::Stop)? else {
        return None;
    };
    let [Step::Ask { line, answer, .. }] = profile.steps(ProfileVerb::ReadPlace)? else {
        return None;
    };
    Some(Quieting {
        stop: stop.fill(&[]),
        ask: line.fill(&[]),
        answer: answer.clone(),
    })
}
