//! A standby test as written and as laid out.

use photometry::measured::Quantity;
use photometry::units::{Length, Ratio, Span};

use super::card::{BACK_WITHIN, DarkBy, Meter, Outlet, Outlets};
use super::intent::{SettingWord, Settings, TestKind, WarmUp};
use super::itinerary::{Itinerary, Purpose, Restart, UNPLUGGED, What};
use super::kinds::{Sight, StandbyTest};
use super::lamp::SwitchOff;
use super::tests::{Given, example, found, text};
use super::{print, samples};

/// A full level and the first, 2 readings of each sort, ten minutes at one every
/// 10 s.
pub fn standby() -> StandbyTest {
    StandbyTest {
        sight: Sight {
            settings: Settings::These(vec![SettingWord::Full, SettingWord::Level(1)]),
            at: None,
            watched_by: None,
            settle: None,
            warm_up: WarmUp::Fixed(Span::from_mins(5)),
            readings: 2,
            drift_limit: Ratio::new(0.005),
            give_up: Ratio::new(0.02),
        },
        power_meter: None,
        watch: Span::from_mins(10),
        every: Span::from_secs(10),
        dark: 2,
        ambient: 2,
    }
}

/// A meter of power at the lamp's place.
pub fn wattmeter() -> Meter {
    Meter {
        name: "plug".to_owned(),
        port: "plug-port".to_owned(),
        rides: false,
        yields: vec![Quantity::Power],
        ranges: Vec::new(),
        dark: DarkBy::Cap,
        ..samples::meter()
    }
}

/// The lamp hangs on the outlet `lamp`, channel 1.
pub fn outlets() -> Outlets {
    Outlets {
        port: "outlet-port".to_owned(),
        profile: None,
        back_within: BACK_WITHIN,
        channels: vec![Outlet {
            name: "lamp".to_owned(),
            channel: 1,
        }],
    }
}

/// Everything there.
pub(super) fn given() -> Given {
    let mut given = Given::fitting();
    given.card.meters.push(wattmeter());
    given.card.outlets = Some(outlets());
    given.card.lamp_outlet = Some("lamp".to_owned());
    given.plan.tests[0].name = "idle".to_owned();
    given.plan.tests[0].kind = TestKind::Standby(standby());
    given
}

fn test(given: &mut Given) -> &mut StandbyTest {
    match &mut given.plan.tests[0].kind {
        TestKind::Standby(test) => test,
        other => panic!("{other:?}"),
    }
}

fn listed(itinerary: &Itinerary) -> String {
    print::list(itinerary, samples::card().lengths)
}

#[test]
fn a_standby_test_is_laid_out_as_its_snapshot_says() {
    let itinerary = given().laid_out().expect("it fits");
    insta::assert_snapshot!(listed(&itinerary));
    assert!(itinerary.left_out.is_empty());
    let mut keys: Vec<_> = itinerary
        .actions
        .iter()
        .filter_map(|a| a.key.clone())
        .collect();
    let all = keys.len();
    keys.sort();
    keys.dedup();
    assert_eq!(keys.len(), all, "no key stands for two readings");
}

/// It is made again whole, from the lamp's switching off.
#[test]
fn the_recording_and_the_switching_off_are_one_group() {
    let itinerary = given().laid_out().expect("it fits");
    let record = itinerary
        .actions
        .iter()
        .find_map(|action| match &action.what {
            What::Record(recording) => Some((action, recording)),
            _ => None,
        });
    let (action, recording) = record.expect("a recording");
    let meters = [
        ("lux-head".to_owned(), Quantity::Illuminance),
        ("plug".to_owned(), Quantity::Power),
    ];
    assert_eq!(recording.meters, meters);
    assert_eq!((recording.readings(), &recording.begins), (61, &None));
    assert_eq!(action.restart, Restart::FromGroup(action.no - 1));
    let before = &itinerary.actions[action.no as usize - 1];
    assert_eq!(before.what, What::LampOff);
    assert_eq!(before.restart, Restart::FromGroup(action.no - 1));
}

