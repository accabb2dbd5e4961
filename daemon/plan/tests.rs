//! Files as users write them: every example reads and lays out, and many
//! mistakes are told in one go.

use crate::plan::uses::NotAsked;
use std::path::Path;

use super::check::{self, Found};
use super::frozen::SentText;
use super::itinerary::{Purpose, What};
use super::{evenings, layout, placing, print, samples};
use crate::run::journal::{Body, End, Event, Facts};
use crate::run::progress::{Move, State};
use photometry::measured::{Moment, Outcome, Quantity, Reading};

pub(super) const TODAY: &str = "2026-11-25";

pub(super) fn example(name: &str) -> SentText {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("examples")
        .join(name);
    SentText {
        name: name.to_owned(),
        text: std::fs::read_to_string(path).expect("an example"),
    }
}

pub(super) fn text(name: &str, text: &str) -> SentText {
    SentText {
        name: name.to_owned(),
        text: text.to_owned(),
    }
}

pub(super) fn found(files: &[SentText]) -> Found {
    check::check(files, TODAY, &NotAsked, &NotAsked)
}

#[test]
fn every_example_is_laid_out_as_its_snapshot_says() {
    let sets = [
        (
            "evening",
            vec![
                "bench-strand.yaml",
                "lamp-dunlin.yaml",
                "plan-evening-survey.yaml",
            ],
        ),
        (
            "night",
            vec![
                "bench-strand.yaml",
                "lamp-dunlin.yaml",
                "plan-night.yaml",
                "plan-evening-survey.yaml",
            ],
        ),
        (
            "short",
            vec!["bench-strand.yaml", "lamp-dunlin.yaml", "plan-short.yaml"],
        ),
        (
            "by hand",
            vec![
                "bench-strand-by-hand.yaml",
                "lamp-turnstone.yaml",
                "plan-short.yaml",
            ],
        ),
        (
            "two modes",
            vec![
                "bench-strand-by-hand.yaml",
                "lamp-knot.yaml",
                "plan-half-light.yaml",
            ],
        ),
        (
            "flux",
            vec![
                "bench-dune-sphere.yaml",
                "lamp-dunlin.yaml",
                "plan-flux.yaml",
            ],
        ),
        (
            "standby",
            vec!["bench-strand.yaml", "lamp-dunlin.yaml", "plan-standby.yaml"],
        ),
    ];
    for (name, files) in sets {
        let files: Vec<SentText> = files.into_iter().map(example).collect();
        let found = found(&files);
        assert!(!found.refuses(), "{}", found.shown(false));
        let (Some(itinerary), Some(card)) = (&found.checked.itinerary, &found.checked.bench) else {
            panic!("{name}: no itinerary")
        };
        insta::assert_snapshot!(format!("{name} summary"), print::summary(itinerary, card));
        if name != "evening" && name != "night" {
            insta::assert_snapshot!(format!("{name} list"), print::list(itinerary, card.lengths));
        }
    }
}

#[test]
fn all_examples_are_in_a_set() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples");
    for entry in std::fs::read_dir(folder).expect("examples") {
        let name = entry
            .expect("an entry")
            .file_name()
            .to_string_lossy()
            .into_owned();
        if !name.ends_with(".yaml") {
            continue;
        }
        let base = (name == "plan-night.yaml").then(|| example("plan-evening-survey.yaml"));
        let files: Vec<SentText> = [example(&name)].into_iter().chain(base).collect();
        let found = found(&files);
        assert!(found.mistakes.is_empty(), "{}", found.shown(false));
    }
}

#[test]
fn a_simple_lamp_needs_at_most_ten_lines() {
    let lines = example("lamp-dunlin.yaml").text.lines().count();
    assert!(lines <= 10, "{lines}");
}

