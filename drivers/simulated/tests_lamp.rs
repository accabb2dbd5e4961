//! The lamp and its models against closed forms.

use photometry::units::{Length, Lux, Mono, Span};

use super::lamp::{Button, Lamp, LampModel};
use super::lamp_model::Display;
use super::modulation::Modulation;
use super::programs::Way;
use super::spectra::Spectrum;

fn secs(s: f64) -> Mono {
    Mono::ZERO + Span::from_secs_f64(s)
}

/// Shortfall of a Lambertian disc against the inverse square at 1, 2, 5,
/// 10, 15 diameters: exact formula, metrology check D03.
#[test]
fn the_disc_falls_short_of_the_inverse_square() {
    let model = LampModel::sanderling();
    let intensity = model.brightest.0 * (1.0 + model.radius.metres().powi(2));
    for (diameters, percent) in [(1, 20.0), (2, 5.88), (5, 0.990), (10, 0.249), (15, 0.111)] {
        let distance = Length::from_nm(model.radius.nm() * 2 * diameters);
        let point = intensity / distance.metres().powi(2);
        let shortfall = 100.0 * (1.0 - model.truth(12, distance).0 / point);
        let digits = if diameters < 5 { 5e-3 } else { 5e-4 };
        assert!(
            (shortfall - percent).abs() <= digits,
            "{diameters}: {shortfall}"
        );
    }
}

#[test]
fn a_cold_lamp_lies_above_its_truth_and_comes_down_to_it() {
    let model = LampModel::sanderling();
    let mut lamp = Lamp::new(&model, Mono::ZERO);
    lamp.set(&model, 12, Mono::ZERO);
    let metre = Length::from_mm(1000);
    let over =
        |lamp: &Lamp, s: f64| lamp.light(&model, metre, secs(s)).0 / model.truth(12, metre).0 - 1.0;
    // sag * exp(-t/tau): 6 % at the start, 6 %/e after 18 min.
    assert!((over(&lamp, 0.3) - 0.06).abs() < 2e-5);
    assert!((over(&lamp, 1080.0) - 0.06 / std::f64::consts::E).abs() < 1e-9);
    assert!(over(&lamp, 14.0 * 1080.0) < 1e-7);
}

#[test]
fn a_press_counts_only_within_its_times() {
    let model = LampModel::sanderling();
    let cases = [
        (0.059, 1.0, false),
        (0.060, 1.0, true),
        (0.500, 1.0, true),
        (0.501, 1.0, false),
        (0.100, 0.199, false),
        (0.100, 0.200, true),
    ];
    for (hold, rest, counts) in cases {
        let mut lamp = Lamp::new(&model, Mono::ZERO);
        lamp.press(&model, Button::Power, secs(10.0));
        assert!(lamp.release(&model, Button::Power, secs(10.1)));
        let down = 10.1 + rest;
        lamp.press(&model, Button::Up, secs(down));
        let counted = lamp.release(&model, Button::Up, secs(down + hold));
        assert_eq!(counted, counts, "hold {hold}, rest {rest}");
        assert_eq!(lamp.shining(), 6 + u16::from(counts));
    }
}

#[test]
fn levels_stop_at_the_ends_and_are_remembered() {
    let model = LampModel::sanderling();
    let mut lamp = Lamp::new(&model, Mono::ZERO);
    lamp.obey(&model, Button::Up, secs(1.0));
    assert_eq!(lamp.shining(), 0, "a dark lamp ignores its level buttons");
    lamp.obey(&model, Button::Power, secs(2.0));
    for _ in 0..20 {
        lamp.obey(&model, Button::Up, secs(3.0));
    }
    assert_eq!(lamp.shining(), 12);
    for _ in 0..20 {
        lamp.obey(&model, Button::Down, secs(4.0));
    }
    assert_eq!(lamp.shining(), 1);
    lamp.obey(&model, Button::Power, secs(5.0));
    assert_eq!(lamp.shining(), 0);
    lamp.obey(&model, Button::Power, secs(6.0));
    assert_eq!(lamp.shining(), 1);
}

