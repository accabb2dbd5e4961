//! What a simulated lamp is doing: its buttons, its warming, its programs, its
//! alarm clock, its mains.
//!
//! The output of a level sinks while the lamp warms:
//! `output = level × (1 + sag × (load − θ))`, where θ follows the heat load of
//! the present level with one time constant; at rest θ equals the load and the
//! output is the level's stabilised value. A program is dimmed so slowly that θ
//! keeps up with it: its light is exactly its closed form. Kept by `world`; what a
//! lamp is: `lamp_model`. Not here: where the meter is, stray light (`room`).

use photometry::units::{Length, Lux, Mono, Span};
use serde::{Deserialize, Serialize};

pub use super::lamp_model::LampModel;
use super::lamp_model::Wraps;
use super::modulation::Modulation;
use super::programs::{Marks, Peak, Program, Way};
use super::spectra::Mixture;

/// A button, by what it does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Button {
    /// Switches on and off.
    Power,
    /// One level brighter; stops at the top, or goes round.
    Up,
    /// One level darker; stops at level 1.
    Down,
    /// The next white tone, and after the last one the first; the level stays as
    /// far as the tone has it. A dark lamp ignores it.
    Mode,
    /// Starts the sunrise.
    Start,
    /// Starts the sunset.
    Sunset,
}

/// A shorter press is taken for contact bounce.
const PRESS_AT_LEAST: Span = Span::from_ms(60);
/// A longer press is not a press.
const PRESS_AT_MOST: Span = Span::from_ms(500);
/// A press sooner after the last one is not noticed.
const REST_AT_LEAST: Span = Span::from_ms(200);
/// An alarm goes off at the same time of the next day.
const DAY: Span = Span::from_mins(24 * 60);
/// Things that a lamp does by itself and that are caught up with at once: more
/// than two years of alarms that end by themselves.
const CAUGHT_UP_AT_MOST: usize = 2000;

/// A program at work.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Running {
    way: Way,
    since: Mono,
}

/// What a lamp does by itself.
enum ByItself {
    ComesBack(u16),
    Alarm,
    GoesOff,
}

/// What a lamp is doing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lamp {
    lit: bool,
    level: u16,
    /// Warmth at `since`.
    theta: f64,
    /// When the present setting began.
    since: Mono,
    /// Illuminance at 1 m when the present setting began, for the fade.
    faded_from: f64,
    last_touch: Mono,
    last_release: Option<Mono>,
    held: Option<(Button, Mono)>,
    /// When it lights by itself, and at which level.
    #[serde(default)]
    comes_back: Option<(Mono, u16)>,
    #[serde(default)]
    tone: u16,
    #[serde(default)]
    running: Option<Running>,
    /// The next time of its alarm clock.
    #[serde(default)]
    alarm: Option<Mono>,
    #[serde(default)]
    unpowered: bool,
}

impl Lamp {
    /// A cold lamp, off unless the model says that it starts lit.
    pub fn new(model: &LampModel, now: Mono) -> Lamp {
        Lamp {
            lit: model.starts_lit,
            level: model.first_level.clamp(1, model.levels_of(0)),
            theta: 0.0,
            since: now,
            faded_from: model.standby.0,
            last_touch: now,
            last_release: None,
            held: None,
            comes_back: None,
            tone: 0,
            running: None,
            alarm: None,
            unpowered: false,
        }
    }

    /// The level that shines, 0 when it is off; of a program its peak's.
    pub fn shining(&self) -> u16 {
        if self.is_dark() { 0 } else { self.level }
    }

    /// The white tone that shines, or would, from 0.
    pub fn tone(&self) -> u16 {
        self.tone
    }

    /// The program at work, and since when.
    pub fn runs(&self) -> Option<(Way, Mono)> {
        self.running.map(|running| (running.way, running.since))
    }

    /// The next time of its alarm clock, if it is set.
    pub fn alarm(&self) -> Option<Mono> {
        self.alarm
    }

    /// It will light by itself at an instant, at this level, whatever it is
    /// doing then.
    pub fn comes_back(&mut self, at: Mono, level: u16) {
        self.comes_back = Some((at, level));
    }

    /// Sets its alarm clock, or clears it. One that is set goes off every day.
    pub fn set_alarm(&mut self, model: &LampModel, at: Option<Mono>, now: Mono) {
        self.advance(model, now);
        if !self.unpowered {
            self.last_touch = now;
            self.alarm = at;
        }
    }

    /// Does what it does by itself when its time has come. Call before use.
    pub fn advance(&mut self, model: &LampModel, now: Mono) {
        for _ in 0..CAUGHT_UP_AT_MOST {
            match self.next_by_itself(model).filter(|(at, _)| *at <= now) {
                Some((at, what)) => self.does(model, at, &what),
                None => return,
            }
        }
    }

