//! Whole evening sheets, over the planner's samples.

use drivers::clock::Clock;
use photometry::units::{Length, Mono, Ratio, Span, Wall};

use super::tonight::{Evening, Tonight, tonight};
use super::{Told, noon_before, since};
use crate::plan::card::DarkBy;
use crate::plan::frozen::Frozen;
use crate::plan::intent::{Plan, PlanLine, Settings, Test, TestKind, WarmUp, Window};
use crate::plan::itinerary::KindName;
use crate::plan::kinds::{RampTest, Sight};
use crate::plan::lamp::{Alarm, AlarmMarks, Lamp, Mode, Program, Starts, SwitchOff, Way, Worked};
use crate::plan::samples::{self, card, lamp, placement, plan, survey};
use crate::plan::tests_standby::outlets;
use crate::queue::orders::BenchShown;
use crate::run::journal::{RunId, RunState};
use crate::run::progress::State;
use crate::store::runs::RunRow;
use crate::store::samples::Story;

/// 2026-11-26 21:04 UTC.
const NOW: Wall = Wall::from_us(1_795_727_040_000_000);
/// 22:00 to 05:30.
const NIGHT: Window = Window {
    opens: 22 * 60,
    closes: 5 * 60 + 30,
};

pub(super) fn clock() -> Clock {
    Clock::simulated(NOW, Mono::ZERO)
}

pub(super) fn now() -> Wall {
    NOW
}

/// A run as booked, of this plan.
fn frozen(plan: Plan, lamp: Lamp, unit: &str, dark: DarkBy) -> Frozen {
    let (mut card, mut placement) = (card(), placement());
    card.meters[0].dark = dark;
    placement.unit = unit.to_owned();
    placement.lamp.clone_from(&lamp.name);
    samples::frozen(plan, lamp, card, placement)
}

/// A run without events.
pub(super) fn booked(run: i64, frozen: Frozen) -> Told {
    Told {
        row: RunRow {
            id: RunId(run),
            plan: frozen.plan.name.clone(),
            lamp: frozen.lamp.name.clone(),
            unit: frozen.placement.unit.clone(),
            bench: frozen.card.name.clone(),
            state: RunState::Waiting,
            why: None,
            booked: NOW + Span::from_mins(-30),
            begun: None,
            ended: None,
            readings: 0,
            actions_done: 0,
            actions: frozen.itinerary.actions.len() as i64,
            redo_of: None,
        },
        progress: State::new(&frozen.itinerary),
        frozen,
        why: None,
        asks: None,
        displaced: None,
        nowhere: false,
    }
}

fn sheet(runs: &[Told]) -> Tonight {
    let card = card();
    let benches = [BenchShown {
        card,
        at_hand: None,
        out_of_service: None,
    }];
    tonight(&Evening {
        clock: &clock(),
        now: NOW,
        rehearsal: None,
        benches: &benches,
        runs,
        left_out: 0,
    })
}

fn night(inches: &[i64]) -> Plan {
    let mut plan = plan(survey(inches));
    plan.name = "night survey".to_owned();
    plan.policies.window = Some(NIGHT);
    plan
}

/// A dawn of 30 min that ends at the alarm, 06:30, beside a lamp that forgets it.
fn dawn() -> (Plan, Lamp) {
    let mut lamp = lamp(3);
    lamp.loses_clock = true;
    lamp.programs = vec![Program {
        name: "dawn".to_owned(),
        way: Way::Sunrise,
        length: Span::from_mins(30),
        starts: Starts::Alarm(Alarm {
            marks: AlarmMarks::End,
            alarms: 1,
            rearmed: true,
        }),
    }];
    let sight = Sight {
        settings: Settings::These(Vec::new()),
        at: Some(Length::from_um(609_600)),
        watched_by: None,
        settle: None,
        warm_up: WarmUp::Fixed(Span::from_mins(20)),
        readings: 2,
        drift_limit: Ratio::new(0.02),
        give_up: Ratio::new(0.1),
    };
    let ramp = RampTest {
        sight,
        program: "dawn".to_owned(),
        beside: Vec::new(),
        every: Span::from_secs(1),
        soak: Span::from_mins(60),
        lead: Span::from_mins(2),
        after: Span::from_mins(10),
        times: 1,
        alarm: Some(6 * 60 + 30),
        dark: 2,
        hold: false,
        spectra: None,
        on_the_way: None,
    };
    let mut plan = plan(survey(&[6]));
    plan.name = "the alarm".to_owned();
    plan.tests = vec![Test {
        name: "wake".to_owned(),
        line: PlanLine::default(),
        kind: TestKind::Ramp(ramp),
    }];
    (plan, lamp)
}

