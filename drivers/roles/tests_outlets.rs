//! Mains relays by the shipped profile, before a board whose relays may stick.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};

use photometry::units::Span;

use super::profiled_outlets::ProfiledOutlets;
use super::switcher::Switcher;
use crate::error::DriverError;
use crate::exchange::talk::Talk;
use crate::exchange::testing::{Hearing, Said, converse, said};
use crate::profile::read;
use crate::profile::shipped;

/// What a board was told besides questions, and what is on.
#[derive(Default)]
struct Board {
    on: BTreeSet<u16>,
    /// Whatever it is told, this one stays as it is.
    stuck: Option<u16>,
    watchdog: String,
    /// Said in the place of the next state of a relay.
    once: Option<Said>,
    told: Vec<String>,
}

type Shared = Arc<Mutex<Board>>;

impl Board {
    fn hear(&mut self, line: &str) -> Said {
        if line == "*IDN?" {
            return said("Works,MR-8,4,1.2");
        }
        if line == "SYST:WATC?" {
            return said(&self.watchdog);
        }
        let channel = line.trim_end_matches(')').rsplit_once('@');
        let channel = channel.and_then(|(_, channel)| channel.parse::<u16>().ok());
        if line.starts_with("ROUT:CLOS?") {
            let on = channel.is_some_and(|channel| self.on.contains(&channel));
            let state = said(if on { "1" } else { "0" });
            return self.once.take().unwrap_or(state);
        }
        self.told.push(line.to_owned());
        if let Some(waits) = line.strip_prefix("SYST:WATC ") {
            waits.clone_into(&mut self.watchdog);
        }
        let stuck = self.stuck;
        match channel.filter(|channel| Some(*channel) != stuck) {
            Some(channel) if line.starts_with("ROUT:CLOS ") => {
                self.on.insert(channel);
            }
            Some(channel) => {
                self.on.remove(&channel);
            }
            None if line == "ROUT:OPEN:ALL" => self.on.retain(|channel| Some(*channel) == stuck),
            None => {}
        }
        Said::new()
    }

    /// What it was told since it was last looked at.
    fn taken(board: &Shared) -> Vec<String> {
        std::mem::take(&mut board.lock().expect("a board").told)
    }
}

