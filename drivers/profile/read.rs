//! A profile as written becomes a [`Profile`]; every mistake at once, each with
//! its line.
//!
//! ```text
//!  profile, format, role, about
//!  lines, resync, complaints       how it is spoken to       -> Manner
//!  identity, on-open, settings     what happens at opening
//!  on-abort                        what is told when no answer came
//!  unit, decimal-comma, marks      what its numbers mean
//!  read-illuminance, ...           the verbs of its role     -> read_steps
//!  samples                         answers that are known    -> samples
//! ```

use std::collections::BTreeMap;

use photometry::units::Span;
use written::{Fields, Mistake, Mistakes, Node, readers};

use super::codec::{Codecs, NoCodecs};
use super::read_abort;
use super::read_frames;
use super::read_outlets;
use super::read_rail;
use super::read_registers;
use super::read_settings;
use super::read_steps::{self, template};
use super::samples;
use super::types::{
    DeviceRole, Marks, Profile, ProfileVerb, Sample, SampleAnswer, Speech, Step, VERBS,
};
use super::value::IlluminanceUnit;
use crate::exchange::block::BLOCK_AT_MOST_BYTES;
use crate::exchange::manner::{LineEnd, Manner, Resync, TOKEN};

/// The format of profiles that this program reads.
const FORMAT: i64 = 1;
/// Longest time that a profile may ask for: no device of a bench needs more, and a
/// resync of several such waits must end before the attendant calls it hung.
const LONGEST: Span = Span::from_mins(1);
/// Most samples.
const SAMPLES_AT_MOST: usize = 100;
/// Most forms of answers in a whole profile: one costs milliseconds to compile, also
/// where it is refused, and no text may take over 100 ms. Shipped ones have ten.
const PATTERNS_AT_MOST: usize = 50;
/// The keys under which such a form stands.
const PATTERN_KEYS: &[&str] = &["answer", "match", "hear", "rest"];

/// Reads a profile's text; `file` names it in mistakes. A profile that gives
/// warnings only is given too. One that names a codec is refused: see
/// [`profile_with`].
///
/// # Errors
/// All mistakes, sorted, with the sources to print them.
pub fn profile(file: &str, text: &str) -> Result<(Profile, Vec<Mistake>), Refused> {
    profile_with(file, text, &NoCodecs)
}

/// The same, where who knows codecs is at hand.
///
/// # Errors
/// All mistakes, sorted, with the sources to print them; those of the codec that it
/// names among them.
pub fn profile_with(
    file: &str,
    text: &str,
    codecs: &dyn Codecs,
) -> Result<(Profile, Vec<Mistake>), Refused> {
    let mut mistakes = Mistakes::new();
    let mut sources = written::Sources::new();
    sources.add(file, text);
    let document = written::read_collecting(file, text, &mut mistakes);
    if let Some(document) = &document
        && let Some(name) = document.root().get("codec").and_then(|node| node.text())
        && let Some(text) = codecs.text(name)
    {
        sources.add(name, &text);
    }
    let read = document.and_then(|document| root(document.root(), codecs, &mut mistakes));
    let refuses = mistakes.refuses();
    match read {
        Some(profile) if !refuses => Ok((profile, mistakes.into_sorted())),
        _ => Err(Refused {
            mistakes: mistakes.into_sorted(),
            sources,
        }),
    }
}

/// Why a profile cannot be used.
#[derive(Debug)]
pub struct Refused {
    /// What is wrong with it.
    pub mistakes: Vec<Mistake>,
    /// Its text, to show the lines.
    pub sources: written::Sources,
}

/// As a person reads it, without colours.
impl std::fmt::Display for Refused {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&written::render(&self.mistakes, &self.sources, false))
    }
}

impl std::error::Error for Refused {}

