//! What a device is told before its thread is found again: meters that hear nothing
//! while they integrate, over lines, frames and registers, and every slip of the key.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use photometry::units::{Mono, Span};

use super::codec::Codecs;
use super::read::profile_with;
use super::testing::{shown, slips_are_told, tern, told};
use super::tests_frames::{Book, Says};
use super::types::Profile;
use crate::exchange::modbus::frames::Form;
use crate::exchange::talk::Talk;
use crate::exchange::testing::{Pieces, Scripted, converse};
use crate::link::wire::Machine;
use crate::roles::photometer::Photometer;
use crate::roles::profiled_meter::ProfiledMeter;
use crate::simulated::registers::{Contents, Registers, Wrapping};

const LINES: &str = r#"profile: tern
format: 1
role: meter
about: a meter that hears nothing while it integrates
resync: {ask: "*ESE {token};*ESE?", then: "*ESE 0"}
unit: lx
on-abort: {tell: ABOR}
read-illuminance: {ask: "READ?", answer: "{illuminance}", within: integration + 1 s}
samples: [{read-illuminance: "12", gives: 12 lx}]
"#;

const FRAMES: &str = r#"profile: tern
format: 1
role: meter
about: a meter that hears nothing while it integrates
codec: digits.rhai
frames: {answer-within: 1 s, longest-answer: 2 s}
unit: lx
on-abort: [{send: abort}, {pause: 50 ms}]
read-illuminance: {frame: read, gives: illuminance}
samples: [{read-illuminance: {bytes: "02 31 32"}, gives: 12 lx}]
"#;

const REGISTERS: &str = r#"profile: tern
format: 1
role: meter
about: a meter that hears nothing while it integrates
registers: {longest-answer: 1 s, probe: {read: input, at: 0, count: 4}}
unit: lx
on-abort: {write: holding, at: 9, as: u16, value: "1"}
read-illuminance: {read: input, at: 0, as: u16, gives: illuminance}
samples: [{read-illuminance: [12], gives: 12 lx}]
"#;

/// The counters of a [`Stubborn`] device.
#[derive(Clone, Default)]
struct Seen {
    /// So many readings are begun and never ended by themselves.
    sticks: Arc<AtomicU32>,
    /// So often it was told to give up.
    aborted: Arc<AtomicU32>,
}

/// A device that, while it integrates, answers nothing until it is told to give up.
struct Stubborn<M> {
    inner: M,
    /// Bytes that begin a reading.
    begins: &'static [u8],
    /// Bytes that end it, and how many bytes before them belong to them.
    ends: (&'static [u8], usize),
    /// The device itself answers what ends it.
    acknowledges: bool,
    /// What it still says of the reading that was given up.
    late: &'static [u8],
    seen: Seen,
    integrating: bool,
    says: Option<(Mono, &'static [u8])>,
}

fn find(bytes: &[u8], wanted: &[u8]) -> Option<usize> {
    bytes.windows(wanted.len()).position(|part| part == wanted)
}

impl<M: Machine> Machine for Stubborn<M> {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        if let Some(at) = find(bytes, self.ends.0) {
            self.seen.aborted.fetch_add(1, Ordering::SeqCst);
            if std::mem::take(&mut self.integrating) && !self.late.is_empty() {
                self.says = Some((now, self.late));
            }
            let rest = match self.acknowledges {
                true => at - self.ends.1,
                false => at + self.ends.0.len(),
            };
            if rest < bytes.len() {
                self.inner.bytes(now, &bytes[rest..]);
            }
            return;
        }
        if find(bytes, self.begins).is_some() {
            let left = self.seen.sticks.load(Ordering::SeqCst);
            self.integrating |= left > 0;
            self.seen
                .sticks
                .store(left.saturating_sub(1), Ordering::SeqCst);
        }
        if !self.integrating {
            self.inner.bytes(now, bytes);
        }
    }

    fn next_due(&self) -> Option<Mono> {
        let own = self.says.map(|(at, _)| at);
        own.into_iter().chain(self.inner.next_due()).min()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        if self.says.is_some_and(|(at, _)| at <= now) {
            return self
                .says
                .take()
                .map_or_else(Vec::new, |(_, said)| said.to_vec());
        }
        self.inner.due(now)
    }
}

fn by_lines(script: &[Pieces], late: &'static [u8], seen: &Seen) -> Stubborn<Scripted> {
    Stubborn {
        inner: Scripted::new(script),
        begins: b"READ?\n",
        ends: (b"ABOR\n", 0),
        acknowledges: false,
        late,
        seen: seen.clone(),
        integrating: false,
        says: None,
    }
}

fn read_with(text: &str, codecs: &dyn Codecs) -> Arc<Profile> {
    let (profile, _) = profile_with("p.yaml", text, codecs).unwrap_or_else(|no| panic!("{no}"));
    Arc::new(profile)
}

fn meter(text: &str, form: Form) -> ProfiledMeter {
    let profile = read_with(text, &Book);
    let station = profile.station(1, form);
    ProfiledMeter::new(tern(Span::from_ms(100)), profile, station)
}

fn without(text: &str) -> String {
    let lines = text.lines().filter(|line| !line.starts_with("on-abort"));
    lines.map(|line| format!("{line}\n")).collect()
}

/// What the next reading gives.
fn next(meter: &mut ProfiledMeter, talk: &mut Talk<'_>) -> String {
    match meter.read_illuminance(talk) {
        Ok(reading) => shown(&reading),
        Err(error) => format!("failed: {error}"),
    }
}

/// Three readings of a meter that sticks at the second.
fn three<M: Machine + 'static>(text: &str, form: Form, device: Stubborn<M>) -> [String; 3] {
    let seen = device.seen.clone();
    let mut meter = meter(text, form);
    converse(device, |talk| {
        meter.open(talk).expect("it opens");
        let first = next(&mut meter, talk);
        seen.sticks.store(1, Ordering::SeqCst);
        [first, next(&mut meter, talk), next(&mut meter, talk)]
    })
}

