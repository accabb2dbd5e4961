//! Booking a run again, whole or in part: chosen tests, settings and positions,
//! or whatever is missing or failed.
//!
//! The plan is the one that the run froze, narrowed; lamp, placement and bench
//! are those of today, because the unit may have been moved since. The new run
//! names the old one; the old one stays as it is.
//!
//! Called by: web. Not here: narrowing a plan (plan::redo).

use std::collections::{BTreeMap, BTreeSet};

use photometry::measured::Quantity;
use photometry::units::Length;

use super::booking::{Papers, lay_out};
use super::keeper::Keeper;
use super::orders::Booked;
use super::refusal::Refusal;
use crate::plan::frozen::Frozen;
use crate::plan::intent::TestKind;
use crate::plan::itinerary::{Action, Itinerary, Key, Purpose, What};
use crate::plan::redo::{self, Part, Wanted};
use crate::run::journal::{Body, Decision, DriftVerdict, Event, RunId};
use crate::run::progress::State;
use crate::store::captures::{CaptureRow, is_seen_on_the_way};
use crate::store::readings::ReadingRow;

/// A run is to be measured again.
#[derive(Clone, Debug, Default)]
pub struct RedoOrder {
    /// What of it.
    pub wanted: Wanted,
    /// Book it held.
    pub hold: bool,
    /// Makes a repetition harmless.
    pub key: Option<String>,
}

impl Keeper {
    /// Books a run of what was chosen of another, or of what is missing in it;
    /// also gives what that is.
    ///
    /// # Errors
    /// When there is no such run, it is not over, nothing is missing, the plan
    /// lacks something that was chosen, or the unit stands nowhere.
    pub async fn redo(&self, run: RunId, order: RedoOrder) -> Result<(Booked, Vec<Part>), Refusal> {
        let _turn = self.gate.lock().await;
        let row = self.row(run).await?;
        if !row.state.is_over() {
            return Err(Refusal::WrongState {
                run,
                why: format!(
                    "is {}; it may still measure what is missing",
                    row.state.words()
                ),
                hint: Some(format!(
                    "wait for its end, or stop it: `wakerail stop {run}`"
                )),
            });
        }
        let (old, _) = self.store.frozen(run).await?.ok_or(Refusal::NoRun(run))?;
        let parts = self.parts(run, &old, &order.wanted).await?;
        let plan = redo::narrowed(&old.plan, &old.lamp, &parts);
        if let Some(key) = &order.key
            && let Some(twin) = self.store.run_of_key(key).await?
        {
            let (frozen, _) = self.store.frozen(twin).await?.ok_or(Refusal::NoRun(twin))?;
            let same = frozen.redo_of == Some(run.0) && frozen.plan == plan;
            return match same {
                true => Ok((
                    self.booked(twin, &frozen, self.state_of(twin).await?),
                    parts,
                )),
                false => Err(Refusal::KeyReused(twin)),
            };
        }
        let unit = &row.unit;
        let Some((id, placement)) = self.store.placement_of_unit(unit).await? else {
            return Err(Refusal::WrongState {
                run,
                why: format!("cannot be measured again: unit `{unit}` stands on no bench"),
                hint: Some(format!(
                    "place it first: `wakerail place {unit} --lamp FILE`"
                )),
            });
        };
        let desk = self.desk(Some(&placement.bench))?;
        let lamp = self.store.lamp(&placement.lamp).await?;
        let lamp = lamp.map_or(old.lamp, |(lamp, _)| lamp);
        let papers = Papers {
            texts: old.plan_texts,
            scripts: old.scripts,
            plan,
            redo_of: Some(run.0),
            elsewhere: None,
        };
        let frozen = lay_out(papers, lamp, &desk.card, placement, &self.today())?;
        let at = self.clock.now().wall;
        let key = order.key.as_deref();
        let new = self.store.book_run(key, &frozen, Some(id), at).await?;
        if order.hold {
            let why = "booked to be released by hand";
            self.store.hold_unbegun(new, why).await?;
        }
        let bench = desk.card.name.clone();
        let booked = self.booked(new, &frozen, None);
        self.hand_on(&bench).await?;
        Ok((booked, parts))
    }

