//! How long a spectroradiometer must integrate: pure verdicts over trials.
//!
//! A trial that is too full, or nearly empty, says in which direction to go; one
//! that is well filled ends it. What is decided becomes a *decided* event.
//!
//! On the way of a program there is no time for trials: each spectrum is the trial of
//! the next one, which is integrated for one of a few times, factors of two apart, so
//! that few are to be repeated with the meter covered.

use photometry::units::Span;

use super::journal::Decision;

/// The fullest element should be as full as this, of 1: well above the noise of
/// the converter, well below where it bends. Common practice, no source.
const FILL_WANTED: f64 = 0.7;
/// And may be between these: whole periods may leave half of what is wanted.
const FILL_FITS: std::ops::RangeInclusive<f64> = 0.35..=0.9;
/// Fuller than this, nobody knows how much too full it was.
const FULL: f64 = 0.98;
/// A full trial is followed by one as much shorter.
const SHORTER: f64 = 8.0;
/// A trial is followed by one at most so much longer: an almost empty one says
/// little more than that.
const LONGER_AT_MOST: f64 = 20.0;
/// Integrations from here on are whole multiples of it: it holds whole periods of
/// the light of mains of 50 Hz (100 Hz) and of 60 Hz (120 Hz).
const WHOLE_PERIODS: Span = Span::from_ms(50);
/// Trials at most: from the shortest integration to the longest is a factor of
/// 60,000, four trials; the rest is for a lamp that warms.
pub const TRIALS_AT_MOST: u32 = 8;

/// What the fullest element should be filled to at most on the way of a program: with
/// times that are factors of two apart it is half of it at least. Own rule, no source.
const FILL_ON_THE_WAY: f64 = 0.6;
/// A light that grows is thought to grow by as much again, and by so much at most.
const GROWS_AT_MOST: f64 = 8.0;
/// The integrations on the way are these times factors of two.
const RUNG: Span = WHOLE_PERIODS;
/// Down to a sixteenth, and up to 1,024 times as long.
const RUNGS: (u32, u32) = (4, 10);

/// One trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// How long it integrated.
    pub integration: Span,
    /// How full its fullest element was, of 1; none where the meter does not
    /// tell.
    pub fill: Option<f64>,
    /// It was too bright.
    pub saturated: bool,
}

/// What the trials end in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chosen {
    /// How long to integrate.
    pub integration: Span,
    /// How full the fullest element was at that, of 1, where the meter tells.
    pub fill: Option<f64>,
    /// Trials it took.
    pub trials: u32,
    /// Neither too full nor too empty.
    pub fits: bool,
}

impl Chosen {
    /// As it is recorded.
    pub fn decision(&self, meter: &str) -> Decision {
        Decision::Exposure {
            meter: meter.to_owned(),
            integration: self.integration,
            fill: self.fill,
            trials: self.trials,
            fits: self.fits,
        }
    }
}

/// What follows from the trials so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ExposureStep {
    /// Integrate so long, and look.
    Try(Span),
    /// So long it is.
    Decided(Chosen),
}

/// The shortest and the longest integration.
pub type Limits = (Span, Span);

/// The next step, given the trials so far; the first is made at `usual`.
pub fn next(trials: &[Trial], usual: Span, limits: Limits) -> ExposureStep {
    let Some(last) = trials.last() else {
        return ExposureStep::Try(rounded(usual.secs(), limits));
    };
    let fill = if last.saturated { Some(1.0) } else { last.fill };
    let fits = fill.is_none_or(|fill| FILL_FITS.contains(&fill));
    let wanted = fill.map_or(last.integration.secs(), |fill| wanted(last, fill));
    let again = rounded(wanted, limits);
    let tried = trials.iter().any(|trial| trial.integration == again);
    if fits || tried || trials.len() as u32 >= TRIALS_AT_MOST {
        // Where two trials lie on both sides of what fits, the darker one does.
        let best = trials.iter().rev().find(|trial| !trial.saturated);
        let best = best.filter(|_| !fits).unwrap_or(last);
        return ExposureStep::Decided(Chosen {
            integration: best.integration,
            fill: best.fill,
            trials: trials.len() as u32,
            fits: fits && !last.saturated,
        });
    }
    ExposureStep::Try(again)
}

