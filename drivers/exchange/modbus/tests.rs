//! Driver acceptance: what a Modbus device may answer, over both framings,
//! against the simulated device and against a socket that closes.

use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::AtomicBool;

use photometry::units::{Mono, Span};

use super::super::talk::{LinkState, Talk};
use super::super::testing::converse;
use super::ask::{
    self, Answer, read_bits, read_registers, write_coil, write_coils, write_register,
    write_registers,
};
use super::frames::Form;
use super::request::{BitSpace, RegisterSpace};
use super::resync::{Resync, resynchronise};
use super::station::{LONGEST_ANSWER, Limits, Probe, Station};
use super::words::{self, Order};
use crate::clock::Clock;
use crate::error::DriverError;
use crate::link::wire::Machine;
use crate::link::{Address, Link};
use crate::simulated::lapses::Lapse;
use crate::simulated::registers::{Contents, RegisterDevice, Registers, Wrapping};

const UNIT: u8 = 1;
const HOLDING: RegisterSpace = RegisterSpace::Holding;
const ONCE: Limits = Limits {
    within: Span::from_secs(1),
    retries: 0,
};
const AGAIN: Limits = Limits { retries: 2, ..ONCE };

fn station(form: Form) -> Station {
    Station {
        unit: UNIT,
        form,
        gap: Span::from_ms(20),
        longest_answer: LONGEST_ANSWER,
        echo: false,
        probe: Probe::Registers {
            space: HOLDING,
            at: 0,
            count: 4,
        },
    }
}

fn wrapping(form: Form) -> Wrapping {
    match form {
        Form::Rtu => Wrapping::Rtu,
        Form::Tcp => Wrapping::Tcp,
    }
}

/// Registers 0 to 99 with their own number times 17, sixteen coils, 1009.93 in
/// input registers 0 and 1.
fn board() -> Registers {
    Registers::new(Contents {
        coils: (0..16).map(|coil| (coil, false)).collect(),
        inputs: (0..20).map(|input| (input, input % 3 == 0)).collect(),
        holding: (0..100).map(|at| (at, at * 17)).collect(),
        input: BTreeMap::from([(0, 0x447C), (1, 0x7B85)]),
    })
}

fn told<T: std::fmt::Debug>(answer: Result<Answer<T>, DriverError>) -> String {
    match answer {
        Ok(answer) => {
            let ms = answer.taken.mono.since(answer.asked.mono).ns() / 1_000_000;
            format!("{:?} after {ms} ms {:?}", answer.value, answer.flags())
        }
        Err(error) => error.to_string(),
    }
}

/// Asks for registers 16 and 17, when `lapse` strikes, and then for 32 and 33.
fn asked_twice(form: Form, lapse: Option<Lapse>, limits: Limits) -> [String; 2] {
    let registers = board();
    if let Some(lapse) = lapse {
        registers.plan(1, lapse);
    }
    converse(registers.machine(wrapping(form), UNIT), |talk| {
        [16, 32].map(|at| told(read_registers(talk, &station(form), HOLDING, at, 2, limits)))
    })
}

const FIRST: &str = "[272, 289] after 2 ms []";
const SECOND: &str = "[544, 561] after 2 ms []";
const RESYNCED: &str = "[544, 561] after 2 ms [\"answered after a resync\"]";
const SILENT: &str = "no answer to `read 2 holding registers from 16 of unit 1` within 1 s. Check that the device is on and set to the rate in the bench file";

fn garbled(bytes: &str, wanted: &str) -> String {
    format!(
        "`read 2 holding registers from 16 of unit 1` was answered by `{bytes}`, which is not {wanted}. Check the cable, and that the device is the one in the bench file"
    )
}

fn gone(bytes: &str, wanted: &str) -> String {
    format!(
        "the device is gone: `read 2 holding registers from 16 of unit 1` was answered by `{bytes}`, which is not {wanted}; nothing on this connection is believed until it is opened anew. Check its plug and power, then release the run"
    )
}

const STILL_GONE: &str = "the device is gone: its answers no longer fit our questions; nothing on this connection is believed until it is opened anew. Check its plug and power, then release the run";

