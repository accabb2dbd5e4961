//! What a profile says of registers: how the device is spoken to, and the steps
//! that read and write.
//!
//! ```yaml
//! registers: {gap: 20 ms, probe: {read: holding, at: 0, count: 4}}
//! read-illuminance: {read: input, at: 2, as: f32, order: CDAB, gives: illuminance}
//! close-coil: {write: coil, at: "{coil} - 1", value: on}
//! ```

use photometry::units::Span;
use written::{Fields, Mistake, Mistakes, Node, readers};

use super::read::span;
use super::read_steps::{template, within};
use super::registers::{BitAddress, RegisterManner, Source, Target};
use super::types::{Step, Within};
use crate::exchange::modbus::request::{
    BitSpace, COILS_WRITTEN_AT_MOST, REGISTERS_READ_AT_MOST, RegisterSpace,
};
use crate::exchange::modbus::station::{LONGEST_ANSWER, Probe};
use crate::exchange::modbus::words::{Form, Order};

/// An answer comes within this time, where the profile does not say.
const ANSWER_WITHIN: Span = Span::from_secs(1);

/// Where something is read from or written to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Space {
    Register(RegisterSpace),
    Bit(BitSpace),
    /// Several coils at once; written only.
    Coils,
}

const READ_FROM: &[(&str, Space)] = &[
    ("holding", Space::Register(RegisterSpace::Holding)),
    ("input", Space::Register(RegisterSpace::Input)),
    ("coil", Space::Bit(BitSpace::Coils)),
    ("contact", Space::Bit(BitSpace::Inputs)),
];

const WRITE_TO: &[(&str, Space)] = &[
    ("holding", Space::Register(RegisterSpace::Holding)),
    ("coil", Space::Bit(BitSpace::Coils)),
    ("coils", Space::Coils),
];

pub(super) const FORMS: &[(&str, Form)] = &[
    ("u16", Form::U16),
    ("i16", Form::I16),
    ("u32", Form::U32),
    ("i32", Form::I32),
    ("f32", Form::F32),
    ("f64", Form::F64),
];

const ORDERS: &[(&str, Order)] = &[
    ("ABCD", Order::Abcd),
    ("CDAB", Order::Cdab),
    ("BADC", Order::Badc),
    ("DCBA", Order::Dcba),
];

/// The key `registers`.
pub(super) fn manner(node: Node<'_>, mistakes: &mut Mistakes) -> Option<RegisterManner> {
    let mut fields = Fields::of(node, "`registers`", mistakes)?;
    let answer_within = fields.may_or("answer-within", span, ANSWER_WITHIN);
    let longest_answer = fields.may_or("longest-answer", span, LONGEST_ANSWER);
    let gap = fields.may_or("gap", span, Span::ZERO);
    let echo = fields.may_or("echo", readers::boolean, false);
    let probe = fields.need_like("probe", "{read: holding, at: 0, count: 4}", probe);
    fields.finish();
    Some(RegisterManner {
        answer_within,
        longest_answer,
        gap,
        echo,
        probe: probe?,
    })
}

fn probe(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Probe> {
    let mut fields = Fields::of(node, "`probe`", mistakes)?;
    let space = fields.need("read", readers::one_of(READ_FROM));
    let at = fields.need("at", address);
    let count = readers::integer_in(1..=REGISTERS_READ_AT_MOST as i64);
    let count = fields.need_like("count", "4", count);
    fields.finish();
    let (at, count) = (at?, count? as u16);
    Some(match space? {
        Space::Register(space) => Probe::Registers { space, at, count },
        Space::Bit(space) => Probe::Bits { space, at, count },
        // Not among what can be read.
        Space::Coils => return None,
    })
}

/// What a verb's channel is called, of fingers and of outlets.
pub(super) const CHANNELS: [&str; 2] = ["coil", "outlet"];

fn address(node: Node<'_>, mistakes: &mut Mistakes) -> Option<u16> {
    readers::integer_in(0..=65_535)(node, mistakes).map(|at| at as u16)
}

/// `3`, `{coil}`, `{coil} - 1`, `{coil} + 15`; of outlets `{outlet} - 1`.
fn bit_address(
    known: &'static [&'static str],
) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<BitAddress> {
    move |node, mistakes| {
        let text = node.text().unwrap_or_default().trim();
        let channels = CHANNELS.iter().map(|name| (*name, format!("{{{name}}}")));
        let found = channels
            .filter_map(|(name, place)| text.strip_prefix(&place).map(|rest| (name, rest)))
            .next();
        let Some((channel, rest)) = found else {
            return address(node, mistakes).map(BitAddress::Fixed);
        };
        let rest: String = rest.chars().filter(|c| !c.is_whitespace()).collect();
        let plus = match rest.as_str() {
            "" => Some(0),
            signed => signed
                .starts_with(['+', '-'])
                .then(|| signed.parse().ok())
                .flatten()
                .filter(|plus: &i32| plus.unsigned_abs() <= 65_535),
        };
        match plus.filter(|_| known.contains(&channel)) {
            Some(plus) => Some(BitAddress::Channel { plus }),
            None => {
                let message = format!("{} is no address", readers::shown(text));
                mistakes.add(Mistake::new(node.place(), "address", message).hint(
                    "write a number from 0, or within a verb of fingers `{coil} - 1`, of outlets \
                         `{outlet} - 1`: the channel, and what must be added to it",
                ));
                None
            }
        }
    }
}

