//! A Modbus device: a map of coils and registers behind RTU or TCP frames.
//!
//! The map outlives the machine that serves it, as a relay board keeps its
//! coils when nobody talks to it. Requests are carried out one after another
//! when they are due, so a late answer delays the later ones. Frames are
//! written and read here anew, and do not come from `exchange::modbus`: the
//! code is not to be compared with itself.
//!
//! Opened by tests. Not here: what a bad device makes of an answer (`lapses`).

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use photometry::units::{Mono, Span};

use super::lapses::{Lapse, mangled, pieces};
use crate::link::wire::Machine;

/// From a request to its answer, where nothing goes wrong.
const THINKS: Span = Span::from_ms(2);
/// On a serial line, bytes that come later than this belong to a new request.
/// The standard says 3.5 characters, some milliseconds.
const SILENCE_ENDS_A_REQUEST: Span = Span::from_ms(20);
/// More requests than this waiting are lost.
const REQUESTS_AT_MOST: usize = 64;
/// More bytes than this are no request.
const INPUT_AT_MOST_BYTES: usize = 300;

/// How its frames are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wrapping {
    /// Unit, function, data, checksum.
    Rtu,
    /// Transaction, protocol, length, unit, function, data.
    Tcp,
}

/// What the device holds. An address that is not in a map does not exist.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contents {
    /// Outputs.
    pub coils: BTreeMap<u16, bool>,
    /// Inputs.
    pub inputs: BTreeMap<u16, bool>,
    /// Registers that can be written.
    pub holding: BTreeMap<u16, u16>,
    /// Registers that are only read.
    pub input: BTreeMap<u16, u16>,
}

/// Says what goes wrong with a request, from its function and what follows.
type Judge = Box<dyn FnMut(&[u8]) -> Option<Lapse> + Send>;

#[derive(Default)]
struct State {
    contents: Contents,
    asked: u64,
    planned: BTreeMap<u64, Lapse>,
    standing: Option<Lapse>,
    judge: Option<Judge>,
}

/// A device as a person beside it sees and handles it.
#[derive(Clone, Default)]
pub struct Registers(Arc<Mutex<State>>);

impl Registers {
    /// A device that holds these.
    pub fn new(contents: Contents) -> Registers {
        let registers = Registers::default();
        registers.state().contents = contents;
        registers
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What it holds.
    pub fn contents(&self) -> Contents {
        self.state().contents.clone()
    }

    /// Changes what it holds.
    pub fn edit(&self, change: impl FnOnce(&mut Contents)) {
        change(&mut self.state().contents);
    }

    /// Requests to this unit so far.
    pub fn asked(&self) -> u64 {
        self.state().asked
    }

    /// What goes wrong at the `nth` request from now, counted from 1.
    pub fn plan(&self, nth: u64, lapse: Lapse) {
        let mut state = self.state();
        let at = state.asked + nth;
        state.planned.insert(at, lapse);
    }

    /// What goes wrong at every request that has no plan of its own, until
    /// something else is said.
    pub fn misbehave(&self, lapse: Option<Lapse>) {
        self.state().standing = lapse;
    }

    /// What goes wrong at a request that has no plan of its own is judged by its
    /// function and what follows.
    pub fn misbehave_by(&self, judge: impl FnMut(&[u8]) -> Option<Lapse> + Send + 'static) {
        self.state().judge = Some(Box::new(judge));
    }

    /// A machine that serves it as `unit`, ready for a wire.
    pub fn machine(&self, wrapping: Wrapping, unit: u8) -> RegisterDevice {
        RegisterDevice {
            registers: self.clone(),
            wrapping,
            unit,
            input: Vec::new(),
            heard: None,
            requests: VecDeque::new(),
            out: Vec::new(),
            last_out: Mono::from_ns(i64::MIN),
        }
    }

    fn next_lapse(&self, body: &[u8]) -> Option<Lapse> {
        let mut state = self.state();
        state.asked += 1;
        let nth = state.asked;
        let planned = state.planned.remove(&nth);
        let judged = state.judge.as_mut().and_then(|judge| judge(body));
        planned.or(judged).or_else(|| state.standing.clone())
    }
}

/// A request that waits for its turn.
struct Waiting {
    at: Mono,
    transaction: [u8; 2],
    /// Function and what follows it.
    body: Vec<u8>,
    lapse: Option<Lapse>,
}

/// The machine.
pub struct RegisterDevice {
    registers: Registers,
    wrapping: Wrapping,
    unit: u8,
    input: Vec<u8>,
    /// When the last byte came.
    heard: Option<Mono>,
    requests: VecDeque<Waiting>,
    /// In the order of time.
    out: Vec<(Mono, Vec<u8>)>,
    /// When the last piece of an answer leaves.
    last_out: Mono,
}

impl RegisterDevice {
    /// Takes whole requests off the input.
    fn hear(&mut self, now: Mono) {
        while let Some(length) = self.request_length() {
            if self.input.len() < length {
                return;
            }
            let frame: Vec<u8> = self.input.drain(..length).collect();
            let (transaction, body) = match self.wrapping {
                Wrapping::Tcp => ([frame[0], frame[1]], &frame[6..]),
                Wrapping::Rtu => {
                    let (body, sum) = frame.split_at(length - 2);
                    if checksum(body) != sum {
                        // Nobody can tell where the next request begins.
                        self.input.clear();
                        return;
                    }
                    ([0, 0], body)
                }
            };
            if body[0] != self.unit || self.requests.len() >= REQUESTS_AT_MOST {
                continue;
            }
            let lapse = self.registers.next_lapse(&body[1..]);
            if lapse == Some(Lapse::Echoes) {
                self.say(now, frame.clone());
            }
            let late = match lapse {
                Some(Lapse::Late(by)) => by,
                _ => Span::ZERO,
            };
            // It thinks about a request when the one before is answered.
            let before = self.requests.back().map(|last| last.at);
            let free = before.into_iter().fold(now.max(self.last_out), Mono::max);
            let at = free + THINKS + late;
            self.requests.push_back(Waiting {
                at,
                transaction,
                body: body[1..].to_vec(),
                lapse,
            });
        }
    }