    /// What it does next by itself, and when.
    fn next_by_itself(&self, model: &LampModel) -> Option<(Mono, ByItself)> {
        let back = self
            .comes_back
            .map(|(at, level)| (at, ByItself::ComesBack(level)));
        let sunrise = model.sunrise.as_ref();
        let marks = sunrise.and_then(|program| Some((program.length, program.by_alarm?)));
        let alarm = self.alarm.zip(marks).map(|(at, (length, marks))| {
            let begins = match marks {
                Marks::Start => at,
                Marks::End => at + -length,
            };
            (begins, ByItself::Alarm)
        });
        let by_time = model.auto_off.map(|after| self.last_touch + after);
        let by_program = self.running.and_then(|running| {
            let after = model.program(running.way)?.goes_off_after()?;
            Some(running.since + after)
        });
        let off = by_time.into_iter().chain(by_program).min();
        let off = off
            .filter(|_| !self.is_dark())
            .map(|at| (at, ByItself::GoesOff));
        let all = [back, alarm, off].into_iter().flatten();
        all.min_by_key(|(at, _)| *at)
    }

    fn does(&mut self, model: &LampModel, at: Mono, what: &ByItself) {
        match what {
            ByItself::ComesBack(level) => {
                self.comes_back = None;
                self.last_touch = at;
                self.change_to(model, self.tone, *level, at);
            }
            ByItself::Alarm => {
                self.alarm = self.alarm.map(|alarm| alarm + DAY);
                self.start(model, Way::Up, at);
            }
            ByItself::GoesOff => self.change(model, at, |lamp| lamp.lit = false),
        }
    }

    /// A finger comes down on a button; a second button is ignored.
    pub fn press(&mut self, model: &LampModel, button: Button, now: Mono) {
        self.advance(model, now);
        if self.held.is_none() {
            self.held = Some((button, now));
        }
    }

    /// The finger leaves; the press counts if its length and the rest before
    /// it were right. Returns whether it counted.
    pub fn release(&mut self, model: &LampModel, button: Button, now: Mono) -> bool {
        self.advance(model, now);
        let Some((_, down)) = self.held.take_if(|(held, _)| *held == button) else {
            return false;
        };
        let held = now.since(down);
        let rested = self
            .last_release
            .is_none_or(|last| down.since(last) >= REST_AT_LEAST);
        self.last_release = Some(now);
        if held < PRESS_AT_LEAST || held > PRESS_AT_MOST || !rested {
            return false;
        }
        self.last_touch = now;
        self.obey(model, button, now);
        true
    }

    /// The finger slips off: nothing counts.
    pub fn slip(&mut self) {
        self.held = None;
    }

    /// What a counted press does. One brighter or darker during a program ends it,
    /// at the level that is nearest above its light.
    pub fn obey(&mut self, model: &LampModel, button: Button, now: Mono) {
        if self.unpowered {
            return;
        }
        let by_button = |way| model.program(way).is_some_and(|program| program.by_button);
        let (tone, level) = (self.tone, self.level);
        match button {
            Button::Power => self.change(model, now, |lamp| lamp.lit = !lamp.lit),
            Button::Start if by_button(Way::Up) => self.start(model, Way::Up, now),
            Button::Sunset if by_button(Way::Down) => self.start(model, Way::Down, now),
            Button::Up | Button::Down if self.running.is_some() => {
                let level = model.level_for(tone, self.at_one_metre(model, now));
                self.change_to(model, tone, level, now);
            }
            Button::Mode if self.lit => {
                let next = (tone + 1) % model.tone_count();
                self.change_to(model, next, level, now);
            }
            Button::Up if self.lit && level < model.levels_of(tone) => {
                self.change(model, now, |lamp| lamp.level += 1);
            }
            Button::Up if self.lit && model.wraps == Wraps::ToLowest => {
                self.change_to(model, tone, 1, now);
            }
            Button::Up if model.wraps == Wraps::ToOff => {
                self.change_to(model, tone, u16::from(!self.lit), now);
            }
            Button::Down if self.lit && level > 1 => {
                self.change(model, now, |lamp| lamp.level -= 1);
            }
            _ => {}
        }
    }

    /// A person sets the level of the present tone directly; 0 switches off.
    pub fn set(&mut self, model: &LampModel, level: u16, now: Mono) {
        self.set_tone(model, self.tone, level, now);
    }

    /// A person sets tone (from 0) and level directly; level 0 switches off.
    pub fn set_tone(&mut self, model: &LampModel, tone: u16, level: u16, now: Mono) {
        self.advance(model, now);
        if !self.unpowered {
            self.last_touch = now;
            self.change_to(model, tone, level, now);
        }
    }

    /// Starts a program; without effect where the lamp has none.
    pub fn start(&mut self, model: &LampModel, way: Way, now: Mono) {
        let Some(program) = model.program(way).filter(|_| !self.unpowered) else {
            return;
        };
        let level = match program.peak {
            Peak::Level(level) => level,
            Peak::Light(light) => model.level_for(program.tone, light.0),
        };
        self.last_touch = now;
        self.change_to(model, program.tone, level, now);
        self.running = Some(Running { way, since: now });
    }

