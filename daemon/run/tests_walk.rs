//! A run walked by hand: each move answered as a bench in order would, until a
//! test says something else. No attendant, no clock, no device.

use photometry::measured::{Moment, Outcome, Quantity, Reading};
use photometry::units::{Length, Mono, Ratio, Span, Wall};

use super::decide;
use super::journal::{
    Body, Decision, End, Event, Facts, Fault, HoldCause, LampLeft, Left, ResumeCause, SeamCause,
};
use super::progress::{IllegalEvent, Move, State};
use crate::plan::intent::{OnFailure, SettingWord, Settings, Test};
use crate::plan::itinerary::{Action, Itinerary, Key, Purpose, What};
use crate::plan::{layout, samples};

/// What a reading shows.
pub(super) type Light = fn(&Key) -> Outcome;

/// A run and the journal that was said of it.
pub(super) struct Walk {
    pub(super) itinerary: Itinerary,
    pub(super) state: State,
    pub(super) events: Vec<Event>,
    pub(super) sitting: u32,
    pub(super) light: Light,
    /// Homing finds the switch where it was expected.
    pub(super) proven: bool,
}

pub(super) const STEADY: Light = |_| Outcome::Value(100.0);

/// A lamp of `levels`, two positions, as many surveys as said.
pub(super) fn itinerary(levels: u16, surveys: usize, half_light: bool) -> Itinerary {
    let mut survey = samples::survey(&[12, 24]);
    if half_light {
        survey.settings = Settings::These(vec![SettingWord::HalfLight, SettingWord::Full]);
    }
    let mut plan = samples::plan(survey);
    let first = plan.tests[0].clone();
    plan.tests = (1..=surveys)
        .map(|no| Test {
            name: format!("survey-{no}"),
            ..first.clone()
        })
        .collect();
    plan.policies.on_failure = OnFailure::NextTest;
    let (lamp, placement, card) = (samples::lamp(levels), samples::placement(), samples::card());
    layout::itinerary(&plan, &lamp, &placement, &card).expect("it fits")
}

pub(super) fn walk(itinerary: Itinerary) -> Walk {
    Walk {
        state: State::new(&itinerary),
        itinerary,
        events: Vec::new(),
        sitting: 1,
        light: STEADY,
        proven: true,
    }
}

pub(super) fn reading(outcome: Outcome) -> Reading {
    Reading {
        meter: "lux-head".to_owned(),
        quantity: Quantity::Illuminance,
        outcome,
        range: None,
        flags: Vec::new(),
        raw: Vec::new(),
        asked: Moment::default(),
        taken: Moment::default(),
    }
}

pub(super) fn key(purpose: Purpose, position: Length) -> Key {
    Key {
        test: "survey-1".to_owned(),
        setting: "L02".to_owned(),
        position,
        purpose,
        visit: 1,
    }
}

pub(super) fn done(home_offset: Option<Length>) -> Body {
    let facts = Facts {
        home_offset,
        ..Facts::default()
    };
    Body::Done { facts }
}

pub(super) fn failed(code: &str) -> Body {
    Body::Failed {
        fault: Fault {
            code: code.to_owned(),
            instrument: None,
            message: "it was told to".to_owned(),
        },
    }
}

pub(super) fn level(setting: &str, light_lx: Option<f64>) -> Body {
    let decision = Decision::Level {
        setting: setting.to_owned(),
        went: [].into(),
        presses: [("brighter".to_owned(), 1)].into(),
        light_lx,
        passed_lx: [("L01".to_owned(), 50.0)].into(),
        proof: "counted and seen".to_owned(),
    };
    Body::Decided { decision }
}

pub(super) fn made_safe(lamp: LampLeft) -> Body {
    Body::MadeSafe {
        left: Left {
            carriage_still: true,
            fingers_off: true,
            lamp,
            troubles: Vec::new(),
        },
    }
}

pub(super) fn question() -> Body {
    let cause = HoldCause::Question("is the meter covered?".to_owned());
    Body::Held { cause }
}

/// One body of each kind, and the causes that are treated in their own way.
/// The meter is gone.
pub(super) fn lost() -> Body {
    Body::Lost {
        fault: Fault {
            code: "link".to_owned(),
            instrument: Some("lux".to_owned()),
            message: "memory:lux is gone".to_owned(),
        },
    }
}

pub(super) fn one_of_each() -> Vec<(&'static str, Body)> {
    let resumed = |cause| Body::Resumed { cause };
    let taken = |purpose| Body::Taken {
        key: key(purpose, Length::from_mm(305)),
        reading: reading(Outcome::Value(1.0)),
    };
    vec![
        (
            "begun",
            Body::Begun {
                bundle: String::new(),
            },
        ),
        (
            "started",
            Body::Started {
                doing: String::new(),
            },
        ),
        ("taken", taken(Purpose::WarmUp)),
        ("decided", level("L02", None)),
        ("done", done(None)),
        ("failed", failed("silent")),
        ("lost", lost()),
        (
            "back",
            Body::Back {
                instrument: "lux".to_owned(),
                after: Span::from_secs(3),
                identity: "Works 17".to_owned(),
            },
        ),
        ("held, a question", question()),
        (
            "held by a person",
            Body::Held {
                cause: HoldCause::Person,
            },
        ),
        ("resumed, answered", resumed(ResumeCause::Answered)),
        ("resumed, released", resumed(ResumeCause::Released)),
        ("resumed, restarted", resumed(ResumeCause::Restarted)),
        (
            "seam",
            Body::Seam {
                cause: SeamCause::Died,
            },
        ),
        (
            "seam, the window",
            Body::Seam {
                cause: SeamCause::WindowClosed,
            },
        ),
        (
            "seam, a device",
            Body::Seam {
                cause: SeamCause::DeviceLost,
            },
        ),
        ("made safe", made_safe(LampLeft::Off)),
        ("ended", Body::Ended { end: End::Stopped }),
    ]
}