/// Stations of the 6 in grid, k x 152.4 mm (metrology check D04; 1 in =
/// 25.4 mm exactly, NIST SP 811, App. B).
#[test]
fn a_grid_of_six_inches_is_exact() {
    let plan = "plan: p\nformat: 1\ntests:\n  t:\n    kind: survey\n    \
                positions: {from: 6 in, to: 120 in, every: 6 in}\n";
    let plan = found(&[text("plan.yaml", plan)])
        .checked
        .plan
        .expect("a plan");
    let survey = plan.tests[0].kind.survey().expect("a survey");
    let stations = [
        (1, 152_400),
        (2, 304_800),
        (3, 457_200),
        (6, 914_400),
        (12, 1_828_800),
        (20, 3_048_000),
    ];
    for (k, um) in stations {
        assert_eq!(
            survey.positions[k - 1],
            photometry::units::Length::from_um(um)
        );
    }
    assert_eq!(survey.positions.len(), 20);
    // The reference is the station nearest to 24 in.
    assert_eq!(
        survey.reference.at,
        photometry::units::Length::from_um(609_600)
    );
}

#[test]
fn a_plan_based_on_another_names_the_file_of_origin() {
    let base = example("plan-evening-survey.yaml");
    let base = text(
        &base.name,
        &base.text.replace("readings: 5", "readings: many"),
    );
    let found = found(&[example("plan-night.yaml"), base]);
    assert_eq!(found.mistakes.len(), 1);
    assert_eq!(&*found.mistakes[0].place.file, "plan-evening-survey.yaml");
    let night = text("a.yaml", "plan: a\nformat: 1\nbased-on: plan-night.yaml\n");
    let shown = check::check(
        &[
            night,
            example("plan-night.yaml"),
            example("plan-evening-survey.yaml"),
        ],
        TODAY,
        &NotAsked,
        &NotAsked,
    )
    .shown(false);
    assert!(shown.contains("is itself based on another plan"), "{shown}");
    let alone =
        check::check(&[example("plan-night.yaml")], TODAY, &NotAsked, &NotAsked).shown(false);
    assert!(alone.contains("was not given"), "{alone}");
}

#[test]
fn a_placement_is_checked_and_its_datum_reckoned() {
    let files = [example("bench-strand.yaml"), example("lamp-dunlin.yaml")];
    let found = found(&files);
    let (card, lamp) = (
        found.checked.bench.expect("a bench"),
        found.checked.lamp.expect("a lamp"),
    );
    let fingers = [
        ("brighter", "left"),
        ("dimmer", "right"),
        ("power", "round"),
    ];
    let mut request = placing::Request {
        unit: "D-17".to_owned(),
        place: None,
        firmware: Some("1.4".to_owned()),
        gauge: Some("6 in".to_owned()),
        carriage_at: None,
        fingers: fingers
            .iter()
            .map(|(b, f)| ((*b).to_owned(), (*f).to_owned()))
            .collect(),
        who: "tester".to_owned(),
        since: photometry::units::Wall::default(),
        stated: Default::default(),
    };
    let placement = placing::placement(&request, &lamp, &card).expect("it fits");
    // 6 in = 152.4 mm (NIST SP 811, App. B); the carriage stood at 52.4 mm.
    assert_eq!(placement.datum, photometry::units::Length::from_mm(-100));
    request.fingers.remove("power");
    request
        .fingers
        .insert("brigter".to_owned(), "lefd".to_owned());
    request.carriage_at = Some("9 m".to_owned());
    request.unit = String::new();
    let mistakes = placing::placement(&request, &lamp, &card).expect_err("it does not fit");
    insta::assert_snapshot!("placement mistakes", mistakes.join("\n"));
}

/// What the planner is given; each case spoils one thing of it.
pub(super) struct Given {
    pub plan: super::intent::Plan,
    pub lamp: super::lamp::Lamp,
    pub placement: super::placement::Placement,
    pub card: super::card::Card,
}

impl Given {
    pub fn fitting() -> Given {
        Given {
            plan: samples::plan(samples::survey(&[12, 24, 48])),
            lamp: samples::lamp(3),
            placement: samples::placement(),
            card: samples::card(),
        }
    }
    pub fn survey(&mut self) -> &mut super::intent::Survey {
        match &mut self.plan.tests[0].kind {
            super::intent::TestKind::Survey(survey) => survey,
            other => panic!("{other:?}"),
        }
    }
    pub fn laid_out(&self) -> Result<super::itinerary::Itinerary, Vec<super::faults::PlanFault>> {
        layout::itinerary(&self.plan, &self.lamp, &self.placement, &self.card)
    }
}

