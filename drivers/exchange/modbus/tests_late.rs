//! Many reads of one register each from a device that answers late, in pieces,
//! wrongly or not at all: no register gets what another one holds. 2,000 reads
//! over each framing, 100,000 with `WAKERAIL_LONG`.

use photometry::units::Span;

use super::super::abort::Act;
use super::super::tally;
use super::super::testing::{Draw, converse};
use super::ask::read_registers;
use super::frames::Form;
use super::request::{RegisterSpace, Request};
use super::station::{Limits, Probe, Station};
use crate::error::DriverError;
use crate::simulated::lapses::Lapse;
use crate::simulated::registers::{Contents, Registers, Wrapping};

const ADDRESSES: u16 = 5000;

/// What a register holds: an odd factor makes every one different.
fn held(at: u16) -> u16 {
    at.wrapping_mul(40_503)
}

impl Draw {
    /// Up to twice as late as the station says that its device ever is.
    fn late(&mut self) -> Span {
        Span::from_ms(900 + self.below(1_200) as i64)
    }

    fn lapse(&mut self, form: Form) -> Lapse {
        match self.below(if form == Form::Rtu { 13 } else { 8 }) {
            0 => Lapse::Silent,
            1 => Lapse::Late(self.late()),
            2 => Lapse::Late(Span::from_ms(self.below(6_000) as i64)),
            3 => Lapse::TwoPieces(self.late()),
            4 => Lapse::ByteByByte(Span::from_ms(self.below(400) as i64)),
            5 => Lapse::Exception(self.below(12) as u8),
            6 => Lapse::BareException(6),
            7 => Lapse::Twice,
            // From here on a TCP connection would be given up.
            8 => Lapse::WrongUnit,
            9 => Lapse::Fewer,
            10 => Lapse::WrongTransaction,
            _ => {
                let length = self.below(20);
                Lapse::Garbage((0..length).map(|_| self.below(256) as u8).collect())
            }
        }
    }
}

/// Asks, and counts what came of it.
fn reads(form: Form, wrapping: Wrapping, seed: u64, aborts: bool) {
    let exchanges: u64 = if tally::long() { 100_000 } else { 2_000 };
    let station = Station {
        unit: 9,
        form,
        gap: Span::from_ms(5),
        longest_answer: Span::from_secs(1),
        echo: false,
        probe: Probe::Registers {
            space: RegisterSpace::Holding,
            at: 0,
            count: 20,
        },
    };
    let registers = Registers::new(Contents {
        holding: (0..ADDRESSES).map(|at| (at, held(at))).collect(),
        ..Contents::default()
    });
    let mut draw = Draw(seed);
    let (mut answered, mut refused, mut resyncs) = (0_u64, 0_u64, 0_u64);
    let mut wrong = Vec::new();
    let last = ADDRESSES - 1;
    let give_up = Act::Write {
        request: Request::WriteRegister {
            at: last,
            value: held(last),
        },
        within: Span::from_secs(1),
    };
    let acts: Vec<Act> = aborts.then_some(give_up).into_iter().collect();
    converse(registers.machine(wrapping, 9), |talk| {
        talk.aborts_by(acts);
        for _ in 0..exchanges {
            // The question, and what a resync tells and asks before it.
            for nth in 1..=if aborts { 3 } else { 2 } {
                if draw.below(8) == 0 {
                    registers.plan(nth, draw.lapse(form));
                }
            }
            let at = draw.below(u64::from(ADDRESSES)) as u16;
            let limits = Limits {
                within: Span::from_secs(1),
                retries: draw.below(2) as u32,
            };
            match read_registers(talk, &station, RegisterSpace::Holding, at, 1, limits) {
                Ok(answer) => {
                    answered += 1;
                    resyncs += u64::from(answer.resync.is_some());
                    if answer.value != [held(at)] {
                        wrong.push((at, answer.value));
                    }
                }
                Err(
                    DriverError::Silent { .. }
                    | DriverError::Garbled { .. }
                    | DriverError::Refused { .. },
                ) => refused += 1,
                Err(error) => panic!("{at}: {error}"),
            }
        }
    });
    tally::line(
        &format!(
            "late, split, wrong and missing answers, Modbus {form:?}{}",
            if aborts { ", told to give up" } else { "" }
        ),
        &[
            ("exchanges", &exchanges),
            ("answered", &answered),
            ("after a resync", &resyncs),
            ("refused", &refused),
            ("credited to another register", &wrong.len()),
        ],
    );
    assert_eq!(wrong, Vec::new());
    assert!(answered > exchanges / 2 && refused > exchanges / 20 && resyncs > exchanges / 20);
}

#[test]
fn no_register_gets_the_value_of_another_over_rtu() {
    reads(Form::Rtu, Wrapping::Rtu, 0x5eed_0003, false);
}

#[test]
fn no_register_gets_the_value_of_another_over_tcp() {
    reads(Form::Tcp, Wrapping::Tcp, 0x5eed_0004, false);
}

/// A device that is told to give up acknowledges that as late as it answers.
#[test]
fn nor_where_the_device_is_told_to_give_up_first() {
    reads(Form::Rtu, Wrapping::Rtu, 0x5eed_0006, true);
    reads(Form::Tcp, Wrapping::Tcp, 0x5eed_0007, true);
}
