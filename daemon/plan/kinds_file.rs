//! The kinds of test beside the survey, as written, become what `kinds` says.
//!
//! Called by: plan_file, which has read `kind`. Not here: whether a bench can do
//! it (fitting).

use photometry::stabilisation::WindowRule;
use photometry::units::{Length, Ratio, Span};
use written::{Fields, Mistake, Mistakes, Node, Place, readers};

use super::file;
use super::intent::{SettingWord, Settings, TestKind, WarmUp};
use super::itinerary::KindName;
use super::kinds::{
    FlickerTest, FluxTest, RampTest, Sight, SpectraAsked, SpectrumTest, StandbyTest, WaySpectra,
};
use super::plan_file::{READINGS_AT_MOST, TestPlaces, rule, settings, warm_up};

/// Where the meters stand unless a plan says otherwise: 24 in, where a survey
/// has its reference.
const USUALLY_AT: Length = Length::from_um(609_600);
/// Spectra with the meter covered, where a plan does not say.
const DARK_SPECTRA: i64 = 2;
/// A spectroradiometer's usual longest integration.
const LONGEST: Span = Span::from_secs(10);
/// No plan integrates for longer.
const LONGEST_AT_MOST: Span = Span::from_secs(60);
/// Between two spectra on the way of a program: at least and at most.
const ON_THE_WAY: (Span, Span) = (Span::from_secs(5), Span::from_mins(30));
/// To set a spectroradiometer and to get its answer takes so long at most, on top of its
/// integration (own rule, no source).
const BESIDE_INTEGRATION: Span = Span::from_secs(3);
/// Length of a waveform unless a plan says otherwise: JA10 asks for 1 s at
/// least; lines are then 0.5 Hz apart.
const WAVEFORM: Span = Span::from_secs(2);
/// No single waveform is longer; PstLM needs 200 s.
const WAVEFORM_AT_MOST: Span = Span::from_secs(20);
/// Samples a second, usually; JA10 asks for no fewer.
const RATE_HZ: f64 = 20_000.0;
/// And of the second capture: not a simple ratio of the first.
const OTHER_RATE_HZ: f64 = 19_000.0;
/// Rates that can be asked for, in hertz.
const RATES_HZ: (f64, f64) = (1_000.0, 1_000_000.0);
/// A lamp that was lit is cold again after this (common practice, no source).
const SOAK: Span = Span::from_mins(120);
/// Recorded before a program starts: a lamp's clock shows whole minutes.
const LEAD: Span = Span::from_mins(2);
/// Recorded after a program's end: the plateau is the median of the 120 s after
/// it, and a lamp's clock may be half a minute late.
const AFTER: Span = Span::from_mins(5);
/// A display is watched for this long after the lamp was switched off: those
/// that dim or go out do so within half an hour (common practice, no source).
const WATCHED: Span = Span::from_mins(40);
/// Readings of a display at least: what it ends at is the mean of the last
/// tenth, and two readings have no scatter worth the name.
const WATCHED_AT_LEAST: i64 = 30;
/// A lamp whose power is read has been on for so long. Its power settles with
/// its temperature, mostly within minutes (common practice, no source).
const OPERATING: Span = Span::from_mins(5);
/// Samples of one capture at most.
const SAMPLES_AT_MOST: f64 = 4_000_000.0;

