//! Three kinds of rail behind one driver: what holds for each of them, over memory
//! wires and pseudo-terminals, on the simulated clock.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use photometry::units::{Length, Span};

use super::positioner::{Positioner, Proof, Whereabouts};
use super::profiled_rail::ProfiledRail;
use super::tests::{Rig, mm, rail_card};
use crate::error::DriverError;
use crate::exchange::ack;
use crate::exchange::modbus::frames::Form;
use crate::exchange::testing::{Pieces, Scripted, converse};
use crate::profile::types::{Profile, Speech};
use crate::profile::{read, shipped};
use crate::simulated::faults::{Device, Event, Fault};
use crate::simulated::world::RailSpeech;

/// A kind of rail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Kind {
    speaks: RailSpeech,
    profile: &'static str,
    /// What is written otherwise than in the shipped profile.
    instead: &'static [(&'static str, &'static str)],
}

const fn kind(speaks: RailSpeech, profile: &'static str) -> Kind {
    Kind {
        speaks,
        profile,
        instead: &[],
    }
}

const BYTES: Kind = kind(RailSpeech::Bytes, "byte-rail");
const LINES: Kind = kind(RailSpeech::Lines, "line-rail");
/// One that cannot be waited for: its place is looked at.
const WATCHED: Kind = Kind {
    instead: &[("wait-for-rest: {set: \"M400\"}", "")],
    ..LINES
};
const REGISTERS: Kind = kind(RailSpeech::Registers, "register-rail");
const SOCKET: Kind = kind(RailSpeech::RegistersTcp, "register-rail");
const ALL: [Kind; 5] = [BYTES, LINES, WATCHED, REGISTERS, SOCKET];