/// Two nights' work on one bench: the second run begins where the first ends.
#[test]
fn a_bench_with_two_runs_is_told_on_one_screen() {
    let first = booked(7, frozen(night(&[6, 12]), lamp(2), "D-17", DarkBy::Cap));
    let second = booked(8, frozen(night(&[6, 12]), lamp(3), "D-17", DarkBy::Shutter));
    let sheet = sheet(&[first, second]);
    let runs = &sheet.benches[0].runs;
    assert_eq!(runs[0].ends, runs[1].begins);
    let text = sheet.text();
    assert!(text.lines().count() <= 50, "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
    insta::assert_snapshot!(text);
}

/// The alarm marks the end: the run asks for it at its beginning, and the
/// recording ends ten minutes after it, on the next day.
#[test]
fn an_alarm_is_set_in_the_evening_and_waited_for() {
    let (plan, lamp) = dawn();
    let told = booked(9, frozen(plan, lamp, "D-17", DarkBy::Shutter));
    let sheet = sheet(&[told]);
    let run = &sheet.benches[0].runs[0];
    let ends = run.ends.as_ref().expect("an end");
    assert!(ends.local.starts_with("2026-11-27T06:40"), "{ends:?}");
    insta::assert_snapshot!(sheet.text());
}

/// A unit that stands nowhere, one behind it, a lamp that a person works.
#[test]
fn what_waits_for_a_person_comes_first() {
    let mut hand = lamp(12);
    hand.name = "turnstone".to_owned();
    hand.modes = vec![Mode {
        name: "warm".to_owned(),
        levels: 12,
    }];
    hand.worked = Worked::ByHand;
    hand.off = SwitchOff::ByHand;
    let first = frozen(plan(survey(&[6, 12])), hand, "T-2", DarkBy::Cap);
    let first = booked(3, first);
    let mut second = booked(4, frozen(night(&[6]), lamp(2), "D-17", DarkBy::Shutter));
    second.displaced = Some("unit `D-17` stands on no bench; place it".to_owned());
    second.nowhere = true;
    let mut third = booked(5, frozen(night(&[6]), lamp(2), "T-2", DarkBy::Shutter));
    third.row.state = RunState::Held;
    third.why = Some("booked to be released by hand".to_owned());
    insta::assert_snapshot!(sheet(&[first, second, third]).text());
}

/// A run of several nights, with a question open; nothing has a time behind the
/// closing of its window.
#[test]
fn a_run_at_work_goes_on_and_does_not_fit() {
    let mut plan = night(&[6, 12, 24, 36, 48]);
    plan.policies.window = Some(Window {
        opens: 21 * 60,
        closes: 23 * 60,
    });
    let mut story = Story::begin(frozen(plan, lamp(12), "D-17", DarkBy::Cap));
    story.act(0..2, |_, _| unreachable!("nothing is read yet"));
    let mut told = booked(7, story.frozen.clone());
    told.progress = State::replay(&story.frozen.itinerary, &story.events).expect("legal");
    told.row.state = RunState::Measuring;
    told.row.begun = Some(NOW);
    let sheet = sheet(&[told]);
    let run = &sheet.benches[0].runs[0];
    assert_eq!((run.fits, &run.ends), (Some(false), &None));
    insta::assert_snapshot!(sheet.text());
}

/// At a run that has begun nobody is told to touch anything.
#[test]
fn what_has_begun_is_left_alone() {
    let (plan, lamp) = dawn();
    let mut begun = booked(9, frozen(plan, lamp, "D-17", DarkBy::Cap));
    let of = |told: &Told| {
        let steps = &sheet(std::slice::from_ref(told)).benches[0].steps;
        let words: Vec<&str> = steps.iter().map(|step| step.words.as_str()).collect();
        words.join("\n")
    };
    let before = of(&begun);
    assert!(
        before.contains("Align unit") && before.contains("Set the clock"),
        "{before}"
    );
    begun.row.begun = Some(NOW);
    let after = of(&begun);
    for word in ["Align", "Set the clock", "Put the cap", "finger sits"] {
        assert!(!after.contains(word), "{after}");
    }
    assert!(after.contains("Touch neither unit `D-17`"), "{after}");
}

/// A lamp that its outlet lights: plugged in there, its own switch on, and nobody is
/// asked; what a mains relay needs is told once.
#[test]
fn a_lamp_that_an_outlet_lights_is_plugged_in_and_left_on() {
    let mut panel = lamp(1);
    (panel.worked, panel.off) = (Worked::Mains, SwitchOff::Mains);
    let (mut card, mut placement) = (card(), placement());
    card.outlets = Some(outlets());
    card.lamp_outlet = Some("lamp".to_owned());
    card.fingers = None;
    placement.fingers.clear();
    let frozen = samples::frozen(night(&[6, 12]), panel, card, placement);
    let (first, second) = (booked(7, frozen.clone()), booked(8, frozen));
    let sheet = sheet(&[first, second]);
    assert!(
        sheet.benches[0]
            .runs
            .iter()
            .all(|run| run.questions.is_empty())
    );
    insta::assert_snapshot!(sheet.text());
}

/// Each caution only where it applies, and the last one always.
#[test]
fn a_caution_is_told_where_it_applies() {
    let mut told = booked(7, frozen(night(&[6]), lamp(2), "D-17", DarkBy::Shutter));
    let of = |told: &Told| super::cautions::cautions(&[told]).join("\n");
    assert!(!of(&told).contains("seizures"), "{}", of(&told));
    told.frozen.itinerary.tests[0].kind = KindName::Flicker;
    assert!(of(&told).contains("seizures"), "{}", of(&told));
    told.frozen.lamp.off = SwitchOff::Cannot;
    assert!(
        of(&told).contains("stays on until a person"),
        "{}",
        of(&told)
    );
    // Nothing is left to do: nothing moves, nothing lights.
    told.frozen.itinerary.actions.clear();
    told.progress = State::new(&told.frozen.itinerary);
    let words = of(&told);
    assert!(words.starts_with("Flashing"), "{words}");
    assert!(words.contains("never an emergency stop"), "{words}");
}

#[test]
fn a_bench_without_runs_and_one_that_is_not_worked_here() {
    let mut elsewhere = frozen(night(&[6]), lamp(2), "D-17", DarkBy::Shutter);
    elsewhere.card.name = "mudflat".to_owned();
    let sheet = sheet(&[booked(2, elsewhere)]);
    let names: Vec<&str> = sheet.benches.iter().map(|b| b.bench.as_str()).collect();
    assert_eq!(names, ["mudflat", "strand"]);
    assert_eq!(sheet.benches[0].runs[0].begins, None);
    let text = sheet.text();
    assert!(
        text.contains("It takes no runs: this daemon does not work it."),
        "{text}"
    );
    assert!(
        text.ends_with("Nothing is booked here: nothing to do.\n"),
        "{text}"
    );
}

/// Yesterday's noon, before and after today's.
#[test]
fn the_noon_before_is_yesterdays() {
    let clock = clock();
    let at = |text: &str| since(&clock, text).expect("an instant");
    for (now, noon) in [
        ("2026-11-27T07:00", "2026-11-26T12:00"),
        ("2026-11-27T13:00", "2026-11-26T12:00"),
        ("2026-11-27T12:00", "2026-11-26T12:00"),
        ("2026-03-01T00:00", "2026-02-28T12:00"),
    ] {
        assert_eq!(noon_before(&clock, at(now)), at(noon), "{now}");
    }
}

/// Instants from `date -u -d ... +%s`.
#[test]
fn a_day_and_a_time_are_read_or_refused() {
    let clock = clock();
    for (text, seconds) in [
        ("1970-01-01T00:00", 0),
        ("2000-02-29 23:59", 951_868_740),
        ("2026-11-26T12:00", 1_795_694_400),
        ("2100-03-01T00:00", 4_107_542_400),
    ] {
        let found = since(&clock, text);
        assert_eq!(found, Ok(Wall::from_us(seconds * 1_000_000)), "{text}");
    }
    let told: Vec<String> = [
        "yesterday",
        "2026-11-26",
        "2026-13-01T00:00",
        "2026-11-26T24:00",
        "2026-2-3T04:05",
        "2026-02-30T12:00",
        "-026-02-03T04:05",
        "2026-11-26T12:00:00",
    ]
    .iter()
    .map(|text| since(&clock, text).expect_err(text))
    .collect();
    insta::assert_snapshot!(told.join("\n"));
}