    /// How long the request at the front of the input is; `None` while that
    /// is not known.
    fn request_length(&mut self) -> Option<usize> {
        let input = &self.input;
        match self.wrapping {
            Wrapping::Tcp => {
                let length = usize::from(*input.get(4)?) * 256 + usize::from(*input.get(5)?);
                if input[2..4] == [0, 0] && (3..=254).contains(&length) {
                    return Some(6 + length);
                }
                // As a server whose connection is out of step: deaf.
                self.input.clear();
                None
            }
            Wrapping::Rtu => match *input.get(1)? {
                0x01..=0x06 => Some(8),
                0x0F | 0x10 => Some(9 + usize::from(*input.get(6)?)),
                // Of unknown length: it ends where its checksum is right.
                _ => (4..=input.len()).find(|end| {
                    let (body, sum) = input[..*end].split_at(end - 2);
                    checksum(body) == sum
                }),
            },
        }
    }

    fn carry_out(&mut self, request: Waiting) {
        let Some((&function, data)) = request.body.split_first() else {
            return;
        };
        let stuck = request.lapse == Some(Lapse::StuckCoil);
        let refused = matches!(
            request.lapse,
            Some(Lapse::Exception(_) | Lapse::BareException(_))
        );
        let done = if refused {
            Ok(Vec::new())
        } else {
            execute(&mut self.registers.state().contents, function, data, stuck)
        };
        let answer = match done {
            Ok(data) => [&[function], data.as_slice()].concat(),
            Err(code) => vec![function | 0x80, code],
        };
        let Some((unit, answer)) = mangled(self.unit, answer, request.lapse.as_ref()) else {
            return;
        };
        let bytes = match request.lapse {
            Some(Lapse::Garbage(rubbish)) => {
                self.answer(request.at, vec![(Span::ZERO, rubbish)]);
                return;
            }
            _ => self.wrap(&request, unit, &answer),
        };
        self.answer(request.at, pieces(bytes, request.lapse.as_ref()));
    }

    fn wrap(&self, request: &Waiting, unit: u8, answer: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::new();
        if self.wrapping == Wrapping::Tcp {
            let [high, low] = request.transaction;
            let low = match request.lapse {
                Some(Lapse::WrongTransaction) => low.wrapping_add(7),
                _ => low,
            };
            bytes.extend([high, low, 0, 0, 0, answer.len() as u8 + 1]);
        }
        bytes.push(unit);
        bytes.extend(answer);
        if self.wrapping == Wrapping::Rtu {
            let sum = checksum(&bytes);
            bytes.extend(sum);
        }
        bytes
    }

    /// Sends an answer in pieces, none before the last piece of the one before.
    fn answer(&mut self, at: Mono, pieces: Vec<(Span, Vec<u8>)>) {
        let mut at = at.max(self.last_out);
        for (after, piece) in pieces {
            at = at + after;
            self.say(at, piece);
        }
        self.last_out = at;
    }

