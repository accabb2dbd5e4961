//! Lamps whose levels go round, with presses that are missed or count twice, and
//! ladders that are learned on the first walk: the level that is said stands, or
//! it is said why not. Closed form: the toys know their level.

use std::collections::BTreeMap;

use super::journal::Decision;
use super::ladder::{Button, Ladder, Step};
use super::pressed::{Lights, Pressed};
use super::round::{Before, Round};
use super::walk::Walk;
use crate::plan::lamp::{Buttons, Descent, HOLD, Wraps};
use photometry::units::Span;

/// A lamp of geometric levels; which of its presses are missed or count twice.
struct Toy {
    levels: u16,
    /// Stops at both ends where it does not go round.
    wraps: Option<Wraps>,
    level: u16,
    on: bool,
    pressed: u32,
    missed: fn(u32) -> bool,
    double: fn(u32) -> bool,
    /// It goes off by itself after this press.
    dies_after: u32,
}

const GLOW: f64 = 0.05;

impl Toy {
    fn round(levels: u16, wraps: Wraps, level: u16, on: bool) -> Toy {
        Toy {
            levels,
            wraps: Some(wraps),
            level,
            on,
            pressed: 0,
            missed: |_| false,
            double: |_| false,
            dies_after: u32::MAX,
        }
    }

    fn of(&self, level: u16) -> f64 {
        GLOW + 10.0 * 1.6_f64.powi(i32::from(level))
    }

    fn light(&self) -> f64 {
        if self.on { self.of(self.level) } else { GLOW }
    }

    fn press(&mut self, button: Button) {
        self.pressed += 1;
        if (self.missed)(self.pressed) {
            return;
        }
        let times = if (self.double)(self.pressed) { 2 } else { 1 };
        for _ in 0..times {
            self.obey(button);
        }
        if self.pressed == self.dies_after {
            self.on = false;
        }
    }

    fn obey(&mut self, button: Button) {
        let top = self.level == self.levels;
        match button {
            Button::Power => self.on = !self.on,
            Button::Up if self.on && !top => self.level += 1,
            Button::Up => match self.wraps {
                Some(Wraps::ToLowest) if self.on => self.level = 1,
                Some(Wraps::ToOff) => (self.on, self.level) = (!self.on, 1),
                _ => {}
            },
            Button::Down if self.on => self.level = self.level.saturating_sub(1).max(1),
            Button::Down => {}
        }
    }

    fn before(&self, known: Option<u16>, lights: Lights) -> Before {
        Before {
            known,
            sees: true,
            has_power: self.wraps != Some(Wraps::ToOff),
            lights,
            floor: 0.01,
            dark: Some(GLOW),
        }
    }
}

fn buttons(wraps: Option<Wraps>) -> Buttons {
    let down = "dimmer".to_owned();
    Buttons {
        up: "light".to_owned(),
        descent: wraps.map_or(Descent::Button { down }, |wraps| Descent::Wraps { wraps }),
        power: None,
        mode: None,
        hold: HOLD,
        rest: Span::from_ms(300),
        follows: Span::from_ms(300),
    }
}

/// How it ended, and what became of presses that made not just one step.
fn walk(toy: &mut Toy, mut walk: Walk) -> (Result<&'static str, String>, String) {
    let mut step = walk.next_step();
    for _ in 0..1000 {
        let end = match step {
            Step::Press(button) => {
                toy.press(button);
                step = walk.next_step();
                continue;
            }
            Step::Look => {
                step = walk.seen(Some(toy.light()));
                continue;
            }
            Step::Reached(proof) => Ok(proof),
            Step::Lost(why) => Err(why),
        };
        return (end, went(&walk));
    }
    panic!("the walk does not end: {walk:?}");
}

fn went(walk: &Walk) -> String {
    let decision = walk.decision("L01", "", |_| String::new(), |level| level.to_string());
    let Decision::Level { went, .. } = decision else {
        panic!("not of a level");
    };
    let went: BTreeMap<Pressed, u32> = went;
    format!("{went:?}")
}

