//! Random journals that [`State`] finds legal: what the record gives back is
//! what was written, however the run was broken off and taken up again.

use photometry::measured::{Outcome, Quantity, Reading};
use proptest::prelude::*;

use super::open::Store;
use super::samples::{Story, frozen};
use crate::plan::itinerary::What;
use crate::plan::samples;
use crate::run::journal::{Body, Event, Facts, Fault, Link, RunId};
use crate::run::ledger::Ledger;
use crate::run::progress::{Move, State};

/// Moves of one journal; more than a whole run of the largest survey here.
const MOVES_AT_MOST: usize = 120;

/// What befalls one move of the run.
#[derive(Clone, Copy, Debug)]
enum Fate {
    Well,
    TimedOut,
    Over,
    Fails,
    BrokenOff,
    BrokenOffInside,
}

fn fates() -> impl Strategy<Value = Vec<Fate>> {
    let fate = prop_oneof![
        20 => Just(Fate::Well),
        2 => Just(Fate::TimedOut),
        1 => Just(Fate::Over),
        1 => Just(Fate::Fails),
        1 => Just(Fate::BrokenOff),
        1 => Just(Fate::BrokenOffInside),
    ];
    proptest::collection::vec(fate, 1..MOVES_AT_MOST)
}

/// Tells `story` one event and replays it; the journal stays legal.
fn tell(story: &mut Story, state: &mut State, no: i64, attempt: u32, body: Body) {
    let event = Event {
        seq: state.next_seq,
        no: Some(no),
        attempt,
        sitting: state.sitting,
        at: story.now(),
        body,
    };
    state
        .apply(&story.frozen.itinerary, &event)
        .expect("a legal event");
    story.events.push(event);
}

/// Broken off and resumed; the state sees it too.
fn break_off(story: &mut Story, state: &mut State) {
    let from = story.events.len();
    story.break_off(60);
    for event in &story.events[from..] {
        state
            .apply(&story.frozen.itinerary, event)
            .expect("a legal seam");
    }
}

/// The journal that these fates make.
fn journal(levels: u16, positions: &[i64], fates: &[Fate]) -> (Story, State) {
    let mut story = Story::begin(frozen(levels, samples::survey(positions)));
    let mut state =
        State::replay(&story.frozen.itinerary, &story.events).expect("a legal beginning");
    for fate in fates {
        let Move::Do { no, attempt } = state.next_move(&story.frozen.itinerary) else {
            break;
        };
        story.seconds += 1;
        if matches!(fate, Fate::BrokenOff) {
            break_off(&mut story, &mut state);
            continue;
        }
        let action = state
            .action(&story.frozen.itinerary, no)
            .cloned()
            .expect("an action");
        let doing = "as planned".to_owned();
        tell(&mut story, &mut state, no, attempt, Body::Started { doing });
        if matches!(fate, Fate::BrokenOffInside) {
            break_off(&mut story, &mut state);
            continue;
        }
        let failed = Fault {
            code: "silent".to_owned(),
            instrument: Some("lux-head".to_owned()),
            message: "no answer".to_owned(),
        };
        let body = match (fate, &action.what, action.key) {
            (Fate::Fails, _, _) => Body::Failed { fault: failed },
            (fate, What::Read { .. }, Some(key)) => {
                let outcome = match fate {
                    Fate::TimedOut => Outcome::TimedOut,
                    Fate::Over => Outcome::Over(20_000.0),
                    _ => Outcome::Value(100.0 / story.seconds as f64),
                };
                let reading = Reading {
                    meter: "lux-head".to_owned(),
                    quantity: Quantity::Illuminance,
                    outcome,
                    range: Some(20_000.0),
                    flags: Vec::new(),
                    raw: story.seconds.to_le_bytes().to_vec(),
                    asked: story.now(),
                    taken: story.now(),
                };
                Body::Taken { key, reading }
            }
            _ => Body::Done {
                facts: Facts::default(),
            },
        };
        tell(&mut story, &mut state, no, attempt, body);
        if state.running.is_some() {
            let fault = Fault {
                code: "silent".to_owned(),
                instrument: None,
                message: "no answer in time".to_owned(),
            };
            tell(&mut story, &mut state, no, attempt, Body::Failed { fault });
        }
    }
    (story, state)
}

/// Writes the journal with a new ledger from event `cut` on, the last event
/// before it once more: as after a commit of which nobody knows.
async fn write(store: &Store, story: &Story, cut: usize) -> RunId {
    let placement = store.place(&story.frozen.placement).await.expect("placed");
    let run = store
        .book_run(None, &story.frozen, Some(placement), story.now().wall)
        .await
        .expect("booked");
    let linked = story.linked();
    let cut = cut % linked.len();
    for (boot, part) in [("b1", &linked[..=cut]), ("b2", &linked[cut..])] {
        let mut ledger = store.ledger(run, boot);
        for (event, line, link) in part {
            ledger.append(event, line, *link).await.expect("written");
        }
    }
    run
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn legal_journals_come_back_as_they_were_written(
        levels in 1_u16..4,
        positions in proptest::sample::subsequence(vec![6_i64, 12, 18, 24], 1..=3),
        fates in fates(),
        cut in 0_usize..10_000,
    ) {
        let (story, _) = journal(levels, &positions, &fates);
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .expect("a runtime");
        runtime.block_on(async {
            let folder = tempfile::tempdir().expect("a folder");
            let file = folder.path().join("record.db");
            let store = Store::open(&file).await.expect("opened");
            let run = write(&store, &story, cut).await;
            store.close().await;

            let store = Store::open_read_only(&file).await.expect("opened again");
            prop_assert_eq!(&store.events(run, 0, 10_000).await.expect("events"), &story.events);
            let lines: Vec<(String, Link)> =
                story.linked().into_iter().map(|(_, line, link)| (line, link)).collect();
            let seal = lines.last().map(|(_, link)| *link);
            prop_assert_eq!(&store.lines(run).await.expect("lines"), &lines);
            prop_assert_eq!(store.readings(run).await.expect("readings"), story.rows());
            let verified = store.verify(run).await.expect("verified");
            prop_assert_eq!(verified.bad, None);
            prop_assert_eq!(verified.events, story.events.len() as u64);
            prop_assert_eq!(Some(verified.seal), seal);
            Ok(())
        })?;
    }
}