    fn say(&mut self, at: Mono, bytes: Vec<u8>) {
        let place = self.out.partition_point(|(other, _)| *other <= at);
        self.out.insert(place, (at, bytes));
    }
}

impl Machine for RegisterDevice {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        let silent = self.heard.map(|heard| now.since(heard));
        if self.wrapping == Wrapping::Rtu && silent.is_some_and(|s| s > SILENCE_ENDS_A_REQUEST) {
            self.input.clear();
        }
        self.heard = Some(now);
        self.input.extend(bytes);
        self.hear(now);
        if self.input.len() > INPUT_AT_MOST_BYTES {
            self.input.clear();
        }
    }

    fn next_due(&self) -> Option<Mono> {
        let request = self.requests.front().map(|request| request.at);
        let piece = self.out.first().map(|(at, _)| *at);
        request.into_iter().chain(piece).min()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        while self
            .requests
            .front()
            .is_some_and(|request| request.at <= now)
        {
            if let Some(request) = self.requests.pop_front() {
                self.carry_out(request);
            }
        }
        let later = self.out.partition_point(|(at, _)| *at <= now);
        self.out
            .drain(..later)
            .flat_map(|(_, bytes)| bytes)
            .collect()
    }
}

const NO_FUNCTION: u8 = 1;
const NO_ADDRESS: u8 = 2;
const BAD_VALUE: u8 = 3;

/// Carries a request out: what follows the function in its answer, or the code
/// of an exception (V1.1b3, clauses 6 and 7, from memory).
fn execute(contents: &mut Contents, function: u8, data: &[u8], stuck: bool) -> Result<Vec<u8>, u8> {
    let [at_high, at_low, high, low, rest @ ..] = data else {
        let known = matches!(function, 1..=6 | 15 | 16);
        return Err(if known { BAD_VALUE } else { NO_FUNCTION });
    };
    let at = u16::from_be_bytes([*at_high, *at_low]);
    let second = u16::from_be_bytes([*high, *low]);
    match function {
        1 => return bits(&contents.coils, at, second),
        2 => return bits(&contents.inputs, at, second),
        3 => return registers(&contents.holding, at, second),
        4 => return registers(&contents.input, at, second),
        5 => {
            let coil = contents.coils.get_mut(&at).ok_or(NO_ADDRESS)?;
            if second != 0 && second != 0xFF00 {
                return Err(BAD_VALUE);
            }
            if !stuck {
                *coil = second != 0;
            }
        }
        6 => *contents.holding.get_mut(&at).ok_or(NO_ADDRESS)? = second,
        15 => {
            let places = existing(&contents.coils, at, second, 1968)?;
            let packed = written(rest, places.len().div_ceil(8))?;
            for (nth, place) in places.into_iter().enumerate().filter(|_| !stuck) {
                let on = packed[nth / 8] >> (nth % 8) & 1 == 1;
                contents.coils.insert(place, on);
            }
        }
        16 => {
            let places = existing(&contents.holding, at, second, 123)?;
            let values = written(rest, places.len() * 2)?;
            for (place, value) in places.into_iter().zip(values.chunks(2)) {
                let value = u16::from_be_bytes([value[0], value[1]]);
                contents.holding.insert(place, value);
            }
        }
        _ => return Err(NO_FUNCTION),
    }
    Ok(vec![*at_high, *at_low, *high, *low])
}

/// The addresses of a request, all of which must be there.
fn existing<T>(
    space: &BTreeMap<u16, T>,
    at: u16,
    count: u16,
    at_most: u16,
) -> Result<Vec<u16>, u8> {
    if count == 0 || count > at_most {
        return Err(BAD_VALUE);
    }
    let last = at.checked_add(count - 1).ok_or(NO_ADDRESS)?;
    let places: Vec<u16> = (at..=last).filter(|at| space.contains_key(at)).collect();
    if places.len() < usize::from(count) {
        return Err(NO_ADDRESS);
    }
    Ok(places)
}

/// The values of a write: a count of bytes, and so many.
fn written(rest: &[u8], bytes: usize) -> Result<&[u8], u8> {
    match rest.split_first() {
        Some((count, values)) if usize::from(*count) == bytes && values.len() == bytes => {
            Ok(values)
        }
        _ => Err(BAD_VALUE),
    }
}

fn bits(space: &BTreeMap<u16, bool>, at: u16, count: u16) -> Result<Vec<u8>, u8> {
    let places = existing(space, at, count, 2000)?;
    let mut packed = vec![0; 1 + places.len().div_ceil(8)];
    packed[0] = packed.len() as u8 - 1;
    for (nth, place) in places.iter().enumerate() {
        packed[1 + nth / 8] |= u8::from(space[place]) << (nth % 8);
    }
    Ok(packed)
}

