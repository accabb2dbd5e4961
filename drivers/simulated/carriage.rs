//! Where the carriage truly is: closed-form motion, backlash, lost steps.
//!
//! ```text
//! counted (controller) ──slip──> screw (physical) ──play──> carriage (truth)
//! ```
//!
//! A leg is one move with a trapezoidal speed profile; its position is a
//! formula of time. The carriage follows the screw with play: moving up they
//! agree, moving down the carriage lags by the backlash. Kept by `world`,
//! commanded by `rail`. Not here: lines, alarms (`rail`).

use std::collections::VecDeque;

use photometry::units::{Acceleration, Length, Mono, Span, Speed};
use serde::{Deserialize, Serialize};

/// What a rail is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RailModel {
    /// Highest coordinate that the carriage may reach.
    pub travel: Length,
    /// Coordinate at which the carriage stands after homing.
    pub home_at: Length,
    /// How far it backs off the switch.
    pub pull_off: Length,
    /// Play between screw and carriage.
    pub backlash: Length,
    /// Greatest speed.
    pub speed: Speed,
    /// Acceleration, up and down.
    pub acceleration: Acceleration,
    /// Speed towards the switch, first approach.
    pub seek: Speed,
    /// Speed towards the switch, second approach.
    pub touch: Speed,
    /// Motor steps per millimetre; divides 1 000 000.
    pub steps_per_mm: i64,
    /// Where the carriage stands at power-up.
    pub starts_at: Length,
}

impl RailModel {
    /// Two metres at 150 mm/s and 400 mm/s², 80 steps/mm, 0.12 mm of play.
    pub fn two_metres() -> RailModel {
        RailModel {
            travel: Length::from_mm(2000),
            home_at: Length::from_mm(1),
            pull_off: Length::from_mm(1),
            backlash: Length::from_um(120),
            speed: Speed::from_nm_per_s(150_000_000),
            acceleration: Acceleration::from_nm_per_s2(400_000_000),
            seek: Speed::from_nm_per_s(25_000_000),
            touch: Speed::from_nm_per_s(2_000_000),
            steps_per_mm: 80,
            starts_at: Length::from_mm(300),
        }
    }

    /// The nearest whole step.
    pub fn on_step(&self, at: Length) -> Length {
        let step = 1_000_000 / self.steps_per_mm.max(1);
        let half = if at.nm() < 0 { -step / 2 } else { step / 2 };
        Length::from_nm((at.nm() + half) / step * step)
    }

    /// Carriage coordinate at which the home switch closes.
    pub fn switch_at(&self) -> Length {
        self.home_at - self.pull_off + self.backlash
    }

    /// Screw coordinate at which it closes when the carriage comes down.
    fn switch_on_screw(&self) -> Length {
        self.switch_at() - self.backlash
    }

    /// Soft limits in counted coordinates: 5 mm of overtravel below the switch
    /// for the re-touch.
    pub fn soft_limits(&self) -> (Length, Length) {
        (
            self.home_at - self.pull_off - Length::from_mm(5),
            self.travel,
        )
    }
}

/// From the home switch to the low end of the rail.
const BUFFER: Length = Length::from_mm(5);

/// Legs kept for questions about the recent past; homing adds at most five.
const LEGS_KEPT: usize = 32;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Leg {
    start: Mono,
    end: Mono,
    counted: (Length, Length),
    screw: (Length, Length),
    /// Where the carriage stood at `start`.
    carriage: Length,
    /// Top speed, and speed at the start (only braking legs start moving).
    speed: f64,
    acceleration: f64,
    braking: bool,
}

impl Leg {
    fn length(&self) -> f64 {
        (self.counted.1 - self.counted.0).abs().metres()
    }