fn root(root: Node<'_>, codecs: &dyn Codecs, mistakes: &mut Mistakes) -> Option<Profile> {
    if patterns(root) > PATTERNS_AT_MOST {
        let text = format!("more than {PATTERNS_AT_MOST} forms of answers");
        mistakes.add(Mistake::new(root.place(), "too-many", text));
        return None;
    }
    let mut fields = Fields::of(root, "the profile", mistakes)?;
    let name = fields.need("profile", readers::name);
    let _ = fields.need_like("format", "1", readers::checked(readers::integer, is_known));
    let role = fields.need(
        "role",
        readers::one_of(&[
            (DeviceRole::Meter.word(), DeviceRole::Meter),
            (DeviceRole::Fingers.word(), DeviceRole::Fingers),
            (DeviceRole::Rail.word(), DeviceRole::Rail),
            (DeviceRole::Outlets.word(), DeviceRole::Outlets),
            (DeviceRole::Level.word(), DeviceRole::Level),
            (DeviceRole::Contact.word(), DeviceRole::Contact),
        ]),
    );
    let about = fields.need_like("about", "what it is, in a line", readers::text);
    let has_codec = fields.has("codec");
    let codec = fields.may("codec", read_frames::codec(codecs));
    let (speech, settle_after_open) = speech(&mut fields);
    let identity = fields.may_or("identity", identity, Vec::new());
    let on_open = fields.may_or("on-open", read_steps::steps(&[]), Vec::new());
    let on_abort = fields.may_or("on-abort", read_abort::steps(role), Vec::new());
    let settings = fields.may_or("settings", read_settings::settings, Vec::new());
    let unit = fields.may("unit", unit);
    let decimal_comma = fields.may_or("decimal-comma", readers::boolean, false);
    let marks = fields.may_or("marks", marks, Marks::default());
    let is_rail = role == Some(DeviceRole::Rail);
    let (rail, acks) = is_rail.then(|| read_rail::rail(&mut fields)).unzip();
    let verbs = role.and_then(|role| verbs(role, &mut fields));
    let samples = fields.may_or("samples", sample_list, Vec::new());
    // Without a role no verb was asked for, and none is unknown.
    match role {
        Some(_) => fields.finish(),
        None => drop(fields),
    }
    if has_codec && codec.is_none() {
        return None;
    }
    let mut profile = Profile {
        name: name?,
        role: role?,
        about: about?,
        speech: speech?,
        codec,
        settle_after_open,
        identity,
        on_open,
        on_abort,
        settings,
        unit,
        decimal_comma,
        marks,
        rail,
        verbs: verbs?,
        samples,
    };
    know_speech(root, &mut profile);
    know_blocks(&mut profile);
    let readable = read_rail::whole(root, &mut profile, acks.flatten(), mistakes);
    whole(root, &profile, mistakes);
    read_abort::whole(root, &profile, mistakes);
    if readable {
        samples::hold(root, &profile, mistakes);
    }
    Some(profile)
}

fn is_known(format: &i64) -> Result<(), String> {
    if *format == FORMAT {
        return Ok(());
    }
    Err(format!(
        "format {format} is not known; this program reads format {FORMAT}"
    ))
}

/// How many forms of answers are written in it, wherever they stand.
fn patterns(node: Node<'_>) -> usize {
    let entries = node.entries().map(|(key, value)| {
        let is_one = key.text().is_some_and(|key| PATTERN_KEYS.contains(&key));
        usize::from(is_one) + patterns(value)
    });
    entries.sum::<usize>() + node.items().map(patterns).sum::<usize>()
}

/// A device that is worked by programs, and whose profile says of no other
/// speech, is spoken to by programs alone.
fn know_speech(root: Node<'_>, profile: &mut Profile) {
    let others = ["lines", "resync", "complaints", "registers"];
    let speaks = others.iter().any(|key| root.get(key).is_some());
    let is_run = |step: &Step| matches!(step, Step::Run { .. });
    if !speaks && profile.all_steps().any(is_run) {
        profile.speech = Speech::Program;
    }
}

/// A resync must know how long a late block may be.
fn know_blocks(profile: &mut Profile) {
    let blocks = profile.all_steps().filter_map(|step| match step {
        Step::Block(block) => Some(block.numbers.bytes()),
        Step::Many(_) => Some(BLOCK_AT_MOST_BYTES),
        _ => None,
    });
    let largest_block = blocks.max().unwrap_or(0);
    if let Speech::Lines(manner) = &mut profile.speech {
        manner.largest_block = largest_block;
    }
}

