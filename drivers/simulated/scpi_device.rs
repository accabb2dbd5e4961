//! What all simulated SCPI devices share: lines in, program units, answers out.
//!
//! Follows SCPI-99: units joined by `;`, header paths, short and long forms,
//! an error queue whose last entry becomes -350 when it overflows, no answer
//! at all to an unknown question. Lines are carried out one after another, so
//! a late answer delays the later ones. Answers may be blocks of
//! numbers. Each device has a file of its own.

use std::collections::VecDeque;

use photometry::units::{Mono, Span};

use super::faults::{Amiss, Device, Fault};
use super::outgoing::Outgoing;
use super::world::World;
use crate::link::wire::Machine;

/// From a reset to the banner.
const BANNER_AFTER: Span = Span::from_ms(100);
/// What a device says when it has started.
const BANNER: &str = "Simulated device ready";
/// A longer line is thrown away with -363.
const LINE_AT_MOST_BYTES: usize = 300;
/// More lines than this waiting are thrown away with -363.
const LINES_AT_MOST: usize = 16;
/// Entries of the error queue.
const COMPLAINTS_AT_MOST: usize = 16;

/// One program unit, its header as written and rooted.
pub(super) struct Unit {
    header: String,
    /// True for a question.
    pub query: bool,
    /// What stands after the header.
    pub argument: String,
}

impl Unit {
    /// True when the header is this one, in short or long form:
    /// `SENSe:APERture` matches `sens:aper` and `SENSE:APERTURE`.
    pub fn is(&self, pattern: &str) -> bool {
        let (mut written, mut known) = (self.header.split(':'), pattern.split(':'));
        loop {
            match (written.next(), known.next()) {
                (None, None) => return true,
                (Some(node), Some(form)) => {
                    let short: String = form.chars().filter(|c| !c.is_lowercase()).collect();
                    if !node.eq_ignore_ascii_case(form) && !node.eq_ignore_ascii_case(&short) {
                        return false;
                    }
                }
                _ => return false,
            }
        }
    }

    /// The argument as a finite number.
    pub fn number(&self) -> Option<f64> {
        self.argument.parse().ok().filter(|x: &f64| x.is_finite())
    }
}

/// What a unit leads to.
pub(super) enum Reply {
    /// Nothing to say.
    Done,
    /// An answer.
    Answer(String),
    /// An answer of bytes.
    Bytes(Vec<u8>),
    /// [`Instrument::finish`] gives the answer after so long.
    After(Span),
    /// An entry for the error queue.
    Complaint(i64, &'static str),
}

/// -113, for headers that the device does not know.
pub(super) const UNDEFINED_HEADER: Reply = Reply::Complaint(-113, "Undefined header");
/// -222, for arguments that it cannot take.
pub(super) const OUT_OF_RANGE: Reply = Reply::Complaint(-222, "Data out of range");
/// -104, for arguments of the wrong form.
pub(super) const DATA_TYPE: Reply = Reply::Complaint(-104, "Data type error");

/// Numbers as a block of definite length: `#`, how many digits the length has, the
/// length in bytes, then each number as IEEE 754 binary32, most significant byte
/// first (IEEE 488.2-1992, clause 8.7.9).
pub(super) fn block(numbers: &[f32]) -> Vec<u8> {
    let length = (numbers.len() * 4).to_string();
    let mut bytes = format!("#{}{length}", length.len()).into_bytes();
    bytes.reserve(numbers.len() * 4);
    bytes.extend(numbers.iter().flat_map(|number| number.to_be_bytes()));
    bytes
}

/// What is wrong with a block, by the faults that strike at it.
pub(super) fn amiss(faults: &[Fault]) -> Option<Amiss> {
    faults.iter().find_map(|fault| match fault {
        Fault::Block(_, amiss) => Some(*amiss),
        _ => None,
    })
}

/// A block as it should be, or not.
pub(super) fn block_amiss(numbers: &[f32], amiss: Option<Amiss>) -> Vec<u8> {
    let (one, count) = (numbers.len().min(1), numbers.len());
    let mut bytes = match amiss {
        Some(Amiss::OneLess) => block(&numbers[one..]),
        Some(Amiss::NoNumber) => {
            let mut numbers = numbers.to_vec();
            numbers[count / 2..]
                .iter_mut()
                .take(1)
                .for_each(|number| *number = f32::NAN);
            block(&numbers)
        }
        _ => block(numbers),
    };
    let head = |count: usize| {
        let length = (count * 4).to_string();
        format!("#{}{length}", length.len()).into_bytes()
    };
    let says = match amiss {
        Some(Amiss::SaysMore) => count + 1,
        Some(Amiss::SaysLess) => count - one,
        _ => count,
    };
    if says != count {
        bytes.splice(..head(count).len(), head(says));
    }
    if amiss == Some(Amiss::CutShort) {
        bytes.truncate(bytes.len() / 2);
    }
    bytes
}

/// What a unit says of a shutter: true to close it.
pub(super) fn closes(unit: &Unit) -> Option<bool> {
    match unit.argument.to_ascii_uppercase().as_str() {
        "CLOS" | "CLOSE" => Some(true),
        "OPEN" => Some(false),
        _ => None,
    }
}

/// How a shutter is told.
pub(super) fn shutter(closed: bool) -> Reply {
    Reply::Answer(if closed { "CLOS" } else { "OPEN" }.to_owned())
}

/// What differs from device to device.
pub(super) trait Instrument: Send {
    /// Which device it is, for faults.
    fn device(&self) -> Device;
    /// The answer to `*IDN?`.
    fn identity(&self) -> String;
    /// Back to the settings of power-up.
    fn reset(&mut self, now: Mono);
    /// Carries out one unit.
    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply;
    /// The answer after [`Reply::After`].
    fn finish(&mut self, now: Mono) -> Vec<u8>;
}

struct Program {
    units: VecDeque<Unit>,
    answers: Vec<Vec<u8>>,
    measures_until: Option<Mono>,
    faults: Vec<Fault>,
}

/// A SCPI device on a wire.
pub(super) struct ScpiDevice<I> {
    world: World,
    instrument: I,
    input: Vec<u8>,
    lines: VecDeque<Vec<u8>>,
    program: Option<Program>,
    out: Outgoing,
    complaints: VecDeque<(i64, &'static str)>,
    enabled: u8,
}

impl<I: Instrument> ScpiDevice<I> {
    pub(super) fn new(world: World, instrument: I) -> ScpiDevice<I> {
        ScpiDevice {
            world,
            instrument,
            input: Vec::new(),
            lines: VecDeque::new(),
            program: None,
            out: Outgoing::default(),
            complaints: VecDeque::new(),
            enabled: 0,
        }
    }