    /// Share of the way done at `at`, and the speed in m/s.
    fn progress(&self, at: Mono) -> (f64, f64) {
        let (t, length) = (at.since(self.start).secs(), self.length());
        if t <= 0.0 || length == 0.0 {
            return (0.0, 0.0);
        }
        if self.braking {
            let stop = self.speed / self.acceleration;
            let t = t.min(stop);
            let way = self.speed * t - self.acceleration * t * t / 2.0;
            return ((way / length).min(1.0), self.speed - self.acceleration * t);
        }
        let (speed, a) = (self.speed, self.acceleration);
        let peak = speed.min((length * a).sqrt());
        let (ramp, total) = (peak / a, trapezoid(length, speed, a));
        let (way, now) = if t < ramp {
            (a * t * t / 2.0, a * t)
        } else if t < total - ramp {
            (peak * (t - ramp / 2.0), peak)
        } else if t < total {
            let left = total - t;
            (length - a * left * left / 2.0, a * left)
        } else {
            (length, 0.0)
        };
        (way / length, now)
    }

    fn between(ends: (Length, Length), share: f64) -> Length {
        if share >= 1.0 {
            return ends.1;
        }
        ends.0 + Length::from_nm(((ends.1 - ends.0).nm() as f64 * share).round() as i64)
    }

    fn at(&self, at: Mono, backlash: Length) -> Stand {
        let share = if at >= self.end && !self.braking {
            1.0
        } else {
            self.progress(at).0
        };
        let screw = Leg::between(self.screw, share);
        Stand {
            counted: Leg::between(self.counted, share),
            screw,
            carriage: self.carriage.clamp(screw, screw + backlash),
        }
    }
}

/// Seconds for `length` metres from rest to rest: L/v + v/a, or 2·sqrt(L/a)
/// when the speed is never reached.
pub fn trapezoid(length: f64, speed: f64, acceleration: f64) -> f64 {
    if length * acceleration >= speed * speed {
        length / speed + speed / acceleration
    } else {
        2.0 * (length / acceleration).sqrt()
    }
}

/// Where things stand at one instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stand {
    /// Where the controller believes it is.
    pub counted: Length,
    /// Where the screw is.
    pub screw: Length,
    /// Where the carriage is.
    pub carriage: Length,
}

/// How a move ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// At the target.
    Target,
    /// At the home switch, before the target.
    Switch,
    /// At the far end of the travel.
    FarEnd,
}

/// The motion so far.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Carriage {
    legs: VecDeque<Leg>,
    /// Targets and speeds that a feed hold put off.
    put_off: Vec<(Length, Speed)>,
}

impl Carriage {
    /// A carriage at rest; the controller counts from zero.
    pub fn new(rail: &RailModel, now: Mono) -> Carriage {
        let rest = Leg {
            start: now,
            end: now,
            counted: (Length::ZERO, Length::ZERO),
            screw: (rail.starts_at, rail.starts_at),
            carriage: rail.starts_at,
            speed: 0.0,
            acceleration: 1.0,
            braking: false,
        };
        Carriage {
            legs: VecDeque::from([rest]),
            put_off: Vec::new(),
        }
    }

    /// Where things stand at `at`.
    pub fn at(&self, rail: &RailModel, at: Mono) -> Stand {
        let leg = self.legs.iter().rev().find(|leg| leg.start <= at);
        leg.or(self.legs.front())
            .map(|leg| leg.at(at, rail.backlash))
            .unwrap_or(Stand {
                counted: Length::ZERO,
                screw: rail.starts_at,
                carriage: rail.starts_at,
            })
    }

    /// When the last leg ends.
    pub fn rests_at(&self) -> Mono {
        self.legs.back().map_or(Mono::ZERO, |leg| leg.end)
    }

    /// True while a leg runs.
    pub fn moves(&self, now: Mono) -> bool {
        now < self.rests_at()
    }

    /// Legs that have not ended.
    pub fn waiting(&self, now: Mono) -> usize {
        self.legs.iter().filter(|leg| leg.end > now).count()
    }

    /// Where the controller believes the last leg ends.
    pub fn heading(&self) -> Length {
        self.legs.back().map_or(Length::ZERO, |leg| leg.counted.1)
    }

    /// True when the home switch is closed at `at`.
    pub fn on_switch(&self, rail: &RailModel, at: Mono) -> bool {
        self.at(rail, at).carriage <= rail.switch_at()
    }