/// A time from nothing to ten minutes.
pub(super) fn span(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let reader = readers::checked(readers::quantity(Span::parse), |span: &Span| {
        if *span < Span::ZERO || *span > LONGEST {
            return Err(format!("{span} is not between 0 s and {LONGEST}"));
        }
        Ok(())
    });
    reader(node, mistakes)
}

/// By lines, by registers or by a codec; that it is by a program, its steps say.
fn speech(fields: &mut Fields<'_, '_>) -> (Option<Speech>, Span) {
    let settle = fields.may_or("settle-after-open", span, Span::ZERO);
    let registers = fields.node().get("registers");
    let by_lines = ["lines", "resync", "complaints"]
        .into_iter()
        .find_map(|key| fields.node().get(key).map(|node| (key, node.place())));
    if let Some(codec) = fields.node().get("codec") {
        return (by_codec(fields, codec), settle);
    }
    let Some(registers) = registers else {
        return (Some(Speech::Lines(manner(fields))), settle);
    };
    let read = fields.may("registers", read_registers::manner);
    if let Some((key, place)) = by_lines {
        let _ = manner(fields);
        let text = format!("a device that speaks by registers has no `{key}`");
        fields
            .mistakes()
            .add(Mistake::new(place, "two-ways", text).also(registers.place(), "by registers"));
        return (None, settle);
    }
    (read.map(Speech::Registers), settle)
}

/// What is spoken through a codec is spoken in no other way.
fn by_codec(fields: &mut Fields<'_, '_>, codec: Node<'_>) -> Option<Speech> {
    let read = fields.may_or("frames", read_frames::manner, read_frames::usual());
    let mut alone = true;
    for key in ["registers", "lines", "resync", "complaints"] {
        let Some(other) = fields.node().get(key).map(|node| node.place()) else {
            continue;
        };
        let _ = fields.has(key);
        alone = false;
        let text = format!("a device that speaks through a codec has no `{key}`");
        let mistake = Mistake::new(other, "two-ways", text);
        fields
            .mistakes()
            .add(mistake.also(codec.place(), "the codec"));
    }
    alone.then_some(Speech::Frames(read))
}

fn manner(fields: &mut Fields<'_, '_>) -> Manner {
    let defaults = Manner::default();
    let mut manner = Manner {
        resync: Resync::Quiet,
        complaints: None,
        ..defaults
    };
    fields.may("lines", |node, mistakes| {
        let mut lines = Fields::of(node, "`lines`", mistakes)?;
        let ends = [
            ("lf", LineEnd::Lf),
            ("cr", LineEnd::Cr),
            ("crlf", LineEnd::CrLf),
        ];
        manner.end = lines.may_or("end", readers::one_of(&ends), LineEnd::Lf);
        manner.answer_within = lines.may_or("answer-within", span, manner.answer_within);
        manner.longest_answer = lines.may_or("longest-answer", span, manner.longest_answer);
        manner.gap = lines.may_or("gap", span, Span::ZERO);
        manner.closes = lines.may_or("closes-after-answer", readers::boolean, false);
        lines.finish();
        Some(())
    });
    if let Some(resync) = fields.may("resync", resync) {
        manner.resync = resync;
    }
    manner.complaints = fields.may("complaints", |node, mistakes| {
        template(&[])(node, mistakes).map(|line| line.fill(&[]))
    });
    manner
}

/// `quiet`, or a question that gives back its token.
fn resync(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Resync> {
    if node.text() == Some("quiet") {
        return Some(Resync::Quiet);
    }
    let mut fields = Fields::of(node, "`resync`", mistakes)?;
    let asks = |node: Node<'_>, mistakes: &mut Mistakes| {
        let line = template(&["token"])(node, mistakes)?;
        if line.has("token") {
            return Some(line.fill(&[("token", TOKEN)]));
        }
        mistakes.add(
            Mistake::new(node.place(), "no-token", "the question has no token")
                .hint("write `{token}` where the device takes a number that it gives back"),
        );
        None
    };
    let ask = fields.need_like("ask", "\"*ESE {token};*ESE?\"", asks);
    let then = fields.may("then", |node, mistakes| {
        template(&[])(node, mistakes).map(|line| line.fill(&[]))
    });
    fields.finish();
    Some(Resync::Token { ask: ask?, then })
}