    /// The mains are taken away or given back.
    pub fn power(&mut self, model: &LampModel, powered: bool, now: Mono) {
        self.advance(model, now);
        if powered != self.unpowered {
            return;
        }
        let theta = self.warmth(model, now);
        if powered {
            let stays = model.mains.comes_back_lit && self.lit;
            let level = if stays { self.level } else { 0 };
            self.unpowered = false;
            self.last_touch = now;
            self.change_to(model, self.tone, level, now);
            self.faded_from = 0.0;
        } else {
            self.unpowered = true;
            self.running = None;
            self.held = None;
            self.comes_back = None;
            if !model.mains.keeps_clock {
                self.alarm = None;
            }
        }
        (self.theta, self.since) = (theta, now);
    }

    /// Whether it has power.
    pub fn is_powered(&self) -> bool {
        !self.unpowered
    }

    /// Direct illuminance at `distance`, now or up to one integration ago, meant
    /// over its modulation.
    pub fn light(&self, model: &LampModel, distance: Length, at: Mono) -> Lux {
        Lux(self.at_one_metre(model, at) * model.geometry(distance))
    }

    /// Luminous flux in lm, likewise.
    pub fn flux(&self, model: &LampModel, at: Mono) -> f64 {
        model.flux_of_light(self.at_one_metre(model, at))
    }

    /// Its colour.
    pub fn colour(&self, model: &LampModel, at: Mono) -> Mixture {
        let white = model.white(self.tone);
        match self.program(model) {
            Some((program, since)) => program.colour(&white, at.since(since)),
            None => white,
        }
    }

    /// How its light moves about its mean.
    pub fn modulation(&self, model: &LampModel, at: Mono) -> Modulation {
        let level = match self.program(model) {
            _ if self.is_dark() => return Modulation::None,
            Some(_) => model.level_for(self.tone, self.at_one_metre(model, at)),
            None => self.level,
        };
        model.modulation_of(self.tone, level)
    }

    /// Active power in W.
    pub fn watts(&self, model: &LampModel, at: Mono) -> f64 {
        if self.unpowered {
            return 0.0;
        }
        match self.program(model) {
            _ if !self.lit => model.mains.standby_w,
            Some((program, since)) => {
                model.watts_of_light(model.program_light(program, at.since(since)).0)
            }
            None => model.watts_of(self.tone, self.level),
        }
    }

    fn is_dark(&self) -> bool {
        self.unpowered || !self.lit
    }

    fn program<'a>(&self, model: &'a LampModel) -> Option<(&'a Program, Mono)> {
        let Running { way, since } = self.running.filter(|_| !self.is_dark())?;
        Some((model.program(way)?, since))
    }

    fn change_to(&mut self, model: &LampModel, tone: u16, level: u16, now: Mono) {
        self.change(model, now, |lamp| {
            lamp.lit = level > 0;
            lamp.tone = tone.min(model.tone_count() - 1);
            if level > 0 {
                lamp.level = level.min(model.levels_of(lamp.tone));
            }
        });
    }

    /// Any change ends a program.
    fn change(&mut self, model: &LampModel, now: Mono, how: impl FnOnce(&mut Lamp)) {
        let (from, theta) = (self.at_one_metre(model, now), self.warmth(model, now));
        how(self);
        self.running = None;
        (self.faded_from, self.theta, self.since) = (from, theta, now);
    }

    /// Heat load of the present setting.
    fn load(&self, model: &LampModel) -> f64 {
        if self.is_dark() {
            return 0.0;
        }
        model.load(model.rung(self.tone, self.level))
    }

    fn warmth(&self, model: &LampModel, at: Mono) -> f64 {
        if let Some((program, since)) = self.program(model) {
            return model.load(model.program_light(program, at.since(since)).0);
        }
        let elapsed = at.since(self.since).secs().max(0.0);
        let load = self.load(model);
        load + (self.theta - load) * (-elapsed / model.warming.secs()).exp()
    }

    fn at_one_metre(&self, model: &LampModel, at: Mono) -> f64 {
        if self.unpowered {
            return 0.0;
        }
        if let Some((program, since)) = self.program(model) {
            return model.program_light(program, at.since(since)).0;
        }
        let elapsed = at.since(self.since).secs();
        let arrived = if self.lit {
            let sagging = self.load(model) - self.warmth(model, at);
            model.rung(self.tone, self.level) * (1.0 + model.sag.share() * sagging)
        } else {
            let untouched = at.since(self.last_touch);
            let display = model.display.map_or(0.0, |it| it.light(untouched).0);
            model.standby.0 + display
        };
        let fade = model.fade.secs();
        if elapsed >= fade {
            return arrived;
        }
        self.faded_from + (arrived - self.faded_from) * (elapsed / fade).max(0.0)
    }
}