    /// Appends a move to a counted target; `lost` steps do not reach the screw.
    /// It ends early at the switch or at the far end.
    pub fn go(
        &mut self,
        rail: &RailModel,
        now: Mono,
        target: Length,
        speed: Speed,
        lost: Length,
    ) -> End {
        let clear = self.at(rail, now.max(self.rests_at())).carriage > rail.switch_at();
        let low = clear.then(|| rail.switch_on_screw());
        self.go_above(rail, now, (target, speed), lost, low)
    }

    /// As [`Carriage::go`] of a drive that its home switch does not stop: it ends at
    /// the low end of the rail.
    pub(super) fn slide(
        &mut self,
        rail: &RailModel,
        now: Mono,
        target: Length,
        speed: Speed,
        lost: Length,
    ) -> End {
        let low = rail.switch_on_screw() - BUFFER;
        self.go_above(rail, now, (target, speed), lost, Some(low))
    }

    fn go_above(
        &mut self,
        rail: &RailModel,
        now: Mono,
        (target, speed): (Length, Speed),
        lost: Length,
        low: Option<Length>,
    ) -> End {
        let start = now.max(self.rests_at());
        let from = self.at(rail, start);
        let way = target - from.counted;
        let slip = if way < Length::ZERO { lost } else { -lost };
        let wanted = from.screw + way + slip;
        let high = rail.travel + Length::from_mm(2);
        let low = low.filter(|low| way < Length::ZERO && wanted < *low);
        let (screw, end) = if let Some(low) = low {
            (low, End::Switch)
        } else if way > Length::ZERO && wanted > high {
            (high, End::FarEnd)
        } else {
            (wanted, End::Target)
        };
        let counted = if end == End::Target {
            target
        } else {
            rail.on_step(from.counted + (screw - from.screw) - slip)
        };
        self.append(rail, start, from, (counted, screw), speed);
        end
    }

    fn append(
        &mut self,
        rail: &RailModel,
        start: Mono,
        from: Stand,
        to: (Length, Length),
        speed: Speed,
    ) {
        let speed = speed.min(rail.speed).metres_per_s().max(1e-6);
        let acceleration = rail.acceleration.metres_per_s2();
        let length = (to.0 - from.counted).abs().metres();
        let lasts = Span::from_secs_f64(trapezoid(length, speed, acceleration));
        self.push(Leg {
            start,
            end: start + if length == 0.0 { Span::ZERO } else { lasts },
            counted: (from.counted, to.0),
            screw: (from.screw, to.1),
            carriage: from.carriage,
            speed,
            acceleration,
            braking: false,
        });
    }

    fn push(&mut self, leg: Leg) {
        self.legs.push_back(leg);
        while self.legs.len() > LEGS_KEPT {
            self.legs.pop_front();
        }
    }

    /// The legs of a homing cycle: fast to the switch, back off, slow again,
    /// back off; then the counter is set. Returns when it ends, or `None` when
    /// `blind` (the switch never closes) after one and a half travels.
    pub fn home(
        &mut self,
        rail: &RailModel,
        now: Mono,
        reads: Length,
        blind: bool,
    ) -> (Mono, bool) {
        let start = now.max(self.rests_at());
        if blind {
            let seconds = rail.travel.metres() * 1.5 / rail.seek.metres_per_s();
            return (start + Span::from_secs_f64(seconds), false);
        }
        let slack = rail.travel + rail.travel;
        if !self.on_switch(rail, start) {
            self.go(rail, start, self.heading() - slack, rail.seek, Length::ZERO);
        }
        // A drive that slides may have come to stand beyond it.
        let beyond = rail.switch_at() - self.at(rail, self.rests_at().max(start)).carriage;
        let lift = beyond.max(Length::ZERO);
        self.go(
            rail,
            start,
            self.heading() + rail.pull_off + rail.backlash + lift,
            rail.seek,
            Length::ZERO,
        );
        self.go(
            rail,
            start,
            self.heading() - slack,
            rail.touch,
            Length::ZERO,
        );
        self.go(
            rail,
            start,
            self.heading() + rail.pull_off,
            rail.seek,
            Length::ZERO,
        );
        let end = self.rests_at();
        self.rebase(rail, end, reads);
        (end, true)
    }