/// Reads a test of this kind; none for a survey, which has a reader of its own.
pub fn test(
    kind: KindName,
    key: Node<'_>,
    node: Node<'_>,
    mistakes: &mut Mistakes,
) -> Option<(TestKind, TestPlaces)> {
    let what = format!("the test `{}`", key.text().unwrap_or("?"));
    let mut fields = Fields::of(node, &what, mistakes)?;
    let _ = fields.has("kind"); // read by whoever came here
    let (sight, setting_places) = match kind {
        KindName::Standby => standby_sight(&mut fields),
        _ => sight(kind, &mut fields),
    };
    let test = match kind {
        KindName::Spectrum => spectrum(sight, &mut fields).map(TestKind::Spectrum),
        KindName::Flicker => flicker(sight, node, &mut fields).map(TestKind::Flicker),
        KindName::Ramp => ramp(sight, node, &mut fields).map(TestKind::Ramp),
        KindName::Flux => Some(TestKind::Flux(flux(sight, node, &mut fields))),
        KindName::Standby => Some(TestKind::Standby(standby(sight, node, &mut fields))),
        _ => None,
    };
    fields.finish();
    let at = node.get("at").map(Node::place);
    let places = TestPlaces {
        test: key.place(),
        settings: setting_places,
        positions: at.clone().unwrap_or_else(|| key.place()),
        listed: Vec::new(),
        reference: at,
        meter: node
            .get("meter")
            .or_else(|| node.get("watched-by"))
            .or_else(|| node.get("power-meter"))
            .map(Node::place),
    };
    Some((test?, places))
}

/// Where a program is recorded, if not on a rail.
fn in_a_sphere(node: Node<'_>, mistakes: &mut Mistakes) -> Option<()> {
    if node.text() == Some("sphere") {
        return Some(());
    }
    let mistake = Mistake::new(
        node.place(),
        "no-such-place",
        "a program is recorded in no such place",
    );
    mistakes.add(mistake.hint("write `in: sphere`, or `at: 24 in` for a rail"));
    None
}

/// What all of them but standby have.
fn sight(kind: KindName, fields: &mut Fields<'_, '_>) -> (Sight, Vec<Place>) {
    let usual = match kind {
        // Where modulation is worst is seldom at full: IEEE 1789 and JA8 look at
        // dimmed light too.
        KindName::Flicker => Settings::These(vec![SettingWord::Full, SettingWord::HalfSetting]),
        _ => Settings::All,
    };
    let (settings, places) = match kind {
        // The lamp is not set: it runs by itself.
        KindName::Ramp => (Settings::These(Vec::new()), Vec::new()),
        _ => fields.may_or("settings", settings, (usual, Vec::new())),
    };
    // A sphere has no axis, and nothing moves in it.
    let in_sphere = kind == KindName::Ramp && fields.may("in", in_a_sphere).is_some();
    let axis = kind != KindName::Flux && !in_sphere;
    let at = axis.then(|| fields.may_or("at", file::length, USUALLY_AT));
    let watched_by = fields.may("watched-by", readers::name);
    let settle = match axis {
        true => fields.may("settle", file::span),
        false => None,
    };
    let rule = fields.may_or("warm-up-rule", rule, WindowRule::LM79);
    let warm_up = match kind {
        KindName::Ramp => WarmUp::Standard(rule),
        _ => fields.may_or("warm-up", |n, m| warm_up(n, rule, m), WarmUp::Leg(rule)),
    };
    if kind == KindName::Ramp {
        let sight = Sight {
            settings,
            at,
            watched_by,
            settle,
            warm_up,
            readings: 1,
            drift_limit: Ratio::new(0.005),
            give_up: Ratio::new(0.02),
        };
        return (sight, places);
    }
    let readings = fields.may_or("readings", readers::integer_in(1..=READINGS_AT_MOST), 5);
    let drift_limit = fields.may_or("drift-limit", file::share, Ratio::new(0.005));
    let give_up = fields.may_or("give-up", file::share, Ratio::new(0.02));
    let sight = Sight {
        settings,
        at,
        watched_by,
        settle,
        warm_up,
        readings: readings as u16,
        drift_limit,
        give_up,
    };
    (sight, places)
}

fn spectrum(sight: Sight, fields: &mut Fields<'_, '_>) -> Option<SpectrumTest> {
    let meter = fields.may("meter", readers::name);
    let captures = fields.may_or("captures", readers::integer_in(1..=100), 3);
    let dark = fields.may_or("dark", readers::integer_in(1..=100), DARK_SPECTRA);
    let longest = fields.may_or("longest-integration", integration, LONGEST);
    Some(SpectrumTest {
        sight,
        meter,
        captures: captures as u16,
        dark: dark as u16,
        longest,
    })
}