impl Walk {
    /// The event that would say this now.
    pub(super) fn event(&self, no: Option<i64>, attempt: u32, body: Body) -> Event {
        let seconds = self.events.len() as i64;
        Event {
            seq: self.state.next_seq,
            no,
            attempt,
            sitting: self.sitting,
            at: Moment {
                mono: Mono::ZERO + Span::from_secs(seconds),
                wall: Wall::from_us(1_000_000 * seconds),
            },
            body,
        }
    }

    pub(super) fn try_say(&mut self, event: Event) -> Result<(), IllegalEvent> {
        self.state.apply(&self.itinerary, &event)?;
        self.events.push(event);
        Ok(())
    }

    /// Says something of the run, or of the action at work.
    pub(super) fn say(&mut self, body: Body) {
        let at_work = self.state.running;
        let concerns = matches!(
            body,
            Body::Taken { .. }
                | Body::Decided { .. }
                | Body::Done { .. }
                | Body::Failed { .. }
                | Body::Lost { .. }
        ) || matches!(
            body,
            Body::Held {
                cause: HoldCause::Question(_)
            }
        );
        let (no, attempt) = match at_work {
            Some(running) if concerns => (Some(running.no), running.attempt),
            _ => (None, 0),
        };
        let event = self.event(no, attempt, body);
        self.try_say(event).expect("a legal event");
    }

    pub(super) fn next(&self) -> Move {
        self.state.next_move(&self.itinerary)
    }

    /// The action that comes next.
    pub(super) fn coming(&self) -> Option<Action> {
        match self.next() {
            Move::Do { no, .. } => self.state.action(&self.itinerary, no).cloned(),
            _ => None,
        }
    }

    /// Starts the next action.
    pub(super) fn start(&mut self) -> Action {
        let Move::Do { no, attempt } = self.next() else {
            panic!("no action comes next: {:?}", self.next());
        };
        let body = Body::Started {
            doing: String::new(),
        };
        let event = self.event(Some(no), attempt, body);
        self.try_say(event).expect("a legal start");
        let action = self.state.action(&self.itinerary, no);
        action.expect("an action at work").clone()
    }

    /// Carries one move out; false when the run waits.
    pub(super) fn step(&mut self) -> bool {
        match self.next() {
            Move::Begin => self.say(Body::Begun {
                bundle: String::new(),
            }),
            Move::Do { .. } => {
                let action = self.start();
                self.act(&action);
            }
            Move::MakeSafe => self.say(made_safe(LampLeft::Off)),
            Move::End(end) => self.say(Body::Ended { end }),
            Move::Wait => return false,
        }
        true
    }

    fn act(&mut self, action: &Action) {
        let decided = match (&action.what, &action.key) {
            (What::Read { .. }, Some(key)) => {
                let (key, reading) = (key.clone(), reading((self.light)(key)));
                return self.say(Body::Taken { key, reading });
            }
            (What::SetLevel { .. }, _) => level(&action.setting, Some(100.0)),
            (What::FindHalfLight { mode, .. }, _) => Body::Decided {
                decision: Decision::HalfLight {
                    mode: mode.clone(),
                    level: 1,
                    share: Ratio::new(0.5),
                },
            },
            (
                What::CheckDrift {
                    leg,
                    limit,
                    give_up,
                },
                _,
            ) => Body::Decided {
                decision: decide::leg_drift(&self.state, *leg, *limit, *give_up),
            },
            (What::CheckReturn { leg, limit }, _) => Body::Decided {
                decision: decide::leg_return(&self.state, &self.itinerary, *leg, *limit),
            },
            (What::Home, _) => return self.say(done(self.proven.then_some(Length::ZERO))),
            _ => return self.say(done(None)),
        };
        self.say(decided);
        self.say(done(None));
    }

    /// Goes on until such an action comes next.
    pub(super) fn until(&mut self, wanted: impl Fn(&Action) -> bool) {
        for _ in 0..10_000 {
            if self.coming().is_some_and(|action| wanted(&action)) {
                return;
            }
            assert!(self.step(), "it waits: {:?}", self.state.phase);
        }
        panic!("it does not come");
    }

    /// Goes on to the end.
    pub(super) fn finish(&mut self) {
        for _ in 0..10_000 {
            if !self.step() {
                return;
            }
        }
        panic!("it does not end");
    }

    /// The daemon dies and starts again.
    pub(super) fn dies(&mut self) {
        self.sitting += 1;
        self.say(Body::Seam {
            cause: SeamCause::Died,
        });
        self.say(Body::Resumed {
            cause: ResumeCause::Restarted,
        });
    }
}

/// Whether an action reads for this purpose.
pub(super) fn reads(action: &Action, wanted: Purpose) -> bool {
    matches!(action.what, What::Read { purpose, .. } if purpose == wanted)
}