    /// From `at` on, the controller calls the place where it stands `reads`.
    pub(super) fn rebase(&mut self, rail: &RailModel, at: Mono, reads: Length) {
        let stand = self.at(rail, at);
        let from = Stand {
            counted: reads,
            ..stand
        };
        self.append(rail, at, from, (reads, stand.screw), rail.speed);
    }

    /// Slows down to a stop and remembers what was still to do.
    pub fn hold(&mut self, rail: &RailModel, now: Mono) {
        let unfinished = self.legs.iter().filter(|leg| leg.end > now);
        self.put_off = unfinished
            .map(|leg| {
                let speed = Speed::from_nm_per_s((leg.speed * 1e9) as i64);
                (leg.counted.1, speed)
            })
            .collect();
        let Some(stand) = self.cut(rail, now) else {
            return;
        };
        let (speed, heading) = stand.1;
        let acceleration = rail.acceleration.metres_per_s2();
        let way = Length::from_metres(heading * speed * speed / acceleration / 2.0);
        let stand = stand.0;
        self.push(Leg {
            start: now,
            end: now + Span::from_secs_f64(speed / acceleration),
            counted: (stand.counted, stand.counted + way),
            screw: (stand.screw, stand.screw + way),
            carriage: stand.carriage,
            speed: speed.max(1e-9),
            acceleration,
            braking: true,
        });
    }

    /// What a hold put off is not taken up again.
    pub(super) fn forget(&mut self) {
        self.put_off.clear();
    }

    /// Goes on after a hold.
    pub fn release(&mut self, rail: &RailModel, now: Mono) {
        for (target, speed) in std::mem::take(&mut self.put_off) {
            self.go(rail, now, target, speed, Length::ZERO);
        }
    }

    /// Stops dead: a reset. Returns whether it was moving.
    pub fn stop_dead(&mut self, rail: &RailModel, now: Mono) -> bool {
        self.put_off.clear();
        let cut = self.cut(rail, now);
        cut.is_some_and(|(_, (speed, _))| speed > 0.0)
    }

