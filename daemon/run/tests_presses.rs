//! Lamps that miss presses, count them twice or are off: the ladder reaches the
//! level that it says, or says why not.

use super::ladder::*;

/// A lamp of geometric levels that can be off, miss presses, or count one
/// press twice.
struct Toy {
    levels: u16,
    level: u16,
    on: bool,
    pressed: u32,
    missed: fn(u32) -> bool,
    double: fn(u32) -> bool,
}

impl Toy {
    fn light(&self) -> f64 {
        let glow = 0.05;
        if self.on {
            glow + 10.0 * 1.5_f64.powi(i32::from(self.level))
        } else {
            glow
        }
    }
    fn press(&mut self, button: Button) {
        self.pressed += 1;
        if (self.missed)(self.pressed) {
            return;
        }
        let times = if (self.double)(self.pressed) { 2 } else { 1 };
        for _ in 0..times {
            match button {
                Button::Power => self.on = !self.on,
                Button::Up if self.on => self.level = (self.level + 1).min(self.levels),
                Button::Down if self.on => self.level = (self.level - 1).max(1),
                Button::Up | Button::Down => {}
            }
        }
    }
}

fn walk(toy: &mut Toy, mut ladder: Ladder) -> Result<&'static str, String> {
    let mut step = ladder.next_step();
    for _ in 0..500 {
        step = match step {
            Step::Press(button) => {
                toy.press(button);
                ladder.next_step()
            }
            Step::Look => ladder.seen(Some(toy.light())),
            Step::Reached(proof) => return Ok(proof),
            Step::Lost(why) => return Err(why),
        };
    }
    panic!("the walk does not end: {ladder:?}");
}

const NEVER: fn(u32) -> bool = |_| false;

#[test]
fn every_level_is_reached_from_every_state() {
    for levels in [2, 3, 12] {
        for start in 1..=levels {
            for target in 1..=levels {
                for on in [true, false] {
                    for missed in [NEVER, |n| n % 5 == 3, |n| n % 7 == 0] {
                        let mut toy = Toy {
                            levels,
                            level: start,
                            on,
                            pressed: 0,
                            missed,
                            double: NEVER,
                        };
                        let ladder = Ladder::new(levels, target, None, true, true, None, 0.01);
                        let end = walk(&mut toy, ladder);
                        assert!(end.is_ok(), "{end:?}");
                        assert_eq!((toy.level, toy.on), (target, true), "from {start}");
                    }
                }
            }
        }
    }
}

#[test]
fn a_double_press_is_noticed_where_the_level_was_seen_before() {
    let mut toy = Toy {
        levels: 8,
        level: 5,
        on: true,
        pressed: 0,
        missed: NEVER,
        double: |n| n == 1,
    };
    let expected = 0.05 + 10.0 * 1.5_f64.powi(4);
    let end = walk(
        &mut toy,
        Ladder::new(8, 4, Some(5), true, true, Some(expected), 0.01),
    );
    assert_eq!(
        (end, toy.level),
        (Ok("walked to a stop, counted and seen"), 4)
    );
}

/// Noise of a dark lamp, up to five times what is nothing to the meter, is
/// no light: the power button is pressed.
#[test]
fn noise_does_not_pass_for_a_lit_lamp() {
    for seed in 0..200_u32 {
        let mut toy = Toy {
            levels: 2,
            level: 1,
            on: false,
            pressed: 0,
            missed: NEVER,
            double: NEVER,
        };
        let mut ladder = Ladder::new(2, 2, None, true, true, None, 0.002);
        let mut noise = seed;
        let mut step = ladder.next_step();
        let reached = loop {
            step = match step {
                Step::Press(button) => {
                    toy.press(button);
                    ladder.next_step()
                }
                Step::Look => {
                    noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let share = f64::from(noise) / f64::from(u32::MAX) - 0.5;
                    ladder.seen(Some(toy.light() + 0.008 * share))
                }
                Step::Reached(_) => break true,
                Step::Lost(_) => break false,
            };
        };
        assert!(!reached || toy.on, "seed {seed}");
    }
}

#[test]
fn a_lamp_of_one_level_is_switched_on_and_seen() {
    for on in [true, false] {
        for missed in [NEVER, |n| n == 4, |n| n == 5] as [fn(u32) -> bool; 3] {
            let mut toy = Toy {
                levels: 1,
                level: 1,
                on,
                pressed: 0,
                missed,
                double: NEVER,
            };
            let ladder = Ladder::new(1, 1, None, true, true, None, 0.01);
            let end = walk(&mut toy, ladder);
            assert_eq!(
                (end, toy.on),
                (Ok("walked to a stop, counted and seen"), true)
            );
        }
    }
    let mut toy = Toy {
        levels: 1,
        level: 1,
        on: true,
        pressed: 0,
        missed: NEVER,
        double: NEVER,
    };
    let none = Ladder::new(1, 1, None, true, false, None, 0.01);
    assert!(walk(&mut toy, none).is_err());
}