fn profile(kind: Kind) -> Arc<Profile> {
    let mut text = shipped::text(kind.profile).expect("a profile").to_owned();
    for (from, to) in kind.instead {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    let (profile, _) = read::profile("rail.yaml", &text).expect("a profile");
    Arc::new(profile)
}

impl Kind {
    fn rail(self) -> ProfiledRail {
        let profile = profile(self);
        let form = match self.speaks {
            RailSpeech::RegistersTcp => Form::Tcp,
            _ => Form::Rtu,
        };
        let station = profile.station(1, form);
        ProfiledRail::new(rail_card(), profile, station)
    }

    fn rig(self, faults: &[(u64, Fault)]) -> Rig {
        Rig::with_rail(self.speaks, false, faults)
    }

    /// A rail that has found its home switch, and lines that it was sent so far.
    fn homed(self, faults: &[(u64, Fault)]) -> (Rig, ProfiledRail) {
        let mut rig = self.rig(faults);
        let mut rail = self.rail();
        rail.open(&mut rig.talk(Device::Rail)).expect("a rail");
        rail.home(&mut rig.talk(Device::Rail)).expect("a home");
        (rig, rail)
    }

    /// Lines or requests, or moves, until it is homed.
    fn until_homed(self, event: Event) -> u64 {
        let (rig, _) = self.homed(&[]);
        rig.bench.world().count(event)
    }
}

/// A whole small job, as a story.
fn small_job(kind: Kind, pty: bool) -> String {
    let mut rig = Rig::with_rail(kind.speaks, pty, &[]);
    let mut rail = kind.rail();
    let talk = &mut rig.talk(Device::Rail);
    let identity = rail.open(talk).expect("a rail");
    assert!(matches!(rail.go(talk, mm(100)), Err(DriverError::NotHomed)));
    assert_eq!(rail.whereis(talk).expect("told"), Whereabouts::Unknown);
    let first = rail.home(talk).expect("a home");
    assert_eq!(first.proof, Proof::FirstTime);
    let mut story = format!("{} {:?}\n", identity.raw, rig.now());
    for target in [mm(900), mm(300), mm(600)] {
        let talk = &mut rig.talk(Device::Rail);
        let stands = rail.go(talk, target).expect("a move");
        assert_eq!(rail.whereis(talk).expect("told"), Whereabouts::At(stands));
        assert_eq!(rig.bench.world().carriage(rig.now()), target, "{kind:?}");
        story += &format!("{stands} {:?}\n", rig.now());
    }
    let talk = &mut rig.talk(Device::Rail);
    for outside in [Length::from_um(2_000_001), Length::from_um(1_900), mm(-5)] {
        let refused = rail.go(talk, outside);
        let outside = matches!(refused, Err(DriverError::OutsideTravel { .. }));
        assert!(outside, "{kind:?} {refused:?}");
    }
    let again = rail.home(talk).expect("a home");
    assert_eq!(again.proof, Proof::Offset(Length::ZERO), "{kind:?}");
    story
}

#[test]
fn a_small_job_is_the_same_over_memory_and_over_a_pty() {
    for kind in ALL {
        assert_eq!(small_job(kind, false), small_job(kind, true), "{kind:?}");
    }
}

/// Driver acceptance: power lost, answers late, missing or wrong. Afterwards nothing
/// moves until it is homed, and then it goes where it is sent.
#[test]
fn after_any_fault_of_a_rail_it_must_be_homed() {
    for kind in ALL {
        let next = kind.until_homed(Event::RailAsked) + 1;
        let moved = kind.until_homed(Event::Moved) + 1;
        let late = |s| Fault::Late(Device::Rail, Span::from_secs(s));
        let faults = [
            (moved, Fault::PowerLoss),
            (next, Fault::Silent(Device::Rail)),
            (next, late(4)),
            (next + 1, Fault::Silent(Device::Rail)),
            (next, Fault::Garbage(Device::Rail, b"\xff\xfe\n".to_vec())),
            (next, Fault::Reset(Device::Rail)),
            (next + 2, Fault::Reset(Device::Rail)),
        ];
        for fault in faults {
            let (mut rig, mut rail) = kind.homed(std::slice::from_ref(&fault));
            let talk = &mut rig.talk(Device::Rail);
            let went = rail.go(talk, mm(400));
            if went.is_ok() {
                // Asked again in time, or said beside: the place must be true.
                assert_eq!(rig.bench.world().carriage(rig.now()), mm(400), "{fault:?}");
                continue;
            }
            assert_eq!(rail.known(), Whereabouts::Unknown, "{kind:?} {fault:?}");
            let not_homed = matches!(rail.go(talk, mm(400)), Err(DriverError::NotHomed));
            assert!(not_homed, "{kind:?} {fault:?}");
            let mut homed = rail.home(talk);
            if homed.as_ref().is_err_and(DriverError::link_is_gone) {
                // Frames of a socket that do not fit: its owner opens it anew.
                assert_eq!(kind, SOCKET, "{fault:?} {homed:?}");
                continue;
            }
            if homed.is_err() {
                homed = rail.home(talk);
            }
            let homed = homed.unwrap_or_else(|error| panic!("{kind:?} {fault:?} {error}"));
            assert_eq!(homed.proof, Proof::FirstTime, "{kind:?} {fault:?}");
            rail.go(talk, mm(400)).expect("a move");
            let at = rig.bench.world().carriage(rig.now());
            assert_eq!(at, mm(400), "{kind:?} {fault:?}");
        }
    }
}

/// A controller that has started anew without a word believes itself at nought. Before
/// it is sent anywhere that is seen, and nothing moves.
#[test]
fn a_restart_without_a_word_is_seen_before_anything_moves() {
    for kind in [LINES, WATCHED, REGISTERS, SOCKET] {
        let (mut rig, mut rail) = kind.homed(&[]);
        rail.go(&mut rig.talk(Device::Rail), mm(500))
            .expect("a move");
        let asked = rig.bench.world().count(Event::RailAsked);
        let fault = (asked + 1, Fault::Forgets(Device::Rail));
        let (mut rig, mut rail) = kind.homed(&[fault]);
        rail.go(&mut rig.talk(Device::Rail), mm(500))
            .expect("a move");
        let talk = &mut rig.talk(Device::Rail);
        let anew = rail.go(talk, mm(700));
        let anew_is_said = matches!(anew, Err(DriverError::Restarted { .. }));
        assert!(anew_is_said, "{kind:?} {anew:?}");
        assert_eq!(rail.known(), Whereabouts::Unknown, "{kind:?}");
        assert_eq!(rig.bench.world().carriage(rig.now()), mm(500), "{kind:?}");
    }
}

/// A word said unasked between two moves is not thrown away either.
#[test]
fn a_greeting_between_two_moves_loses_the_place() {
    let fault = (
        LINES.until_homed(Event::RailAsked) + 5,
        Fault::Reset(Device::Rail),
    );
    let (mut rig, mut rail) = LINES.homed(&[fault]);
    rail.go(&mut rig.talk(Device::Rail), mm(500))
        .expect("a move");
    let later = rig.now() + Span::from_secs(1);
    let talk = &mut rig.talk(Device::Rail);
    let asked = talk.send(b"M114\n").expect("sent");
    talk.pause(later.max(asked.mono)).expect("a pause");
    let anew = rail.go(talk, mm(700)).map_err(|error| error.to_string());
    let why = "the controller has restarted (`start`); whatever it knew is lost, so it must find \
               its home switch again";
    assert_eq!(anew.err().as_deref(), Some(why));
    assert_eq!(rig.bench.world().carriage(rig.now()), mm(500));
}

/// Driver acceptance: a limit switch, told by a number, by `!!`, or by a bit.
#[test]
fn alarm_instead_of_ok_loses_the_place() {
    let halted = |said: &str| {
        format!(
            "the rail has stopped itself (`{said}`). Look at the carriage before it moves again"
        )
    };
    let alarm = "the rail raised alarm 1 (a limit switch was hit). Look at the carriage before it \
                 moves again";
    let cases = [
        (BYTES, alarm.to_owned()),
        (LINES, halted("!!")),
        (WATCHED, halted("!!")),
        (REGISTERS, halted("alarm")),
        (SOCKET, halted("alarm")),
    ];
    for (kind, why) in cases {
        let nth = kind.until_homed(Event::Moved) + 1;
        let (mut rig, mut rail) = kind.homed(&[(nth, Fault::LimitHit)]);
        let talk = &mut rig.talk(Device::Rail);
        let alarm = rail.go(talk, mm(400)).map_err(|error| error.to_string());
        assert_eq!(alarm.err(), Some(why), "{kind:?}");
        assert_eq!(rail.known(), Whereabouts::Unknown, "{kind:?}");
        assert!(matches!(rail.go(talk, mm(400)), Err(DriverError::NotHomed)));
        // One that is halted for good is gone; the others find their home again.
        let again = rail.home(talk).or_else(|_| rail.home(talk));
        match kind.speaks {
            RailSpeech::Lines => {
                let gone = again.as_ref().is_err_and(DriverError::link_is_gone);
                assert!(gone, "{kind:?} {again:?}");
            }
            _ => assert!(again.is_ok(), "{kind:?} {again:?}"),
        }
    }
}

/// Driver acceptance: homing refused (it is not enabled), the switch never found, the
/// switch never left.
#[test]
fn homing_refused_or_failed_is_named() {
    let stands = "the rail has stopped itself (`it stands, and has not found its home switch`). \
                  Look at the carriage before it moves again";
    let alarm = |code: u8| {
        format!(
            "the rail raised alarm {code} (the home switch was not found). Look at the carriage before it moves again"
        )
    };
    let refused = |question: &str, why: &str| format!("the device refused `{question}`: {why}");
    let failed = refused("G28 X", "Homing failed");
    let failure = refused(
        "write 1 to register 3 of unit 1",
        "4 (it failed while doing it)",
    );
    let cases = [
        (
            BYTES,
            Fault::HomingRefused,
            refused("$H", "5 (homing is not enabled in the controller)"),
        ),
        (BYTES, Fault::BlindSwitch, alarm(9)),
        (BYTES, Fault::StuckSwitch, alarm(8)),
        (
            LINES,
            Fault::HomingRefused,
            refused("G28 X", "Homing is not enabled"),
        ),
        (LINES, Fault::BlindSwitch, failed.clone()),
        (LINES, Fault::StuckSwitch, failed),
        (REGISTERS, Fault::HomingRefused, failure.clone()),
        (REGISTERS, Fault::BlindSwitch, stands.to_owned()),
        (
            REGISTERS,
            Fault::StuckSwitch,
            "the rail has stopped itself (`alarm, switch`). Look at the carriage before it moves again"
                .to_owned(),
        ),
        (SOCKET, Fault::HomingRefused, failure),
    ];
    for (kind, fault, why) in cases {
        let mut rig = kind.rig(&[(1, fault.clone())]);
        let mut rail = kind.rail();
        let talk = &mut rig.talk(Device::Rail);
        rail.open(talk).expect("a rail");
        let failed = rail.home(talk).map_err(|error| error.to_string());
        assert_eq!(failed.err(), Some(why), "{kind:?} {fault:?}");
        assert_eq!(rail.known(), Whereabouts::Unknown, "{kind:?} {fault:?}");
        assert!(matches!(rail.go(talk, mm(400)), Err(DriverError::NotHomed)));
    }
}

/// Driver acceptance: a device that says nothing any more, from the start or from its
/// next line on. It is told in bounded time, and again whenever it is tried.
#[test]
fn device_silent_for_ever_is_reported() {
    for kind in ALL {
        let mut rig = kind.rig(&[(1, Fault::Dead(Device::Rail))]);
        let mut rail = kind.rail();
        let dead = rail.open(&mut rig.talk(Device::Rail));
        let told = |error: &DriverError| {
            error.link_is_gone() || matches!(error, DriverError::Silent { .. })
        };
        assert!(dead.as_ref().is_err_and(told), "{kind:?} {dead:?}");
        let next = kind.until_homed(Event::RailAsked) + 1;
        let (mut rig, mut rail) = kind.homed(&[(next, Fault::Dead(Device::Rail))]);
        let begun = rig.now();
        let talk = &mut rig.talk(Device::Rail);
        let dead = rail.go(talk, mm(400));
        assert!(dead.as_ref().is_err_and(told), "{kind:?} {dead:?}");
        assert_eq!(rail.known(), Whereabouts::Unknown, "{kind:?}");
        for _ in 0..2 {
            let dead = rail.home(talk);
            assert!(dead.as_ref().is_err_and(told), "{kind:?} {dead:?}");
        }
        let dead = rail.stop(talk);
        assert!(dead.as_ref().is_err_and(told), "{kind:?} {dead:?}");
        let took = rig.now().since(begun);
        assert!(took < Span::from_mins(3), "{kind:?} {took:?}");
    }
}

#[test]
fn an_abandoned_move_is_stopped_on_its_way() {
    for kind in ALL {
        let (mut rig, mut rail) = kind.homed(&[]);
        let start = rig.now();
        let mut person = rig.seat.clock().seat("person");
        let bell = rig.seat.bell();
        let abandon = Arc::clone(&rig.abandon);
        let acting = std::thread::spawn(move || {
            person.wait(Some(start + Span::from_secs(2)), None);
            abandon.store(true, Ordering::SeqCst);
            bell.ring();
        });
        let abandoned = rail.go(&mut rig.talk(Device::Rail), mm(1900));
        let withdrawn = matches!(abandoned, Err(DriverError::Abandoned));
        assert!(withdrawn, "{kind:?} {abandoned:?}");
        acting.join().expect("a person");
        assert_eq!(rail.known(), Whereabouts::Unknown, "{kind:?}");
        let later = rig.now() + Span::from_mins(1);
        rig.abandon.store(false, Ordering::SeqCst);
        rig.talk(Device::Rail).pause(later).expect("a pause");
        // From 1 mm: 150 mm/s x 2 s, less v²/2a of speeding up, more of braking.
        let at = rig.bench.world().carriage(rig.now());
        assert!((at - mm(301)).abs() < mm(10), "{kind:?} {at}");
        rig.abandon.store(true, Ordering::SeqCst);
        let talk = &mut rig.talk(Device::Rail);
        rail.stop(talk).expect("stopped, though abandoned");
        rig.abandon.store(false, Ordering::SeqCst);
        let talk = &mut rig.talk(Device::Rail);
        rail.home(talk).expect("a home");
    }
}

/// Driver acceptance: word order swapped. Of places: seen while it homes. Of targets
/// alone: seen at the first small step of its touch. The carriage is stopped.
#[test]
fn words_in_another_order_are_seen_before_the_carriage_is_far() {
    let read = ("at: 5, as: i32, order: ABCD", "at: 5, as: i32, order: CDAB");
    let write = ("at: 0, as: i32, order: ABCD", "at: 0, as: i32, order: CDAB");
    let samples = (
        "  - {read-place: [0x0000, 0x2FA0], gives: 152.4 mm}\n  - {read-place: [0xFFFF, 0xFFB0], gives: -1 mm}\n",
        "",
    );
    for (instead, named, limits) in [
        (
            [read, samples].as_slice(),
            "another order",
            mm(298)..mm(300),
        ),
        (&[write], "Look for what blocks it", mm(1)..mm(50)),
    ] {
        let kind = Kind {
            instead: Vec::leak(instead.to_vec()),
            ..REGISTERS
        };
        let mut rig = kind.rig(&[]);
        let mut rail = kind.rail();
        let talk = &mut rig.talk(Device::Rail);
        rail.open(talk).expect("a rail");
        let wrong = rail.home(talk).expect_err("an error").to_string();
        assert!(wrong.contains(named), "{wrong}");
        assert_eq!(rail.known(), Whereabouts::Unknown);
        let later = rig.now() + Span::from_mins(1);
        rig.talk(Device::Rail).pause(later).expect("a pause");
        assert!(!rig.bench.person().sees_motion(rig.now()));
        // From 300 mm down at 25 mm/s; from 1 mm up in the first small step of the
        // touch, by one look and v²/2a = 28 mm of braking.
        let at = rig.bench.world().carriage(rig.now());
        assert!(limits.contains(&at), "{wrong}: {at}");
    }
}

/// A switch that is felt for is found in steps of 50 um.
#[test]
fn lost_steps_show_at_the_next_homing_of_each_kind() {
    for kind in ALL {
        let moved = kind.until_homed(Event::Moved) + 1;
        for (lost, far) in [(Length::from_um(250), false), (mm(7), true)] {
            let (mut rig, mut rail) = kind.homed(&[(moved, Fault::LostSteps(lost))]);
            let talk = &mut rig.talk(Device::Rail);
            rail.go(talk, mm(500)).expect("a move");
            match rail.home(talk).expect("a home").proof {
                Proof::Offset(way) if !far => {
                    let differs = (way - lost).abs();
                    assert!(differs <= Length::from_um(50), "{kind:?} {way}");
                }
                Proof::NotWithin(reach) if far => assert_eq!(reach, mm(3)),
                proof => panic!("{kind:?} {lost} {proof:?}"),
            }
            rail.go(talk, mm(200)).expect("a move");
            let again = rail.home(talk).expect("a home").proof;
            assert_eq!(again, Proof::Offset(Length::ZERO), "{kind:?} {lost}");
        }
    }
}

/// Sends lines to a device with a script, in the manner of a shipped profile.
fn sent(profile: &str, script: &[Pieces], lines: &[&str]) -> Vec<String> {
    let profile = shipped::profile(profile).expect("a profile");
    let Speech::Lines(manner) = &profile.speech else {
        panic!("{:?}", profile.speech)
    };
    converse(Scripted::new(script), |talk| {
        talk.follow(manner.clone());
        let mut one = |line: &&str| match ack::send(talk, line, Span::from_secs(1)) {
            Ok(accepted) => format!("ok {:?}", accepted.aside),
            Err(error) => error.to_string(),
        };
        lines.iter().map(&mut one).collect()
    })
}

const OK: Pieces = &[(1, b"ok\n")];

/// Driver acceptance: the `ok` after an error's text belongs to the refused line.
#[test]
fn error_text_followed_by_ok_is_an_error() {
    let place: Pieces = &[(1, b"X:5.00 Y:0.00\nok\n")];
    let cases: [(&[Pieces], &[&str]); 3] = [
        (
            &[&[(1, b"Error:Homing failed\nok\n")], OK],
            &["the device refused `G28 X`: Homing failed", "ok []"],
        ),
        (
            // The `ok` comes later than the text.
            &[
                &[(1, b"echo:Unknown command: \"G28\"\n"), (900, b"ok\n")],
                place,
            ],
            &[
                "the device refused `G28 X`: echo:Unknown command: \"G28\"",
                "ok [\"X:5.00 Y:0.00\"]",
            ],
        ),
        (
            // It never comes: the refusal stands, and the link is brought to order.
            &[&[(1, b"E:no\n")], OK, place],
            &[
                "the device refused `G28 X`: no",
                "the controller has restarted (`an answer was missing`); whatever it knew is \
                 lost, so it must find its home switch again",
            ],
        ),
    ];
    for (script, wanted) in cases {
        assert_eq!(sent("line-rail", script, &["G28 X", "M114"]), wanted);
    }
}

/// Driver acceptance: what a controller complains of when it starts is no answer to
/// our first line, and neither is what it says a moment later.
#[test]
fn unasked_error_at_start_is_not_taken_for_an_answer() {
    let start: Pieces = &[
        (10, b"start\n"),
        (50, b"Error:bad settings\nok\n"),
        (1_900, b"echo:SD card missing\n"),
    ];
    let place: Pieces = &[(1, b"X:0.00 Y:0.00\nok\n")];
    let home: Pieces = &[(1, b"X:1.00 Y:0.00\nok\n")];
    // This one cannot be asked for its switch either.
    let unknown: Pieces = &[(1, b"echo:Unknown command: \"M119\"\nok\n")];
    let homed: [Pieces; 8] = [OK, OK, OK, home, home, unknown, OK, OK];
    let script: Vec<Pieces> = [start, place].into_iter().chain(homed).collect();
    converse(Scripted::new(&script), |talk| {
        let mut rail = LINES.rail();
        rail.open(talk).expect("a rail");
        let homing = rail.home(talk).expect("a home");
        assert_eq!((homing.at, homing.proof), (mm(1), Proof::FirstTime));
    });
    // The other dialect says it before and after its banner.
    let start: Pieces = &[(10, b"error:7\r\n"), (50, b"Board 1.1\r\nerror:7\r\n")];
    let about: Pieces = &[(1, b"[VER:1.1:77]\r\nok\r\n")];
    converse(Scripted::new(&[start, OK, about]), |talk| {
        let identity = BYTES.rail().open(talk).expect("a rail");
        assert_eq!(identity.serial.as_deref(), Some("77"));
    });
}

/// What follows the answer of the harmless question was owed to another line: it is
/// asked again before anything is believed.
#[test]
fn a_link_that_still_owes_an_answer_is_not_in_order() {
    let place: Pieces = &[(1, b"X:0.00 Y:0.00\nok\n")];
    let and_more: Pieces = &[(1, b"X:0.00 Y:0.00\nok\n"), (100, b"ok\n")];
    let refused: Pieces = &[(1, b"Error:no\nok\n")];
    let script = [OK, and_more, OK, place, refused];
    converse(Scripted::new(&script), |talk| {
        LINES.rail().open(talk).expect("a rail");
        let answer = ack::send(talk, "G21", Span::from_secs(1));
        let own = matches!(answer, Err(DriverError::Refused { .. }));
        assert!(own, "{answer:?}");
    });
}

/// Driver acceptance: one firmware repeats its error until an empty line comes. A
/// profile that does not know that fails at the next line.
#[test]
fn error_latch_is_cleared() {
    let forgetful = Kind {
        instead: &[("  after-bad: \"\"  ", "# ")],
        ..BYTES
    };
    for (kind, next) in [(BYTES, true), (forgetful, false)] {
        let (mut rig, _) = kind.homed(&[]);
        let talk = &mut rig.talk(Device::Rail);
        let send = |talk: &mut _, line| ack::send(talk, line, Span::from_secs(1));
        let refused = send(talk, "G99");
        assert!(matches!(
            refused,
            Err(DriverError::Refused { code: 20, .. })
        ));
        assert_eq!(send(talk, "G0 X5").is_ok(), next, "{kind:?}");
    }
}
