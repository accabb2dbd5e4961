//! Sunrises and sunsets in closed form: how much light, and of which colour, at
//! any time after the start; when a share of the end is crossed; the dose.
//!
//! ```text
//!  light  peak |        ____ holds, then stays or goes off
//!              |      /
//!              |   _/   power law  (t/T)^p, or exponential
//!           0  |_-________________
//!               0         T
//! ```
//!
//! Pure. A sunset runs the same curve backwards. Kept by `lamp_model` (which
//! programs a lamp has) and `lamp` (which one runs, since when).

use photometry::units::{Lux, Ratio, Span};
use serde::{Deserialize, Serialize};

use super::spectra::Mixture;

/// Brighter or darker.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// A sunrise.
    Up,
    /// A sunset.
    Down,
}

/// The curve of a sunrise.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// The light is the peak times (t/T)^p; p above 0.
    Power(f64),
    /// The light is multiplied by the same factor in equal times; it begins at
    /// this share of the peak, above 0 and below 1.
    Exponential(Ratio),
}

/// The light at a sunrise's end, and at a sunset's beginning.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Peak {
    /// That of a level of the program's tone.
    Level(u16),
    /// This illuminance at 1 m.
    Light(Lux),
}

/// What comes at the end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Then {
    /// The light stays until a hand changes it.
    Stays,
    /// The lamp goes off.
    Off,
}

/// What the time of an alarm clock marks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Marks {
    /// The first light.
    Start,
    /// The full light.
    End,
}

/// A sunrise or a sunset.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Program {
    /// Which of both.
    pub way: Way,
    /// In which white tone, from 0.
    pub tone: u16,
    /// Its full light.
    pub peak: Peak,
    /// From the start to the end.
    pub length: Span,
    /// Its curve.
    pub shape: Shape,
    /// The light moves in 2^n - 1 equal steps; continuously without. 1 to 32.
    pub bits: Option<u8>,
    /// A fault: from this share of its length on the light does not move any more.
    pub stalls_at: Option<Ratio>,
    /// How long it keeps its end before it goes off.
    pub hold: Span,
    /// And then.
    pub then: Then,
    /// Colour at its dark end, from which the light moves to the tone's white, in
    /// proportion to time; without, it is the tone's all the way.
    pub dark_end: Option<Mixture>,
    /// A button starts it.
    pub by_button: bool,
    /// The alarm clock starts it, and its time marks this.
    pub by_alarm: Option<Marks>,
}

impl Program {
    /// A continuous square-law sunrise to a level, by a button, that stays.
    pub fn sunrise(length: Span, level: u16) -> Program {
        Program {
            way: Way::Up,
            tone: 0,
            peak: Peak::Level(level),
            length,
            shape: Shape::Power(2.0),
            bits: None,
            stalls_at: None,
            hold: Span::ZERO,
            then: Then::Stays,
            dark_end: None,
            by_button: true,
            by_alarm: None,
        }
    }

    /// The same backwards; then the lamp is off.
    pub fn sunset(length: Span, level: u16) -> Program {
        Program {
            way: Way::Down,
            then: Then::Off,
            ..Program::sunrise(length, level)
        }
    }

    /// Light as a share of the peak, so long after the start.
    pub fn share(&self, after: Span) -> f64 {
        let share = self.curve(self.progress(after));
        match self.bits {
            None => share,
            Some(bits) => {
                let steps = (1_u64 << bits.clamp(1, 32)) as f64 - 1.0;
                (share * steps).round() / steps
            }
        }
    }

    /// Its colour so long after the start, on the way to this white.
    pub fn colour(&self, white: &Mixture, after: Span) -> Mixture {
        match &self.dark_end {
            Some(dark) => dark.towards(white, self.progress(after)),
            None => white.clone(),
        }
    }

    /// When the lamp goes off by itself, if it does, so long after the start.
    pub fn goes_off_after(&self) -> Option<Span> {
        (self.then == Then::Off).then_some(self.length + self.hold)
    }

    /// So long after the start the light crosses a share of the peak (0 to 1), as
    /// if it had no steps; `None` when it never does.
    pub fn crosses(&self, share: f64) -> Option<Span> {
        let up = match self.shape {
            Shape::Power(p) => share.powf(1.0 / p),
            Shape::Exponential(from) if share < from.share() => return None,
            Shape::Exponential(from) => 1.0 - share.ln() / from.share().ln(),
        };
        let part = match self.way {
            Way::Up => up,
            Way::Down => 1.0 - up,
        };
        (part <= self.last()).then(|| Span::from_secs_f64(part * self.length.secs()))
    }

    /// Dose from the start to the end in lx min where the peak is `peak`, as if
    /// the light had no steps.
    pub fn dose_lx_min(&self, peak: Lux) -> f64 {
        let minutes = self.length.secs() / 60.0;
        let last = self.last();
        // The integral of the curve from the dark end to `up`.
        let below = |up: f64| match self.shape {
            Shape::Power(p) => up.powf(p + 1.0) / (p + 1.0),
            Shape::Exponential(from) => {
                let rate = -from.share().ln();
                from.share() * (rate * up).exp_m1() / rate
            }
        };
        let (moving, stalled) = match self.way {
            Way::Up => (below(last), self.curve(last)),
            Way::Down => (below(1.0) - below(1.0 - last), self.curve(1.0 - last)),
        };
        peak.0 * minutes * (moving + stalled * (1.0 - last))
    }

