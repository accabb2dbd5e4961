//! The steps of a device that is spoken to by registers (Modbus): what is read or
//! written where, and how it becomes text that the fields of a verb understand.
//!
//! A number that a device cannot say is written as SCPI-99 writes it (9.9E37 for
//! over range, 9.91E37 for none), so that one place knows what a value is
//! (`value`). Called by `perform` and `samples`.

use photometry::units::Span;

use super::perform::{Given, NotPerformed};
use super::read_registers::CHANNELS;
use super::template::Template;
use crate::error::DriverError;
use crate::exchange::line::Answer;
use crate::exchange::modbus::ask::{self, Answer as Asked};
use crate::exchange::modbus::request::{BitSpace, RegisterSpace, Request};
use crate::exchange::modbus::station::{Limits, Probe};
use crate::exchange::modbus::words::{self, Form, Order};
use crate::exchange::scpi::{self, Number};
use crate::exchange::talk::Talk;

/// A question that nobody answered, or that a busy device put off, is asked so
/// often again. Writes of coils and registers are the same done twice.
const RETRIES: u32 = 2;

/// So many times above what means over range, a number means that its words are in
/// another order: it is left as it is, and is not plausible.
const FAR_OVER: f64 = 1e3;

/// How a device of registers wants to be spoken to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RegisterManner {
    /// An answer comes within this time.
    pub answer_within: Span,
    /// No answer comes later than this: what a resync waits.
    pub longest_answer: Span,
    /// Rest between an answer and the next request.
    pub gap: Span,
    /// The line gives back what we send.
    pub echo: bool,
    /// What can be read at any time, for a resync.
    pub probe: Probe,
}

/// An address of a coil or input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BitAddress {
    /// Always the same.
    Fixed(u16),
    /// The channel that a verb is given, and so much: `{coil} - 1`, `{outlet} - 1`.
    Channel {
        /// What is added.
        plus: i32,
    },
}

impl BitAddress {
    fn of(self, given: Given<'_>) -> Result<u16, DriverError> {
        let plus = match self {
            BitAddress::Fixed(at) => return Ok(at),
            BitAddress::Channel { plus } => plus,
        };
        let mut values = given.values.iter();
        let coil = values.find(|(name, _)| CHANNELS.contains(name));
        let coil = coil.and_then(|(_, text)| text.parse::<i32>().ok());
        coil.and_then(|coil| u16::try_from(coil.checked_add(plus)?).ok())
            .ok_or_else(|| DriverError::Unsendable("the channel has no such coil".to_owned()))
    }
}

/// What is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Source {
    /// A number.
    Words {
        /// Holding or input registers.
        space: RegisterSpace,
        /// The first one, as it goes over the wire, from 0.
        at: u16,
        /// What they hold.
        form: Form,
        /// In which order.
        order: Order,
        /// What the number is multiplied by.
        times: f64,
        /// A number as large as this, before it is multiplied, means over range.
        over_at: Option<f64>,
    },
    /// A coil or an input: 1 or 0.
    Bit {
        /// Coils or inputs.
        space: BitSpace,
        /// Where.
        at: BitAddress,
    },
    /// Characters, two a register, up to the first zero.
    Text {
        /// Holding or input registers.
        space: RegisterSpace,
        /// The first one.
        at: u16,
        /// How many registers, 1 to 125.
        count: u16,
    },
}

/// What is written.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// One coil.
    Coil {
        /// Where.
        at: BitAddress,
        /// Closed, or open.
        closed: bool,
    },
    /// Several coils at once.
    Coils {
        /// The first one.
        at: u16,
        /// How many, 1 to 1968.
        count: u16,
        /// Closed, or open.
        closed: bool,
    },
    /// A number into holding registers.
    Words {
        /// The first one.
        at: u16,
        /// What they hold.
        form: Form,
        /// In which order.
        order: Order,
        /// The number.
        value: Template,
    },
}

/// Registers as the text of a number.
pub fn text(source: &Source, registers: &[u16]) -> Option<String> {
    match *source {
        Source::Words {
            form,
            order,
            times,
            over_at,
            ..
        } => {
            let number = words::number(form, order, registers)?;
            Some(written(form, number, times, over_at, "words"))
        }
        Source::Text { .. } => {
            let bytes = registers.iter().flat_map(|register| register.to_be_bytes());
            let text: String = bytes
                .take_while(|byte| *byte != 0)
                .map(char::from)
                .collect();
            Some(text.trim().to_owned())
        }
        Source::Bit { .. } => None,
    }
}