#[test]
fn answers_in_pieces_are_answers() {
    let ms = Span::from_ms;
    let cases: [(Option<Lapse>, &str); 4] = [
        (None, FIRST),
        (Some(Lapse::ByteByByte(ms(50))), "[272, 289] after 52 ms []"),
        (Some(Lapse::TwoPieces(ms(900))), FIRST),
        (Some(Lapse::Late(ms(900))), "[272, 289] after 902 ms []"),
    ];
    for (lapse, first) in cases {
        for form in [Form::Rtu, Form::Tcp] {
            let got = asked_twice(form, lapse.clone(), ONCE);
            assert_eq!(got, [first, SECOND], "{form:?} {lapse:?}");
        }
    }
}

/// The worst fault, whenever the late answer comes: in the pause, in the middle
/// of it, or after the throw-away read.
#[test]
fn a_late_answer_is_never_credited_to_the_next_question() {
    for form in [Form::Rtu, Form::Tcp] {
        for late in [999, 1_000, 1_500, 1_998, 1_999, 2_000, 2_001, 2_500, 4_000] {
            let lapse = Some(Lapse::Late(Span::from_ms(late)));
            let [first, second] = asked_twice(form, lapse, ONCE);
            assert_eq!(first, SILENT, "{form:?} {late}");
            if form == Form::Rtu || late < 2_018 {
                let second = second.split(" after").next();
                assert_eq!(second, Some("[544, 561]"), "{form:?} {late}");
            } else {
                // In order: the second answer cannot come before the first.
                assert!(second.starts_with("no answer"), "{form:?} {late} {second}");
            }
        }
        let halves = Some(Lapse::TwoPieces(Span::from_ms(1_500)));
        let [first, second] = asked_twice(form, halves, ONCE);
        let cut = garbled("01 03 04 01", "a whole answer");
        assert_eq!(first, if form == Form::Rtu { &cut } else { SILENT });
        assert_eq!(
            second.split(" after").next(),
            Some("[544, 561]"),
            "{form:?}"
        );
    }
}

#[test]
fn a_wrong_transaction_ends_the_connection() {
    let [first, second] = asked_twice(Form::Tcp, Some(Lapse::WrongTransaction), ONCE);
    let frame = "00 08 00 00 00 07 01 03 04 01 10 01 21";
    assert_eq!(first, gone(frame, "the answer to this transaction"));
    assert_eq!(second, STILL_GONE);
}

#[test]
fn an_answer_of_another_unit_is_none() {
    let lapse = || Some(Lapse::WrongUnit);
    let wanted = "an answer of the unit that was asked";
    let [first, second] = asked_twice(Form::Rtu, lapse(), ONCE);
    assert_eq!(first, garbled("02 03 04 01 10 01 21 08 82", wanted));
    assert_eq!(second, RESYNCED);
    let [first, second] = asked_twice(Form::Tcp, lapse(), ONCE);
    assert_eq!(
        first,
        gone("00 01 00 00 00 07 02 03 04 01 10 01 21", wanted)
    );
    assert_eq!(second, STILL_GONE);
}

#[test]
fn fewer_registers_than_asked_are_no_answer() {
    let wanted = "as much data as was asked for";
    let [first, second] = asked_twice(Form::Rtu, Some(Lapse::Fewer), ONCE);
    assert_eq!(first, garbled("01 03 02 01 10 B8 18", wanted));
    assert_eq!(second, RESYNCED);
    let [first, second] = asked_twice(Form::Tcp, Some(Lapse::Fewer), ONCE);
    assert_eq!(first, gone("00 01 00 00 00 05 01 03 02 01 10", wanted));
    assert_eq!(second, STILL_GONE);
}