/// A spectroradiometer's longest integration.
fn integration(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let reader = readers::checked(file::span, |span: &Span| {
        match *span <= LONGEST_AT_MOST && *span >= Span::from_ms(1) {
            true => Ok(()),
            false => Err(format!("an integration of {span}; from 1 ms to 60 s")),
        }
    });
    reader(node, mistakes)
}

fn flux(sight: Sight, node: Node<'_>, fields: &mut Fields<'_, '_>) -> FluxTest {
    let dark = fields.may_or("dark", readers::integer_in(1..=READINGS_AT_MOST), 5);
    let meter = fields.may("spectrum-meter", readers::name);
    let captures = fields.may("spectra", readers::integer_in(1..=100));
    let longest = fields.may_or("longest-integration", integration, LONGEST);
    if !fields.has("spectra")
        && let Some(of_spectra) = ["spectrum-meter", "longest-integration"]
            .into_iter()
            .find(|key| node.get(key).is_some())
    {
        let place = node.get(of_spectra).unwrap_or(node).place();
        let text = format!("`{of_spectra}` says something of spectra, and none are asked for");
        let mistake = Mistake::new(place, "no-spectra", text).hint("write `spectra: 3`");
        fields.mistakes().add(mistake);
    }
    FluxTest {
        sight,
        dark: dark as u16,
        power_meter: fields.may("power-meter", readers::name),
        spectra: captures.map(|captures| SpectraAsked {
            meter,
            captures: captures as u16,
            dark: DARK_SPECTRA as u16,
            longest,
        }),
    }
}

/// A rate as the time between samples.
fn rate(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let text = readers::text(node, mistakes)?;
    let hertz = hertz(&text).filter(|hertz| (RATES_HZ.0..=RATES_HZ.1).contains(hertz));
    if hertz.is_none() {
        let text = format!("{} is no rate of sampling", readers::shown(&text));
        mistakes.add(
            Mistake::new(node.place(), "rate", text)
                .hint("write `20 kHz`; from 1 kHz to 1 MHz are possible"),
        );
    }
    hertz.map(step_of)
}

/// Time between samples, in whole nanoseconds: a rate is what those make of it.
fn step_of(hertz: f64) -> Span {
    Span::from_ns((1e9 / hertz).round() as i64)
}

fn hertz(text: &str) -> Option<f64> {
    let (number, times) = match text.trim() {
        text if text.ends_with("kHz") => (text.strip_suffix("kHz")?, 1e3),
        text if text.ends_with("MHz") => (text.strip_suffix("MHz")?, 1e6),
        text => (text.strip_suffix("Hz")?, 1.0),
    };
    let number: f64 = number.trim().parse().ok()?;
    Some(number * times).filter(|hertz| hertz.is_finite())
}

fn flicker(sight: Sight, node: Node<'_>, fields: &mut Fields<'_, '_>) -> Option<FlickerTest> {
    let meter = fields.may("meter", readers::name);
    let length = readers::checked(file::span, |span: &Span| {
        match *span <= WAVEFORM_AT_MOST && *span >= Span::from_ms(100) {
            true => Ok(()),
            false => Err(format!("a waveform of {span}; from 100 ms to 20 s")),
        }
    });
    let length = fields.may_or("length", length, WAVEFORM);
    let step = fields.may_or("rate", rate, step_of(RATE_HZ));
    let other = fields.may_or("other-rate", other_rate, Some(step_of(OTHER_RATE_HZ)));
    let captures = fields.may_or("captures", readers::integer_in(1..=20), 3);
    let dark = fields.may_or("dark", readers::integer_in(1..=100), 2);
    let severity = fields.may_or("severity", readers::boolean, false);
    let samples = length.secs() / step.secs();
    if samples > SAMPLES_AT_MOST {
        let place = node.get("rate").map_or_else(|| node.place(), Node::place);
        let text = format!("that is a capture of {samples:.0} samples; at most 4,000,000");
        let hint = "a lower `rate` or a shorter `length`";
        let mistake = Mistake::new(place, "too-many", text).hint(hint);
        fields.mistakes().add(mistake);
    }
    if other == Some(step) {
        let place = node.get("other-rate").or_else(|| node.get("rate"));
        let place = place.map_or_else(|| node.place(), Node::place);
        let text = "both captures are made at the same rate: nothing that is folded would move";
        let mistake = Mistake::new(place, "same-rate", text).hint("write `other-rate: 19 kHz`");
        fields.mistakes().add(mistake);
    }
    Some(FlickerTest {
        sight,
        meter,
        length,
        step,
        other_step: other,
        captures: captures as u16,
        dark: dark as u16,
        severity,
    })
}

