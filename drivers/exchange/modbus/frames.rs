//! Requests as bytes, and bytes as the answer to one request. Pure; no bytes
//! make it panic, and nothing is made of a frame above 260 bytes.
//!
//! ```text
//! RTU:  unit, function, data, checksum (low byte first)
//! TCP:  transaction 2, protocol 2 (zero), length 2, unit, function, data
//! ```
//!
//! A PC cannot see the short silences that end an RTU frame, so the length of
//! an answer follows from its function. An answer is read *against* its
//! request: unit, function, count and what it repeats must be those of the
//! request, on TCP the transaction as well.
//!
//! Sources: Modbus over Serial Line V1.02, 2.5.1 and 6.2.2; Modbus Messaging on
//! TCP/IP V1.0b, 3.1 (from memory).

use super::request::{BadRequest, Exception, Request};

/// The longest frame: 7 bytes before the function, and 253.
pub const FRAME_AT_MOST_BYTES: usize = 260;
/// The shortest answer: an exception on a serial line. Fewer bytes are noise.
pub const ANSWER_AT_LEAST_BYTES: usize = 5;

/// The highest unit that a device on a serial line may have.
const UNIT_ON_A_LINE_AT_MOST: u8 = 247;
/// Bytes before the unit on TCP.
const BEFORE_UNIT: usize = 6;
/// What a function code becomes in an exception; some devices send it bare.
const EXCEPTION: u8 = 0x80;

/// How frames are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Form {
    /// With a checksum: on a serial line, or through a gateway that passes its
    /// bytes on.
    Rtu,
    /// With a transaction number: on a socket.
    Tcp,
}

/// What a whole answer says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Done. The data of a read, as many bytes as the request wants; nothing
    /// for a write.
    Done(Vec<u8>),
    /// The device refused.
    Refused(Exception),
}

/// Why bytes are no answer to a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mismatch {
    /// The frame is not whole.
    Cut,
    /// The checksum is wrong.
    Checksum,
    /// The protocol is not zero, or the length none that a frame has.
    Protocol,
    /// Another transaction.
    Transaction,
    /// Another unit answers.
    Unit,
    /// Another function, or none whose length is known.
    Function,
    /// More or less data than was asked for.
    Count,
    /// A write is not repeated as it was sent.
    Repeat,
    /// More bytes than one answer.
    More,
    /// The adapter did not give our own bytes back.
    Echo,
}

impl Mismatch {
    /// What would have done, for messages: *which is not ...*.
    pub const fn wanted(self) -> &'static str {
        match self {
            Mismatch::Cut => "a whole answer",
            Mismatch::Checksum => "an answer whose checksum is right",
            Mismatch::Protocol => "the beginning of a Modbus answer",
            Mismatch::Transaction => "the answer to this transaction",
            Mismatch::Unit => "an answer of the unit that was asked",
            Mismatch::Function => "an answer to this function",
            Mismatch::Count => "as much data as was asked for",
            Mismatch::Repeat => "what was written, repeated",
            Mismatch::More => "one answer alone",
            Mismatch::Echo => "our own bytes first, as the adapter is said to echo them",
        }
    }
}

/// How far a frame reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extent {
    /// So many bytes, counted from its beginning, are needed to know more.
    AtLeast(usize),
    /// The frame has so many bytes, and all are there.
    Whole(usize),
    /// No answer begins like this.
    Never(Mismatch),
}

/// The checksum of RTU frames: polynomial 8005 reflected, from FFFF.
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |mut crc, byte| {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 {
                (crc >> 1) ^ 0xA001
            } else {
                crc >> 1
            };
        }
        crc
    })
}

/// A request as bytes; `transaction` is for TCP only.
///
/// # Errors
/// When the request is outside the protocol's limits, for everybody (unit 0),
/// or for a unit that no device on a serial line has.
pub fn encode(
    form: Form,
    unit: u8,
    transaction: u16,
    request: &Request,
) -> Result<Vec<u8>, BadRequest> {
    request.check()?;
    if unit == 0 {
        return Err(BadRequest::Broadcast);
    }
    if form == Form::Rtu && unit > UNIT_ON_A_LINE_AT_MOST {
        return Err(BadRequest::Reserved(unit));
    }
    let mut frame = Vec::with_capacity(FRAME_AT_MOST_BYTES);
    if form == Form::Tcp {
        frame.extend(transaction.to_be_bytes());
        // Protocol, and the length that is known at the end.
        frame.extend([0; 4]);
    }
    frame.push(unit);
    frame.extend(beginning(request));
    match request {
        Request::WriteCoils { on, .. } => {
            frame.push(on.len().div_ceil(8) as u8);
            frame.extend(on.chunks(8).map(|eight| {
                let bit = |(place, on): (usize, &bool)| u8::from(*on) << place;
                eight.iter().enumerate().map(bit).sum::<u8>()
            }));
        }
        Request::WriteRegisters { values, .. } => {
            frame.push((values.len() * 2) as u8);
            frame.extend(values.iter().flat_map(|value| value.to_be_bytes()));
        }
        _ => {}
    }
    match form {
        Form::Rtu => frame.extend(crc16(&frame).to_le_bytes()),
        Form::Tcp => {
            let length = (frame.len() - BEFORE_UNIT) as u16;
            frame[4..BEFORE_UNIT].copy_from_slice(&length.to_be_bytes());
        }
    }
    Ok(frame)
}