#[test]
fn exceptions_5_and_6_are_asked_again_and_2_is_not() {
    let refused = |code: &str| {
        format!("the device refused `read 2 holding registers from 16 of unit 1`: {code}")
    };
    let twice = "[272, 289] after 2 ms [\"asked 2 times\"]".to_owned();
    let cases: [(Lapse, Limits, String); 8] = [
        (
            Lapse::Exception(2),
            AGAIN,
            refused("2 (it has no such address)"),
        ),
        (Lapse::Exception(5), AGAIN, twice.clone()),
        (Lapse::Exception(6), AGAIN, twice.clone()),
        (Lapse::Exception(6), ONCE, refused("6 (it is busy)")),
        (
            Lapse::Exception(0x0B),
            AGAIN,
            refused("11 (the gateway hears nothing from it)"),
        ),
        (
            Lapse::Exception(7),
            AGAIN,
            refused("7 (see the device's manual)"),
        ),
        (
            Lapse::BareException(2),
            AGAIN,
            refused("2 (it has no such address)"),
        ),
        (Lapse::BareException(6), AGAIN, twice),
    ];
    for (lapse, limits, first) in cases {
        for form in [Form::Rtu, Form::Tcp] {
            let got = asked_twice(form, Some(lapse.clone()), limits);
            assert_eq!(got, [first.as_str(), SECOND], "{form:?} {lapse:?}");
        }
    }
}

#[test]
fn a_busy_device_is_asked_a_bounded_number_of_times() {
    for (retries, asked) in [(0, 1), (2, 3), (1000, 6)] {
        // How long it takes once, and again: a pause of 200 ms, or the gap.
        for (lapse, once_ms, again_ms) in
            [(Lapse::Exception(6), 2, 200), (Lapse::Silent, 1_000, 20)]
        {
            let registers = board();
            registers.misbehave(Some(lapse.clone()));
            let limits = Limits { retries, ..ONCE };
            converse(registers.machine(Wrapping::Tcp, UNIT), |talk| {
                let start = talk.now().mono;
                let answer = read_registers(talk, &station(Form::Tcp), HOLDING, 0, 1, limits);
                assert!(answer.is_err(), "{lapse:?}");
                let took = talk.now().mono.since(start);
                let wanted = once_ms * asked + again_ms * (asked - 1);
                assert_eq!(took, Span::from_ms(wanted), "{lapse:?}");
            });
            assert_eq!(registers.asked(), asked as u64, "{lapse:?}");
        }
    }
}

#[test]
fn a_write_that_nobody_answers_is_repeated_only_when_it_may_be() {
    for form in [Form::Rtu, Form::Tcp] {
        let registers = board();
        converse(registers.machine(wrapping(form), UNIT), |talk| {
            registers.plan(1, Lapse::Silent);
            let once = write_coil(talk, &station(form), 3, true, ONCE);
            assert!(matches!(once, Err(DriverError::Silent { .. })), "{once:?}");
            assert!(talk.state().is_dirty());
            // It was carried out all the same: nobody can tell from here.
            assert!(registers.contents().coils[&3]);
            registers.plan(1, Lapse::Exception(6));
            let again = write_coil(talk, &station(form), 4, true, AGAIN);
            let said = told(again);
            let flags = "[\"answered after a resync\"]";
            let flags_again = "[\"answered after a resync\", \"asked 2 times\"]";
            let wanted = match form {
                // The resync met the busy device.
                Form::Rtu => format!("true after 2 ms {flags}"),
                Form::Tcp => format!("true after 2 ms {flags_again}"),
            };
            assert_eq!(said, wanted);
            assert!(registers.contents().coils[&4]);
        });
    }
}

#[test]
fn a_coil_that_does_not_follow_is_seen_when_it_is_read_back() {
    for form in [Form::Rtu, Form::Tcp] {
        let registers = board();
        converse(registers.machine(wrapping(form), UNIT), |talk| {
            let mut press = |coil, on| {
                write_coil(talk, &station(form), coil, on, ONCE).expect("an echo");
                let back = read_bits(talk, &station(form), BitSpace::Coils, 0, 16, ONCE);
                back.expect("coils").value[usize::from(coil)]
            };
            assert!(press(5, true));
            registers.misbehave(Some(Lapse::StuckCoil));
            assert!(!press(6, true));
            assert!(press(5, false), "it stays closed");
        });
    }
}