/// A lamp that cooled while the bench stood gives another light; a walk
/// whose press counted twice does too, once.
#[test]
fn two_walks_that_agree_outweigh_what_was_seen_before() {
    for (cooled, double) in [
        (1.0 / 0.85, NEVER),
        (1.0, |n| n == 15),
        (1.0, |n| n == 14 || n == 40),
    ] as [(f64, fn(u32) -> bool); 3]
    {
        let mut toy = Toy {
            levels: 8,
            level: 8,
            on: true,
            pressed: 0,
            missed: NEVER,
            double,
        };
        let expected = (0.05 + 10.0 * 1.5_f64.powi(6)) / cooled;
        let ladder = Ladder::new(8, 6, None, true, true, Some(expected), 0.01);
        let end = walk(&mut toy, ladder);
        assert_eq!(
            (end, toy.level),
            (Ok("walked to a stop, counted and seen"), 6)
        );
    }
}

/// Legs go down from the highest level, so levels below were never seen: a
/// double press can only be noticed when the ladder ends too soon.
#[test]
fn a_double_press_on_the_way_down_is_named_where_the_ladder_ends_too_soon() {
    let mut toy = Toy {
        levels: 12,
        level: 12,
        on: true,
        pressed: 0,
        missed: NEVER,
        double: |n| n == 5,
    };
    let ends: Vec<_> = (1..12)
        .rev()
        .map(|target| {
            walk(
                &mut toy,
                Ladder::new(12, target, Some(target + 1), true, true, None, 0.01),
            )
        })
        .collect();
    let (last, before) = ends.split_last().expect("eleven walks");
    assert!(before.iter().all(Result::is_ok));
    assert!(
        last.as_ref()
            .is_err_and(|why| why.contains("no level since the last walk"))
    );
}

#[test]
fn a_dead_button_is_named_and_not_pressed_for_ever() {
    let mut toy = Toy {
        levels: 8,
        level: 5,
        on: true,
        pressed: 0,
        missed: |_| true,
        double: NEVER,
    };
    let end = walk(&mut toy, Ladder::new(8, 4, None, true, true, None, 0.01));
    assert!(end.is_err_and(|why| why.contains("does not rise")));
    assert!(toy.pressed < 60, "{}", toy.pressed);
}

#[test]
fn without_a_meter_presses_are_only_counted() {
    let mut toy = Toy {
        levels: 8,
        level: 5,
        on: true,
        pressed: 0,
        missed: NEVER,
        double: NEVER,
    };
    let end = walk(&mut toy, Ladder::new(8, 7, None, false, true, None, 0.01));
    assert_eq!((end, toy.level), (Ok("counted, not seen"), 7));
}

#[test]
fn a_silent_meter_ends_the_walk() {
    let mut ladder = Ladder::new(8, 7, Some(3), true, true, None, 0.01);
    assert_eq!(ladder.next_step(), Step::Look);
    assert!(matches!(ladder.seen(None), Step::Lost(_)));
}

/// A lamp that is off lights at its lowest level, by itself or by the first
/// press of a level's button; the rise from the dark must not count as a step.
#[test]
fn a_rise_from_the_dark_says_no_level() {
    for levels in [2, 3, 12] {
        for target in 1..=levels {
            // Press no. `levels + 3` is the first one upwards.
            for lights_at in u32::from(levels)..=u32::from(levels) + 3 {
                let mut toy = Toy {
                    levels,
                    level: 1,
                    on: false,
                    pressed: 0,
                    missed: NEVER,
                    double: NEVER,
                };
                let off = toy.light();
                let mut ladder =
                    Ladder::new(levels, target, None, true, true, None, 0.01).dark_at(Some(off));
                let mut step = ladder.next_step();
                let end = loop {
                    step = match step {
                        Step::Press(button) => {
                            let was_off = !toy.on;
                            toy.press(button);
                            if was_off && toy.pressed == lights_at {
                                toy.on = true;
                            }
                            ladder.next_step()
                        }
                        Step::Look => ladder.seen(Some(toy.light())),
                        Step::Reached(proof) => break proof,
                        Step::Lost(why) => panic!("{levels} {target} {lights_at}: {why}"),
                    };
                };
                let what = format!("{levels} {target} {lights_at}: {end}");
                assert_eq!((toy.level, toy.on), (target, true), "{what}");
            }
        }
    }
}