const ROUNDS: [(u16, Wraps); 5] = [
    (2, Wraps::ToLowest),
    (5, Wraps::ToLowest),
    (1, Wraps::ToOff),
    (2, Wraps::ToOff),
    (5, Wraps::ToOff),
];
type Which = fn(u32) -> bool;

const PRESSES: [(Which, Which); 5] = [
    (|_| false, |_| false),
    (|n| n % 5 == 3, |_| false),
    (|n| n % 7 == 0, |_| false),
    // One press alone counts twice, at any place of the walk (below).
    (|_| false, |n| n == 4),
    (|n| n == 3, |n| n == 9),
];

#[test]
fn every_level_of_a_round_is_reached_from_every_state() {
    let mut walks = 0;
    for (levels, wraps) in ROUNDS {
        for (start, on) in (1..=levels).flat_map(|level| [(level, true), (level, false)]) {
            // A lamp that went off past its highest level lights at its lowest.
            let start = if on || wraps == Wraps::ToLowest {
                start
            } else {
                levels
            };
            for target in 1..=levels {
                for (missed, double) in PRESSES {
                    let mut toy = Toy {
                        missed,
                        double,
                        ..Toy::round(levels, wraps, start, on)
                    };
                    let before = toy.before(None, Lights::new());
                    let round = Walk::to(&buttons(Some(wraps)), levels, target, before, None);
                    let (end, _) = walk(&mut toy, round);
                    let says = format!("{wraps:?} {levels}: from {start} {on} to {target}");
                    assert_eq!(end, Ok("counted through a whole round and seen"), "{says}");
                    assert_eq!((toy.level, toy.on), (target, true), "{says}");
                    walks += 1;
                }
            }
        }
    }
    assert_eq!(walks, 5 * (8 + 50 + 2 + 8 + 50));
}