fn registers(space: &BTreeMap<u16, u16>, at: u16, count: u16) -> Result<Vec<u8>, u8> {
    let places = existing(space, at, count, 125)?;
    let mut packed = vec![places.len() as u8 * 2];
    packed.extend(places.iter().flat_map(|place| space[place].to_be_bytes()));
    Ok(packed)
}

/// The checksum as it stands on the wire: division by X^16 + X^15 + X^2 + 1
/// with the bits of each byte in the order of the line, lowest first.
fn checksum(bytes: &[u8]) -> [u8; 2] {
    let mut remainder: u32 = 0xFFFF;
    for byte in bytes {
        for place in 0..8 {
            let bit = u32::from(byte >> place & 1);
            let out = remainder >> 15 & 1;
            remainder = (remainder << 1) & 0xFFFF;
            if out != bit {
                remainder ^= 0x8005;
            }
        }
    }
    let [_, _, high, low] = remainder.to_be_bytes();
    [high.reverse_bits(), low.reverse_bits()]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn board() -> Registers {
        Registers::new(Contents {
            coils: (0..10).map(|coil| (coil, coil == 2)).collect(),
            holding: BTreeMap::from([(0, 0x1234), (1, 0x5678)]),
            ..Contents::default()
        })
    }

    fn ms(ms: i64) -> Mono {
        Mono::ZERO + Span::from_ms(ms)
    }

    fn sealed(body: &[u8]) -> Vec<u8> {
        [body, &checksum(body)].concat()
    }

    /// Milliseconds, and bytes.
    type Pieces = Vec<(i64, Vec<u8>)>;

    /// What comes, and when, until nothing more does.
    fn comes(device: &mut RegisterDevice, at: i64, bytes: &[u8]) -> Pieces {
        device.bytes(ms(at), bytes);
        let mut pieces = Vec::new();
        while let Some(due) = device.next_due() {
            let piece = device.due(due);
            if !piece.is_empty() {
                pieces.push((due.since(Mono::ZERO).ns() / 1_000_000, piece));
            }
        }
        pieces
    }

    /// The check value of CRC-16/MODBUS for "123456789" is 4B37, low byte
    /// first on the wire (catalogue of parametrised CRC algorithms, from
    /// memory).
    #[test]
    fn the_checksum_gives_its_check_value() {
        assert_eq!(checksum(b"123456789"), [0x37, 0x4B]);
    }

    #[test]
    fn requests_are_cut_by_their_function_and_others_are_ignored() {
        let registers = board();
        let mut device = registers.machine(Wrapping::Rtu, 1);
        let read = sealed(&[1, 3, 0, 0, 0, 2]);
        let both = sealed(&[1, 3, 4, 0x12, 0x34, 0x56, 0x78]);
        assert_eq!(comes(&mut device, 0, &read), [(2, both.clone())]);

        let foreign = sealed(&[2, 3, 0, 0, 0, 2]);
        assert_eq!(comes(&mut device, 100, &foreign), []);
        let mut wounded = read.clone();
        wounded[5] ^= 1;
        assert_eq!(comes(&mut device, 200, &wounded), []);
        // Half a request is forgotten when the line falls silent.
        assert_eq!(comes(&mut device, 300, &read[..3]), []);
        assert_eq!(comes(&mut device, 400, &read), [(402, both.clone())]);
        // Two requests at once are answered one after the other.
        let twice = comes(&mut device, 500, &read.repeat(2));
        assert_eq!(twice, [(502, both.clone()), (504, both)]);
        let unknown = comes(&mut device, 600, &sealed(&[1, 0x2B, 14, 1, 0]));
        assert_eq!(unknown, [(602, sealed(&[1, 0xAB, 1]))]);
        assert_eq!(registers.asked(), 5);
    }

    #[test]
    fn what_cannot_be_done_is_an_exception() {
        let mut device = board().machine(Wrapping::Tcp, 1);
        let cases: [(&[u8], &[u8]); 7] = [
            (&[3, 0, 1, 0, 2], &[0x83, 2]),
            (&[3, 0, 0, 0, 0], &[0x83, 3]),
            (&[3, 0, 0, 0, 126], &[0x83, 3]),
            (&[1, 0, 0, 0, 10], &[1, 2, 4, 0]),
            (&[5, 0, 9, 0, 1], &[0x85, 3]),
            (&[5, 0, 10, 0xFF, 0], &[0x85, 2]),
            (&[16, 0, 0, 0, 2, 2, 0, 1], &[0x90, 3]),
        ];
        for (nth, (asked, answered)) in (0..).zip(cases) {
            let framed = |body: &[u8]| {
                let length = body.len() as u8 + 1;
                [&[7, nth as u8, 0, 0, 0, length, 1], body].concat()
            };
            let at = 100 * nth;
            let came = comes(&mut device, at, &framed(asked));
            assert_eq!(came, [(at + 2, framed(answered))], "{asked:x?}");
        }
    }

    #[test]
    fn coils_outlive_who_serves_them() {
        let registers = board();
        let close = sealed(&[1, 5, 0, 7, 0xFF, 0]);
        let mut first = registers.machine(Wrapping::Rtu, 1);
        assert_eq!(comes(&mut first, 0, &close), [(2, close.clone())]);
        drop(first);
        let mut second = registers.machine(Wrapping::Rtu, 1);
        let back = comes(&mut second, 500, &sealed(&[1, 1, 0, 7, 0, 1]));
        assert_eq!(back, [(502, sealed(&[1, 1, 1, 1]))]);
    }

    #[test]
    fn each_lapse_has_its_bytes() {
        let read = sealed(&[1, 3, 0, 0, 0, 2]);
        let good = sealed(&[1, 3, 4, 0x12, 0x34, 0x56, 0x78]);
        let (start, end) = good.split_at(4);
        let by_bytes = (1..).zip(good.iter().map(|byte| vec![*byte]));
        let late = Span::from_ms(40);
        let cases: [(Lapse, Pieces); 11] = [
            (Lapse::Late(late), vec![(42, good.clone())]),
            (Lapse::Silent, vec![]),
            (
                Lapse::ByteByByte(Span::from_ms(1)),
                by_bytes.map(|(ms, byte)| (ms + 2, byte)).collect(),
            ),
            (
                Lapse::TwoPieces(late),
                vec![(2, start.to_vec()), (42, end.to_vec())],
            ),
            (
                Lapse::WrongUnit,
                vec![(2, sealed(&[2, 3, 4, 0x12, 0x34, 0x56, 0x78]))],
            ),
            (Lapse::Fewer, vec![(2, sealed(&[1, 3, 2, 0x12, 0x34]))]),
            (Lapse::Exception(6), vec![(2, sealed(&[1, 0x83, 6]))]),
            (Lapse::BareException(2), vec![(2, sealed(&[1, 0x80, 2]))]),
            (Lapse::Garbage(vec![0, 9]), vec![(2, vec![0, 9])]),
            (
                Lapse::SwappedWords,
                vec![(2, sealed(&[1, 3, 4, 0x56, 0x78, 0x12, 0x34]))],
            ),
            (Lapse::Echoes, vec![(0, read.clone()), (2, good.clone())]),
        ];
        for (lapse, wanted) in cases {
            let registers = board();
            registers.plan(1, lapse.clone());
            let mut device = registers.machine(Wrapping::Rtu, 1);
            assert_eq!(comes(&mut device, 0, &read), wanted, "{lapse:?}");
            // It strikes once.
            assert_eq!(comes(&mut device, 500, &read), [(502, good.clone())]);
        }
        let registers = board();
        registers.misbehave(Some(Lapse::WrongTransaction));
        let mut device = registers.machine(Wrapping::Tcp, 1);
        let came = comes(&mut device, 0, &[0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1]);
        assert_eq!(came, [(2, vec![0, 8, 0, 0, 0, 5, 1, 3, 2, 0x12, 0x34])]);
    }

    #[test]
    fn a_stuck_coil_is_answered_and_does_not_move() {
        let registers = board();
        registers.misbehave(Some(Lapse::StuckCoil));
        let mut device = registers.machine(Wrapping::Rtu, 1);
        let close = sealed(&[1, 5, 0, 7, 0xFF, 0]);
        assert_eq!(comes(&mut device, 0, &close), [(2, close.clone())]);
        let many = sealed(&[1, 15, 0, 0, 0, 3, 1, 5]);
        assert_eq!(
            comes(&mut device, 99, &many),
            [(101, sealed(&[1, 15, 0, 0, 0, 3]))]
        );
        assert_eq!(registers.contents(), board().contents());
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_panic(
            bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..600),
            tcp in proptest::bool::ANY,
        ) {
            let wrapping = if tcp { Wrapping::Tcp } else { Wrapping::Rtu };
            let mut device = board().machine(wrapping, 1);
            for (nth, part) in (0..).zip(bytes.chunks(97)) {
                comes(&mut device, 7 * nth, part);
            }
            proptest::prop_assert!(device.input.len() <= INPUT_AT_MOST_BYTES);
        }
    }
}