fn identity(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Step>> {
    let steps = read_steps::steps(&[])(node, mistakes)?;
    for field in read_steps::fields(&steps) {
        if !["maker", "model", "serial", "firmware"].contains(&field) {
            let text = format!("an identity has no field `{{{field}}}`");
            mistakes.add(
                Mistake::new(node.place(), "unused-field", text)
                    .hint("it has `{maker}`, `{model}`, `{serial}`, `{firmware}`; write `{-}` for what is not needed"),
            );
        }
    }
    Some(steps)
}

fn unit(node: Node<'_>, mistakes: &mut Mistakes) -> Option<IlluminanceUnit> {
    let text = readers::text(node, mistakes)?;
    let unit = IlluminanceUnit::read(&text);
    if unit.is_none() {
        let message = format!(
            "{} is no unit of illuminance that is known",
            readers::shown(&text)
        );
        mistakes.add(
            Mistake::new(node.place(), "unknown-unit", message)
                .hint("write `lx`, `klx`, `mlx` or `fc`"),
        );
    }
    unit
}

fn marks(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Marks> {
    let mut fields = Fields::of(node, "`marks`", mistakes)?;
    let mut list = |key| fields.may_or(key, readers::one_or_list_of(readers::text), Vec::new());
    let marks = Marks {
        over: list("over"),
        under: list("under"),
        invalid: list("invalid"),
        not_live: list("not-live"),
    };
    fields.finish();
    Some(marks)
}

fn verbs(
    role: DeviceRole,
    fields: &mut Fields<'_, '_>,
) -> Option<BTreeMap<ProfileVerb, Vec<Step>>> {
    let mut read = BTreeMap::new();
    let mut all = true;
    for form in VERBS.iter().filter(|form| form.role == role) {
        let steps = read_steps::verb(form);
        let written = fields.node().get(form.word).is_some();
        let steps = if form.needed {
            fields.need_like(form.word, form.like, steps)
        } else {
            fields.may(form.word, steps)
        };
        all &= steps.is_some() || !(written || form.needed);
        if let Some(steps) = steps {
            read.insert(form.verb, steps);
        }
    }
    all.then_some(read)
}

/// What concerns several keys.
fn whole(root: Node<'_>, profile: &Profile, mistakes: &mut Mistakes) {
    let other = profile.all_steps().find(|step| !step.fits(&profile.speech));
    if let Some(step) = other {
        let text = format!(
            "the device is spoken to {}, and `{}` is no step of such a device",
            profile.speech.words(),
            step.word()
        );
        mistakes.add(
            Mistake::new(root.place(), "other-step", text)
                .hint("write `registers: ...` for `read` and `write`, `codec: ...` for `send` and `frame`; a program has `run` alone"),
        );
    }
    let shutter = [ProfileVerb::CloseShutter, ProfileVerb::OpenShutter];
    let has = shutter.map(|verb| profile.verbs.contains_key(&verb));
    if has[0] != has[1] {
        let text = "a shutter that closes must also open, and one that opens, close";
        mistakes.add(Mistake::new(root.place(), "half-a-shutter", text));
    }
    let tells_unit = |verb: ProfileVerb| {
        let steps = profile.steps(verb).unwrap_or_default();
        read_steps::fields(steps).any(|field| field == "unit")
    };
    if profile.role == DeviceRole::Meter {
        measures(root, mistakes);
    }
    if profile.role == DeviceRole::Outlets {
        read_outlets::whole(root, profile, mistakes);
    }
    if profile.verbs.contains_key(&ProfileVerb::ReadIlluminance)
        && profile.unit.is_none()
        && !tells_unit(ProfileVerb::ReadIlluminance)
    {
        mistakes.add(
            Mistake::new(
                root.place(),
                "no-unit",
                "nothing says in which unit the meter answers",
            )
            .hint("write `unit: lx`, or take `{unit}` from the answer"),
        );
    }
}

/// A meter yields something, and what goes with it is there.
fn measures(root: Node<'_>, mistakes: &mut Mistakes) {
    use ProfileVerb::{
        PrepareWaveform, ReadIlluminance, ReadPower, ReadSpectrum, ReadTemperature, ReadWaveform,
        ReadWavelengths,
    };
    let has = |verb: ProfileVerb| root.get(verb.word()).is_some();
    let all = [
        ReadIlluminance,
        ReadPower,
        ReadTemperature,
        ReadSpectrum,
        ReadWaveform,
    ];
    if !all.into_iter().any(has) {
        let words: Vec<String> = all
            .iter()
            .map(|verb| format!("`{}`", verb.word()))
            .collect();
        let hint = format!("write one of {}", words.join(", "));
        let text = "the meter reads nothing";
        mistakes.add(Mistake::new(root.place(), "missing-key", text).hint(hint));
    }
    for (verb, with) in [
        (ReadSpectrum, ReadWavelengths),
        (ReadWaveform, PrepareWaveform),
    ] {
        if has(verb) && !has(with) {
            let place = root.get(verb.word()).map_or(root.place(), Node::place);
            let text = format!("`{}` needs `{}` beside it", verb.word(), with.word());
            mistakes.add(Mistake::new(place, "missing-key", text));
        }
    }
}

fn sample_list(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<Sample>> {
    if node.items().len() > SAMPLES_AT_MOST {
        let text = format!("more than {SAMPLES_AT_MOST} samples");
        mistakes.add(Mistake::new(node.place(), "too-many", text));
        return None;
    }
    readers::list_of(sample)(node, mistakes)
}

/// A line, a list of registers, or bytes: `{bytes: "23 31 34 43 FA 50 CC 0A"}`.
fn sample_answer(node: Node<'_>, mistakes: &mut Mistakes) -> Option<SampleAnswer> {
    if node.kind() == written::Kind::Map {
        let mut fields = Fields::of(node, "the answer", mistakes)?;
        let bytes = fields.need_like("bytes", "\"23 31 34 0A\"", hex);
        fields.finish();
        return bytes.map(SampleAnswer::Bytes);
    }
    if node.kind() != written::Kind::List {
        return readers::text(node, mistakes).map(SampleAnswer::Line);
    }
    let words = readers::list_of(readers::integer_in(0..=65_535))(node, mistakes)?;
    let words = words.into_iter().map(|word| word as u16).collect();
    Some(SampleAnswer::Words(words))
}

/// Bytes as pairs of hexadecimal digits, blanks between them as one likes.
fn hex(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Vec<u8>> {
    let text = readers::text(node, mistakes)?;
    let digits: Option<Vec<u8>> = text
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_digit(16).and_then(|digit| u8::try_from(digit).ok()))
        .collect();
    let digits = digits.filter(|digits| digits.len().is_multiple_of(2));
    let bytes = digits.map(|digits| {
        let pairs = digits.chunks_exact(2);
        pairs.map(|pair| pair[0] << 4 | pair[1]).collect()
    });
    if bytes.is_none() {
        let message = format!("{} is not bytes in hexadecimal", readers::shown(&text));
        mistakes.add(
            Mistake::new(node.place(), "no-bytes", message)
                .hint("write two digits a byte, \"23 31 34 0A\""),
        );
    }
    bytes
}

/// `{read-illuminance: "5.0E+02", gives: 500 lx}`
fn sample(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Sample> {
    let mut fields = Fields::of(node, "the sample", mistakes)?;
    let gives = fields.need_like("gives", "500 lx", readers::text);
    let mut found = None;
    let mut named = false;
    let words = VERBS.iter().map(|form| (form.word, Some(form.verb)));
    let others = [("identity", None), ("heard", Some(ProfileVerb::Heard))];
    for (word, verb) in words.chain(others) {
        named |= fields.has(word);
        if let Some(answer) = fields.may(word, sample_answer) {
            found = Some((verb, answer));
        }
    }
    fields.finish();
    let Some((verb, answer)) = found else {
        if named {
            return None;
        }
        let text = "the sample says not whose answer it is";
        mistakes.add(
            Mistake::new(node.place(), "no-verb", text)
                .hint("write `read-illuminance: \"the answer\"`"),
        );
        return None;
    };
    Some(Sample {
        verb,
        answer,
        gives: gives?,
    })
}