/// A time from zero up to this.
fn span_up_to(most: Span) -> impl Fn(Node<'_>, &mut Mistakes) -> Option<Span> {
    move |node, mistakes| {
        let reader = readers::checked(file::span, |span: &Span| match *span <= most {
            true => Ok(()),
            false => Err(format!("{span} is too long; at most {most}")),
        });
        reader(node, mistakes)
    }
}

/// How often a lamp can be read: 20 ms are a whole period of mains of 50 Hz.
fn beat(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let reader = readers::checked(file::span, |span: &Span| {
        match *span <= Span::from_mins(5) && *span >= Span::from_ms(20) {
            true => Ok(()),
            false => Err(format!("one reading every {span}; from 20 ms to 5 min")),
        }
    });
    reader(node, mistakes)
}

/// How often a spectrum is taken on the way.
fn beat_of_spectra(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Span> {
    let (least, most) = ON_THE_WAY;
    let reader = readers::checked(file::span, |span: &Span| {
        match (least..=most).contains(span) {
            true => Ok(()),
            false => Err(format!("a spectrum every {span}; from 5 s to 30 min")),
        }
    });
    reader(node, mistakes)
}

/// Spectra of a program in a sphere: only those of a flux have the wall taken out.
fn coloured_by_the_wall(place: Place, key: &str) -> Mistake {
    let text = "no spectra of a program are taken in a sphere: its wall has a colour of its own";
    let hint = format!("leave out `{key}`, or write `at: 24 in` for a rail");
    Mistake::new(place, "in-sphere", text).hint(hint)
}

/// Spectra on the way, where they are asked for and can be: not in a sphere, and not
/// more often than the longest of them takes.
fn on_the_way(
    (meter, longest): (Option<String>, Span),
    in_sphere: bool,
    node: Node<'_>,
    fields: &mut Fields<'_, '_>,
) -> Option<WaySpectra> {
    let every = fields.may("spectra-every", beat_of_spectra)?;
    let place = node.get("spectra-every").unwrap_or(node).place();
    if in_sphere {
        fields
            .mistakes()
            .add(coloured_by_the_wall(place.clone(), "spectra-every"));
    }
    let least = longest + BESIDE_INTEGRATION;
    if every < least {
        let text = format!(
            "a spectrum every {}, and one may be integrated for {}: the next would be due before \
             it is over",
            every.shown(),
            longest.shown()
        );
        let hint = format!(
            "write `spectra-every: {}` or more, or a shorter `longest-integration`",
            least.shown()
        );
        let mistake = Mistake::new(place, "too-often", text).hint(hint);
        fields.mistakes().add(mistake);
    }
    Some(WaySpectra {
        meter,
        every,
        dark: DARK_SPECTRA as u16,
        longest,
    })
}

fn ramp(sight: Sight, node: Node<'_>, fields: &mut Fields<'_, '_>) -> Option<RampTest> {
    let program = fields.need_like("program", "dawn", readers::name);
    let beside = fields.may_or("beside", readers::one_or_list_of(readers::name), Vec::new());
    let every = fields.may_or("every", beat, Span::from_secs(1));
    let soak = fields.may_or("soak", span_up_to(Span::from_mins(24 * 60)), SOAK);
    let lead = fields.may_or("lead", span_up_to(Span::from_mins(30)), LEAD);
    let after = fields.may_or("after", span_up_to(Span::from_mins(120)), AFTER);
    let times = fields.may_or("times", readers::integer_in(1..=30), 1);
    let alarm = fields.may("alarm", minute);
    let dark = fields.may_or("dark", readers::integer_in(3..=READINGS_AT_MOST), 20);
    let hold = fields.may_or("hold", readers::boolean, true);
    let meter = fields.may("spectrum-meter", readers::name);
    let captures = fields.may("spectra", readers::integer_in(1..=100));
    let longest = fields.may_or("longest-integration", integration, LONGEST);
    if captures.is_some() && sight.at.is_none() {
        let place = node.get("spectra").unwrap_or(node).place();
        fields
            .mistakes()
            .add(coloured_by_the_wall(place, "spectra"));
    }
    let spectra = captures.map(|captures| SpectraAsked {
        meter: meter.clone(),
        captures: captures as u16,
        dark: DARK_SPECTRA as u16,
        longest,
    });
    let on_the_way = on_the_way((meter, longest), sight.at.is_none(), node, fields);
    Some(RampTest {
        sight,
        program: program?,
        beside,
        every,
        soak,
        lead,
        after,
        times: times as u16,
        alarm,
        dark: dark as u16,
        hold,
        spectra,
        on_the_way,
    })
}

/// What a standby test has of it: the lamp is set only to be switched off again,
/// and its power is read where it was on for a fixed time.
fn standby_sight(fields: &mut Fields<'_, '_>) -> (Sight, Vec<Place>) {
    let usual = Settings::These(vec![SettingWord::Full]);
    let (settings, places) = fields.may_or("settings", settings, (usual, Vec::new()));
    let warm_up = fields.may_or("warm-up", span_up_to(Span::from_mins(24 * 60)), OPERATING);
    let readings = fields.may_or("readings", readers::integer_in(1..=READINGS_AT_MOST), 5);
    let sight = Sight {
        settings,
        at: fields.may("at", file::length),
        watched_by: fields.may("watched-by", readers::name),
        settle: fields.may("settle", file::span),
        warm_up: WarmUp::Fixed(warm_up),
        readings: readings as u16,
        drift_limit: Ratio::new(0.005),
        give_up: Ratio::new(0.02),
    };
    (sight, places)
}

fn standby(sight: Sight, node: Node<'_>, fields: &mut Fields<'_, '_>) -> StandbyTest {
    let power_meter = fields.may("power-meter", readers::name);
    let watch = fields.may_or("watch", span_up_to(Span::from_mins(24 * 60)), WATCHED);
    let every = fields.may_or("every", beat, Span::from_secs(10));
    let dark = fields.may_or("dark", readers::integer_in(0..=READINGS_AT_MOST), 10);
    let ambient = fields.may_or("ambient", readers::integer_in(0..=READINGS_AT_MOST), 10);
    let count = watch.ns() / every.ns().max(1);
    if count < WATCHED_AT_LEAST {
        let place = node.get("watch").or_else(|| node.get("every"));
        let place = place.map_or_else(|| node.place(), Node::place);
        let text = format!(
            "that is {count} readings of the display; at least {WATCHED_AT_LEAST} are needed"
        );
        let hint = "a longer `watch` or a shorter `every`";
        let mistake = Mistake::new(place, "too-few", text).hint(hint);
        fields.mistakes().add(mistake);
    }
    StandbyTest {
        sight,
        power_meter,
        watch,
        every,
        dark: dark as u16,
        ambient: ambient as u16,
    }
}

/// A time of day, `06:30`.
fn minute(node: Node<'_>, mistakes: &mut Mistakes) -> Option<u16> {
    let text = readers::text(node, mistakes)?;
    let parsed = text.split_once(':').and_then(|(hour, minute)| {
        let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
        (hour < 24 && minute < 60).then(|| hour * 60 + minute)
    });
    if parsed.is_none() {
        let text = format!("{} is no time of day", readers::shown(&text));
        mistakes.add(Mistake::new(node.place(), "time-of-day", text).hint("write `06:30`"));
    }
    parsed
}

/// A rate, or `none`.
fn other_rate(node: Node<'_>, mistakes: &mut Mistakes) -> Option<Option<Span>> {
    if node.text() == Some("none") {
        return Some(None);
    }
    rate(node, mistakes).map(Some)
}