/// Function, address, and value or count: how each request begins, and all
/// that the answer to a write repeats.
fn beginning(request: &Request) -> [u8; 5] {
    let (at, second) = match request {
        Request::ReadBits { at, count, .. } | Request::ReadRegisters { at, count, .. } => {
            (*at, *count)
        }
        Request::WriteCoil { at, on } => (*at, if *on { 0xFF00 } else { 0 }),
        Request::WriteRegister { at, value } => (*at, *value),
        Request::WriteCoils { at, on } => (*at, on.len() as u16),
        Request::WriteRegisters { at, values } => (*at, values.len() as u16),
    };
    let ([at_high, at_low], [high, low]) = (at.to_be_bytes(), second.to_be_bytes());
    [request.function(), at_high, at_low, high, low]
}

/// How far the answer reaches that begins with `bytes`; never above 260.
pub fn extent(form: Form, bytes: &[u8]) -> Extent {
    let length = match (form, bytes) {
        (Form::Rtu, [_, 0x01..=0x04, data, ..]) => ANSWER_AT_LEAST_BYTES + usize::from(*data),
        (Form::Rtu, [_, 0x05 | 0x06 | 0x0F | 0x10, _, ..]) => 8,
        (Form::Rtu, [_, EXCEPTION..=0xFF, _, ..]) => ANSWER_AT_LEAST_BYTES,
        (Form::Rtu, [_, _, _, ..]) => return Extent::Never(Mismatch::Function),
        (Form::Rtu, _) => return Extent::AtLeast(3),
        (Form::Tcp, [_, _, protocol_high, protocol_low, high, low, ..]) => {
            let length = BEFORE_UNIT + usize::from(u16::from_be_bytes([*high, *low]));
            // At least unit, function and one byte more.
            let possible = (BEFORE_UNIT + 3..=FRAME_AT_MOST_BYTES).contains(&length);
            if [*protocol_high, *protocol_low] != [0, 0] || !possible {
                return Extent::Never(Mismatch::Protocol);
            }
            length
        }
        (Form::Tcp, _) => return Extent::AtLeast(BEFORE_UNIT),
    };
    if bytes.len() < length {
        Extent::AtLeast(length)
    } else {
        Extent::Whole(length)
    }
}

/// The transaction that a TCP frame answers.
pub fn transaction(frame: &[u8]) -> Option<u16> {
    frame
        .first_chunk()
        .map(|number| u16::from_be_bytes(*number))
}

/// What `frame` says in answer to `request`; it must be one whole frame.
///
/// # Errors
/// How it fails to be that answer.
pub fn decode(
    form: Form,
    unit: u8,
    number: u16,
    request: &Request,
    frame: &[u8],
) -> Result<Outcome, Mismatch> {
    match extent(form, frame) {
        Extent::Whole(length) if length == frame.len() => {}
        Extent::Whole(_) => return Err(Mismatch::More),
        Extent::AtLeast(_) => return Err(Mismatch::Cut),
        Extent::Never(why) => return Err(why),
    }
    let body = match form {
        Form::Rtu => {
            let (body, sum) = frame.split_last_chunk().ok_or(Mismatch::Cut)?;
            if u16::from_le_bytes(*sum) != crc16(body) {
                return Err(Mismatch::Checksum);
            }
            body
        }
        Form::Tcp => {
            if transaction(frame) != Some(number) {
                return Err(Mismatch::Transaction);
            }
            frame.get(BEFORE_UNIT..).ok_or(Mismatch::Cut)?
        }
    };
    let [answering, function, rest @ ..] = body else {
        return Err(Mismatch::Cut);
    };
    if *answering != unit {
        return Err(Mismatch::Unit);
    }
    if *function == request.function() | EXCEPTION || *function == EXCEPTION {
        return match rest {
            [code] => Ok(Outcome::Refused(Exception(*code))),
            _ => Err(Mismatch::Count),
        };
    }
    if *function != request.function() {
        return Err(Mismatch::Function);
    }
    match (request.data_bytes(), rest) {
        (Some(wanted), [count, data @ ..]) => {
            if usize::from(*count) != wanted || data.len() != wanted {
                return Err(Mismatch::Count);
            }
            Ok(Outcome::Done(data.to_vec()))
        }
        (Some(_), []) => Err(Mismatch::Cut),
        (None, rest) if *rest == beginning(request)[1..] => Ok(Outcome::Done(Vec::new())),
        (None, _) => Err(Mismatch::Repeat),
    }
}

/// The first `count` bits of an answer's data, the lowest bit of a byte first.
pub fn bits(data: &[u8], count: u16) -> Vec<bool> {
    data.iter()
        .flat_map(|byte| (0..8).map(move |place| byte >> place & 1 == 1))
        .take(usize::from(count))
        .collect()
}

/// The registers of an answer's data, the high byte of each first.
pub fn registers(data: &[u8]) -> Vec<u16> {
    data.chunks_exact(2)
        .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
        .collect()
}