fn wanted(last: &Trial, fill: f64) -> f64 {
    let factor = match fill >= FULL {
        true => 1.0 / SHORTER,
        false => (FILL_WANTED / fill.max(1e-9)).min(LONGER_AT_MOST),
    };
    last.integration.secs() * factor
}

/// The integrations that spectra on the way of a program may have, rising; never none.
pub fn rungs((least, most): Limits) -> Vec<Span> {
    let (down, up) = RUNGS;
    let shorter = (1..=down).rev().map(|n| Span::from_ns(RUNG.ns() >> n));
    let longer = (0..=up).map(|n| RUNG.times(1 << n));
    let all = shorter.chain(longer);
    let within: Vec<Span> = all.filter(|rung| (least..=most).contains(rung)).collect();
    if within.is_empty() {
        vec![most]
    } else {
        within
    }
}

/// How long the next spectrum on the way of a program integrates, given those so far
/// that said something; the first for `usual`. After one that was too bright it is
/// shorter. Light that became brighter since the last but one is expected to do so
/// again, and never to become darker: what is too empty can be used, what is too full
/// cannot.
pub fn on_the_way(seen: &[Trial], usual: Span, limits: Limits) -> Span {
    let rung = |secs: f64| {
        let rungs = rungs(limits);
        let below = rungs.iter().rev().find(|rung| rung.secs() <= secs);
        below.or(rungs.first()).copied().unwrap_or(usual)
    };
    let Some(last) = seen.last() else {
        return rung(usual.secs());
    };
    if last.saturated {
        return rung(last.integration.secs() / SHORTER);
    }
    let Some(fill) = last.fill else {
        return rung(last.integration.secs());
    };
    let light = |trial: &Trial, fill: f64| fill.max(1e-9) / trial.integration.secs();
    let before = seen.iter().rev().nth(1).filter(|trial| !trial.saturated);
    let before = before.and_then(|trial| Some(light(trial, trial.fill?)));
    let now = light(last, fill);
    let growth = before.map_or(1.0, |before| (now / before).clamp(1.0, GROWS_AT_MOST));
    let longest = last.integration.secs() * LONGER_AT_MOST;
    rung((FILL_ON_THE_WAY / (now * growth)).min(longest))
}