const FIRST: Pieces = &[(150, b"12\n")];
const THEN: Pieces = &[(150, b"20\n")];

/// It answers again as soon as it was told; what it still says of the reading that
/// was given up is nobody's. A device that is not told stays silent.
#[test]
fn a_meter_that_integrates_is_told_to_give_up_by_a_line() {
    for late in [&b""[..], b"7\n", b"7\n8\n"] {
        let seen = Seen::default();
        let got = three(LINES, Form::Rtu, by_lines(&[FIRST, THEN], late, &seen));
        assert_eq!(got[0], "12 lx []");
        assert_eq!(got[1], "TimedOut []");
        assert_eq!(got[2], "20 lx [\"answered after a resync\"]");
        // At the opening, and after the answer that did not come.
        assert_eq!(seen.aborted.load(Ordering::SeqCst), 2);
    }
    let seen = Seen::default();
    let got = three(
        &without(LINES),
        Form::Rtu,
        by_lines(&[FIRST, THEN], b"", &seen),
    );
    assert_eq!(got[1], "TimedOut []");
    assert!(
        got[2].starts_with("failed: no answer to `*ESE n;*ESE?`"),
        "{}",
        got[2]
    );
}

/// Whoever had the port before may have left the meter integrating.
#[test]
fn a_meter_is_told_to_give_up_at_its_opening() {
    let opened = |text: &str| {
        let device = Stubborn {
            integrating: true,
            ..by_lines(&[FIRST], b"7\n", &Seen::default())
        };
        let mut meter = meter(text, Form::Rtu);
        converse(device, |talk| {
            meter.open(talk).map_err(|error| error.to_string())?;
            Ok::<_, String>(next(&mut meter, talk))
        })
    };
    assert_eq!(opened(LINES).as_deref(), Ok("12 lx []"));
    let failed = opened(&without(LINES)).expect_err("it hears nothing");
    assert!(
        failed.starts_with("no answer to `*ESE n;*ESE?`"),
        "{failed}"
    );
}

#[test]
fn a_meter_that_integrates_is_told_to_give_up_by_bytes() {
    let device = |seen: &Seen| Stubborn {
        inner: Says(b"\x0212", None),
        begins: b"read",
        ends: (b"abort", 0),
        acknowledges: false,
        late: b"\x0277",
        seen: seen.clone(),
        integrating: false,
        says: None,
    };
    let seen = Seen::default();
    let got = three(FRAMES, Form::Rtu, device(&seen));
    let wanted = [
        "12 lx []",
        "TimedOut []",
        "12 lx [\"answered after a resync\"]",
    ];
    assert_eq!(got, wanted);
    assert_eq!(seen.aborted.load(Ordering::SeqCst), 2);
    // A resync by silence cannot know that the device is deaf.
    let got = three(&without(FRAMES), Form::Rtu, device(&Seen::default()));
    assert_eq!(
        got[1..],
        ["TimedOut []", "TimedOut [\"asked after a resync\"]"]
    );
}

