//! Frames: published examples, the way there and back, and wounded bytes.
//!
//! Each case of random bytes or of a wounded frame is read from each of its
//! bytes on, some 150 and 60 readings. By default 256 cases are drawn;
//! `PROPTEST_CASES=30000 cargo test -p drivers modbus::tests_frames` makes more
//! than a million readings of each kind.

use proptest::prelude::*;

use super::frames::{self, Extent, FRAME_AT_MOST_BYTES, Form, Mismatch, Outcome, crc16};
use super::request::{BadRequest, BitSpace, Exception, RegisterSpace, Request};

const UNIT: u8 = 17;
const NUMBER: u16 = 0x1501;

/// The check value of CRC-16/MODBUS in the catalogue of parametrised CRC
/// algorithms (from memory); the frame was worked out apart.
#[test]
fn the_checksum_gives_its_check_value() {
    assert_eq!(crc16(b"123456789"), 0x4B37);
    assert_eq!(crc16(&[]), 0xFFFF);
    let asked = frames::encode(Form::Rtu, 1, 0, &holding(0, 2)).expect("within the limits");
    assert_eq!(asked, [1, 3, 0, 0, 0, 2, 0xC4, 0x0B]);
}

fn holding(at: u16, count: u16) -> Request {
    let space = RegisterSpace::Holding;
    Request::ReadRegisters { space, at, count }
}

/// Puts function and data into a frame.
fn framed(form: Form, unit: u8, number: u16, body: &[u8]) -> Vec<u8> {
    let mut frame = Vec::new();
    if form == Form::Tcp {
        frame.extend(number.to_be_bytes());
        frame.extend([0, 0]);
        frame.extend((body.len() as u16 + 1).to_be_bytes());
    }
    frame.push(unit);
    frame.extend(body);
    if form == Form::Rtu {
        let sum = crc16(&frame);
        frame.extend([sum as u8, (sum >> 8) as u8]);
    }
    frame
}