    fn complain(&mut self, code: i64, text: &'static str) {
        if self.complaints.len() < COMPLAINTS_AT_MOST {
            self.complaints.push_back((code, text));
        } else if let Some(last) = self.complaints.back_mut() {
            *last = (-350, "Queue overflow");
        }
    }

    fn take(&mut self, byte: u8) {
        if byte != b'\n' {
            if self.input.len() <= LINE_AT_MOST_BYTES {
                self.input.push(byte);
            }
            return;
        }
        let line = std::mem::take(&mut self.input);
        if line.len() > LINE_AT_MOST_BYTES || self.lines.len() >= LINES_AT_MOST {
            self.complain(-363, "Input buffer overrun");
        } else {
            self.lines.push_back(line);
        }
    }

    /// Goes on until something takes time or nothing is left.
    fn work(&mut self, now: Mono) {
        loop {
            if self.program.is_none() {
                let Some(line) = self.lines.pop_front() else {
                    return;
                };
                self.program = self.understand(now, &line);
            }
            let Some(mut program) = self.program.take() else {
                continue;
            };
            if let Some(until) = program.measures_until {
                if now < until {
                    self.program = Some(program);
                    return;
                }
                program.measures_until = None;
                program.answers.push(self.instrument.finish(now));
            }
            let Some(unit) = program.units.pop_front() else {
                self.answer(now, program);
                continue;
            };
            match self.execute(now, &unit) {
                Reply::Done => {}
                Reply::Answer(text) => program.answers.push(text.into_bytes()),
                Reply::Bytes(bytes) => program.answers.push(bytes),
                Reply::After(span) => program.measures_until = Some(now + span),
                Reply::Complaint(code, text) => self.complain(code, text),
            }
            self.program = Some(program);
        }
    }