/// From a level that is known, with a round that was learned: a press that counts
/// twice, is missed, or meets a lamp that went off, at each place of the walk.
#[test]
fn a_learned_round_counts_each_press_by_its_light() {
    let (levels, from, to) = (5, 4, 2);
    let ends = [Wraps::ToLowest, Wraps::ToOff].map(|wraps| {
        let calm = Toy::round(levels, wraps, from, true);
        let lights: Lights = (1..=levels).map(|level| (level, calm.of(level))).collect();
        let mut told = String::new();
        type Slip = (&'static str, fn(&mut Toy));
        let slips: [Slip; 7] = [
            ("calm", |_| {}),
            ("first missed", |toy| toy.missed = |n| n == 1),
            ("first twice", |toy| toy.double = |n| n == 1),
            ("second twice", |toy| toy.double = |n| n == 2),
            ("third twice", |toy| toy.double = |n| n == 3),
            ("off after the first", |toy| toy.dies_after = 1),
            ("never felt", |toy| toy.missed = |_| true),
        ];
        for (name, slip) in slips {
            let mut toy = Toy::round(levels, wraps, from, true);
            slip(&mut toy);
            let before = toy.before(Some(from), lights.clone());
            let round = Walk::to(&buttons(Some(wraps)), levels, to, before, None);
            let (end, went) = walk(&mut toy, round);
            assert_eq!(end.is_ok(), toy.on && toy.level == to, "{name} {end:?}");
            let (proof, why) = (end.as_ref().ok(), end.as_ref().err());
            let end = proof.map_or_else(|| why.cloned().unwrap_or_default(), |p| (*p).to_owned());
            told.push_str(&format!("{name}: {} presses, {went}: {end}\n", toy.pressed));
        }
        format!("{wraps:?}\n{told}")
    });
    insta::assert_snapshot!(ends.join("\n"));
}

#[test]
fn a_lamp_of_one_button_is_walked_to_off() {
    for levels in [1, 2, 5] {
        for start in 1..=levels {
            for known in [Some(start), None] {
                for (missed, double) in PRESSES {
                    let mut toy = Toy {
                        missed,
                        double,
                        ..Toy::round(levels, Wraps::ToOff, start, true)
                    };
                    let learned: Lights =
                        (1..=levels).map(|level| (level, toy.of(level))).collect();
                    let before = toy.before(known, learned);
                    let (end, _) = walk(&mut toy, Walk::to_off(levels, before));
                    assert!(end.is_ok(), "{end:?}");
                    assert!(!toy.on, "of {levels}, from {start}, {known:?}");
                }
            }
        }
    }
}

#[test]
fn a_round_that_cannot_be_counted_says_why() {
    let unseen = |known| Before {
        known,
        ..Before::default()
    };
    let to_two = |levels, before| {
        Walk::Round(Box::new(Round::new(
            levels,
            Wraps::ToLowest,
            Some(2),
            before,
        )))
    };
    // Counted without a meter from a level that is known, not from another.
    let mut toy = Toy::round(5, Wraps::ToLowest, 4, true);
    let (end, _) = walk(&mut toy, to_two(5, unseen(Some(4))));
    assert_eq!(
        (end, toy.level, toy.pressed),
        (Ok("counted, not seen"), 2, 3)
    );
    let lost = |toy: &mut Toy, levels, before| walk(toy, to_two(levels, before)).0.unwrap_err();
    let blind = lost(&mut toy, 5, unseen(None));
    assert!(
        blind.contains("no meter stands where it can see"),
        "{blind}"
    );
    // A ladder that stops, or has more levels than its file says.
    let mut stops = Toy {
        wraps: None,
        ..Toy::round(5, Wraps::ToLowest, 3, true)
    };
    let before = stops.before(None, Lights::new());
    let stopped = lost(&mut stops, 5, before);
    assert!(stopped.contains("does not change"), "{stopped}");
    for levels in [3, 4, 6, 9] {
        let mut other = Toy::round(5, Wraps::ToLowest, 3, true);
        let before = other.before(None, Lights::new());
        let why = lost(&mut other, levels, before);
        assert!(!why.is_empty(), "{levels}");
    }
    // Without a meter's value.
    let mut blind = Round::new(3, Wraps::ToOff, Some(1), toy.before(None, Lights::new()));
    assert_eq!(blind.next_step(), Step::Look);
    assert!(matches!(blind.seen(None), Step::Lost(why) if why.contains("no value")));
}

/// The first walk of a ladder goes to its highest level: a press that counts twice
/// anywhere on the way up shows there. Once it is learned, one that counts twice is
/// counted as two.
#[test]
fn a_ladder_is_learned_on_its_first_walk() {
    let toy = |level| Toy {
        wraps: None,
        ..Toy::round(6, Wraps::ToLowest, level, true)
    };
    let target = 3;
    for double in [
        |n| n == 10,
        |n| n == 11,
        |n| n == 12,
        |n| n == 13,
        |n| n == 14,
    ] as [fn(u32) -> bool; 5]
    {
        let mut lamp = Toy { double, ..toy(2) };
        let before = lamp.before(None, Lights::new());
        let (end, _) = walk(&mut lamp, Walk::to(&buttons(None), 6, target, before, None));
        assert_eq!(end, Ok("walked to a stop, counted and seen"));
        assert_eq!(lamp.level, target);
    }
    let learned: Lights = (1..=6).map(|level| (level, toy(1).of(level))).collect();
    let mut lamp = Toy {
        double: |n| n == 1,
        ..toy(6)
    };
    let before = lamp.before(Some(6), learned);
    let mut ladder = Ladder::new(6, 5, before.known, true, true, None, 0.01)
        .knowing(before.lights.clone())
        .dark_at(before.dark);
    assert_eq!(ladder.next_step(), Step::Look);
    let down = Walk::to(&buttons(None), 6, 5, before, None);
    let (end, went) = walk(&mut lamp, down);
    assert_eq!((end, lamp.level), (Ok("counted and seen"), 5));
    assert_eq!((lamp.pressed, went.as_str()), (2, "{Double: 1}"));
}