/// The keys of a number in registers.
struct Number {
    form: Option<Form>,
    order: Order,
}

fn number(fields: &mut Fields<'_, '_>) -> Number {
    let form = fields.need_like("as", "u16", readers::one_of(FORMS));
    let order = fields.may_or("order", readers::one_of(ORDERS), Order::Abcd);
    Number { form, order }
}

/// A step that begins with `read`.
pub(super) fn read(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let space = fields.need("read", readers::one_of(READ_FROM));
    let source = match space {
        Some(Space::Register(space)) => {
            let at = fields.need("at", address);
            if fields.node().get("as").and_then(|node| node.text()) == Some("text") {
                let _ = fields.has("as");
                let count = readers::integer_in(1..=REGISTERS_READ_AT_MOST as i64);
                let count = fields.need_like("count", "8", count);
                at.zip(count).map(|(at, count)| Source::Text {
                    space,
                    at,
                    count: count as u16,
                })
            } else {
                let Number { form, order } = number(fields);
                let times = fields.may_or("times", readers::number, 1.0);
                let over_at = fields.may("over-at", readers::number);
                at.zip(form).map(|(at, form)| Source::Words {
                    space,
                    at,
                    form,
                    order,
                    times,
                    over_at,
                })
            }
        }
        Some(Space::Bit(space)) => {
            let at = fields.need("at", bit_address(known));
            at.map(|at| Source::Bit { space, at })
        }
        Some(Space::Coils) | None => {
            let _ = ["at", "as", "order", "times", "over-at", "count"].map(|key| fields.has(key));
            None
        }
    };
    let gives = fields.need_like("gives", "illuminance", readers::name);
    let is = fields.may("is", template(known));
    let within = fields.may_or("within", within, Within::USUAL);
    Some(Step::Read {
        source: source?,
        gives: gives?,
        within,
        is,
    })
}

/// A step that begins with `write`.
pub(super) fn write(fields: &mut Fields<'_, '_>, known: &'static [&'static str]) -> Option<Step> {
    let on_off = |node: Node<'_>, mistakes: &mut Mistakes| {
        readers::one_of(&[("on", true), ("off", false)])(node, mistakes)
    };
    let space = fields.need("write", readers::one_of(WRITE_TO));
    let target = match space {
        Some(Space::Register(_)) => {
            let at = fields.need("at", address);
            let Number { form, order } = number(fields);
            let value = fields.need_like("value", "\"{value}\"", template(known));
            at.zip(form)
                .zip(value)
                .map(|((at, form), value)| Target::Words {
                    at,
                    form,
                    order,
                    value,
                })
        }
        Some(Space::Bit(_)) => {
            let at = fields.need("at", bit_address(known));
            let closed = fields.need_like("value", "on", on_off);
            at.zip(closed)
                .map(|(at, closed)| Target::Coil { at, closed })
        }
        Some(Space::Coils) => {
            let at = fields.need("at", address);
            let count = readers::integer_in(1..=COILS_WRITTEN_AT_MOST as i64);
            let count = fields.need_like("count", "8", count);
            let closed = fields.need_like("value", "off", on_off);
            at.zip(count)
                .zip(closed)
                .map(|((at, count), closed)| Target::Coils {
                    at,
                    count: count as u16,
                    closed,
                })
        }
        None => {
            let _ = ["at", "as", "order", "value", "count"].map(|key| fields.has(key));
            None
        }
    };
    let within = fields.may_or("within", within, Within::USUAL);
    Some(Step::Write {
        target: target?,
        within,
    })
}