    /// Ends the running leg here and forgets the later ones. Returns where it
    /// stood, with speed and direction, if a leg was running.
    fn cut(&mut self, rail: &RailModel, now: Mono) -> Option<(Stand, (f64, f64))> {
        if !self.moves(now) {
            return None;
        }
        let stand = self.at(rail, now);
        let running = self.legs.iter().rev().find(|leg| leg.start <= now)?;
        let up = running.counted.1 > running.counted.0;
        let speed = running.progress(now).1;
        self.legs.retain(|leg| leg.start < now);
        if let Some(last) = self.legs.back_mut() {
            last.end = last.end.min(now);
        }
        let rest = Leg {
            start: now,
            end: now,
            counted: (stand.counted, stand.counted),
            screw: (stand.screw, stand.screw),
            carriage: stand.carriage,
            speed: 0.0,
            acceleration: 1.0,
            braking: false,
        };
        self.push(rest);
        Some((stand, (speed, if up { 1.0 } else { -1.0 })))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn secs(s: f64) -> Mono {
        Mono::ZERO + Span::from_secs_f64(s)
    }

    fn homed(rail: &RailModel) -> (Carriage, Mono) {
        let mut carriage = Carriage::new(rail, Mono::ZERO);
        let (end, found) = carriage.home(rail, Mono::ZERO, rail.home_at, false);
        assert!(found);
        (carriage, end)
    }

    /// 6 in at 150 mm/s and 400 mm/s²: 152.4/150 + 150/400 = 1.391 s; a short
    /// way of 10 mm never reaches the speed: 2·sqrt(10/400) = 0.31623 s.
    #[test]
    fn a_move_lasts_as_long_as_its_trapezoid() {
        let rail = RailModel::two_metres();
        for (way_um, lasts) in [
            (152_400, 1.391),
            (10_000, 0.316_227_766),
            (1_800_000, 12.375),
        ] {
            let (mut carriage, start) = homed(&rail);
            let target = rail.home_at + Length::from_um(way_um);
            carriage.go(&rail, start, target, rail.speed, Length::ZERO);
            let took = carriage.rests_at().since(start).secs();
            assert!((took - lasts).abs() < 1e-8, "{way_um}: {took}");
            let half = carriage.at(&rail, start + Span::from_secs_f64(lasts / 2.0));
            let middle = rail.home_at.nm() + way_um * 500;
            assert!((half.carriage.nm() - middle).abs() < 10, "symmetric");
        }
    }

    #[test]
    fn homing_sets_the_counter_from_anywhere() {
        for starts_at in [
            Length::from_mm(300),
            Length::from_mm(1999),
            Length::from_um(30),
        ] {
            let rail = RailModel {
                starts_at,
                ..RailModel::two_metres()
            };
            let (carriage, end) = homed(&rail);
            let stand = carriage.at(&rail, end);
            assert_eq!(stand.counted, rail.home_at);
            assert_eq!(stand.carriage, rail.home_at, "from {starts_at}");
        }
    }

    #[test]
    fn the_carriage_lags_by_the_backlash_on_the_way_down() {
        let rail = RailModel::two_metres();
        let (mut carriage, start) = homed(&rail);
        let at = Length::from_mm(500);
        carriage.go(&rail, start, at, rail.speed, Length::ZERO);
        carriage.go(&rail, start, at + at, rail.speed, Length::ZERO);
        carriage.go(&rail, start, at, rail.speed, Length::ZERO);
        let down = carriage.at(&rail, carriage.rests_at());
        assert_eq!((down.counted, down.carriage), (at, at + rail.backlash));
        carriage.go(
            &rail,
            start,
            at - Length::from_mm(2),
            rail.speed,
            Length::ZERO,
        );
        carriage.go(&rail, start, at, rail.speed, Length::ZERO);
        let up = carriage.at(&rail, carriage.rests_at());
        assert_eq!((up.counted, up.carriage), (at, at));
    }

    #[test]
    fn lost_steps_shift_the_carriage_and_the_switch_tells() {
        let rail = RailModel::two_metres();
        let (mut carriage, start) = homed(&rail);
        let lost = Length::from_um(250);
        carriage.go(&rail, start, Length::from_mm(100), rail.speed, lost);
        let stand = carriage.at(&rail, carriage.rests_at());
        assert_eq!(stand.carriage, Length::from_mm(100) - lost);
        let end = carriage.go(&rail, start, Length::from_mm(-4), rail.touch, Length::ZERO);
        assert_eq!(end, End::Switch);
        let found = carriage.at(&rail, carriage.rests_at()).counted;
        assert_eq!(found, rail.home_at - rail.pull_off + lost);
    }

    #[test]
    fn a_hold_brakes_and_a_release_arrives() {
        let rail = RailModel::two_metres();
        let (mut carriage, start) = homed(&rail);
        carriage.go(
            &rail,
            start,
            Length::from_mm(1001),
            rail.speed,
            Length::ZERO,
        );
        let pressed = start + Span::from_secs(2);
        let before = carriage.at(&rail, pressed).carriage;
        carriage.hold(&rail, pressed);
        // v²/2a = 150²/800 = 28.125 mm in v/a = 0.375 s.
        assert_eq!(carriage.rests_at().since(pressed), Span::from_ms(375));
        let stopped = carriage.at(&rail, secs(1e6)).carriage;
        assert!(((stopped - before).mm() - 28.125).abs() < 1e-4);
        carriage.release(&rail, pressed + Span::from_secs(60));
        assert_eq!(carriage.at(&rail, secs(1e6)).counted, Length::from_mm(1001));
    }

    proptest::proptest! {
        #[test]
        fn the_carriage_never_jumps(targets in proptest::collection::vec(0_i64..1990, 1..12)) {
            let rail = RailModel::two_metres();
            let (mut carriage, start) = homed(&rail);
            for target in targets {
                carriage.go(&rail, start, Length::from_mm(target + 1), rail.speed, Length::ZERO);
            }
            let tick = Span::from_ms(10);
            let mut at = start;
            let mut before = carriage.at(&rail, at).carriage;
            while at < carriage.rests_at() {
                at = at + tick;
                let now = carriage.at(&rail, at).carriage;
                // 150 mm/s for 10 ms is 1.5 mm.
                proptest::prop_assert!((now - before).abs() <= Length::from_um(1_501));
                before = now;
            }
        }
    }
}