#[test]
fn it_switches_itself_off_when_its_time_has_come() {
    let model = LampModel {
        auto_off: Some(Span::from_mins(60)),
        ..LampModel::sanderling()
    };
    let mut lamp = Lamp::new(&model, Mono::ZERO);
    lamp.set(&model, 3, secs(0.0));
    lamp.advance(&model, secs(3599.0));
    assert_eq!(lamp.shining(), 3);
    lamp.advance(&model, secs(3600.0));
    assert_eq!(lamp.shining(), 0);
    let metre = Length::from_mm(1000);
    assert_eq!(lamp.light(&model, metre, secs(3601.0)), model.standby);
}

#[test]
fn it_comes_back_by_itself_once() {
    let model = LampModel::sanderling();
    let mut lamp = Lamp::new(&model, Mono::ZERO);
    lamp.comes_back(secs(60.0), 4);
    lamp.advance(&model, secs(59.0));
    assert_eq!(lamp.shining(), 0);
    lamp.advance(&model, secs(70.0));
    assert_eq!(lamp.shining(), 4);
    lamp.set(&model, 0, secs(80.0));
    lamp.advance(&model, secs(90.0));
    assert_eq!(lamp.shining(), 0);
}

#[test]
fn a_fade_ends_at_the_new_light() {
    let model = LampModel::sanderling();
    let mut lamp = Lamp::new(&model, Mono::ZERO);
    lamp.set(&model, 12, secs(0.0));
    let metre = Length::from_mm(1000);
    let before = lamp.light(&model, metre, secs(50_000.0)).0;
    lamp.set(&model, 1, secs(50_000.0));
    let start = lamp.light(&model, metre, secs(50_000.0)).0;
    let middle = lamp.light(&model, metre, secs(50_000.15)).0;
    let end = lamp.light(&model, metre, secs(50_000.3)).0;
    assert_eq!(before, start);
    assert!(end < middle && middle < start);
    // Hot lamp at its lowest level: below its truth, by the sag.
    assert!(end < model.truth(1, metre).0 && end > 0.93 * model.truth(1, metre).0);
}

fn birds() -> [LampModel; 5] {
    [
        LampModel::sanderling(),
        LampModel::knot(),
        LampModel::godwit(),
        LampModel::stint(),
        LampModel::plover(),
    ]
}

fn metre() -> Length {
    Length::from_mm(1000)
}

/// What their pages say of them; the disc's flux is pi times its intensity, within
/// the three digits that are stated (the godwit is a globe and no disc).
#[test]
fn the_birds_are_as_their_pages_say() {
    for model in birds() {
        let brightest = (0..model.tone_count())
            .map(|tone| model.truth_of(tone, model.levels_of(tone), metre()).0)
            .fold(0.0, f64::max);
        assert!((brightest / model.brightest.0 - 1.0).abs() < 1e-12);
        assert_eq!(model.levels_of(0), model.levels);
        assert!((model.truth(1, metre()).0 / model.darkest.0 - 1.0).abs() < 1e-12);
        if model.behind_face == Length::ZERO {
            let intensity = model.brightest.0 * (1.0 + model.radius.metres().powi(2));
            let flux = std::f64::consts::PI * intensity;
            assert!((model.flux_lm / flux - 1.0).abs() < 5e-3, "{flux}");
        }
    }
    let stint = LampModel::stint();
    for level in 2..=6 {
        let ratio = stint.truth(level, metre()).0 / stint.truth(level - 1, metre()).0;
        let wanted = if level == 4 { 6.0 } else { 1.8 };
        assert!((ratio - wanted).abs() < 1e-9, "{level}: {ratio}");
    }
    let godwit = LampModel::godwit();
    let steady = |level| godwit.modulation_of(0, level) == Modulation::None;
    assert_eq!((1..=9).find(|level| steady(*level)), Some(3));
}