    /// What is measured again.
    async fn parts(&self, run: RunId, old: &Frozen, wanted: &Wanted) -> Result<Vec<Part>, Refusal> {
        if !wanted.is_open() {
            return redo::choose(&old.plan, &old.lamp, wanted).map_err(|mistakes| {
                Refusal::Mistakes {
                    shown: mistakes.join("\n"),
                }
            });
        }
        let whole = self.store.whole(run).await?.ok_or(Refusal::NoRun(run))?;
        let parts = missing(old, &whole.readings, &whole.captures, &whole.events);
        if parts.is_empty() {
            return Err(Refusal::WrongState {
                run,
                why: "has everything that its plan asks for".to_owned(),
                hint: Some(
                    "choose what to measure again: --test, --setting, --position".to_owned(),
                ),
            });
        }
        Ok(parts)
    }
}

/// What of a run is missing. Of a survey: points with fewer results than were asked
/// for or none left, and legs whose drift forbids a ruling; the grid that holds all
/// of them, because a survey measures a grid. Of every other kind: the settings that
/// lack a reading or a capture, and the whole test where what all of them rest on is
/// not there (a recording, a dark, a reference lamp). A test that failed is missing
/// whatever it has.
pub(crate) fn missing(
    frozen: &Frozen,
    readings: &[ReadingRow],
    captures: &[CaptureRow],
    events: &[Event],
) -> Vec<Part> {
    let itinerary = &frozen.itinerary;
    let drifted = drifted(itinerary, events);
    let there = There::of(itinerary, readings, captures);
    let state = State::replay(itinerary, events).ok();
    let mut parts = Vec::new();
    for (index, head) in (0_u32..).zip(&itinerary.tests) {
        let mut tests = frozen.plan.tests.iter();
        let Some(test) = tests.find(|test| test.name == head.name) else {
            continue;
        };
        let own = itinerary.actions.iter().filter(|a| a.test == index);
        let whole = || redo::whole(test, &frozen.lamp);
        let lacks = match &test.kind {
            TestKind::Survey(_) => of_survey(&head.name, own, &there, &drifted),
            _ => {
                let is_over = |action: &Action| match &action.what {
                    What::Record(recording) => {
                        let seen =
                            recording.spectra.is_none() || is_seen_on_the_way(captures, action.no);
                        seen && state.as_ref().is_some_and(|state| state.is_done(action.no))
                    }
                    _ => true,
                };
                of_sight(whole(), own, &there, &drifted, is_over)
            }
        };
        let failed = state
            .as_ref()
            .is_some_and(|state| state.failed_tests.contains_key(&index));
        parts.extend(lacks.or_else(|| failed.then(whole)));
    }
    parts
}

/// How many results there are of what was asked for: left, and set aside. A reading
/// set aside was taken; only where none is left is it missed.
struct There<'r>(BTreeMap<Asked<'r>, (usize, usize)>);

/// Test, setting, position, purpose; what is measured, because a flux has readings and
/// spectra of each kind, and either of them may be lacking; and the point of what was
/// taken covered, because it is of no use to another.
type Asked<'r> = (&'r str, &'r str, Length, Purpose, Quantity, Option<u32>);

fn asked_by(key: &Key, quantity: Quantity, point: Option<u32>) -> Asked<'_> {
    let Key {
        test,
        setting,
        position,
        purpose,
        ..
    } = key;
    let point = point.filter(|_| *purpose == Purpose::Covered);
    (test, setting, *position, *purpose, quantity, point)
}

impl<'r> There<'r> {
    fn of(
        itinerary: &Itinerary,
        readings: &'r [ReadingRow],
        captures: &'r [CaptureRow],
    ) -> There<'r> {
        let point = |no: i64| {
            let no = usize::try_from(no).ok()?;
            itinerary.actions.get(no)?.point
        };
        let mut there: BTreeMap<Asked<'r>, (usize, usize)> = BTreeMap::new();
        let mut add = |(key, quantity, point), left: bool, aside: bool| {
            let counts = there.entry(asked_by(key, quantity, point)).or_default();
            counts.0 += usize::from(left);
            counts.1 += usize::from(aside);
        };
        for row in readings {
            let says = row.reading.outcome.says_something();
            let aside = row.set_aside.is_some() && row.is_result();
            let of = (&row.key, row.reading.quantity, point(row.no));
            add(of, row.counts && says, aside);
        }
        for row in captures {
            let says = row.numbers().is_some();
            let aside = row.set_aside.is_some() && row.is_result();
            let of = (&row.key, row.capture.quantity, point(row.no));
            add(of, row.counts && says, aside);
        }
        There(there)
    }

    fn lacks(&self, what: &Asked<'_>, asked: usize) -> bool {
        let (left, aside) = self.0.get(what).copied().unwrap_or_default();
        left == 0 || left + aside < asked
    }
}

