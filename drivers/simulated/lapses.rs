//! What a bad Modbus device, or the line to it, makes of an answer. Pure.
//!
//! Called by `registers`.

use photometry::units::Span;

/// One thing that goes wrong with a request or its answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Lapse {
    /// The request is carried out, and its answer comes, so much later.
    Late(Span),
    /// The request is carried out and not answered.
    Silent,
    /// The answer comes one byte at a time, so far apart.
    ByteByByte(Span),
    /// The second half of the answer comes so much later than the first.
    TwoPieces(Span),
    /// The answer carries another transaction; on RTU there is none.
    WrongTransaction,
    /// The answer carries another unit.
    WrongUnit,
    /// The answer carries one register, or one byte of bits, less than asked.
    Fewer,
    /// An exception instead of the answer; nothing is carried out.
    Exception(u8),
    /// The same, its function 80 (hexadecimal) and nothing else.
    BareException(u8),
    /// Other bytes instead of the answer.
    Garbage(Vec<u8>),
    /// A write of coils is answered and moves none.
    StuckCoil,
    /// Two registers that belong together come in the other order.
    SwappedWords,
    /// The line gives our own bytes back before the answer.
    Echoes,
    /// The answer is followed by itself.
    Twice,
}

/// The unit and the body (function and data) of the answer as they are sent;
/// `None` when nothing is.
pub(super) fn mangled(unit: u8, body: Vec<u8>, lapse: Option<&Lapse>) -> Option<(u8, Vec<u8>)> {
    let is_read = matches!(body.first(), Some(1..=4));
    let function = body.first().copied().unwrap_or(0);
    Some(match lapse {
        Some(Lapse::Silent) => return None,
        Some(Lapse::WrongUnit) => (unit.wrapping_add(1), body),
        Some(Lapse::Exception(code)) => (unit, vec![function | 0x80, *code]),
        Some(Lapse::BareException(code)) => (unit, vec![0x80, *code]),
        Some(Lapse::Fewer) if is_read => {
            let less = if function > 2 { 2 } else { 1 };
            let mut body = body;
            body.truncate(body.len().saturating_sub(less).max(2));
            body[1] = body.len() as u8 - 2;
            (unit, body)
        }
        Some(Lapse::SwappedWords) if is_read => {
            let mut body = body;
            for pair in body[2..].chunks_exact_mut(4) {
                pair.rotate_left(2);
            }
            (unit, body)
        }
        _ => (unit, body),
    })
}

/// The pieces in which a frame leaves, each so long after the one before.
pub(super) fn pieces(frame: Vec<u8>, lapse: Option<&Lapse>) -> Vec<(Span, Vec<u8>)> {
    match lapse {
        Some(Lapse::ByteByByte(apart)) => {
            frame.into_iter().map(|byte| (*apart, vec![byte])).collect()
        }
        Some(Lapse::TwoPieces(apart)) => {
            let (first, second) = frame.split_at(frame.len() / 2);
            vec![(Span::ZERO, first.to_vec()), (*apart, second.to_vec())]
        }
        Some(Lapse::Twice) => vec![(Span::ZERO, frame.repeat(2))],
        _ => vec![(Span::ZERO, frame)],
    }
}