#[test]
fn the_mode_button_goes_round_the_tones() {
    let model = LampModel::knot();
    let mut lamp = Lamp::new(&model, secs(0.0));
    lamp.obey(&model, Button::Mode, secs(1.0));
    assert_eq!((lamp.tone(), lamp.shining()), (0, 0));
    lamp.set_tone(&model, 0, 3, secs(2.0));
    lamp.obey(&model, Button::Mode, secs(3.0));
    assert_eq!((lamp.tone(), lamp.shining()), (1, 3));
    let cool = lamp.colour(&model, secs(4.0));
    assert_eq!(cool.share_of(Spectrum::OffLocusWhite), 1.0);
    // Warmed through, its light is the tone's own.
    let light = lamp.light(&model, metre(), secs(100_000.0)).0;
    assert!((light / model.truth_of(1, 3, metre()).0 - 1.0).abs() < 1e-9);
    lamp.obey(&model, Button::Mode, secs(5.0));
    assert_eq!((lamp.tone(), lamp.shining()), (0, 3));
}

/// The plover's dawn: 300 lx (t/30 min)^2, in 65,535 steps; amber at its start.
#[test]
fn an_alarm_starts_a_dawn_and_its_end_is_held() {
    let model = LampModel::plover();
    let mut lamp = Lamp::new(&model, secs(0.0));
    lamp.set_alarm(&model, Some(secs(3600.0)), secs(10.0));
    lamp.advance(&model, secs(3599.0));
    assert_eq!((lamp.shining(), lamp.runs()), (0, None));
    lamp.advance(&model, secs(4500.0));
    assert_eq!(lamp.runs(), Some((Way::Up, secs(3600.0))));
    let step = 300.0 / 65_535.0;
    for minutes in [0.0, 3.0, 15.0, 29.0, 30.0, 31.0] {
        let at = secs(3600.0 + 60.0 * minutes);
        let light = lamp.light(&model, metre(), at).0;
        let wanted = 300.0 * (minutes.min(30.0) / 30.0_f64).powi(2);
        assert!(
            (light - wanted).abs() <= step / 2.0 + 1e-9,
            "{minutes}: {light}"
        );
        let amber = lamp.colour(&model, at).share_of(Spectrum::Amber);
        assert!((amber - (1.0 - minutes.min(30.0) / 30.0)).abs() < 1e-12);
        // 0.9 W and 11.6 W in proportion to the light.
        let watts = lamp.watts(&model, at);
        assert!((watts - (0.9 + 11.6 * light / 300.0)).abs() < 1e-9);
    }
    // 90 min later it goes off, and the next day it dawns again.
    lamp.advance(&model, secs(3600.0 + 7199.0));
    assert_eq!(lamp.shining(), 10);
    lamp.advance(&model, secs(3600.0 + 7200.0));
    assert_eq!((lamp.shining(), lamp.runs()), (0, None));
    let next_day = 3600.0 + 86_400.0;
    lamp.advance(&model, secs(next_day + 1.0));
    assert_eq!(lamp.runs(), Some((Way::Up, secs(next_day))));
}

#[test]
fn an_alarm_that_marks_the_full_light_starts_before_it() {
    let model = LampModel::godwit();
    let mut lamp = Lamp::new(&model, secs(0.0));
    lamp.set_alarm(&model, Some(secs(7200.0)), secs(10.0));
    lamp.advance(&model, secs(7200.0));
    assert_eq!(lamp.runs(), Some((Way::Up, secs(7200.0 - 1500.0))));
    let full = lamp.light(&model, metre(), secs(7200.0)).0;
    assert!((full - 220.0).abs() < 1e-9, "{full}");
    // Its two lowest levels pulse, and so does the dawn as far as they reach.
    let second = model.truth(2, metre()).0;
    let leaves = 1500.0 * (second / 220.0).sqrt();
    let pulses = |t: f64| lamp.modulation(&model, secs(5700.0 + t)) != Modulation::None;
    assert!(pulses(leaves - 10.0) && !pulses(leaves + 10.0));
}