/// A number of a device as text, multiplied; one that it cannot say, as SCPI-99
/// writes it. `parts` are what another order would be one of.
pub(super) fn written(
    form: Form,
    number: f64,
    times: f64,
    over_at: Option<f64>,
    parts: &str,
) -> String {
    let over = over_at.is_some_and(|over| (over..=over * FAR_OVER).contains(&number));
    if number.is_nan() {
        "9.91E37".to_owned()
    } else if is_subnormal(form, number) {
        format!("{number:e}, as of {parts} in another order,")
    } else if over || number == f64::INFINITY {
        "9.9E37".to_owned()
    } else if number == f64::NEG_INFINITY {
        "-9.9E37".to_owned()
    } else {
        let plain = decimal(form, number);
        // SCPI's own numbers for none and for too much are not multiplied.
        match scpi::number(&format!("{plain:e}")) {
            Some(Number::Value(value)) => format!("{:e}", value * times),
            _ => format!("{plain:e}"),
        }
    }
}

/// No quantity of a bench is so small; the two words of a round number in the other
/// order are.
fn is_subnormal(form: Form, number: f64) -> bool {
    match form {
        Form::F32 => (number as f32).is_subnormal(),
        Form::F64 => number.is_subnormal(),
        Form::U16 | Form::I16 | Form::U32 | Form::I32 => false,
    }
}

/// A single-precision number as the shortest decimal that means it: what a device
/// that holds 1009.93 would print, not the 1009.929 993 that a double makes of it.
fn decimal(form: Form, number: f64) -> f64 {
    match form {
        Form::F32 => (number as f32).to_string().parse().unwrap_or(number),
        _ => number,
    }
}

/// Reads what a step reads; its text, and its answer for the record with the
/// flags that belong to it.
pub(super) fn fetch(
    talk: &mut Talk<'_>,
    source: &Source,
    within: Span,
    given: Given<'_>,
) -> Result<(String, Answer, Vec<String>), NotPerformed> {
    let station = station(given)?;
    let limits = Limits {
        within,
        retries: RETRIES,
    };
    match *source {
        Source::Bit { space, at } => {
            let at = at.of(given)?;
            let answer = ask::read_bits(talk, station, space, at, 1, limits)?;
            let text = match answer.value.first() {
                Some(true) => "1",
                _ => "0",
            };
            Ok(told(text.to_owned(), answer))
        }
        Source::Words {
            space, at, form, ..
        } => {
            let count = form.registers() as u16;
            let answer = ask::read_registers(talk, station, space, at, count, limits)?;
            let text = text(source, &answer.value).unwrap_or_default();
            Ok(told(text, answer))
        }
        Source::Text { space, at, count } => {
            let answer = ask::read_registers(talk, station, space, at, count, limits)?;
            let text = text(source, &answer.value).unwrap_or_default();
            Ok(told(text, answer))
        }
    }
}

fn told<T>(text: String, answer: Asked<T>) -> (String, Answer, Vec<String>) {
    let flags = answer.flags();
    let answer = Answer {
        text: text.clone(),
        raw: answer.raw,
        asked: answer.asked,
        taken: answer.taken,
        resync: None,
    };
    (text, answer, flags)
}

/// The request of what a step writes.
///
/// # Errors
/// [`DriverError::Unsendable`] when a number is none, or none that fits.
pub(super) fn request(target: &Target, given: Given<'_>) -> Result<Request, DriverError> {
    Ok(match target {
        Target::Coil { at, closed } => Request::WriteCoil {
            at: at.of(given)?,
            on: *closed,
        },
        Target::Coils { at, count, closed } => Request::WriteCoils {
            at: *at,
            on: vec![*closed; usize::from(*count)],
        },
        Target::Words {
            at,
            form,
            order,
            value,
        } => {
            let written = value.fill(given.values);
            let number: f64 = written
                .trim()
                .parse()
                .map_err(|_| DriverError::Unsendable(format!("`{written}` is no number")))?;
            let values = words::registers(*form, *order, number)
                .map_err(|error| DriverError::Unsendable(error.to_string()))?;
            match values[..] {
                [value] => Request::WriteRegister { at: *at, value },
                _ => Request::WriteRegisters { at: *at, values },
            }
        }
    })
}

/// Writes what a step writes.
pub(super) fn put(
    talk: &mut Talk<'_>,
    target: &Target,
    within: Span,
    given: Given<'_>,
) -> Result<(), NotPerformed> {
    let limits = Limits {
        within,
        retries: RETRIES,
    };
    ask::write(talk, station(given)?, &request(target, given)?, limits)?;
    Ok(())
}

fn station(given: Given<'_>) -> Result<&crate::exchange::modbus::station::Station, DriverError> {
    given.station.ok_or_else(|| {
        DriverError::Unsendable("the profile speaks by registers, and no unit is known".to_owned())
    })
}