#[test]
fn swapped_words_are_far_from_plausible_and_the_right_order_reads() {
    for form in [Form::Rtu, Form::Tcp] {
        let registers = board();
        registers.misbehave(Some(Lapse::SwappedWords));
        converse(registers.machine(wrapping(form), UNIT), |talk| {
            let input = RegisterSpace::Input;
            let held = read_registers(talk, &station(form), input, 0, 2, ONCE).expect("two");
            let read = |order| words::number(words::Form::F32, order, &held.value);
            assert_eq!(read(Order::Cdab), Some(f64::from(1009.93_f32)));
            let swapped = read(Order::Abcd).expect("two registers");
            assert!(!(0.0..=200_000.0).contains(&swapped), "{swapped}");
        });
    }
}

#[test]
fn what_is_no_frame_at_all_is_named_and_then_forgotten() {
    let rubbish = |bytes: &[u8]| Some(Lapse::Garbage(bytes.to_vec()));
    let rtu: [(&[u8], String); 4] = [
        (
            b"\x01\x03\x04\x01\x10\x01\x21\x00\x00",
            garbled(
                "01 03 04 01 10 01 21 00 00",
                "an answer whose checksum is right",
            ),
        ),
        (
            b"hello",
            garbled("68 65 6C 6C 6F", "an answer to this function"),
        ),
        (b"\x01\x03", garbled("01 03", "a whole answer")),
        (
            &[0xFF; 30],
            garbled("FF FF FF FF FF", "an answer whose checksum is right"),
        ),
    ];
    for (bytes, first) in rtu {
        let got = asked_twice(Form::Rtu, rubbish(bytes), ONCE);
        assert_eq!(got, [first.as_str(), RESYNCED], "{bytes:x?}");
    }
    let [first, second] = asked_twice(Form::Tcp, rubbish(b"hello you"), ONCE);
    let wanted = "the beginning of a Modbus answer";
    assert_eq!(first, gone("68 65 6C 6C 6F 20 79 6F 75", wanted));
    assert_eq!(second, STILL_GONE);
}

/// Two answers to one question: on a serial line nobody can tell which is ours.
#[test]
fn an_answer_that_comes_twice_is_believed_only_with_a_number() {
    let [first, second] = asked_twice(Form::Rtu, Some(Lapse::Twice), ONCE);
    assert_eq!(
        first,
        garbled("01 03 04 01 10 01 21 3B 82", "one answer alone")
    );
    assert_eq!(second, RESYNCED);
    assert_eq!(
        asked_twice(Form::Tcp, Some(Lapse::Twice), ONCE),
        [FIRST, RESYNCED]
    );
}

#[test]
fn an_adapter_that_echoes_is_told_from_one_that_does_not() {
    let asked = |echoes: bool, echo: bool| {
        let registers = board();
        registers.misbehave(echoes.then_some(Lapse::Echoes));
        converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
            let station = Station {
                echo,
                ..station(Form::Rtu)
            };
            let read = told(read_registers(talk, &station, HOLDING, 16, 2, ONCE));
            let wrote = told(write_register(talk, &station, 7, 99, ONCE));
            [read, wrote, registers.contents().holding[&7].to_string()]
        })
    };
    assert_eq!(asked(true, true), [FIRST, "99 after 2 ms []", "99"]);
    let [read, wrote, held] = asked(false, true);
    let wanted = "our own bytes first, as the adapter is said to echo them";
    assert_eq!(read, garbled("01 03 04 01 10 01 21 3B", wanted));
    assert!(wrote.contains(wanted), "{wrote}");
    assert_eq!(held, "119");
    // Our own question, read as an answer, has no data at all.
    let [read, ..] = asked(true, false);
    assert!(read.starts_with("`read 2 holding registers"), "{read}");
}

#[test]
fn every_request_does_what_it_says() {
    for form in [Form::Rtu, Form::Tcp] {
        let registers = board();
        converse(registers.machine(wrapping(form), UNIT), |talk| {
            let station = station(form);
            let on = [true, false, true, true, false, true, true, true, true];
            let many = write_coils(talk, &station, 2, &on, ONCE).expect("an echo");
            assert_eq!(many.value, 9);
            let back = read_bits(talk, &station, BitSpace::Coils, 2, 9, ONCE).expect("coils");
            assert_eq!(back.value, on);
            let inputs = read_bits(talk, &station, BitSpace::Inputs, 0, 4, ONCE);
            assert_eq!(inputs.expect("inputs").value, [true, false, false, true]);
            let values = [1, 2, 65_535];
            let wrote = write_registers(talk, &station, 97, &values, ONCE).expect("an echo");
            assert_eq!(wrote.value, 3);
            write_register(talk, &station, 96, 77, ONCE).expect("an echo");
            let read = read_registers(talk, &station, HOLDING, 96, 4, ONCE).expect("four");
            assert_eq!(read.value, [77, 1, 2, 65_535]);
            assert_eq!(read.resync, None);
            let past = write_registers(talk, &station, 98, &values, ONCE);
            assert!(matches!(past, Err(DriverError::Refused { code: 2, .. })));
            assert_eq!(registers.contents().holding[&98], 2, "all or nothing");
        });
    }
}