fn before<T>(board: &Shared, how: impl FnOnce(&mut Talk<'_>) -> T) -> T {
    let board = Arc::clone(board);
    let machine = Hearing::new(move |line: &str| board.lock().expect("a board").hear(line));
    converse(machine, how)
}

fn outlets() -> ProfiledOutlets {
    let profile = shipped::profile(shipped::DEFAULT_OUTLETS).expect("a profile");
    ProfiledOutlets::new(vec![1, 2, 5], profile, None)
}

/// Feeds, and gives the board the turn to hear it.
fn fed(outlets: &mut ProfiledOutlets, talk: &mut Talk<'_>) {
    outlets.feed(talk).expect("it is fed");
    let until = talk.now().mono + Span::from_ms(1);
    talk.pause(until).expect("a pause");
}

#[test]
fn all_are_off_before_anything_else_and_each_is_read_back() {
    let board = Shared::default();
    board.lock().expect("a board").on = [1, 2, 3].into();
    before(&board, |talk| {
        let mut outlets = outlets();
        let identity = outlets.open(talk).expect("it opens");
        assert_eq!(identity.model, "MR-8");
        let told = Board::taken(&board);
        let wanted = ["ROUT:OPEN:ALL", "*CLS", "SYST:WATC 30", "ROUT:OPEN:ALL"];
        assert_eq!(told, wanted);
        outlets.switch(talk, 2, true).expect("it follows");
        outlets.switch(talk, 5, true).expect("it follows");
        assert_eq!(board.lock().expect("a board").on, [2, 5].into());
        outlets.switch(talk, 2, false).expect("it follows");
        assert_eq!(board.lock().expect("a board").on, [5].into());
        outlets.all_off(talk).expect("they follow");
        assert_eq!(board.lock().expect("a board").on, [].into());
        Board::taken(&board);
        let no = outlets.switch(talk, 3, true).expect_err("none is there");
        assert_eq!(
            no.to_string(),
            "no outlet is at channel 3; nothing was sent"
        );
        assert_eq!(Board::taken(&board), Vec::<String>::new());
    });
}

#[test]
fn a_relay_that_sticks_is_named() {
    let board = Shared::default();
    before(&board, |talk| {
        let mut outlets = outlets();
        outlets.open(talk).expect("it opens");
        board.lock().expect("a board").stuck = Some(2);
        let stuck = outlets.switch(talk, 2, true).expect_err("it sticks");
        let told = "outlet 2 does not switch on. Pull its plug, and look at the relay board";
        assert_eq!(stuck.to_string(), told);
        board.lock().expect("a board").stuck = None;
        outlets.switch(talk, 2, true).expect("it follows");
        outlets.switch(talk, 5, true).expect("it follows");
        board.lock().expect("a board").stuck = Some(2);
        // The others are off all the same, now and at an opening.
        for opens in [false, true] {
            let stuck = match opens {
                true => outlets.open(talk).map(|_| ()),
                false => outlets.all_off(talk),
            };
            let is = matches!(
                stuck,
                Err(DriverError::OutletStuck {
                    outlet: 2,
                    wanted: false
                })
            );
            assert!(is, "{stuck:?}");
            assert_eq!(board.lock().expect("a board").on, [2].into());
        }
    });
}

/// A state that is none, and one that comes too late: errors, and the next switching has
/// its own answer.
#[test]
fn a_state_that_is_none_or_late_is_an_error() {
    let late = Span::from_ms(2_500).ns() / 1_000_000;
    let cases: [(Said, &str); 4] = [
        (
            said("2"),
            "`the state of outlet 5` was answered by `2`, which is not 0 or 1",
        ),
        (
            said("ready"),
            "`the state of outlet 5` was answered by `ready`, which is not 0 or 1",
        ),
        (vec![], "no answer to `ROUT:CLOS? (@5)` within 2 s"),
        (
            vec![(late, b"0\n".to_vec())],
            "no answer to `ROUT:CLOS? (@5)` within 2 s",
        ),
    ];
    for (says, wanted) in cases {
        let board = Shared::default();
        before(&board, |talk| {
            let mut outlets = outlets();
            outlets.open(talk).expect("it opens");
            board.lock().expect("a board").once = Some(says);
            let error = outlets.switch(talk, 5, true).expect_err("no state");
            assert!(error.to_string().starts_with(wanted), "{error}");
            outlets.switch(talk, 5, true).expect("it follows");
            outlets.feed(talk).expect("it is fed");
            assert_eq!(board.lock().expect("a board").on, [5].into());
        });
    }
}

/// The board's watchdog has the time in force, and is fed in its own words.
#[test]
fn the_watchdog_is_set_and_fed() {
    for (given, told, waits) in [
        (None, "SYST:WATC 30", Some(Span::from_secs(30))),
        (Some("10"), "SYST:WATC 10", Some(Span::from_secs(10))),
        (Some("0.25"), "SYST:WATC 0.25", Some(Span::from_secs(1))),
        (Some("0"), "SYST:WATC 0", None),
    ] {
        let text = shipped::text(shipped::DEFAULT_OUTLETS).expect("a text");
        let (mut profile, _) = read::profile("p.yaml", text).unwrap_or_else(|no| panic!("{no}"));
        if let Some(given) = given {
            assert!(profile.give("watchdog", given));
        }
        let mut outlets = ProfiledOutlets::new(vec![1], Arc::new(profile), None);
        assert_eq!(outlets.watchdog(), waits, "{told}");
        let board = Shared::default();
        before(&board, |talk| {
            outlets.open(talk).expect("it opens");
            assert_eq!(Board::taken(&board)[2], told);
            fed(&mut outlets, talk);
            assert_eq!(Board::taken(&board), ["SYST:WATC:FEED"]);
        });
    }
    // In milliseconds, and of a board that has none.
    let text = shipped::text(shipped::DEFAULT_OUTLETS).expect("a text");
    let in_ms = text.replacen(
        "in: s, between: [0, 3600], value: 30",
        "in: ms, value: 4000",
        1,
    );
    let without = text.replacen("  watchdog: {", "  relay: {", 1).replacen(
        "feed: {tell: \"SYST:WATC:FEED\"}",
        "",
        1,
    );
    for (text, waits) in [(in_ms, Some(Span::from_secs(4))), (without, None)] {
        let (profile, _) = read::profile("p.yaml", &text).unwrap_or_else(|no| panic!("{no}"));
        let mut outlets = ProfiledOutlets::new(vec![1], Arc::new(profile), None);
        assert_eq!(outlets.watchdog(), waits);
        let board = Shared::default();
        before(&board, |talk| {
            outlets.open(talk).expect("it opens");
            Board::taken(&board);
            fed(&mut outlets, talk);
            assert_eq!(Board::taken(&board).len(), usize::from(waits.is_some()));
        });
    }
}

/// A watchdog that the board does not take is none: it does not open.
#[test]
fn a_watchdog_that_does_not_read_back_is_named() {
    let board = Shared::default();
    let machine = {
        let board = Arc::clone(&board);
        Hearing::new(move |line: &str| match line {
            "SYST:WATC?" => said("0"),
            _ => board.lock().expect("a board").hear(line),
        })
    };
    converse(machine, |talk| {
        let error = outlets().open(talk).expect_err("no watchdog");
        let told = "`watchdog` was set to 30 and reads back as 0";
        assert_eq!(error.to_string(), told);
    });
    assert_eq!(board.lock().expect("a board").on, [].into());
}
