//! The steps of a verb as written: `{ask: "READ?", answer: "{illuminance}"}`, or
//! a list of such.

use photometry::units::Span;
use written::{Fields, Mistake, Mistakes, Node, readers};

use super::many::{self, NUMBERS};
use super::pattern::Pattern;
use super::read::span;
use super::read_blocks;
use super::read_frames;
use super::read_registers;
use super::template::Template;
use super::types::{Step, VerbForm, Within};

/// Most steps of a verb or a setting.
const STEPS_AT_MOST: usize = 20;
/// Most fields that an answer gives or is held against, and most arguments of a
/// program; a codec gives fewer. They are compared each with each.
pub(super) const FIELDS_AT_MOST: usize = 50;
/// From one question to the next, where the profile does not say.
const EVERY: Span = Span::from_ms(200);
/// Shortest time between two questions.
const EVERY_AT_LEAST: Span = Span::from_ms(20);

/// A reader of a text that is sent; what it may name is `known`.
pub(super) fn template(
    known: &'static [&'static str],
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Template> {
    move |node, mistakes| {
        // An empty line may be what a device wants.
        if node.text() == Some("") {
            return Template::read("", known).ok();
        }
        let text = readers::text(node, mistakes)?;
        match Template::read(&text, known) {
            Ok(template) => Some(template),
            Err(error) => {
                let error = error.to_string();
                let (message, hint) = match error.split_once("; ") {
                    Some((message, hint)) => (message.to_owned(), Some(hint.to_owned())),
                    None => (error, None),
                };
                mistakes.add(Mistake::new(node.place(), "template", message).maybe_hint(hint));
                None
            }
        }
    }
}

/// The key `answer`, a pattern of fields, or `match`, a regular expression.
pub(super) fn pattern(fields: &mut Fields<'_, '_>) -> Option<Pattern> {
    fn read<E: std::fmt::Display>(
        parse: impl Fn(&str) -> Result<Pattern, E>,
    ) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Pattern> {
        move |node, mistakes| {
            let text = readers::text(node, mistakes)?;
            match parse(&text) {
                Ok(pattern) => Some(pattern),
                Err(error) => {
                    let error = error.to_string();
                    let (message, hint) = match error.split_once("; ") {
                        Some((message, hint)) => (message.to_owned(), Some(hint.to_owned())),
                        None => (error, None),
                    };
                    mistakes.add(Mistake::new(node.place(), "pattern", message).maybe_hint(hint));
                    None
                }
            }
        }
    }
    let (written, expression) = (fields.node().get("answer"), fields.node().get("match"));
    if let (Some(_), Some(expression)) = (written, expression) {
        let _ = (fields.has("answer"), fields.has("match"));
        let text = "the answer is described twice, by `answer` and by `match`";
        fields
            .mistakes()
            .add(Mistake::new(expression.place(), "two-patterns", text).hint("leave one out"));
        return None;
    }
    if expression.is_some() {
        return fields.may("match", read(Pattern::expression));
    }
    fields.need_like("answer", "\"{illuminance}\"", read(Pattern::read))
}