#[test]
fn nothing_is_sent_that_cannot_be_answered() {
    let registers = board();
    converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
        let rtu = station(Form::Rtu);
        let to = |unit, longest_answer| Station {
            unit,
            longest_answer,
            ..rtu.clone()
        };
        let mut said =
            |station: &Station, count| told(read_registers(talk, station, HOLDING, 0, count, ONCE));
        let second = Span::from_secs(1);
        let cases = [
            (
                said(&to(0, second), 1),
                "read 1 holding registers from 0 of unit 0: unit 0 is every device at once, and none of them answers; nothing was sent",
            ),
            (
                said(&to(250, second), 1),
                "read 1 holding registers from 0 of unit 250: unit 250 is reserved; devices on a serial line have 1 to 247; nothing was sent",
            ),
            (
                said(&to(1, second), 126),
                "read 126 holding registers from 0 of unit 1: registers to read: 126 is not between 1 and 125; nothing was sent",
            ),
            (
                said(&to(1, Span::from_secs(600)), 1),
                "a longest answer of 10 min 00 s is not between 0 s and 1 min; nothing was sent",
            ),
        ];
        for (said, wanted) in cases {
            assert_eq!(said, wanted);
        }
    });
    assert_eq!(registers.asked(), 0);
}

#[test]
fn the_gap_between_answer_and_question_is_kept() {
    let registers = board();
    converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
        let station = Station {
            gap: Span::from_ms(35),
            ..station(Form::Rtu)
        };
        let mut read = || read_registers(talk, &station, HOLDING, 0, 1, ONCE).expect("one");
        let (first, second) = (read(), read());
        let pause = second.asked.mono.since(first.taken.mono);
        assert_eq!(pause, Span::from_ms(35));
    });
}

/// A resync waits, reads, and is over; what it found is on record.
#[test]
fn a_resync_says_what_it_found() {
    let registers = board();
    converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
        let station = station(Form::Rtu);
        let opened = resynchronise(talk, &station).expect("a device");
        assert_eq!(opened.tries, 1);
        // Every length has been asked for, and only the last can still come.
        for count in 1..=4 {
            read_registers(talk, &station, HOLDING, 16, count, ONCE).expect("an answer");
        }
        registers.plan(1, Lapse::Late(Span::from_ms(1_500)));
        let failed = talk.now().mono;
        assert!(read_registers(talk, &station, HOLDING, 16, 2, ONCE).is_err());
        let answer = read_registers(talk, &station, HOLDING, 32, 2, ONCE).expect("two");
        // The pause before it, its second, a second of waiting, the read of
        // 2 ms and the pause after it: the line is not listened to once more.
        let took = answer.asked.mono.since(failed);
        assert_eq!(took, Span::from_ms(20 + 1_000 + 1_000 + 2 + 20));
        let found = Resync {
            tries: 1,
            late_frames: 0,
            late_bytes: 9,
        };
        assert_eq!(answer.resync, Some(found));
        // Later than it said it ever is: it comes instead of the probe's answer.
        registers.plan(1, Lapse::Late(Span::from_ms(2_500)));
        assert!(read_registers(talk, &station, HOLDING, 16, 2, ONCE).is_err());
        let answer = read_registers(talk, &station, HOLDING, 32, 2, ONCE).expect("two");
        let found = Resync {
            tries: 1,
            late_frames: 1,
            late_bytes: 0,
        };
        assert_eq!(answer.resync, Some(found));
        assert_eq!(answer.value, [544, 561]);
    });
}