/// A lamp that forgets its clock blinks when it has power again: it is unplugged
/// when everything else is done.
#[test]
fn a_lamp_that_forgets_its_clock_is_unplugged_last() {
    let place = |given: &Given| {
        let itinerary = given.laid_out().expect("it fits");
        let at = |is: fn(&What) -> bool| itinerary.actions.iter().position(|a| is(&a.what));
        let off = at(|what| matches!(what, What::Switch { on: false, .. }));
        off.cmp(&at(|what| matches!(what, What::Record(_))))
    };
    let mut given = given();
    assert_eq!(place(&given), std::cmp::Ordering::Less);
    given.lamp.loses_clock = true;
    assert_eq!(place(&given), std::cmp::Ordering::Greater);
}

#[test]
fn without_a_meter_of_power_or_an_outlet_the_rest_is_measured() {
    let mut given = given();
    given.card.meters.truncate(1);
    given.card.lamp_outlet = None;
    let itinerary = given.laid_out().expect("it fits");
    assert_eq!(
        itinerary.left_out,
        ["idle, power: no meter of power stands at the place `axis`"]
    );
    let is = |is: fn(&What) -> bool| itinerary.actions.iter().filter(|a| is(&a.what)).count();
    assert_eq!(is(|what| matches!(what, What::Switch { .. })), 0);
    // The lamp is in use once before it is watched.
    assert_eq!(is(|what| matches!(what, What::SetLevel { .. })), 1);
    let unplugged = |action: &&super::itinerary::Action| {
        let purpose = action.key.as_ref().map(|key| key.purpose);
        action.setting == UNPLUGGED || purpose == Some(Purpose::Ambient)
    };
    assert_eq!(itinerary.actions.iter().filter(unplugged).count(), 0);
}

/// A lamp on an outlet has no power until that is switched on: every kind of test
/// begins with it.
#[test]
fn a_survey_plugs_its_lamp_in() {
    let mut given = given();
    given.plan.tests[0].kind = TestKind::Survey(samples::survey(&[12]));
    let itinerary = given.laid_out().expect("it fits");
    let switched =
        |what: &What| matches!(what, What::Switch { outlet, on: true } if outlet == "lamp");
    let first = itinerary.actions.iter().position(|a| switched(&a.what));
    let lit = |what: &What| matches!(what, What::SetLevel { .. } | What::LampOff);
    let worked = itinerary.actions.iter().position(|a| lit(&a.what));
    assert!(first.is_some() && first < worked, "{first:?} {worked:?}");
}

/// Coordinates of 2 mm and more can be gone to (an overshoot of 2 mm from 0): the
/// nearest to 6 in (152.4 mm) with the datum at 100, at -200 and, where the
/// coordinate falls with the distance, at 100 mm.
#[test]
fn it_is_watched_from_the_nearest_position_to_six_inches() {
    let cases = [
        (100, true, Length::from_um(152_400)),
        (-200, true, Length::from_mm(202)),
        (100, false, Length::from_mm(98)),
    ];
    for (datum, away_is_up, expected) in cases {
        let mut given = given();
        given.placement.datum = Length::from_mm(datum);
        given.card.rail.as_mut().expect("a rail").away_is_up = away_is_up;
        let itinerary = given.laid_out().expect("it fits");
        assert_eq!(itinerary.tests[0].watch, expected, "{datum}");
    }
    let mut given = given();
    test(&mut given).sight.at = Some(Length::from_mm(300));
    let itinerary = given.laid_out().expect("it fits");
    assert_eq!(itinerary.tests[0].watch, Length::from_mm(300));
}