/// `2 s`, or `integration + 2 s`.
pub(super) fn within(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Within> {
    let Some(text) = node.text() else {
        mistakes.add(readers::must_be(node, "a time"));
        return None;
    };
    let (integration, rest) = match text.trim().strip_prefix("integration") {
        Some(rest) if rest.trim().is_empty() => (true, None),
        Some(rest) => (true, rest.trim_start().strip_prefix('+').map(str::trim)),
        None => {
            let plus = span(node, mistakes)?;
            return Some(Within {
                integration: false,
                plus: Some(plus),
            });
        }
    };
    let plus = match rest {
        None if text.trim() == "integration" => Some(Span::ZERO),
        None => None,
        Some(rest) => Span::parse(rest).ok().filter(|plus| *plus >= Span::ZERO),
    };
    if plus.is_none() {
        mistakes.add(
            Mistake::new(
                node.place(),
                "within",
                format!("{} is no time limit", readers::shown(text)),
            )
            .hint("write `2 s` or `integration + 2 s`"),
        );
    }
    plus.map(|plus| Within {
        integration,
        plus: Some(plus),
    })
}

/// What the fields of an answer must say.
pub(super) fn is(
    known: &'static [&'static str],
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<(String, Template)>> {
    move |node, mistakes| {
        if node.kind() != written::Kind::Map {
            mistakes.add(readers::must_be(
                node,
                "fields of the answer, `{state: Idle}`",
            ));
            return None;
        }
        few(node, node.entries().len(), "fields", mistakes)?;
        let read: Vec<Option<(String, Template)>> = node
            .entries()
            .map(|(key, value)| {
                let name = readers::text(key, mistakes)?;
                Some((name, template(known)(value, mistakes)?))
            })
            .collect();
        read.into_iter().collect()
    }
}

/// One or a list of not too many, counted before any is read.
pub(super) fn one_or_few<T>(
    what: &'static str,
    reader: impl Fn(Node<'_>, &mut Mistakes) -> Option<T>,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<T>> {
    let read = readers::one_or_list_of(reader);
    move |node, mistakes| {
        few(node, node.items().len(), what, mistakes)?;
        read(node, mistakes)
    }
}

/// Refuses what is more than an answer has.
fn few(node: Node<'_>, count: usize, what: &str, mistakes: &mut Mistakes) -> Option<()> {
    if count <= FIELDS_AT_MOST {
        return Some(());
    }
    let text = format!("more than {FIELDS_AT_MOST} {what}");
    mistakes.add(Mistake::new(node.place(), "too-many", text));
    None
}

/// A reader of one step or a list of steps; what they may name is `known`.
pub(super) fn steps(
    known: &'static [&'static str],
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<Step>> {
    move |node, mistakes| {
        // Before any is read: a pattern costs more to compile than to write.
        if node.items().len() > STEPS_AT_MOST {
            let text = format!("more than {STEPS_AT_MOST} steps");
            mistakes.add(Mistake::new(node.place(), "too-many", text));
            return None;
        }
        readers::one_or_list_of(step(known))(node, mistakes)
    }
}

/// The keys that say what a step is.
const KINDS: [&str; 13] = [
    "tell", "set", "ask", "block", "numbers", "until", "hear", "read", "write", "send", "frame",
    "run", "pause",
];

fn step(known: &'static [&'static str]) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Step> {
    move |node, mistakes| {
        let mut fields = Fields::of(node, "the step", mistakes)?;
        let kinds: Vec<&str> = KINDS
            .into_iter()
            .filter(|kind| node.get(kind).is_some())
            .collect();
        let step = match kinds[..] {
            ["tell"] => fields.need("tell", template(known)).map(Step::Tell),
            ["set"] => fields.need("set", template(known)).map(Step::Set),
            ["pause"] => fields.need("pause", within).map(Step::Pause),
            ["ask"] => asked(&mut fields, known),
            ["block"] => read_blocks::block(&mut fields, known),
            ["numbers"] => many::numbers(&mut fields, known),
            ["send"] => read_frames::send(&mut fields),
            ["frame"] => read_frames::frame(&mut fields, known),
            ["until"] => until(&mut fields, known),
            ["hear"] => heard(&mut fields),
            ["run"] => run(&mut fields, known),
            ["read"] => read_registers::read(&mut fields, known),
            ["write"] => read_registers::write(&mut fields, known),
            _ => {
                let text = match kinds.len() {
                    0 => "the step says not what to do",
                    _ => "the step says more than one thing to do",
                };
                let kinds: Vec<String> = KINDS.iter().map(|kind| format!("`{kind}`")).collect();
                let hint = format!("a step has one of {}", kinds.join(", "));
                fields
                    .mistakes()
                    .add(Mistake::new(node.place(), "step", text).hint(hint));
                // What else it has belongs to a step that nobody knows.
                let _ = KINDS.map(|kind| fields.has(kind));
                None
            }
        };
        if kinds.len() == 1 {
            fields.finish();
        }
        step
    }
}

fn asked(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let line = fields.need("ask", template(known));
    let answer = pattern(fields);
    let within = fields.may_or("within", within, Within::USUAL);
    let is = fields.may_or("is", is(known), Vec::new());
    Some(Step::Ask {
        line: line?,
        answer: answer?,
        within,
        is,
    })
}

fn until(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let line = fields.need("until", template(known));
    let answer = pattern(fields);
    let is = fields.need_like("is", "{state: Idle}", is(known));
    let every = fields.may_or("every", span, EVERY);
    let within = fields.need_like("within", "30 s", within);
    Some(Step::Until {
        line: line?,
        answer: answer?,
        is: is?,
        every: every.max(EVERY_AT_LEAST),
        within: within?,
    })
}

fn heard(fields: &mut Fields<'_, '_>) -> Option<Step> {
    let answer = fields.need_like("hear", "\"{illuminance} {unit}\"", |node, mistakes| {
        let text = readers::text(node, mistakes)?;
        Pattern::read(&text)
            .map_err(|error| {
                mistakes.add(Mistake::new(node.place(), "pattern", error.to_string()));
            })
            .ok()
    });
    let within = fields.may_or(
        "within",
        within,
        Within {
            integration: true,
            plus: None,
        },
    );
    Some(Step::Hear {
        answer: answer?,
        within,
    })
}

fn run(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let arguments = fields.need("run", one_or_few("arguments", template(known)));
    let answer = pattern(fields);
    let within = fields.need_like("within", "10 s", within);
    Some(Step::Run {
        arguments: arguments?,
        answer: answer?,
        within: within?,
    })
}

/// The fields that the answers of these steps give.
pub(super) fn fields(steps: &[Step]) -> impl Iterator<Item = &str> {
    steps.iter().flat_map(fields_of)
}

fn fields_of(step: &Step) -> Vec<&str> {
    match step {
        Step::Ask { answer, .. }
        | Step::Until { answer, .. }
        | Step::Hear { answer, .. }
        | Step::Run { answer, .. } => answer.fields().collect(),
        Step::Read { gives, .. } => vec![gives],
        Step::Block(block) => block.fields().collect(),
        Step::Many(_) => vec![NUMBERS],
        Step::Frame(frame) => frame.gives.iter().map(String::as_str).collect(),
        Step::Tell(_) | Step::Set(_) | Step::Send(_) | Step::Write { .. } | Step::Pause(_) => {
            Vec::new()
        }
    }
}

/// A reader of a verb: its steps, and that they give what it must give and
/// nothing that nobody uses.
pub(super) fn verb(
    form: &'static VerbForm,
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Vec<Step>> {
    move |node, mistakes| {
        let steps = steps(form.given)(node, mistakes)?;
        let gives_many = steps.iter().any(|step| matches!(step, Step::Many(_)));
        if form.must.contains(&NUMBERS) && !gives_many {
            let text = format!("`{}` gives no numbers", form.word);
            let hint = format!("write `{}`", form.like);
            mistakes.add(Mistake::new(node.place(), "missing-field", text).hint(hint));
            return None;
        }
        for must in form.must {
            if !fields(&steps).any(|field| field == *must) {
                let text = format!("`{}` gives no `{{{must}}}`", form.word);
                mistakes.add(
                    Mistake::new(node.place(), "missing-field", text)
                        .hint(format!("an answer must have `{{{must}}}` where it stands")),
                );
            }
        }
        for step in &steps {
            unused(form, step, node, mistakes);
        }
        Some(steps)
    }
}

/// Fields that nobody uses, and fields that are looked at and not there.
fn unused(form: &VerbForm, step: &Step, node: Node<'_>, mistakes: &mut Mistakes) {
    let checked: &[(String, Template)] = match step {
        Step::Ask { is, .. } | Step::Until { is, .. } => is,
        Step::Frame(frame) => &frame.is,
        _ => &[],
    };
    let given: Vec<&str> = fields(std::slice::from_ref(step)).collect();
    for (field, _) in checked {
        if !given.contains(&field.as_str()) {
            let text = format!("`is` names `{field}`, which the answer does not have");
            mistakes.add(Mistake::new(node.place(), "missing-field", text));
        }
    }
    // What a step of registers must say is that of its one field.
    if matches!(step, Step::Read { is: Some(_), .. }) {
        return;
    }
    for field in given {
        if !checked.iter().any(|(name, _)| name == field) {
            unused_field(form, field, node, mistakes);
        }
    }
}

fn unused_field(form: &VerbForm, field: &str, node: Node<'_>, mistakes: &mut Mistakes) {
    if form.must.contains(&field) || form.may.contains(&field) {
        return;
    }
    let text = format!("nothing uses the field `{{{field}}}`");
    let named: Vec<String> = form
        .must
        .iter()
        .chain(form.may)
        .map(|name| format!("`{{{name}}}`"))
        .collect();
    let hint = if named.is_empty() {
        "write `{-}` for what is not needed, or say under `is` what it must be".to_owned()
    } else {
        format!(
            "`{}` takes {}; write `{{-}}` for what is not needed",
            form.word,
            named.join(", ")
        )
    };
    mistakes.add(Mistake::new(node.place(), "unused-field", text).hint(hint));
}