/// With one register, or eight coils, no length is free: then the line is
/// listened to once more, and the answer that was another's is found out. Of
/// sixteen coils an answer has one byte or two.
#[test]
fn a_probe_of_one_length_is_not_trusted_alone() {
    let coils = |count| Probe::Bits {
        space: BitSpace::Coils,
        at: 0,
        count,
    };
    for (probe, tries) in [(coils(8), 2), (coils(16), 1)] {
        let registers = board();
        registers.edit(|held| {
            held.coils.insert(8, true);
        });
        converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
            let station = Station {
                probe,
                ..station(Form::Rtu)
            };
            registers.plan(1, Lapse::Late(Span::from_ms(2_500)));
            registers.plan(2, Lapse::Late(Span::from_ms(300)));
            let coils = BitSpace::Coils;
            let first = read_bits(talk, &station, coils, 0, 3, ONCE);
            assert!(matches!(first, Err(DriverError::Silent { .. })));
            let second = read_bits(talk, &station, coils, 8, 3, ONCE).expect("three");
            assert_eq!(second.value, [true, false, false], "{probe:?}");
            assert_eq!(second.resync.map(|found| found.tries), Some(tries));
        });
    }
    let registers = board();
    converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
        let station = Station {
            probe: Probe::Registers {
                space: HOLDING,
                at: 0,
                count: 1,
            },
            ..station(Form::Rtu)
        };
        registers.plan(1, Lapse::Late(Span::from_ms(2_500)));
        registers.plan(2, Lapse::Late(Span::from_ms(300)));
        assert!(read_registers(talk, &station, HOLDING, 16, 1, ONCE).is_err());
        let answer = read_registers(talk, &station, HOLDING, 32, 1, ONCE).expect("one");
        assert_eq!(answer.value, [544]);
    });
}

#[test]
fn a_device_silent_for_ever_is_reported_in_bounded_time() {
    let registers = board();
    registers.misbehave(Some(Lapse::Silent));
    converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
        let start = talk.now().mono;
        let first = read_registers(talk, &station(Form::Rtu), HOLDING, 16, 2, AGAIN);
        assert!(
            matches!(first, Err(DriverError::Silent { .. })),
            "{first:?}"
        );
        assert!(talk.state().is_dirty());
        // One second for the question, then three times one to wait and one to ask.
        assert_eq!(talk.now().mono.since(start), Span::from_secs(7));
    });
    // A probe that the device refuses is named, and not taken for silence.
    registers.misbehave(Some(Lapse::Exception(2)));
    converse(registers.machine(Wrapping::Rtu, UNIT), |talk| {
        let error = resynchronise(talk, &station(Form::Rtu)).expect_err("a refusal");
        let said = error.to_string();
        assert!(said.ends_with("2 (it has no such address)"), "{said}");
    });
}

/// Says each answer once more, so much later.
struct Stutters {
    device: RegisterDevice,
    after: Span,
    again: VecDeque<(Mono, Vec<u8>)>,
}

impl Machine for Stutters {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        self.device.bytes(now, bytes);
    }

    fn next_due(&self) -> Option<Mono> {
        let again = self.again.front().map(|(at, _)| *at);
        self.device.next_due().into_iter().chain(again).min()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        let mut bytes = self.device.due(now);
        if !bytes.is_empty() {
            self.again.push_back((now + self.after, bytes.clone()));
        }
        while self.again.front().is_some_and(|(at, _)| *at <= now) {
            bytes.extend(
                self.again
                    .pop_front()
                    .into_iter()
                    .flat_map(|(_, said)| said),
            );
        }
        bytes
    }
}

/// Reads one register and then another from a device that says its first
/// answer again after `after_ms`, and answers a probe between the two after
/// `probe_ms`.
fn asked_of_a_stutterer(after_ms: i64, probe_ms: i64, distrust: bool) -> [String; 2] {
    let registers = board();
    registers.plan(2, Lapse::Late(Span::from_ms(probe_ms)));
    let machine = Stutters {
        device: registers.machine(Wrapping::Rtu, UNIT),
        after: Span::from_ms(after_ms),
        again: VecDeque::new(),
    };
    converse(machine, |talk| {
        let station = station(Form::Rtu);
        let first = told(read_registers(talk, &station, HOLDING, 16, 1, ONCE));
        if distrust {
            talk.distrust();
        }
        let second = told(read_registers(talk, &station, HOLDING, 32, 1, ONCE));
        [first, second]
    })
}