    /// The share of its length after which the light does not move any more.
    fn last(&self) -> f64 {
        self.stalls_at
            .map_or(1.0, |stalls| stalls.share().clamp(0.0, 1.0))
    }

    /// How far from the dark end, 0 to 1.
    fn progress(&self, after: Span) -> f64 {
        let part = if self.length > Span::ZERO {
            (after.secs() / self.length.secs()).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let part = part.min(self.last());
        match self.way {
            Way::Up => part,
            Way::Down => 1.0 - part,
        }
    }

    fn curve(&self, up: f64) -> f64 {
        match self.shape {
            Shape::Power(p) => up.powf(p),
            Shape::Exponential(from) => from.share().powf(1.0 - up),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mins(minutes: f64) -> Span {
        Span::from_secs_f64(minutes * 60.0)
    }

    fn dawn() -> Program {
        Program::sunrise(Span::from_mins(30), 10)
    }

    /// By hand: a share s of (t/T)^2 is crossed at T sqrt(s); 30 min give 9.487,
    /// 21.213 and 28.460 min. The dose of 250 lx is 250 * 30 / 3 = 2500 lx min.
    #[test]
    fn a_square_law_has_its_closed_form() {
        for (share, minutes) in [(0.1, 9.487), (0.5, 21.213), (0.9, 28.460)] {
            let crossed = dawn().crosses(share).expect("it is").secs() / 60.0;
            assert!((crossed - minutes).abs() < 5e-4, "{share}: {crossed}");
            let there = dawn().share(mins(crossed));
            assert!((there - share).abs() < 1e-9);
        }
        assert!((dawn().dose_lx_min(Lux(250.0)) - 2500.0).abs() < 1e-9);
        let backwards = Program::sunset(Span::from_mins(30), 10);
        let crossed = backwards.crosses(0.5).expect("it is").secs() / 60.0;
        assert!((crossed - 8.787).abs() < 5e-4, "{crossed}");
        assert!((backwards.dose_lx_min(Lux(250.0)) - 2500.0).abs() < 1e-9);
        assert_eq!(backwards.share(Span::ZERO), 1.0);
        assert_eq!(backwards.share(mins(31.0)), 0.0);
    }

    /// By hand: from a hundredth on, half the time gives a tenth; the dose of 100
    /// lx in 10 min is 1000 * 0.99 / ln 100 = 214.976 lx min.
    #[test]
    fn an_exponential_has_its_closed_form() {
        let program = Program {
            shape: Shape::Exponential(Ratio::new(0.01)),
            ..Program::sunrise(Span::from_mins(10), 1)
        };
        assert!((program.share(Span::ZERO) - 0.01).abs() < 1e-12);
        assert!((program.share(mins(5.0)) - 0.1).abs() < 1e-12);
        assert_eq!(program.crosses(0.1), Some(mins(5.0)));
        assert_eq!(program.crosses(0.005), None);
        assert!((program.dose_lx_min(Lux(100.0)) - 214.976).abs() < 1e-3);
    }

    /// By hand: linear to half of 20 min is a quarter, then half for the rest.
    #[test]
    fn a_stalled_program_stays_where_it_is() {
        let program = Program {
            shape: Shape::Power(1.0),
            stalls_at: Some(Ratio::new(0.5)),
            ..Program::sunset(Span::from_mins(20), 6)
        };
        assert_eq!(program.share(mins(10.0)), 0.5);
        assert_eq!(program.share(mins(19.0)), 0.5);
        assert_eq!(program.crosses(0.6), Some(mins(8.0)));
        assert_eq!(program.crosses(0.4), None);
        // 10 min from 1 to 0.5, then 10 min at 0.5: 7.5 + 5 = 12.5 min.
        assert!((program.dose_lx_min(Lux(1.0)) - 12.5).abs() < 1e-9);
        let up = Program {
            way: Way::Up,
            ..program
        };
        // 10 min from 0 to 0.5, then 10 min at 0.5: 2.5 + 5.
        assert!((up.dose_lx_min(Lux(1.0)) - 7.5).abs() < 1e-9);
    }

    /// Two bits are three steps: 0, 1/3, 2/3, 1.
    #[test]
    fn steps_are_equal_and_end_at_the_ends() {
        let program = Program {
            shape: Shape::Power(1.0),
            bits: Some(2),
            ..dawn()
        };
        let shares: Vec<f64> = [0.0, 4.9, 5.1, 14.9, 15.1, 24.9, 25.1, 40.0]
            .map(|minutes| 3.0 * program.share(mins(minutes)))
            .to_vec();
        assert_eq!(shares, [0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0]);
    }

    #[test]
    fn the_colour_moves_from_the_dark_end_to_the_white() {
        use super::super::spectra::Spectrum;
        let white = Mixture::of(Spectrum::WarmWhite);
        let program = Program {
            dark_end: Some(Mixture::of(Spectrum::Amber)),
            ..dawn()
        };
        let amber = |minutes| {
            program
                .colour(&white, mins(minutes))
                .share_of(Spectrum::Amber)
        };
        assert_eq!((amber(0.0), amber(30.0)), (1.0, 0.0));
        assert!((amber(7.5) - 0.75).abs() < 1e-12);
        assert_eq!(dawn().colour(&white, mins(1.0)), white);
    }
}
