//! The step of a profile whose answer is a block.
//!
//! ```yaml
//! read-illuminance: {block: "READ?", as: f32, order: high-first, gives: illuminance}
//! read-illuminance: {block: "MEAS?;STAT?", as: i16, order: low-first, times: 0.1,
//!                    gives: ["-", illuminance], count: 3, rest: ";{flag}"}
//! ```

use written::{Fields, Mistake, Mistakes, Node, readers};

use super::blocks::{BlockStep, ByteOrder, NOT_NEEDED, Numbers, READING_AT_MOST_BYTES, size};
use super::pattern::Pattern;
use super::read_registers::FORMS;
use super::read_steps::{one_or_few, template, within};
use super::types::{Step, Within};

pub(super) const ORDERS: &[(&str, ByteOrder)] = &[
    ("high-first", ByteOrder::HighFirst),
    ("low-first", ByteOrder::LowFirst),
];

/// A step that begins with `block`.
pub(super) fn block(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let line = fields.need("block", template(known));
    let form = fields.need_like("as", "f32", readers::one_of(FORMS));
    let order = fields.need_like("order", "high-first", readers::one_of(ORDERS));
    let gives = fields.need_like("gives", "illuminance", gives);
    let count = readers::integer_in(1..=READING_AT_MOST_BYTES as i64);
    let has_count = fields.has("count");
    let count = fields.may("count", count).map(|count| count as usize);
    let times = fields.may_or("times", readers::number, 1.0);
    let over_at = fields.may("over-at", readers::number);
    let has_rest = fields.has("rest");
    let rest = fields.may("rest", |node, mistakes| {
        let text = readers::text(node, mistakes)?;
        Pattern::read(&text)
            .map_err(|error| {
                mistakes.add(Mistake::new(node.place(), "pattern", error.to_string()));
            })
            .ok()
    });
    let within = fields.may_or("within", within, Within::USUAL);
    if has_count && count.is_none() || has_rest && rest.is_none() {
        return None;
    }
    let gives = gives?;
    let count = count.unwrap_or(gives.len());
    let place = fields.node().place();
    if count < gives.len() {
        let text = format!("{} numbers are named, and `count` is {count}", gives.len());
        let mistake = Mistake::new(place, "count", text);
        fields.mistakes().add(mistake);
        return None;
    }
    let bytes = count * form.map_or(1, size);
    if bytes > READING_AT_MOST_BYTES {
        let text =
            format!("the block has {bytes} bytes, and at most {READING_AT_MOST_BYTES} may be read");
        let hint = "each reading keeps its bytes in the record";
        let mistake = Mistake::new(place, "too-long", text).hint(hint);
        fields.mistakes().add(mistake);
        return None;
    }
    let numbers = Numbers {
        form: form?,
        order: order?,
        count,
        times,
        over_at,
    };
    Some(Step::Block(BlockStep {
        line: line?,
        numbers,
        gives,
        rest,
        within,
    }))
}

/// The fields of the first numbers, each once; `-` for one that is not needed.
fn gives(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<String>> {
    let name = |node: Node<'_>, mistakes: &mut Mistakes| match node.text() {
        Some(NOT_NEEDED) => Some(NOT_NEEDED.to_owned()),
        _ => readers::name(node, mistakes),
    };
    let names = one_or_few("fields", name)(node, mistakes)?;
    let twice = names
        .iter()
        .enumerate()
        .find(|(at, name)| name.as_str() != NOT_NEEDED && names[..*at].contains(name));
    if let Some((_, name)) = twice {
        let text = format!("the field `{name}` stands twice");
        mistakes.add(Mistake::new(node.place(), "twice", text));
        return None;
    }
    Some(names)
}