    fn understand(&mut self, now: Mono, line: &[u8]) -> Option<Program> {
        let text = String::from_utf8_lossy(line);
        let text = text.trim();
        if text.is_empty() {
            return None;
        }
        let units = units(text);
        let asks = units.iter().any(|unit| unit.query);
        let faults = if asks {
            self.world.happens(self.instrument.device().asked())
        } else {
            Vec::new()
        };
        let mut answers = Vec::new();
        let mut units = units;
        for fault in &faults {
            if matches!(fault, Fault::Reset(_) | Fault::Forgets(_)) {
                self.instrument.reset(now);
                self.complaints.clear();
                self.enabled = 0;
            }
            if matches!(fault, Fault::Reset(_)) {
                // The line is lost with whatever was waiting.
                self.lines.clear();
                self.out.clear();
                units.clear();
                answers.push(BANNER.as_bytes().to_vec());
            }
        }
        Some(Program {
            units,
            answers,
            measures_until: None,
            faults,
        })
    }

    fn execute(&mut self, now: Mono, unit: &Unit) -> Reply {
        match (unit.header.to_ascii_uppercase().as_str(), unit.query) {
            ("*IDN", true) => Reply::Answer(self.instrument.identity()),
            ("*CLS", false) => {
                self.complaints.clear();
                Reply::Done
            }
            ("*RST", false) => {
                self.instrument.reset(now);
                Reply::Done
            }
            ("*OPC", true) => Reply::Answer("1".to_owned()),
            ("*ESE", true) => Reply::Answer(self.enabled.to_string()),
            ("*ESE", false) => match unit.argument.parse() {
                Ok(mask) => {
                    self.enabled = mask;
                    Reply::Done
                }
                Err(_) => OUT_OF_RANGE,
            },
            _ if unit.query && (unit.is("SYSTem:ERRor") || unit.is("SYSTem:ERRor:NEXT")) => {
                let (code, text) = self.complaints.pop_front().unwrap_or((0, "No error"));
                Reply::Answer(format!("{code},\"{text}\""))
            }
            _ => self.instrument.execute(now, unit),
        }
    }

    fn answer(&mut self, now: Mono, program: Program) {
        if program.answers.is_empty() {
            return;
        }
        let mut bytes = program.answers.join(&b';');
        bytes.push(b'\n');
        let reset = |fault: &Fault| matches!(fault, Fault::Reset(_));
        let after = if program.faults.iter().any(reset) {
            BANNER_AFTER
        } else {
            self.world.spec().thinks.scpi
        };
        self.out.say(now + after, bytes, &program.faults);
    }
}

/// Splits a message into units and roots their headers: `A:B?;C?` asks `A:C?`.
fn units(message: &str) -> VecDeque<Unit> {
    let mut path = String::new();
    let mut found = VecDeque::new();
    for part in message.split(';') {
        let part = part.trim();
        let (header, argument) = part.split_once(char::is_whitespace).unwrap_or((part, ""));
        let query = header.ends_with('?');
        let header = header.trim_end_matches('?');
        let rooted = if let Some(root) = header.strip_prefix(':') {
            root.to_owned()
        } else if header.starts_with('*') {
            header.to_owned()
        } else {
            format!("{path}{header}")
        };
        if !rooted.starts_with('*') {
            path = match rooted.rfind(':') {
                Some(end) => rooted[..=end].to_owned(),
                None => String::new(),
            };
        }
        found.push_back(Unit {
            header: rooted,
            query,
            argument: argument.trim().to_owned(),
        });
    }
    found
}

impl<I: Instrument> Machine for ScpiDevice<I> {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        for &byte in bytes {
            self.take(byte);
        }
        self.work(now);
    }

    fn breaks_off(&mut self) -> Option<Span> {
        self.out.breaks_off()
    }

    fn next_due(&self) -> Option<Mono> {
        let measured = self.program.as_ref().and_then(|p| p.measures_until);
        let sent = self.out.next();
        measured.into_iter().chain(sent).min()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        self.work(now);
        let bytes = self.out.leave(now);
        if !bytes.is_empty() {
            self.world.save(now);
        }
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_keep_their_path_and_match_both_forms() {
        let headers: Vec<String> = units("SENS:APER?;AVER:COUN?;*CLS;RANG?;:INP:SHUT OPEN")
            .into_iter()
            .map(|unit| unit.header)
            .collect();
        let rooted = [
            "SENS:APER",
            "SENS:AVER:COUN",
            "*CLS",
            "SENS:AVER:RANG",
            "INP:SHUT",
        ];
        assert_eq!(headers, rooted);
        let unit = |header: &str| units(header).pop_front().expect("a unit");
        assert!(unit("sense:aper 1").is("SENSe:APERture"));
        assert!(unit("SENS:APERTURE?").is("SENSe:APERture"));
        assert!(!unit("SENS:APERT").is("SENSe:APERture"));
        assert!(!unit("SENS").is("SENSe:APERture"));
    }
}