#[test]
fn each_single_fault_of_the_planner_is_named() {
    use super::intent::{SettingWord, Settings};
    use photometry::units::{Length, Span, Speed};

    type Case = (&'static str, fn(&mut Given));
    let cases: [Case; 16] = [
        ("misplaced", |g| g.placement.lamp = "knot".to_owned()),
        ("misplaced", |g| g.placement.bench = "pier".to_owned()),
        ("same-name", |g| g.plan.tests.push(g.plan.tests[0].clone())),
        ("no-rail", |g| g.card.rail = None),
        ("rail-at-rest", |g| {
            g.card.rail.as_mut().expect("a rail").speed = Speed::from_nm_per_s(0);
        }),
        ("meter-unknown", |g| {
            g.survey().meter = Some("lux".to_owned())
        }),
        ("no-meter", |g| g.card.meters[0].rides = false),
        ("several-meters", |g| {
            let mut second = g.card.meters[0].clone();
            second.name = "second".to_owned();
            g.card.meters.push(second);
        }),
        ("level-absent", |g| {
            g.survey().settings = Settings::These(vec![SettingWord::Level(9)]);
        }),
        ("mode-absent", |g| {
            let word = SettingWord::ModeLevel("warm".to_owned(), 1);
            g.survey().settings = Settings::These(vec![word]);
        }),
        ("outside-travel", |g| {
            g.survey().positions.push(Length::from_mm(2_500))
        }),
        ("no-room-to-overshoot", |g| {
            g.placement.datum = Length::from_mm(-304)
        }),
        ("no-fingers", |g| g.card.fingers = None),
        ("button-bare", |g| g.placement.fingers.truncate(2)),
        ("no-direct-control", |g| {
            g.lamp.worked = super::lamp::Worked::Direct
        }),
        ("on-too-long", |g| g.lamp.maximum_on = Span::from_mins(30)),
    ];
    for (code, spoil) in cases {
        let mut given = Given::fitting();
        spoil(&mut given);
        let faults = given.laid_out().expect_err(code);
        let codes: Vec<&str> = faults.iter().map(|fault| fault.problem.code()).collect();
        assert_eq!(codes[0], code, "{faults:?}");
    }
}

/// A program that a lamp does not have is no gap; a name that is likely misspelled
/// is one, or nobody would notice.
#[test]
fn a_program_that_the_lamp_does_not_have_is_no_gap() {
    for (program, gaps, lamp_has_not) in [("dawn", 0, 1), ("dsuk", 1, 0), ("dusk", 0, 0)] {
        let mut files: Vec<SentText> = ["bench-shore.yaml", "lamp-stint.yaml", "plan-tour.yaml"]
            .into_iter()
            .map(example)
            .collect();
        let plan = &mut files[2].text;
        *plan = plan.replace("program: dawn", &format!("program: {program}"));
        // A dusk has no light at its end.
        let at_its_end = "    spectra: 3                    # and the colour";
        *plan = plan.replace(at_its_end, "    times: 1  #");
        let itinerary = found(&files).checked.itinerary.expect(program);
        let counts = (itinerary.left_out.len(), itinerary.lamp_has_not.len());
        assert_eq!(counts, (gaps, lamp_has_not), "{itinerary:?}");
        let told = itinerary.not_measured();
        assert_eq!(told.len(), gaps + lamp_has_not, "{told:?}");
    }
}

/// Spectra at the end of a sunrise are taken where the array's own plane stands, and
/// the carriage goes back; what lacks a spectroradiometer is left out alone; what ends
/// in the dark has none.
#[test]
fn spectra_at_the_end_of_a_program() {
    use super::itinerary::What;
    let with = |changes: &[(usize, &str, &str)]| {
        let mut files: Vec<SentText> = ["bench-shore.yaml", "lamp-plover.yaml", "plan-tour.yaml"]
            .into_iter()
            .map(example)
            .collect();
        for (at, from, to) in changes {
            assert!(files[*at].text.contains(from), "{from}");
            files[*at].text = files[*at].text.replace(from, to);
        }
        found(&files)
    };
    let away = (
        0,
        "    port: array-port\n",
        "    port: array-port\n    plane: 15 mm\n",
    );
    let itinerary = with(&[away]).checked.itinerary.expect("it fits");
    let ramp = itinerary
        .tests
        .iter()
        .position(|test| test.name == "morning");
    let own = itinerary
        .actions
        .iter()
        .filter(|a| Some(a.test as usize) == ramp);
    let own: Vec<&What> = own.map(|action| &action.what).collect();
    let exposed = own
        .iter()
        .position(|what| matches!(what, What::Expose { .. }));
    let exposed = exposed.expect("it is exposed");
    let coordinate = |what: &&What| match what {
        What::Move { coordinate, .. } => Some(*coordinate),
        _ => None,
    };
    let before: Vec<_> = own[..exposed].iter().filter_map(coordinate).collect();
    let after = own[exposed..].iter().find_map(coordinate).expect("back");
    let [.., watch, there] = before.as_slice() else {
        panic!("{before:?}");
    };
    let nearer = photometry::units::Length::from_mm(15);
    assert_eq!((*there, after), (*watch - nearer, *watch));
    let spectra = own
        .iter()
        .filter(|what| matches!(what, What::Capture { .. }));
    assert_eq!(spectra.count(), 3 + 2);

    let without = (
        0,
        "    rides: true\n    yields: spectrum\n",
        "    rides: false\n    yields: spectrum\n",
    );
    let itinerary = with(&[without]).checked.itinerary.expect("the rest fits");
    let told = "morning, spectra at the end: no meter of bench `shore` measures spectrum";
    assert!(
        itinerary.left_out.iter().any(|left| left.starts_with(told)),
        "{:?}",
        itinerary.left_out
    );
    assert!(itinerary.tests.iter().any(|test| test.name == "morning"));

    let dusk = (2, "program: dusk\n", "program: dusk\n    spectra: 1\n");
    let shown = with(&[dusk]).shown(false);
    assert!(shown.contains("ends in the dark"), "{shown}");
}

/// A lamp that is told its level needs a bench with a control, on a port of its own,
/// and modes that a command can hold.
#[test]
fn a_lamp_that_is_told_its_level_needs_a_control() {
    let told = |control: &str, lamp: &str| {
        let mut files: Vec<SentText> = ["bench-strand.yaml", "lamp-dunlin.yaml", "plan-short.yaml"]
            .into_iter()
            .map(example)
            .collect();
        files[0].text = files[0].text.replace(
            "ports:\n",
            "ports:\n  level-port: {tcp: \"192.0.2.20:5025\"}\n",
        );
        files[0].text.push_str(control);
        let buttons = "worked: {up: brighter, down: dimmer, power: power}";
        assert!(files[1].text.contains(buttons));
        files[1].text = files[1]
            .text
            .replace(buttons, "worked: direct")
            .replace("levels: 12", lamp);
        let found = found(&files);
        let codes = found.mistakes.iter().map(|mistake| mistake.code);
        (codes.collect::<Vec<_>>(), found.checked.itinerary.is_some())
    };
    let control = "\ncontrol: {port: level-port}\n";
    let long = format!("modes: {{warm: 4, {}: 4}}", "w".repeat(33));
    let cases: [(&str, &str, &[&str]); 5] = [
        (control, "levels: 12", &[]),
        (control, "modes: {warm: 4, cool: 4}", &[]),
        ("", "levels: 12", &["no-direct-control"]),
        (
            "\ncontrol: {port: lvl-port}\n",
            "levels: 12",
            &["unknown-name"],
        ),
        (control, &long, &["mode-unsendable"]),
    ];
    for (control, lamp, codes) in cases {
        assert_eq!(
            told(control, lamp),
            (codes.to_vec(), codes.is_empty()),
            "{control} {lamp}"
        );
    }
}

/// What is lacking is left out if the plan says so, down to whole tests.
#[test]
fn what_is_lacking_can_be_left_out() {
    let mut given = Given::fitting();
    given.plan.policies.if_absent = super::intent::IfAbsent::LeaveOut;
    given
        .survey()
        .positions
        .push(photometry::units::Length::from_mm(2_500));
    let mut second = given.plan.tests[0].clone();
    second.name = "with another meter".to_owned();
    let mut other = samples::survey(&[12, 24, 48]);
    other.meter = Some("far-head".to_owned());
    second.kind = super::intent::TestKind::Survey(other);
    given.plan.tests.insert(0, second);
    given.lamp.off = super::lamp::SwitchOff::Cannot;
    let itinerary = given.laid_out().expect("the rest fits");
    assert_eq!(itinerary.tests.len(), 1);
    assert!(itinerary.actions.iter().all(|action| action.test == 0));
    insta::assert_snapshot!("left out", itinerary.left_out.join("\n"));
    given.plan.tests.truncate(1);
    let faults = given.laid_out().expect_err("nothing remains");
    assert_eq!(faults[0].problem.code(), "empty");
}

/// The planner and the replay agree: an itinerary can be walked to its end.
#[test]
fn an_itinerary_is_walked_from_begun_to_complete() {
    let plan = samples::plan(samples::survey(&[12, 24, 48]));
    let itinerary = layout::itinerary(
        &plan,
        &samples::lamp(3),
        &samples::placement(),
        &samples::card(),
    )
    .expect("it fits");
    let mut state = State::new(&itinerary);
    let mut seq = 0;
    let mut say = |state: &mut State, no: Option<i64>, attempt: u32, body: Body| {
        seq += 1;
        let event = Event {
            seq,
            no,
            attempt,
            sitting: 1,
            at: Moment::default(),
            body,
        };
        state.apply(&itinerary, &event).expect("legal");
    };
    for _ in 0..10_000 {
        match state.next_move(&itinerary) {
            Move::Begin => say(
                &mut state,
                None,
                0,
                Body::Begun {
                    bundle: String::new(),
                },
            ),
            Move::Do { no, attempt } => {
                say(
                    &mut state,
                    Some(no),
                    attempt,
                    Body::Started {
                        doing: String::new(),
                    },
                );
                let action = itinerary.actions[no as usize].clone();
                match (&action.what, action.key) {
                    (What::Read { .. }, Some(key)) => {
                        let reading = Reading {
                            meter: "lux-head".to_owned(),
                            quantity: Quantity::Illuminance,
                            outcome: Outcome::Value(100.0),
                            range: None,
                            flags: Vec::new(),
                            raw: Vec::new(),
                            asked: Moment::default(),
                            taken: Moment::default(),
                        };
                        say(&mut state, Some(no), attempt, Body::Taken { key, reading });
                    }
                    _ => say(
                        &mut state,
                        Some(no),
                        attempt,
                        Body::Done {
                            facts: Facts::default(),
                        },
                    ),
                }
            }
            Move::MakeSafe => {
                let left = crate::run::journal::Left {
                    carriage_still: true,
                    fingers_off: true,
                    lamp: crate::run::journal::LampLeft::Off,
                    troubles: Vec::new(),
                };
                say(&mut state, None, 0, Body::MadeSafe { left });
            }
            Move::End(end) => {
                assert_eq!(end, End::Complete);
                assert_eq!(state.actions_done(), itinerary.actions.len());
                return;
            }
            Move::Wait => panic!("it waits for nobody"),
        }
    }
    panic!("it does not end");
}

mod properties {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;
    use crate::plan::intent::{Reference, SettingWord, Settings, Survey, WarmUp};
    use photometry::stabilisation::WindowRule;
    use photometry::units::{Length, Span};

    fn surveys() -> impl Strategy<Value = (Survey, u16)> {
        let positions = proptest::collection::btree_set(110_i64..1_800, 1..12);
        let warm_up = prop_oneof![
            Just(WarmUp::Leg(WindowRule::LM79)),
            Just(WarmUp::Standard(WindowRule::CIE_S025)),
            Just(WarmUp::Fixed(Span::from_mins(3))),
        ];
        let settings = prop_oneof![
            Just(Settings::All),
            Just(Settings::These(vec![
                SettingWord::Full,
                SettingWord::HalfLight
            ])),
            Just(Settings::These(vec![
                SettingWord::HalfSetting,
                SettingWord::Level(1)
            ])),
        ];
        (
            positions,
            1_u16..6,
            1_u16..8,
            0_u16..4,
            0_u16..3,
            warm_up,
            settings,
            0_u16..5,
        )
            .prop_map(
                |(positions, readings, levels, dark, ambient, warm_up, settings, every)| {
                    let positions: Vec<Length> =
                        positions.into_iter().map(Length::from_mm).collect();
                    let reference = Reference {
                        at: positions[0],
                        every,
                        ..samples::survey(&[12]).reference
                    };
                    let survey = Survey {
                        meter: None,
                        settings,
                        positions,
                        readings,
                        settle: None,
                        dark,
                        ambient,
                        warm_up,
                        reference,
                    };
                    (survey, levels)
                },
            )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]
        #[test]
        fn itineraries_keep_their_promises((survey, levels) in surveys()) {
            let (lamp, card, placement) = (samples::lamp(levels), samples::card(), samples::placement());
            let plan = samples::plan(survey.clone());
            let itinerary = layout::itinerary(&plan, &lamp, &placement, &card).expect("it fits");
            // What one evening needs is part of the whole: `check` leans on it.
            prop_assert!(evenings::needed(&itinerary) <= itinerary.time().likely);
            prop_assert_eq!(&itinerary, &layout::itinerary(&plan, &lamp, &placement, &card).expect("again"));
            let rail = card.rail.as_ref().expect("a rail");
            let mut keys = BTreeSet::new();
            let (mut at, mut reads) = (rail.travel_from, 0);
            for (index, action) in itinerary.actions.iter().enumerate() {
                prop_assert_eq!(action.no as usize, index);
                if let Some(key) = action.key.as_ref().filter(|_| !matches!(action.what, What::Read { .. })) {
                    prop_assert!(keys.insert(key.to_string()), "{} twice", key);
                }
                match action.what {
                    What::Read { purpose, .. } => {
                        let key = action.key.clone().expect("a key");
                        prop_assert!(keys.insert(key.to_string()), "{} twice", key);
                        reads += usize::from(purpose == Purpose::Read);
                    }
                    What::Move { coordinate, .. } => {
                        crate::bench::limits::permit(rail, Some(at), coordinate).expect("inside");
                        at = coordinate;
                    }
                    What::WarmUp { .. } => {
                        let before = &itinerary.actions[index - 1].what;
                        let set = matches!(before, What::SetLevel { .. });
                        prop_assert!(set, "a warm-up follows its level");
                    }
                    _ => {}
                }
            }
            let settings = match &survey.settings {
                Settings::All => usize::from(levels),
                Settings::These(words) if words.contains(&SettingWord::HalfLight) => if levels > 1 { 2 } else { 1 },
                Settings::These(_) => if levels > 2 { 2 } else { 1 },
            };
            prop_assert_eq!(reads, settings * survey.positions.len() * usize::from(survey.readings));
            for group in [
                itinerary.actions.iter().map(|a| a.point).collect::<Vec<_>>(),
                itinerary.actions.iter().map(|a| a.leg).collect::<Vec<_>>(),
            ] {
                let mut seen = BTreeSet::new();
                for pair in group.windows(2).filter(|pair| pair[0] != pair[1]) {
                    if let Some(ended) = pair[0] {
                        prop_assert!(seen.insert(ended), "group {} is torn apart", ended);
                    }
                }
            }
        }

        #[test]
        fn no_file_panics(text in "(bench|lamp|plan|tests|format|rail|positions|[a-z0-9:{}\\[\\], \n-]){0,40}") {
            let _ = found(&[super::text("file.yaml", &text)]);
        }
    }
}