#[test]
fn what_does_not_fit_is_told_in_words() {
    type Case = (&'static str, fn(&mut Given));
    let cases: [Case; 8] = [
        ("another meter of power", |g| {
            let mut second = wattmeter();
            "second-plug".clone_into(&mut second.name);
            g.card.meters.push(second);
        }),
        ("no such meter", |g| {
            test(g).power_meter = Some("plog".to_owned());
        }),
        ("a meter of light", |g| {
            test(g).power_meter = Some("lux-head".to_owned());
        }),
        ("a meter elsewhere", |g| {
            "stand".clone_into(&mut g.card.meters[1].place);
            test(g).power_meter = Some("plug".to_owned());
        }),
        ("never off", |g| g.lamp.off = SwitchOff::Cannot),
        ("too fast", |g| test(g).every = Span::from_ms(100)),
        ("too long", |g| {
            (test(g).watch, test(g).every) = (Span::from_mins(24 * 60), Span::from_ms(500));
        }),
        ("no meter of light, and two of power", |g| {
            g.card.meters[0] = wattmeter();
            "second-plug".clone_into(&mut g.card.meters[0].name);
        }),
    ];
    let mut table = String::new();
    for (name, spoil) in cases {
        let mut given = given();
        spoil(&mut given);
        let faults = given.laid_out().expect_err(name);
        table.push_str(name);
        table.push_str(":\n");
        for fault in faults {
            let hint = fault.problem.hint().unwrap_or_default();
            table.push_str(&format!("  {}\n    {hint}\n", fault.problem));
        }
    }
    insta::assert_snapshot!(table);
}

fn planned(keys: &str) -> super::check::Found {
    let plan = format!("plan: p\nformat: 1\ntests:\n  idle:\n    kind: standby\n{keys}");
    found(&[text("plan.yaml", &plan)])
}

#[test]
fn a_plan_says_what_it_wants_or_nothing_at_all() {
    let of = |keys: &str| {
        let found = planned(keys);
        assert!(found.mistakes.is_empty(), "{}", found.shown(false));
        match found.checked.plan.expect("a plan").tests.remove(0).kind {
            TestKind::Standby(test) => test,
            other => panic!("{other:?}"),
        }
    };
    let usual = of("");
    assert_eq!(
        usual.sight.settings,
        Settings::These(vec![SettingWord::Full])
    );
    assert_eq!(usual.sight.warm_up, WarmUp::Fixed(Span::from_mins(5)));
    assert_eq!((usual.sight.at, usual.power_meter), (None, None));
    let watched = (usual.watch, usual.every);
    assert_eq!(watched, (Span::from_mins(40), Span::from_secs(10)));
    let said = of(
        "    settings: [2]\n    warm-up: 1 min\n    at: 8 in\n    power-meter: plug\n    \
                   watch: 1 h\n    every: 2 s\n    readings: 7\n    dark: 0\n    ambient: 0\n",
    );
    assert_eq!(said.sight.at, Some(Length::from_um(203_200)));
    assert_eq!(said.power_meter.as_deref(), Some("plug"));
    assert_eq!((said.sight.readings, said.dark, said.ambient), (7, 0, 0));
    assert_eq!(
        (said.watch, said.every),
        (Span::from_mins(60), Span::from_secs(2))
    );
}

/// 290 s at one every 10 s are 29 beats, one too few.
#[test]
fn a_display_is_not_watched_by_a_handful_of_readings() {
    assert!(planned("    watch: 300 s\n").mistakes.is_empty());
    let found = planned("    watch: 290 s\n");
    assert_eq!(found.mistakes[0].code, "too-few", "{}", found.shown(false));
}

#[test]
fn the_lamps_outlet_must_be_one_of_the_bench() {
    let board = "outlets: {port: outlet-port, channels: {lamp: 1, spare: 2}}\n";
    let bench = |more: &str| {
        let good = example("bench-strand.yaml");
        let port = "ports:\n  outlet-port: {tcp: \"192.0.2.13:5025\"}";
        let all = good.text.replacen("ports:", port, 1) + "\n" + more;
        found(&[text("bench.yaml", &all)])
    };
    let taken = bench(&format!("{board}lamp-outlet: lamp\n"));
    assert!(taken.mistakes.is_empty(), "{}", taken.shown(false));
    let card = taken.checked.bench.expect("a bench");
    assert_eq!(card.lamp_outlet.as_deref(), Some("lamp"));
    for (more, hint) in [
        (
            format!("{board}lamp-outlet: lanp\n"),
            "did you mean `lamp`?",
        ),
        (
            "lamp-outlet: lamp\n".to_owned(),
            "write `outlets:`, or leave `lamp-outlet` out",
        ),
    ] {
        let found = bench(&more);
        let told: Vec<_> = found
            .mistakes
            .iter()
            .filter_map(|m| m.hint.clone())
            .collect();
        assert!(
            told.iter().any(|told| told == hint),
            "{}",
            found.shown(false)
        );
    }
}