/// What readings and captures a test asks for, and how many of each.
fn asked_for<'i>(actions: impl Iterator<Item = &'i Action>) -> BTreeMap<Asked<'i>, usize> {
    let mut asked = BTreeMap::new();
    for action in actions {
        let measures = match &action.what {
            What::Read { quantity, .. } | What::Capture { quantity, .. } => Some(*quantity),
            _ => None,
        };
        if let (Some(key), Some(quantity)) = (action.key.as_ref(), measures) {
            let what = asked_by(key, quantity, action.point);
            *asked.entry(what).or_default() += 1;
        }
    }
    asked
}

fn of_survey<'i>(
    test: &'i str,
    actions: impl Iterator<Item = &'i Action>,
    there: &There<'_>,
    drifted: &BTreeSet<(&str, &str)>,
) -> Option<Part> {
    let (mut settings, mut positions) = (BTreeSet::new(), BTreeSet::new());
    for (what, asked) in asked_for(actions) {
        let (_, setting, position, purpose, ..) = what;
        let lacking = there.lacks(&what, asked) || drifted.contains(&(test, setting));
        if purpose == Purpose::Read && lacking {
            settings.insert(setting);
            positions.insert(position);
        }
    }
    (!settings.is_empty()).then(|| Part {
        test: test.to_owned(),
        settings: settings.into_iter().map(str::to_owned).collect(),
        positions: positions.into_iter().collect(),
    })
}

/// Of a test from one place, `whole` being all of it.
fn of_sight<'i>(
    mut whole: Part,
    actions: impl Iterator<Item = &'i Action> + Clone,
    there: &There<'_>,
    drifted: &BTreeSet<(&str, &str)>,
    is_over: impl Fn(&Action) -> bool,
) -> Option<Part> {
    let mut common = !actions.clone().all(is_over);
    let mut settings = BTreeSet::new();
    for (what, asked) in asked_for(actions) {
        let setting = what.1;
        let lacking = there.lacks(&what, asked) || drifted.contains(&(&whole.test, setting));
        match whole.settings.iter().any(|own| own == setting) {
            true if lacking => _ = settings.insert(setting),
            false if lacking => common = true,
            _ => {}
        }
    }
    if !common {
        whole.settings.retain(|own| settings.contains(own.as_str()));
    }
    (!whole.settings.is_empty()).then_some(whole)
}