/// A press that the lamp does not take while it is out for a moment, and back
/// one level higher, leaves the count one short: up at the top tells.
#[test]
fn a_count_that_is_one_short_is_noticed_at_the_top() {
    for levels in [3, 12] {
        for blinks_at in 0..40 {
            let mut toy = Toy {
                levels,
                level: 1,
                on: true,
                pressed: 0,
                missed: NEVER,
                double: NEVER,
            };
            let mut ladder = Ladder::new(levels, levels, None, true, true, None, 0.01);
            let (mut step, mut looks) = (ladder.next_step(), 0);
            let mut out = false;
            let end = loop {
                step = match step {
                    Step::Press(button) => {
                        if !std::mem::take(&mut out) {
                            toy.press(button);
                        }
                        ladder.next_step()
                    }
                    Step::Look => {
                        looks += 1;
                        let light = toy.light();
                        if looks == blinks_at {
                            out = true;
                            toy.level = (toy.level + 1).min(levels);
                        }
                        ladder.seen(Some(light))
                    }
                    Step::Reached(proof) => break proof,
                    Step::Lost(why) => panic!("{levels} {blinks_at}: {why}"),
                };
            };
            // A blink at the very last look is nobody's to see in this walk.
            assert_eq!(toy.level, levels, "{levels} {blinks_at}: {end}");
        }
    }
}

/// A lamp warms up by more than a stop's 1 % from look to look after a press: that
/// is no level more. Half of the last step is, and its light going out is.
#[test]
fn warming_up_is_no_level_more_at_the_top() {
    // level 1 at 10 lx; level 2, and what the press at the top leaves of it
    for (top, after, reached) in [
        (15.0, 15.3, true),
        (15.0, 14.4, true),
        (15.0, 18.2, true),
        (15.0, 18.6, false),
        (15.0, 22.5, false),
        (15.0, 10.0, false),
        (15.0, 0.05, false),
        (10.5, 10.6, true),
        (10.5, 11.0, false),
    ] {
        let mut ladder = Ladder::new(2, 2, None, true, true, None, 0.001);
        let (mut step, mut ups) = (ladder.next_step(), 0);
        let end = loop {
            step = match step {
                Step::Press(button) => {
                    ups = if button == Button::Up { ups + 1 } else { 0 };
                    ladder.next_step()
                }
                Step::Look => ladder.seen(Some([10.0, top, after][ups.min(2)])),
                Step::Reached(_) => break true,
                Step::Lost(why) => {
                    assert!(why.contains("says the highest level"), "{why}");
                    break false;
                }
            };
        };
        assert_eq!(end, reached, "{top} {after}");
    }
}

/// A lamp that goes out while its highest level comes to rest rests in the dark:
/// that is not its light.
#[test]
fn a_light_that_goes_out_at_the_top_is_not_the_highest_level() {
    let mut ladder = Ladder::new(2, 2, None, true, true, None, 0.001);
    let (mut step, mut ups, mut looks_at_top) = (ladder.next_step(), 0, 0);
    let why = loop {
        step = match step {
            Step::Press(button) => {
                ups = if button == Button::Up { ups + 1 } else { 0 };
                looks_at_top = 0;
                ladder.next_step()
            }
            Step::Look if ups == 0 => ladder.seen(Some(10.0)),
            Step::Look => {
                looks_at_top += 1;
                ladder.seen(Some(if looks_at_top < 3 { 15.0 } else { 0.05 }))
            }
            Step::Reached(proof) => panic!("{proof}"),
            Step::Lost(why) => break why,
        };
    };
    assert!(why.contains("fell while it came to rest"), "{why}");
}

/// A light that never comes to rest at the top proves nothing.
#[test]
fn a_highest_level_that_is_not_at_rest_is_named() {
    let mut ladder = Ladder::new(2, 2, None, true, true, None, 0.01);
    let (mut step, mut ups, mut lights) = (ladder.next_step(), 0, 100.0);
    let why = loop {
        step = match step {
            Step::Press(button) => {
                ups = if button == Button::Up { ups + 1 } else { 0 };
                ladder.next_step()
            }
            Step::Look if ups == 0 => ladder.seen(Some(5.0)),
            Step::Look => {
                lights *= 1.05;
                ladder.seen(Some(lights))
            }
            Step::Reached(proof) => panic!("{proof}"),
            Step::Lost(why) => break why,
        };
    };
    assert!(why.contains("does not come to rest"), "{why}");
}

/// Where the lowest level cannot be told from the dark, that is said.
#[test]
fn a_lowest_level_that_is_not_seen_is_named() {
    let mut ladder = Ladder::new(2, 2, None, true, true, None, 0.01).dark_at(Some(5.0));
    let mut step = ladder.next_step();
    let mut ups = 0;
    let why = loop {
        step = match step {
            Step::Press(button) => {
                ups = if button == Button::Up { ups + 1 } else { 0 };
                ladder.next_step()
            }
            Step::Look => ladder.seen(Some(if ups > 0 { 80.0 } else { 5.02 })),
            Step::Reached(proof) => panic!("{proof}"),
            Step::Lost(why) => break why,
        };
    };
    assert!(
        why.contains("its lowest level is not seen from here"),
        "{why}"
    );
}