/// By registers a question is asked again, so that the reading itself is saved.
#[test]
fn a_meter_that_integrates_is_told_to_give_up_by_a_register() {
    let rtu = (
        Form::Rtu,
        Wrapping::Rtu,
        &[1, 4, 0, 0, 0, 1][..],
        (&[1, 6, 0, 9, 0, 1][..], 0),
    );
    let tcp = (
        Form::Tcp,
        Wrapping::Tcp,
        &[0, 0, 0, 6, 1, 4, 0, 0, 0, 1][..],
        (&[0, 0, 0, 6, 1, 6, 0, 9, 0, 1][..], 2),
    );
    for (form, wrapping, begins, ends) in [rtu, tcp] {
        for (acknowledges, has_register) in [(true, true), (true, false), (false, true)] {
            let device = |seen: &Seen| {
                let held = Registers::new(Contents {
                    input: (0..4).map(|at| (at, 12)).collect(),
                    holding: has_register.then_some((9, 0)).into_iter().collect(),
                    ..Contents::default()
                });
                Stubborn {
                    inner: held.machine(wrapping, 1),
                    begins,
                    ends,
                    acknowledges,
                    late: b"",
                    seen: seen.clone(),
                    integrating: false,
                    says: None,
                }
            };
            let what = format!("{form:?} {acknowledges} {has_register}");
            let seen = Seen::default();
            let got = three(REGISTERS, form, device(&seen));
            let again = "12 lx [\"answered after a resync\", \"asked 2 times\"]";
            assert_eq!(got, ["12 lx []", again, "12 lx []"], "{what}");
            assert_eq!(seen.aborted.load(Ordering::SeqCst), 2, "{what}");
            let got = three(&without(REGISTERS), form, device(&Seen::default()));
            assert_eq!(got[1], "TimedOut []", "{what}");
            assert!(!got[2].starts_with("12 lx"), "{what}: {}", got[2]);
        }
    }
}

/// Does not know what it is told, and puts that into its queue of complaints.
struct Complains {
    inner: Scripted,
    queued: bool,
    says: Option<Mono>,
}

impl Machine for Complains {
    fn bytes(&mut self, now: Mono, bytes: &[u8]) {
        // Lines may come together.
        for line in bytes.split_inclusive(|byte| *byte == b'\n') {
            if line == b"ABOR\n" {
                self.queued = true;
            } else if line == b"SYST:ERR?\n" && std::mem::take(&mut self.queued) {
                self.says = Some(now);
            } else {
                self.inner.bytes(now, line);
            }
        }
    }

    fn next_due(&self) -> Option<Mono> {
        self.says.into_iter().chain(self.inner.next_due()).min()
    }

    fn due(&mut self, now: Mono) -> Vec<u8> {
        match self.says.take_if(|at| *at <= now) {
            Some(_) => b"-113,\"Undefined header;ABOR\"\n".to_vec(),
            None => self.inner.due(now),
        }
    }
}

/// What the device makes of it is on record, and no fault: neither of the settings
/// that are told next, nor of the reading.
#[test]
fn what_a_device_makes_of_it_is_no_fault() {
    let settings = "complaints: \"SYST:ERR?\"\nsettings: {gain: {set: \"G {value}\", value: 2}}\n";
    let text = LINES.replacen("unit: lx\n", &format!("unit: lx\n{settings}"), 1);
    let script: [Pieces; 5] = [&[], FIRST, &[], &[], THEN];
    let device = Complains {
        inner: Scripted::new(&script),
        queued: false,
        says: None,
    };
    let mut meter = meter(&text, Form::Rtu);
    let got = converse(device, |talk| {
        meter.open(talk).expect("it opens");
        [(); 3].map(|()| next(&mut meter, talk))
    });
    let flags =
        "[\"answered after a resync\", \"complaint -113 Undefined header;ABOR\", \"set up again\"]";
    let wanted = ["12 lx []", "TimedOut []", &format!("20 lx {flags}")];
    assert_eq!(got, wanted);
}

/// A device that answers what it does not know: that line is nobody's answer.
#[test]
fn what_it_answers_is_nobodys() {
    let scolds: Pieces = &[(1, b"ERROR 7\n")];
    let mut meter = meter(LINES, Form::Rtu);
    let device = Scripted::new(&[scolds, FIRST, &[], scolds, THEN]);
    let got = converse(device, |talk| {
        meter.open(talk).expect("it opens");
        [(); 3].map(|()| next(&mut meter, talk))
    });
    let wanted = [
        "12 lx []",
        "TimedOut []",
        "20 lx [\"answered after a resync\"]",
    ];
    assert_eq!(got, wanted);
}

/// A rest is kept before the thread is found again.
#[test]
fn a_rest_is_kept_before_the_resync() {
    let text = LINES.replacen("{tell: ABOR}", "{pause: 9 s}", 1);
    let mut meter = meter(&text, Form::Rtu);
    let took = converse(Scripted::new(&[&[], FIRST]), |talk| {
        meter.open(talk).expect("it opens");
        assert_eq!(next(&mut meter, talk), "TimedOut []");
        let before = talk.now().mono;
        let second = next(&mut meter, talk);
        assert_eq!(second, "12 lx [\"answered after a resync\"]");
        talk.now().mono.since(before)
    });
    assert!(took >= Span::from_secs(9), "{took}");
}

const WAITS: &str = "waits for an answer, and a device that must be aborted gives none (write \
                     `tell`, `send`, `write` or `pause`)";