/// Test and setting of each leg whose last word on its drift was that it is
/// over the limit.
fn drifted<'i>(itinerary: &'i Itinerary, events: &[Event]) -> BTreeSet<(&'i str, &'i str)> {
    let mut last: BTreeMap<(&str, &str), DriftVerdict> = BTreeMap::new();
    for event in events {
        let Body::Decided {
            decision: Decision::Drift { verdict, .. },
        } = &event.body
        else {
            continue;
        };
        let no = event.no.and_then(|no| usize::try_from(no).ok());
        let action = no.and_then(|no| itinerary.actions.get(no));
        if let Some(action) = action
            && let Some(head) = itinerary.tests.get(action.test as usize)
        {
            last.insert((&head.name, &action.setting), *verdict);
        }
    }
    let over =
        |verdict: &DriftVerdict| matches!(verdict, DriftVerdict::Flagged | DriftVerdict::GivenUp);
    last.retain(|_, verdict| over(verdict));
    last.into_keys().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use photometry::measured::Outcome;

    use crate::plan::itinerary::OFF;
    use crate::plan::samples;
    use crate::report::measures::tests_flux_spectra;
    use crate::run::journal::Facts;
    use crate::store::readings::SetAside;
    use crate::store::samples::{Story, captures_of, frozen};

    /// Two levels at 6 and 12 in, two readings each.
    fn story(share: u32) -> Story {
        let mut story = Story::begin(frozen(2, samples::survey(&[6, 12])));
        let end = story.actions() / share;
        story.act(0..end, |_, _| Outcome::Value(100.0));
        story
    }

    fn told(story: &Story) -> Vec<String> {
        let parts = missing(&story.frozen, &story.rows(), &[], &story.events);
        let one = |part: &Part| {
            let at = part.positions.iter().map(Length::to_string);
            let at: Vec<String> = at.collect();
            format!("{} at {}", part.settings.join(" "), at.join(", "))
        };
        parts.iter().map(one).collect()
    }

    fn set_aside(story: &mut Story, setting: &str, visits: u32) {
        let at = Length::from_nm(12 * 25_400_000);
        for row in story.rows() {
            let here = row.key.setting == setting && row.key.position == at;
            if here && row.key.purpose == Purpose::Read && row.key.visit <= visits {
                story.set_aside.insert(row.seq, "a shadow".to_owned());
            }
        }
    }

    #[test]
    fn what_was_taken_is_not_missing_and_what_has_nothing_left_is() {
        let mut whole = story(1);
        assert_eq!(told(&whole), Vec::<String>::new());
        set_aside(&mut whole, "L02", 1);
        assert_eq!(told(&whole), Vec::<String>::new(), "one is left");
        set_aside(&mut whole, "L02", 2);
        assert_eq!(told(&whole), ["L02 at 304.8 mm"]);
        assert_eq!(told(&story(100)), ["L01 L02 at 152.4 mm, 304.8 mm"]);
    }

    /// A leg that stands flagged is ruled on by nothing: it is measured again.
    #[test]
    fn a_leg_that_drifted_to_the_end_is_missing() {
        let mut whole = story(1);
        let check = whole.frozen.itinerary.actions.iter().find(|action| {
            matches!(action.what, What::CheckDrift { .. }) && action.setting == "L01"
        });
        let check = check.expect("a check").clone();
        for (verdict, expected) in [
            (DriftVerdict::Flagged, &["L01 at 152.4 mm, 304.8 mm"][..]),
            (DriftVerdict::GoesOn, &[]),
        ] {
            let decision = Decision::Drift {
                leg: check.leg.expect("a leg"),
                drift: None,
                verdict,
            };
            let no = Some(i64::from(check.no));
            whole.tell(no, Body::Decided { decision });
            let facts = Facts::default();
            whole.tell(no, Body::Done { facts });
            assert_eq!(told(&whole), expected);
        }
    }
    /// All spectra of the reference lamp set aside, while its readings stand: the flux by
    /// spectra is missing, of all settings; those of one setting, its own alone.
    #[test]
    fn spectra_that_are_set_aside_are_missing_though_readings_stand() {
        let story =
            tests_flux_spectra::told(|_| {}, tests_flux_spectra::flat, tests_flux_spectra::sound);
        let missing_without = |aside: &dyn Fn(&CaptureRow) -> bool| {
            let mut captures = captures_of(&story.frozen, &story.events);
            for row in &mut captures {
                if aside(row) {
                    row.counts = false;
                    row.set_aside = Some(SetAside {
                        because: "the sphere stood open".to_owned(),
                        counted: true,
                    });
                }
            }
            let parts = missing(&story.frozen, &story.rows(), &captures, &story.events);
            let settings = parts.into_iter().map(|part| part.settings.join(" "));
            settings.collect::<Vec<_>>()
        };
        let none = Vec::<String>::new();
        assert_eq!(missing_without(&|_| false), none);
        for purpose in [Purpose::Standard, Purpose::Covered, Purpose::Read] {
            let found = missing_without(&|row| row.key.purpose == purpose);
            assert_eq!(found, ["L02"], "{purpose:?}");
        }
        // One of two is left, and both of one light: others at the same setting stand.
        let covered = |row: &CaptureRow, visits: &[u32]| {
            let key = &row.key;
            let of = key.purpose == Purpose::Covered && key.setting == OFF;
            of && visits.contains(&key.visit)
        };
        assert_eq!(missing_without(&|row| covered(row, &[3])), none);
        assert_eq!(missing_without(&|row| covered(row, &[3, 4])), ["L02"]);
    }
}
