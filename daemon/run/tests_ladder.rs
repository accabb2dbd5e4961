//! Ends of a walk along the levels that a lamp in order never sees.

use super::ladder::{Button, Ladder, Step};

/// A ladder of 4 levels with a power button.
fn to(target: u16, known: Option<u16>, sees: bool, has_power: bool) -> Ladder {
    Ladder::new(4, target, known, sees, has_power, None, 0.01)
}

/// What is pressed (u, d, p) and seen until the walk ends; `light` tells what
/// the nth look shows.
fn walked(mut ladder: Ladder, light: impl Fn(usize) -> f64) -> String {
    let (mut done, mut looks) = (String::new(), 0);
    let mut step = ladder.next_step();
    for _ in 0..500 {
        step = match step {
            Step::Press(button) => {
                done.push(match button {
                    Button::Up => 'u',
                    Button::Down => 'd',
                    Button::Power => 'p',
                });
                ladder.next_step()
            }
            Step::Look => {
                looks += 1;
                done.push('.');
                ladder.seen(Some(light(looks)))
            }
            Step::Reached(proof) => return format!("{done} reached: {proof}"),
            Step::Lost(why) => return format!("{done} lost: {why}"),
        };
    }
    panic!("the walk does not end: {done}");
}

#[test]
fn every_walk_ends_and_says_how() {
    let steady = |_: usize| 10.0;
    let growing = |look: usize| 10.0 * look as f64;
    let one = || Ladder::new(1, 1, None, true, true, None, 0.01);
    let ends = [
        ("blind, up", walked(to(4, Some(2), false, true), steady)),
        ("blind, down", walked(to(1, Some(3), false, true), steady)),
        ("blind, there", walked(to(3, Some(3), false, true), steady)),
        (
            "blind, from an unknown level",
            walked(to(2, None, false, true), steady),
        ),
        (
            "nothing rises, no power button",
            walked(to(3, None, true, false), steady),
        ),
        (
            "nothing rises, power pressed",
            walked(to(3, None, true, true), steady),
        ),
        ("one level, never seen to rise", walked(one(), steady)),
        (
            "the stop is never still",
            walked(to(3, None, true, true), growing),
        ),
        // One press down from a known level, and the light grows.
        ("the wrong way", walked(to(3, Some(4), true, true), growing)),
        (
            "one press up that nothing follows",
            walked(to(4, Some(3), true, false), steady),
        ),
        (
            "down, and nothing lowers the light",
            walked(to(3, Some(4), true, true), steady),
        ),
        // Two rises from the stop that are gone at the second look.
        (
            "a flash that does not last",
            walked(to(2, None, true, false), |look| {
                if look == 4 { 50.0 } else { 10.0 }
            }),
        ),
    ];
    let ends: Vec<String> = ends
        .iter()
        .map(|(name, end)| format!("{name}: {end}"))
        .collect();
    insta::assert_snapshot!(ends.join("\n"));
}

/// The machine stays total where it is not asked as it should be.
#[test]
fn a_walk_that_is_over_stays_over() {
    let mut ladder = to(3, Some(3), false, true);
    assert_eq!(ladder.next_step(), Step::Reached("counted, not seen"));
    let over = Step::Lost("the walk is over".to_owned());
    assert_eq!(ladder.next_step(), over);
    assert_eq!(ladder.seen(Some(1.0)), over);
    let mut unasked = to(3, None, true, true);
    assert_eq!(unasked.seen(Some(1.0)), Step::Press(Button::Down));
    let mut blind = to(3, Some(2), false, true);
    assert_eq!(blind.seen(Some(1.0)), Step::Press(Button::Up));
}