#[test]
fn each_slip_of_on_abort_is_told_at_its_line() {
    assert_eq!(told(LINES), Vec::<String>::new());
    let waits = |place: &str, word: &str| format!("{place} abort-waits `{word}` {WAITS}");
    let cases = [
        (
            "{tell: ABOR}",
            r#"{ask: "ABOR?", answer: "{-}"}"#,
            waits("7:11", "ask"),
        ),
        ("{tell: ABOR}", "{set: ABOR}", waits("7:11", "set")),
        (
            "{tell: ABOR}",
            r#"[{tell: ABOR}, {hear: "{-}"}]"#,
            waits("7:26", "hear"),
        ),
        (
            "{tell: ABOR}",
            "{tel: ABOR}",
            "7:11 step the step says not what to do (a step has one of `tell`, `set`, `ask`, `block`, `numbers`, `until`, `hear`, `read`, `write`, `send`, `frame`, `run`, `pause`)".to_owned(),
        ),
        (
            "{tell: ABOR}",
            "{tell: \"ABOR {value}\"}",
            "7:18 template nothing is called `{value}` here (the text is sent as it stands)"
                .to_owned(),
        ),
        (
            "{tell: ABOR}",
            "[{tell: ABOR}, {pause: integration}]",
            "7:26 abort-integrates what ends an integration does not wait for one (write a time, such as `100 ms`)"
                .to_owned(),
        ),
        (
            "{tell: ABOR}",
            "[{pause: 6 s}, {tell: ABOR}, {pause: 4001 ms}]",
            "7:11 abort-long `on-abort` may take 10.001 s, and 10 s is the most".to_owned(),
        ),
        (
            "{tell: ABOR}",
            "{write: coil, at: 3, value: off}",
            "1:1 other-step the device is spoken to by lines, and `write` is no step of such a device (write `registers: ...` for `read` and `write`, `codec: ...` for `send` and `frame`; a program has `run` alone)"
                .to_owned(),
        ),
        (
            "on-abort",
            "on-abord",
            "7:1 unknown-key the profile has no key `on-abord` (did you mean `on-abort`?)"
                .to_owned(),
        ),
    ];
    let cases = cases
        .each_ref()
        .map(|(old, new, wanted)| (*old, *new, wanted.as_str()));
    slips_are_told(LINES, &cases, told);
}

#[test]
fn what_cannot_be_told_by_its_kind_of_device_is_a_slip() {
    let by_codec = |text: &str| match profile_with("p.yaml", text, &Book) {
        Ok(_) => Vec::new(),
        Err(refused) => {
            let mistakes = refused.mistakes.iter();
            mistakes
                .map(|m| format!("{} {}", m.code, m.message))
                .collect()
        }
    };
    assert_eq!(by_codec(FRAMES), Vec::<String>::new());
    let refusing = FRAMES.replacen("{send: abort}", "{send: refused}", 1);
    assert_eq!(
        by_codec(&refusing),
        ["abort-unsendable no bytes are known for it"]
    );
    let waiting = FRAMES.replacen("{send: abort}", "{frame: read}", 1);
    let waits = WAITS.split(" (").next().unwrap_or_default();
    assert_eq!(by_codec(&waiting), [format!("abort-waits `frame` {waits}")]);
    let cases = [
        (
            "value: \"1\"",
            "value: \"65536\"",
            "7:11 abort-unsendable 65536 does not fit into U16",
        ),
        (
            "{write: holding, at: 9, as: u16, value: \"1\"}",
            "{read: holding, at: 9, as: u16, gives: x}",
            &format!("7:11 abort-waits `read` {WAITS}"),
        ),
        (
            "value: \"1\"}",
            "value: \"1\", within: 11 s}",
            "7:11 abort-long `on-abort` may take 11 s, and 10 s is the most",
        ),
    ];
    slips_are_told(REGISTERS, &cases, told);
}

#[test]
fn a_rail_and_a_program_have_no_on_abort() {
    let rail = super::shipped::text("line-rail").expect("a profile");
    let rail = format!("{rail}on-abort: {{tell: ABOR}}\n");
    let line = rail.lines().count();
    let wanted = format!(
        "{line}:11 rail-abort a rail has no `on-abort` (its thread is found again by `stop`, or by the byte `reset`)"
    );
    assert_eq!(told(&rail), [wanted]);
    let program = r#"profile: tern
format: 1
role: meter
about: a program
unit: lx
on-abort: {pause: 1 s}
read-illuminance: {run: read, answer: "{illuminance}", within: 5 s}
samples: [{read-illuminance: "12", gives: 12 lx}]
"#;
    let wanted = "6:11 program-abort a program has no `on-abort` (it is ended at its limit, with all that it started)";
    assert_eq!(told(program), [wanted]);
}