#[test]
fn bytes_that_nobody_asked_for_lead_to_a_resync() {
    let wanted = [
        "[272] after 2 ms []",
        "[544] after 2 ms [\"answered after a resync\"]",
    ];
    assert_eq!(asked_of_a_stutterer(10, 0, false), wanted);
    // The repeated answer comes while the probe's is waited for.
    assert_eq!(asked_of_a_stutterer(1_050, 100, true), wanted);
}

/// No flood fills the memory: what is held stays below one frame and one read.
#[test]
fn a_flood_is_bounded_and_named() {
    struct Flood(Vec<u8>, Option<Mono>);
    impl Machine for Flood {
        fn bytes(&mut self, now: Mono, _: &[u8]) {
            self.1 = Some(now);
        }
        fn next_due(&self) -> Option<Mono> {
            self.1
        }
        fn due(&mut self, now: Mono) -> Vec<u8> {
            self.1 = Some(now + Span::from_ms(100));
            self.0.repeat(100)
        }
    }
    for (form, bytes) in [
        (Form::Rtu, vec![1, 3, 250, 7]),
        (Form::Tcp, vec![0, 1, 0, 0, 0, 6]),
        (Form::Tcp, vec![0, 0, 0, 0, 0, 4, 1, 3, 1, 0]),
    ] {
        converse(Flood(bytes.clone(), None), |talk| {
            for at in 0..3 {
                let answer = read_registers(talk, &station(form), HOLDING, at, 2, ONCE);
                assert!(answer.is_err(), "{form:?} {bytes:x?}");
                assert!(talk.held().len() <= 260 + 4096);
            }
        });
    }
}

/// A real socket whose server closes it in the middle of an answer.
#[test]
fn a_socket_closed_in_the_middle_of_an_answer_is_gone() {
    use std::io::{Read as _, Write as _};
    let server = std::net::TcpListener::bind("127.0.0.1:0").expect("a server");
    let port = server.local_addr().expect("its address").port();
    let serving = std::thread::spawn(move || {
        let (mut socket, _) = server.accept().expect("a client");
        for whole in [true, false] {
            let mut asked = [0; 12];
            socket.read_exact(&mut asked).expect("a question");
            let [high, low, ..] = asked;
            let answer = [high, low, 0, 0, 0, 7, UNIT, 3, 4, 1, 16, 1, 33];
            let sent = if whole { &answer[..] } else { &answer[..8] };
            socket.write_all(sent).expect("bytes");
        }
    });
    let address: Address = format!("tcp:127.0.0.1:{port}").parse().expect("an address");
    let clock = Clock::wall();
    let mut seat = clock.seat("port");
    let mut link = Link::open(&address, &clock).expect("a link");
    let (never, mut state) = (AtomicBool::new(false), LinkState::new());
    let talk = &mut Talk::new(&mut seat, &mut link, &never, &mut state);
    let limits = Limits {
        within: Span::from_secs(30),
        retries: ask::RETRIES_AT_MOST,
    };
    let mut read = || read_registers(talk, &station(Form::Tcp), HOLDING, 16, 2, limits);
    assert_eq!(read().expect("an answer").value, [272, 289]);
    let cut = read().expect_err("half an answer");
    assert!(cut.link_is_gone(), "{cut}");
    serving.join().expect("the server");
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(48))]
    #[test]
    fn no_rubbish_is_believed_and_the_next_answer_is_right(
        rubbish in proptest::collection::vec(proptest::num::u8::ANY, 0..400),
        tcp in proptest::bool::ANY,
    ) {
        let form = if tcp { Form::Tcp } else { Form::Rtu };
        let [first, second] = asked_twice(form, Some(Lapse::Garbage(rubbish)), ONCE);
        proptest::prop_assert!(!first.starts_with('['), "{}", first);
        let right = second.starts_with("[544, 561]");
        proptest::prop_assert!(right || form == Form::Tcp, "{}", second);
    }
}