/// The stint's linear sunset of 20 min stalls at half of 125.97 lx and stays there
/// until it goes off.
#[test]
fn buttons_start_programs_and_end_them() {
    let model = LampModel::stint();
    let mut lamp = Lamp::new(&model, secs(0.0));
    lamp.obey(&model, Button::Start, secs(1.0));
    assert_eq!(lamp.shining(), 0, "it has no sunrise");
    lamp.obey(&model, Button::Sunset, secs(100.0));
    let light = |lamp: &Lamp, s: f64| lamp.light(&model, metre(), secs(s)).0;
    assert!((light(&lamp, 400.0) / 125.9712 - 0.75).abs() < 0.5 / 255.0 + 1e-9);
    for s in [700.0, 1000.0, 1299.0] {
        assert!((light(&lamp, s) / 125.9712 - 0.5).abs() < 0.5 / 255.0 + 1e-9);
    }
    lamp.advance(&model, secs(1300.0));
    assert_eq!(lamp.shining(), 0);
    // One darker ends it at the level that is nearest above its light: 63 lx.
    lamp.obey(&model, Button::Sunset, secs(2000.0));
    lamp.obey(&model, Button::Down, secs(2000.0 + 700.0));
    assert_eq!((lamp.shining(), lamp.runs()), (5, None));
}

/// By the model: off, or lit at its last level; with its alarm, or without.
#[test]
fn mains_that_go_and_come() {
    let (with, without) = (LampModel::plover(), LampModel::knot());
    for (model, alarm, level) in [(&with, true, 0), (&without, false, 3)] {
        let mut lamp = Lamp::new(model, secs(0.0));
        lamp.set(model, 3, secs(1.0));
        lamp.set_alarm(model, Some(secs(50_000.0)), secs(2.0));
        let warm = lamp.light(model, metre(), secs(9000.0)).0;
        lamp.power(model, false, secs(9000.0));
        let dark = lamp.light(model, metre(), secs(9000.0)).0;
        assert_eq!((dark, lamp.watts(model, secs(9000.0))), (0.0, 0.0));
        assert_eq!(lamp.shining(), 0);
        lamp.obey(model, Button::Power, secs(9001.0));
        lamp.set(model, 4, secs(9001.5));
        lamp.power(model, true, secs(9002.0));
        assert_eq!((lamp.shining(), lamp.alarm().is_some()), (level, alarm));
        if level > 0 {
            // Two seconds of cooling: as warm as before within the sag's share.
            let again = lamp.light(model, metre(), secs(9003.0)).0;
            assert!((again / warm - 1.0).abs() < 1e-3, "{again} {warm}");
        }
    }
}

/// A lamp that was without power for long is a cold one again: 4 % of sag times the
/// root of its light's share.
#[test]
fn a_lamp_without_power_cools() {
    let model = LampModel::knot();
    let mut lamp = Lamp::new(&model, secs(0.0));
    lamp.set(&model, 4, secs(0.0));
    lamp.power(&model, false, secs(20_000.0));
    lamp.power(&model, true, secs(60_000.0));
    let load = (2200.0_f64 / 2500.0).sqrt();
    let cold = 2200.0 * (1.0 + 0.04 * load);
    let light = lamp.light(&model, metre(), secs(60_000.3)).0;
    assert!((light / cold - 1.0).abs() < 1e-4, "{light} {cold}");
}

#[test]
fn a_display_dims_and_goes_out() {
    let model = LampModel {
        display: Some(Display {
            bright: Lux(0.3),
            dim: Lux(0.03),
            dims_after: Span::from_secs(15),
            out_after: Span::from_mins(30),
        }),
        ..LampModel::sanderling()
    };
    let mut lamp = Lamp::new(&model, secs(0.0));
    lamp.set(&model, 0, secs(100.0));
    for (s, shown) in [(110.0, 0.3), (115.0, 0.03), (1899.0, 0.03), (1900.0, 0.0)] {
        let light = lamp.light(&model, metre(), secs(s)).0;
        assert!((light - 0.002 - shown).abs() < 1e-12, "{s}: {light}");
    }
    assert_eq!(lamp.watts(&model, secs(200.0)), 0.4);
}
