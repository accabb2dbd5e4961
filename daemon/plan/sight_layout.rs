//! Lays out the tests that look at the lamp from one place: at each setting a
//! reference visit, what the kind measures there, a reference visit, and the
//! check of the drift between them.
//!
//! ```text
//!  opening · [what comes first] · warm-up ·
//!  legs: set level · warm up · reference · MEASURE · reference · check drift
//!  · [what comes last] · closing
//! ```
//!
//! Called by: layout. The kinds give what stands in capitals.

use photometry::measured::Quantity;
use photometry::units::Span;

use super::card::Meter;
use super::course::{Builder, Course, DARK, InForce, Nths};
use super::intent::WarmUp;
use super::itinerary::{Duration3, Purpose, Sampling, Target, What};
use super::kinds::{FlickerTest, SpectrumTest};
use super::sight_fitting::Seen;

/// Shortest integration that is tried.
pub(super) const INTEGRATION_AT_LEAST: Span = Span::from_ms(1);
/// What link and answer add to a capture.
pub(super) const CAPTURE_OVERHEAD: Span = Span::from_ms(500);
/// PstLM looks at 180 s (IEC TR 61547-1, from memory), after 20 s in which its
/// filters settle.
const SEVERITY: Span = Span::from_secs(200);
/// And needs no more than so many samples a second: 2 kS/s after decimation.
const SEVERITY_STEP: Span = Span::from_ns(100_000);

/// Adds spectra at every setting, the test with this index.
pub fn spectrum(
    seen: &Seen<'_>,
    test: &SpectrumTest,
    meter: &Meter,
    builder: &mut Builder,
    index: u32,
) {
    let mut course = Course::of(&seen.ground, builder, index);
    let mut force = InForce::at_first();
    course.open(&mut force);
    each_setting(&mut course, seen, &mut force, |course, force| {
        let point = course.begin_point(force, course.ground.watch, meter.plane);
        let wanted = Exposed {
            meter,
            longest: test.longest,
            captures: (Purpose::Read, Nths::first(test.captures.into())),
            covered: (Purpose::Dark, Nths::first(test.dark.into())),
        };
        wanted.push(course, force, point);
    });
    course.close(&mut force);
}

/// Spectra of the light as it is: trials, captures, captures covered.
pub(super) struct Exposed<'m> {
    /// The spectroradiometer.
    pub meter: &'m Meter,
    /// Longest integration.
    pub longest: Span,
    /// Captures of the light, and what for.
    pub captures: (Purpose, Nths),
    /// Captures with the meter covered, and what those are called.
    pub covered: (Purpose, Nths),
}

impl Exposed<'_> {
    /// Adds them where the meter stands.
    pub fn push(&self, course: &mut Course<'_, '_>, force: &InForce, point: Option<u32>) {
        let (meter, longest) = (self.meter, self.longest);
        let what = What::Expose {
            meter: meter.name.clone(),
            least: INTEGRATION_AT_LEAST,
            most: longest,
        };
        let key = course.series(&force.setting, Purpose::Trial);
        let time = Duration3 {
            least: Span::from_ms(100),
            likely: meter.integration.times(4) + CAPTURE_OVERHEAD.times(3),
            most: longest.times(4) + CAPTURE_OVERHEAD.times(12),
        };
        course.push(force, point, what, Some(key), time);
        let capture = Capturing {
            meter,
            quantity: Quantity::Spectrum,
            sampling: None,
            time: Duration3 {
                least: INTEGRATION_AT_LEAST,
                likely: meter.integration + CAPTURE_OVERHEAD,
                most: longest + CAPTURE_OVERHEAD.times(4),
            },
        };
        capture.push(course, force, point, self.captures);
        course.cover(force, point, meter, true);
        capture.push(course, force, point, self.covered);
        course.cover(force, point, meter, false);
    }
}