/// The examples of Modbus Application Protocol V1.1b3, clauses 6.1 to 6.6, 6.11
/// and 6.12 (from memory): function and data of a request and of its answer.
#[test]
fn requests_and_answers_are_those_of_the_standard() {
    let bits = |space, at, count| Request::ReadBits { space, at, count };
    let input = Request::ReadRegisters {
        space: RegisterSpace::Input,
        at: 8,
        count: 1,
    };
    let ten = [1, 0, 1, 1, 0, 0, 1, 1, 1, 0].map(|bit| bit == 1).to_vec();
    type Case = (Request, &'static [u8], &'static [u8], &'static [u8]);
    let cases: [Case; 8] = [
        (
            bits(BitSpace::Coils, 0x13, 0x13),
            &[0x01, 0x00, 0x13, 0x00, 0x13],
            &[0x01, 0x03, 0xCD, 0x6B, 0x05],
            &[0xCD, 0x6B, 0x05],
        ),
        (
            bits(BitSpace::Inputs, 0xC4, 0x16),
            &[0x02, 0x00, 0xC4, 0x00, 0x16],
            &[0x02, 0x03, 0xAC, 0xDB, 0x35],
            &[0xAC, 0xDB, 0x35],
        ),
        (
            holding(0x6B, 3),
            &[0x03, 0x00, 0x6B, 0x00, 0x03],
            &[0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64],
            &[0x02, 0x2B, 0x00, 0x00, 0x00, 0x64],
        ),
        (
            input,
            &[0x04, 0x00, 0x08, 0x00, 0x01],
            &[0x04, 0x02, 0x00, 0x0A],
            &[0x00, 0x0A],
        ),
        (
            Request::WriteCoil { at: 0xAC, on: true },
            &[0x05, 0x00, 0xAC, 0xFF, 0x00],
            &[0x05, 0x00, 0xAC, 0xFF, 0x00],
            &[],
        ),
        (
            Request::WriteRegister { at: 1, value: 3 },
            &[0x06, 0x00, 0x01, 0x00, 0x03],
            &[0x06, 0x00, 0x01, 0x00, 0x03],
            &[],
        ),
        (
            Request::WriteCoils { at: 0x13, on: ten },
            &[0x0F, 0x00, 0x13, 0x00, 0x0A, 0x02, 0xCD, 0x01],
            &[0x0F, 0x00, 0x13, 0x00, 0x0A],
            &[],
        ),
        (
            Request::WriteRegisters {
                at: 1,
                values: vec![0x000A, 0x0102],
            },
            &[0x10, 0x00, 0x01, 0x00, 0x02, 0x04, 0x00, 0x0A, 0x01, 0x02],
            &[0x10, 0x00, 0x01, 0x00, 0x02],
            &[],
        ),
    ];
    for (request, asked, answered, data) in cases {
        for form in [Form::Rtu, Form::Tcp] {
            let bytes = frames::encode(form, UNIT, NUMBER, &request).expect("a request");
            assert_eq!(bytes, framed(form, UNIT, NUMBER, asked), "{request}");
            let answer = framed(form, UNIT, NUMBER, answered);
            let outcome = frames::decode(form, UNIT, NUMBER, &request, &answer);
            assert_eq!(outcome, Ok(Outcome::Done(data.to_vec())), "{request}");
        }
    }
    // Coils 20 to 38 of the first example: CD is 27 to 20, 6B 35 to 28, 05 38 to 36.
    let coils = frames::bits(&[0xCD, 0x6B, 0x05], 19);
    let closed: Vec<usize> = (0..19).filter(|nth| coils[*nth]).map(|n| n + 20).collect();
    assert_eq!(closed, [20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38]);
    assert_eq!(frames::registers(&[0x02, 0x2B, 0, 0x64]), [555, 100]);
}

#[test]
fn nobody_is_asked_who_cannot_answer() {
    for form in [Form::Rtu, Form::Tcp] {
        let to_all = frames::encode(form, 0, 0, &holding(0, 1));
        assert_eq!(to_all, Err(BadRequest::Broadcast));
    }
    let reserved = frames::encode(Form::Rtu, 248, 0, &holding(0, 1));
    assert_eq!(reserved, Err(BadRequest::Reserved(248)));
    assert!(frames::encode(Form::Rtu, 247, 0, &holding(0, 1)).is_ok());
    assert!(frames::encode(Form::Tcp, 255, 0, &holding(0, 1)).is_ok());
}

/// Each way in which a frame may fail to be the answer to *read 2 holding
/// registers from 0 of unit 17*.
#[test]
fn an_answer_must_match_its_request() {
    let request = holding(0, 2);
    let good: &[u8] = &[3, 4, 0, 1, 0, 2];
    let of = |form, frame: &[u8]| frames::decode(form, UNIT, NUMBER, &request, frame);
    for form in [Form::Rtu, Form::Tcp] {
        let as_it_should = framed(form, UNIT, NUMBER, good);
        assert_eq!(of(form, &as_it_should), Ok(Outcome::Done(vec![0, 1, 0, 2])));
        let cases: [(Vec<u8>, Mismatch); 6] = [
            (framed(form, 18, NUMBER, good), Mismatch::Unit),
            (
                framed(form, UNIT, NUMBER, &[4, 4, 0, 1, 0, 2]),
                Mismatch::Function,
            ),
            (framed(form, UNIT, NUMBER, &[3, 2, 0, 1]), Mismatch::Count),
            (
                framed(form, UNIT, NUMBER, &[3, 6, 0, 1, 0, 2, 0, 3]),
                Mismatch::Count,
            ),
            (
                as_it_should[..as_it_should.len() - 1].to_vec(),
                Mismatch::Cut,
            ),
            ([&as_it_should[..], &[0]].concat(), Mismatch::More),
        ];
        for (frame, why) in cases {
            assert_eq!(of(form, &frame), Err(why), "{form:?} {frame:x?}");
        }
        for (function, code) in [(0x83, 2), (0x80, 6)] {
            let refused = framed(form, UNIT, NUMBER, &[function, code]);
            assert_eq!(of(form, &refused), Ok(Outcome::Refused(Exception(code))));
        }
        let other = framed(form, UNIT, NUMBER, &[0x84, 2]);
        assert_eq!(of(form, &other), Err(Mismatch::Function));
    }
    let mut wounded = framed(Form::Rtu, UNIT, NUMBER, good);
    wounded[4] ^= 1;
    assert_eq!(of(Form::Rtu, &wounded), Err(Mismatch::Checksum));
    let late = framed(Form::Tcp, UNIT, NUMBER - 1, good);
    assert_eq!(of(Form::Tcp, &late), Err(Mismatch::Transaction));
    let mut stranger = framed(Form::Tcp, UNIT, NUMBER, good);
    stranger[2] = 1;
    assert_eq!(of(Form::Tcp, &stranger), Err(Mismatch::Protocol));
    // The length says more than function and count do.
    let padded = framed(Form::Tcp, UNIT, NUMBER, &[3, 4, 0, 1, 0, 2, 0]);
    assert_eq!(of(Form::Tcp, &padded), Err(Mismatch::Count));

    let write = Request::WriteRegister { at: 1, value: 3 };
    for repeated in [[6, 0, 1, 0, 4], [6, 0, 2, 0, 3]] {
        let frame = framed(Form::Rtu, UNIT, NUMBER, &repeated);
        let outcome = frames::decode(Form::Rtu, UNIT, NUMBER, &write, &frame);
        assert_eq!(outcome, Err(Mismatch::Repeat));
    }
}

/// The length in a TCP frame counts unit, function and data: 3 to 254.
#[test]
fn no_frame_is_longer_than_the_protocol_allows() {
    let said = |length: u16| {
        let [high, low] = length.to_be_bytes();
        frames::extent(Form::Tcp, &[0, 1, 0, 0, high, low])
    };
    assert_eq!(said(3), Extent::AtLeast(9));
    assert_eq!(said(254), Extent::AtLeast(FRAME_AT_MOST_BYTES));
    for length in [0, 2, 255, 0xFFFF] {
        assert_eq!(said(length), Extent::Never(Mismatch::Protocol), "{length}");
    }
    let rtu = frames::extent(Form::Rtu, &[1, 3, 0xFF]);
    assert_eq!(rtu, Extent::AtLeast(FRAME_AT_MOST_BYTES));
}

fn forms() -> impl Strategy<Value = Form> {
    prop_oneof![Just(Form::Rtu), Just(Form::Tcp)]
}

/// Requests within the limits, and some beyond them.
fn requests() -> impl Strategy<Value = Request> {
    let bit_space = prop_oneof![Just(BitSpace::Coils), Just(BitSpace::Inputs)];
    let space = prop_oneof![Just(RegisterSpace::Holding), Just(RegisterSpace::Input)];
    prop_oneof![
        (bit_space, any::<u16>(), 0_u16..2100).prop_map(|(space, at, count)| Request::ReadBits {
            space,
            at,
            count
        }),
        (space, any::<u16>(), 0_u16..140).prop_map(|(space, at, count)| Request::ReadRegisters {
            space,
            at,
            count
        }),
        any::<(u16, bool)>().prop_map(|(at, on)| Request::WriteCoil { at, on }),
        any::<(u16, u16)>().prop_map(|(at, value)| Request::WriteRegister { at, value }),
        (any::<u16>(), prop::collection::vec(any::<bool>(), 0..60))
            .prop_map(|(at, on)| Request::WriteCoils { at, on }),
        (any::<u16>(), prop::collection::vec(any::<u16>(), 0..130))
            .prop_map(|(at, values)| Request::WriteRegisters { at, values }),
    ]
}

/// Requests within the limits.
fn good_requests() -> impl Strategy<Value = Request> {
    requests().prop_map(|request| match request {
        Request::ReadBits { space, at, count } => {
            let count = count.clamp(1, 2000);
            let at = at.min(u16::MAX - count);
            Request::ReadBits { space, at, count }
        }
        Request::ReadRegisters { space, at, count } => {
            let count = count.clamp(1, 125);
            let at = at.min(u16::MAX - count);
            Request::ReadRegisters { space, at, count }
        }
        Request::WriteCoils { at, mut on } => {
            on.push(true);
            let at = at.min(u16::MAX - on.len() as u16);
            Request::WriteCoils { at, on }
        }
        Request::WriteRegisters { at, mut values } => {
            values.truncate(122);
            values.push(at);
            let at = at.min(u16::MAX - values.len() as u16);
            Request::WriteRegisters { at, values }
        }
        single => single,
    })
}

/// What a device says that does what it is asked: data drawn from `seed`.
fn good_answer(form: Form, request: &Request, seed: u8) -> Vec<u8> {
    let body = match request.data_bytes() {
        Some(bytes) => {
            let data = (0..bytes).map(|nth| (nth as u8).wrapping_mul(37) ^ seed);
            [request.function(), bytes as u8]
                .into_iter()
                .chain(data)
                .collect()
        }
        None => {
            let asked = frames::encode(Form::Tcp, UNIT, 0, request).expect("within limits");
            asked[7..12].to_vec()
        }
    };
    framed(form, UNIT, NUMBER, &body)
}

/// Frames that are almost right.
fn wound(mut frame: Vec<u8>, wounds: &[(u8, u16, u8)]) -> Vec<u8> {
    for (kind, place, byte) in wounds {
        let place = usize::from(*place) % (frame.len() + 1);
        match kind % 5 {
            0 => frame.truncate(place),
            1 => frame.insert(place, *byte),
            2 if place < frame.len() => frame[place] = *byte,
            3 if place < frame.len() => drop(frame.remove(place)),
            4 => frame.extend(frame.clone().into_iter().take(usize::from(*byte))),
            _ => {}
        }
    }
    frame
}

/// What holds for whatever bytes: nothing above the cap, and data only of the
/// length that was asked for.
fn whatever_comes(form: Form, request: &Request, bytes: &[u8]) -> Result<(), TestCaseError> {
    match frames::extent(form, bytes) {
        Extent::AtLeast(length) => {
            prop_assert!(length > bytes.len() && length <= FRAME_AT_MOST_BYTES);
        }
        Extent::Whole(length) => {
            prop_assert!((5..=bytes.len().min(FRAME_AT_MOST_BYTES)).contains(&length));
        }
        Extent::Never(_) => {}
    }
    if let Ok(Outcome::Done(data)) = frames::decode(form, UNIT, NUMBER, request, bytes) {
        let wanted = request.data_bytes().unwrap_or(0);
        prop_assert_eq!(data.len(), wanted);
        prop_assert!(data.capacity() <= FRAME_AT_MOST_BYTES);
        if let Request::ReadBits { count, .. } = request {
            prop_assert_eq!(frames::bits(&data, *count).len(), usize::from(*count));
        }
        prop_assert!(frames::registers(&data).len() <= 125);
    }
    Ok(())
}

proptest! {
    #[test]
    fn a_request_is_refused_or_fits_a_frame(
        form in forms(), unit in any::<u8>(), number in any::<u16>(), request in requests(),
    ) {
        let Ok(bytes) = frames::encode(form, unit, number, &request) else {
            prop_assert!(request.check().is_err() || unit == 0 || (form == Form::Rtu && unit > 247));
            return Ok(());
        };
        prop_assert!(bytes.len() <= FRAME_AT_MOST_BYTES && bytes.capacity() <= FRAME_AT_MOST_BYTES);
        let (unit_at, end) = match form {
            Form::Rtu => (0, bytes.len() - 2),
            Form::Tcp => (6, bytes.len()),
        };
        // All of the request can be read back from its bytes.
        prop_assert_eq!(&framed(form, unit, number, &bytes[unit_at + 1..end]), &bytes);
        let word = |at: usize| u16::from_be_bytes([bytes[unit_at + at], bytes[unit_at + at + 1]]);
        let rest = &bytes[(unit_at + 7).min(end)..end];
        let (at, count) = (word(2), word(4));
        let read_back = match bytes[unit_at + 1] {
            1 => Request::ReadBits { space: BitSpace::Coils, at, count },
            2 => Request::ReadBits { space: BitSpace::Inputs, at, count },
            3 => Request::ReadRegisters { space: RegisterSpace::Holding, at, count },
            4 => Request::ReadRegisters { space: RegisterSpace::Input, at, count },
            5 => Request::WriteCoil { at, on: count == 0xFF00 },
            6 => Request::WriteRegister { at, value: count },
            15 => Request::WriteCoils { at, on: frames::bits(rest, count) },
            _ => Request::WriteRegisters { at, values: frames::registers(rest) },
        };
        prop_assert_eq!(read_back, request);
    }

    #[test]
    fn a_good_answer_reads_back_and_answers_no_other_question(
        form in forms(), asked in good_requests(), other in good_requests(), seed in any::<u8>(),
    ) {
        let answer = good_answer(form, &asked, seed);
        prop_assert_eq!(frames::extent(form, &answer), Extent::Whole(answer.len()));
        let outcome = frames::decode(form, UNIT, NUMBER, &asked, &answer);
        let head = if form == Form::Rtu { 3 } else { 9 };
        let data = asked.data_bytes().map_or(Vec::new(), |n| answer[head..head + n].to_vec());
        prop_assert_eq!(outcome, Ok(Outcome::Done(data)));

        let alike = asked.function() == other.function() && match asked.data_bytes() {
            Some(bytes) => other.data_bytes() == Some(bytes),
            None => answer == good_answer(form, &other, seed),
        };
        let credited = frames::decode(form, UNIT, NUMBER, &other, &answer);
        prop_assert_eq!(credited.is_ok(), alike, "{} for {}", asked, other);
        prop_assert!(frames::decode(form, UNIT + 1, NUMBER, &asked, &answer).is_err());
        let later = frames::decode(form, UNIT, NUMBER + 1, &asked, &answer);
        prop_assert_eq!(later.is_ok(), form == Form::Rtu);
    }

    #[test]
    fn no_bytes_panic_or_make_much_of_little(
        form in forms(), request in requests(),
        bytes in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        for start in 0..=bytes.len() {
            whatever_comes(form, &request, &bytes[start..])?;
        }
    }

    #[test]
    fn no_wounded_frame_panics_or_makes_much_of_little(
        form in forms(), request in good_requests(), seed in any::<u8>(),
        wounds in prop::collection::vec(any::<(u8, u16, u8)>(), 1..4),
    ) {
        let bytes = wound(good_answer(form, &request, seed), &wounds);
        for start in 0..=bytes.len() {
            whatever_comes(form, &request, &bytes[start..])?;
        }
    }

    /// The checksum finds every one and every two wrong bits of a frame that
    /// keeps its length (a property of the polynomial below 4 kB).
    #[test]
    fn no_one_or_two_wrong_bits_pass_the_checksum(
        request in good_requests(), seed in any::<u8>(),
        first in any::<u16>(), second in any::<u16>(),
    ) {
        let mut bad = good_answer(Form::Rtu, &request, seed);
        let bits = bad.len() * 8;
        let places = [usize::from(first) % bits, usize::from(second) % bits];
        // Twice the same one would be right again.
        let wrong = if places[0] == places[1] { 1 } else { 2 };
        for place in &places[..wrong] {
            bad[place / 8] ^= 1 << (place % 8);
        }
        prop_assert!(frames::decode(Form::Rtu, UNIT, NUMBER, &request, &bad).is_err());
    }
}