/// Within the limits, and of whole periods where it is long enough.
fn rounded(secs: f64, (least, most): Limits) -> Span {
    let span = Span::from_secs_f64(secs).clamp(least, most);
    let whole = span.ns() / WHOLE_PERIODS.ns();
    match whole {
        0 => span,
        periods => WHOLE_PERIODS.times(periods).max(least),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = (Span::from_ms(1), Span::from_secs(10));

    /// A meter whose fill follows the light: a closed form, ours.
    fn exposed(light: f64) -> (Span, Vec<f64>, bool) {
        let mut trials = Vec::new();
        loop {
            match next(&trials, Span::from_ms(200), LIMITS) {
                ExposureStep::Try(integration) => {
                    let fill = (0.02 + light * integration.secs()).min(1.0);
                    trials.push(Trial {
                        integration,
                        fill: Some(fill),
                        saturated: fill >= 1.0,
                    });
                }
                ExposureStep::Decided(chosen) => {
                    let fills = trials.iter().filter_map(|trial| trial.fill);
                    return (chosen.integration, fills.collect(), chosen.fits);
                }
            }
        }
    }

    #[test]
    fn any_light_is_well_exposed_or_at_an_end_of_the_range() {
        for power in -60..=60 {
            let light = 10_f64.powf(f64::from(power) / 10.0);
            let (integration, fills, fits) = exposed(light);
            let fill = 0.02 + light * integration.secs();
            if fits {
                assert!(FILL_FITS.contains(&fill), "{light}: {fill} {fills:?}");
            } else {
                let end = integration == LIMITS.0 || integration == LIMITS.1;
                assert!(end, "{light}: {} {fill} {fills:?}", integration.shown());
            }
            assert!(fills.len() <= TRIALS_AT_MOST as usize, "{light}: {fills:?}");
            if integration >= WHOLE_PERIODS {
                assert_eq!(integration.ns() % WHOLE_PERIODS.ns(), 0);
            }
        }
        // Both ends are reached in this span of lights, and so is the middle.
        assert!(!exposed(1e-6).2 && !exposed(1e6).2 && exposed(1.0).2);
    }

    /// How each of the spectra of a program is filled, one a minute, whose light is a
    /// closed form of the minute: in fills a second.
    fn along(light: impl Fn(f64) -> f64) -> Vec<(Span, f64)> {
        let mut seen: Vec<Trial> = Vec::new();
        (0..=30)
            .map(|minute| {
                let integration = on_the_way(&seen, Span::from_ms(200), LIMITS);
                let fill = 1e-4 + light(f64::from(minute)) * integration.secs();
                seen.push(Trial {
                    integration,
                    fill: Some(fill.min(1.0)),
                    saturated: fill >= FULL,
                });
                (integration, fill)
            })
            .collect()
    }

    #[test]
    fn on_the_way_few_integrations_follow_the_light_through_decades() {
        type Light = fn(f64) -> f64;
        let dawns: [(&str, Light); 4] = [
            ("linear", |minute| 8.0 * minute / 30.0),
            ("square", |minute| 8.0 * (minute / 30.0).powi(2)),
            ("four decades", |minute| {
                8.0 * 1e4_f64.powf(minute / 30.0 - 1.0)
            }),
            ("a dusk", |minute| 8.0 * (1.0 - minute / 30.0).powi(2)),
        ];
        for (name, light) in dawns {
            let found = along(light);
            let full = found.iter().filter(|(_, fill)| *fill >= FULL).count();
            // The first of a dusk is a guess, and that of a dawn is nearly empty.
            assert!(full <= 1, "{name}: {found:?}");
            let longest = rungs(LIMITS).pop().expect("one");
            let well = found.iter().skip(3).filter(|(integration, fill)| {
                (0.1..FULL).contains(fill) || *integration == longest
            });
            assert!(well.count() >= 26, "{name}: {found:?}");
            let times: std::collections::BTreeSet<Span> =
                found.iter().map(|(integration, _)| *integration).collect();
            assert!(times.len() <= rungs(LIMITS).len(), "{name}: {times:?}");
        }
    }

    #[test]
    fn on_the_way_what_was_too_bright_is_followed_by_a_shorter_one() {
        let trial = |ms, fill, saturated| Trial {
            integration: Span::from_ms(ms),
            fill,
            saturated,
        };
        let usual = Span::from_ms(200);
        let next = |seen: &[Trial]| on_the_way(seen, usual, LIMITS);
        assert_eq!(next(&[]), usual);
        assert_eq!(next(&[trial(1_600, Some(1.0), true)]), usual);
        assert_eq!(next(&[trial(1_600, None, false)]), Span::from_ms(1_600));
        // 0.3 in 200 ms after 0.2 in 200 ms: 2.25 a second to come, 0.6 in 267 ms.
        let grown = [trial(200, Some(0.2), false), trial(200, Some(0.3), false)];
        assert_eq!(next(&grown), usual);
        // Shorter than the shortest there is none.
        assert_eq!(next(&[trial(1, Some(1.0), true)]), Span::from_ns(3_125_000));
        let all = rungs((Span::from_ms(1), Span::from_secs(60)));
        assert_eq!((all.len(), all[4], all[14]), (15, RUNG, RUNG.times(1_024)));
        assert_eq!(
            rungs((Span::from_ms(1), Span::from_ms(2))),
            [Span::from_ms(2)]
        );
    }

    #[test]
    fn a_meter_that_does_not_tell_is_believed_unless_it_is_too_bright() {
        let trial = |ms, saturated| Trial {
            integration: Span::from_ms(ms),
            fill: None,
            saturated,
        };
        let usual = Span::from_ms(200);
        let decided = next(&[trial(200, false)], usual, LIMITS);
        assert!(matches!(
            decided,
            ExposureStep::Decided(Chosen { fits: true, .. })
        ));
        let shorter = next(&[trial(200, true)], usual, LIMITS);
        assert_eq!(shorter, ExposureStep::Try(Span::from_ms(25)));
    }
}