/// Adds waveforms at every setting, the test with this index.
pub fn flicker(
    seen: &Seen<'_>,
    test: &FlickerTest,
    meter: &Meter,
    builder: &mut Builder,
    index: u32,
) {
    let mut course = Course::of(&seen.ground, builder, index);
    let mut force = InForce::at_first();
    let capture = |step: Span, length: Span| waveform(meter, step, length);
    course.open(&mut force);
    let dark = InForce {
        setting: DARK.to_owned(),
        ..force.clone()
    };
    course.cover(&dark, None, meter, true);
    let point = course.same_place();
    let n = Nths::first(test.dark.into());
    let main = capture(test.step, test.length);
    main.push(&mut course, &dark, point, (Purpose::Dark, n));
    course.cover(&dark, None, meter, false);
    each_setting(&mut course, seen, &mut force, |course, force| {
        let point = course.begin_point(force, course.ground.watch, meter.plane);
        let several = Nths::first(test.captures.into());
        main.push(course, force, point, (Purpose::Read, several));
        if let Some(step) = test.other_step {
            let other = capture(step, test.length);
            other.push(course, force, point, (Purpose::OtherRate, Nths::first(1)));
        }
        if test.severity {
            let long = capture(test.step.max(SEVERITY_STEP), SEVERITY);
            let last = Nths {
                first: u32::from(test.captures) + 1,
                count: 1,
            };
            long.push(course, force, point, (Purpose::Read, last));
        }
    });
    course.close(&mut force);
}

fn waveform(meter: &Meter, step: Span, length: Span) -> Capturing<'_> {
    let count = (length.ns() / step.ns().max(1)).clamp(1, i64::from(u32::MAX));
    let sampling = Sampling {
        step,
        count: count as u32, // clamped above
    };
    Capturing {
        meter,
        quantity: Quantity::Waveform,
        sampling: Some(sampling),
        time: Duration3 {
            least: length,
            likely: length + CAPTURE_OVERHEAD,
            most: length.times(3) + CAPTURE_OVERHEAD.times(10),
        },
    }
}

/// Captures that are made alike.
struct Capturing<'m> {
    meter: &'m Meter,
    quantity: Quantity,
    sampling: Option<Sampling>,
    time: Duration3,
}

impl Capturing<'_> {
    fn push(
        &self,
        course: &mut Course<'_, '_>,
        force: &InForce,
        point: Option<u32>,
        (purpose, nths): (Purpose, Nths),
    ) {
        for visit in nths.first..nths.first + nths.count {
            let key = course.key(&force.setting, course.ground.watch, purpose, visit);
            let what = What::Capture {
                meter: self.meter.name.clone(),
                quantity: self.quantity,
                purpose,
                sampling: self.sampling,
            };
            course.push(force, point, what, Some(key), self.time);
        }
    }
}

/// A leg for each setting, in the order of a survey: down from the highest, or
/// up where each is warmed up by the full rule.
pub(super) fn each_setting(
    course: &mut Course<'_, '_>,
    seen: &Seen<'_>,
    force: &mut InForce,
    mut measure: impl FnMut(&mut Course<'_, '_>, &mut InForce),
) {
    let warm_up = seen.sight.warm_up;
    for mode in seen.modes.iter().filter(|mode| !mode.targets.is_empty()) {
        course.begin_mode(mode, warm_up, force);
        let mut targets = mode.targets.clone();
        if matches!(warm_up, WarmUp::Standard(_)) {
            targets.reverse();
        }
        for target in &targets {
            leg(course, seen, target, force, &mut measure);
        }
        force.leg = None;
    }
}

fn leg(
    course: &mut Course<'_, '_>,
    seen: &Seen<'_>,
    target: &Target,
    force: &mut InForce,
    measure: &mut impl FnMut(&mut Course<'_, '_>, &mut InForce),
) {
    let sight = seen.sight;
    let (watch, n) = (seen.ground.watch, u32::from(sight.readings));
    let first = course.open_leg(force, target, sight.warm_up);
    course.point(force, watch, Purpose::Reference, Nths::nth(0, n));
    measure(course, force);
    course.point(force, watch, Purpose::Reference, Nths::nth(1, n));
    let check = What::CheckDrift {
        limit: sight.drift_limit,
        give_up: sight.give_up,
        leg: course.builder.legs,
    };
    course.close_leg(force, check, first);
}
