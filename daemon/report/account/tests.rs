//! Every id on a report's page leads to an account that recomputes the figure
//! and ends in raw bytes and a plan line.

use std::collections::{BTreeMap, BTreeSet};

use photometry::measured::Outcome;
use photometry::statistics;

use super::{Account, Sources, account};
use crate::plan::frozen::SentText;
use crate::plan::itinerary::{Key, Purpose, What};
use crate::plan::samples;
use crate::plan::uses;
use crate::report::ids::{self, FigureId, SettingFigure};
use crate::report::page::{Page, RunFacts, html};
use crate::run::journal::{Body, Decision, Facts, Link, RunId};
use crate::store::readings::ReadingRow;
use crate::store::rulings::{Round, Ruled, RuledBy, RulingRow};
use crate::store::samples::{Story, frozen};
use photometry::units::{Length, Ratio, Span, Wall};

const PLAN: &str = "plan: evening\nformat: 1\ntests:\n  levels:\n    kind: survey\n    readings: 2\n\
                    criteria:\n  bright enough:\n    script: mine.rhai\n";
const SCRIPT: &str = "// Enough?\nfn criterion(run, given) { undecided(\"no\") }\n";

/// A lamp that drifts by a part in 40 000 a second, in a room that brightens.
fn meter(key: &Key, at: i64) -> Outcome {
    let at = at as f64;
    let lit = match key.setting.strip_prefix('L') {
        Some(level) => {
            let level: f64 = level.parse().expect("a level");
            30.0 * level / key.position.metres().powi(2) * (1.0 - at / 40_000.0)
        }
        None => 0.0,
    };
    let wobble = f64::from(key.visit % 3) * 0.013;
    let seen = match key.purpose {
        Purpose::Dark => 0.0,
        _ => lit + 0.42 + at / 5_000.0,
    };
    Outcome::Value(seen + 0.02 + wobble)
}

/// A whole run with a warm-up decision, a proof of home and a ruling.
pub(super) struct Run {
    pub(super) story: Story,
    pub(super) rows: Vec<ReadingRow>,
    pub(super) lines: Vec<(String, Link)>,
    pub(super) rulings: Vec<RulingRow>,
    pub(super) scripts: BTreeMap<String, String>,
    pub(super) plans: BTreeMap<String, String>,
    pub(super) remarks: Vec<crate::store::remarks::Remark>,
}

pub(super) fn run() -> Run {
    let mut frozen = frozen(3, samples::survey(&[6, 12, 24, 72]));
    frozen.plan_texts = vec![SentText {
        name: "plan.yaml".to_owned(),
        text: PLAN.to_owned(),
    }];
    for head in &mut frozen.itinerary.tests {
        head.line.file = "plan.yaml".to_owned();
        head.line.line = 4;
    }
    frozen.plan.uses = vec![uses::Use {
        name: "bright enough".to_owned(),
        line: crate::plan::intent::PlanLine {
            file: "plan.yaml".to_owned(),
            line: 8,
        },
        purpose: uses::Purpose::Criterion,
        script: "mine.rhai".to_owned(),
        given: BTreeMap::new(),
        test: None,
    }];
    let mut story = Story::begin(frozen);
    for no in 0..story.actions() {
        let action = story.frozen.itinerary.actions[no as usize].clone();
        if let What::WarmUp { .. } = action.what {
            for visit in 1..=2 {
                let key = Key {
                    test: "survey".to_owned(),
                    setting: action.setting.clone(),
                    position: Length::from_mm(610),
                    purpose: Purpose::WarmUp,
                    visit,
                };
                let key = Key {
                    test: story.frozen.itinerary.tests[0].name.clone(),
                    ..key
                };
                let outcome = meter(&key, story.seconds);
                story.taken(i64::from(no), key, outcome);
            }
            let decision = Decision::WarmUp {
                stable: true,
                figure: Some(Ratio::new(0.001)),
                by: "spread".to_owned(),
                after: Span::from_mins(40),
                decline_per_hour: None,
            };
            story.tell(Some(i64::from(no)), Body::Decided { decision });
        }
        if let What::ProveHome { .. } = action.what {
            story.seconds += 1;
            let facts = Facts {
                home_offset: Some(Length::from_um(4)),
                ..Facts::default()
            };
            story.tell(Some(i64::from(no)), Body::Done { facts });
            continue;
        }
        story.act(no..no + 1, meter);
    }
    let rows = story.rows();
    let linked = story.linked().into_iter();
    let lines: Vec<(String, Link)> = linked.map(|(_, line, link)| (line, link)).collect();
    let digest = Link::of_bundle(SCRIPT.as_bytes()).hex();
    let id = format!("1.{}.L03@24in", story.frozen.itinerary.tests[0].name);
    Run {
        rulings: vec![ruling(&digest, id, lines[19].1)],
        scripts: BTreeMap::from([(digest, SCRIPT.to_owned())]),
        plans: BTreeMap::new(),
        remarks: Vec::new(),
        story,
        rows,
        lines,
    }
}

fn ruling(digest: &str, id: String, last_link: Link) -> RulingRow {
    RulingRow {
        id: 9,
        run: RunId(1),
        round: 1,
        of: Round {
            cause: "the run ended".to_owned(),
            last_seq: 20,
            last_remark: 0,
            last_link,
            unfinished: false,
            certificate: None,
            certified: None,
            by: RuledBy::NotKept,
            program: "0.1.0".to_owned(),
            at: Wall::from_us(1_772_399_000_000_000),
        },
        ruled: Ruled {
            name: "bright enough".to_owned(),
            purpose: uses::Purpose::Criterion,
            test: "survey".to_owned(),
            line: None,
            script: "mine.rhai".to_owned(),
            script_digest: digest.to_owned(),
            given: BTreeMap::from([("target".to_owned(), "250 lx".to_owned())]),
            word: Some("fail".to_owned()),
            value: Some(241.2),
            unit: "lx".to_owned(),
            expanded: Some(3.1),
            k: None,
            at_least: Some(250.0),
            at_most: None,
            rule: "guard band of U".to_owned(),
            reason: "L03: 241 lx with U = 3.1 lx".to_owned(),
            estimate: None,
            rests_on: vec![id],
        },
    }
}

impl Run {
    pub(super) fn sources(&self) -> Sources<'_> {
        Sources {
            run: 1,
            frozen: &self.story.frozen,
            rows: &self.rows,
            events: &self.story.events,
            lines: &self.lines,
            rulings: &self.rulings,
            scripts: &self.scripts,
            plans: &self.plans,
            remarks: &self.remarks,
            as_ruled: None,
            program: "wakerail 0.0.0",
            utc: |wall| format!("{} us", wall.us()),
            surveys: Sources::surveys_of(&self.story.frozen, &self.rows, &self.story.events),
            measures: Vec::new(),
        }
    }
}

/// Every id that stands on the page of the run.
fn ids_of_page(sources: &Sources<'_>) -> BTreeSet<String> {
    let text = |text: &str| text.to_owned();
    let page = html(&Page {
        run: RunFacts {
            number: 1,
            state: text("complete"),
            booked: text(""),
            begun: text(""),
            ended: text(""),
            program: text("wakerail"),
            made: text(""),
        },
        subject: text("no survey"),
        measures: Vec::new(),
        surveys: sources.surveys.clone(),
        other_rulings: Vec::new(),
        rulings: Vec::new(),
        derived: Vec::new(),
        remarks: Vec::new(),
        notes: Vec::new(),
    });
    let words = page.split(|c: char| c.is_whitespace() || "<>\"'()#".contains(c));
    words
        .filter(|word| word.starts_with("1.") && ids::parse(word).is_ok())
        .map(str::to_owned)
        .collect()
}

pub(super) fn of(sources: &Sources<'_>, id: &str) -> Account {
    let id = ids::parse(id).expect("an id");
    account(sources, &id).unwrap_or_else(|unknown| panic!("{id}: {unknown:?}"))
}

/// P8 for every figure of a report.
#[test]
fn every_figure_on_the_page_leads_to_raw_bytes_and_a_plan_line() {
    let run = run();
    let sources = run.sources();
    let ids = ids_of_page(&sources);
    // 3 levels: 4 places, drift, warm-up, offset, disc, step, reaches; dark,
    // home, and ambient at 5 places.
    assert!(ids.len() >= 3 * 10 + 2 + 4, "{ids:?}");
    for id in &ids {
        let account = of(&sources, id);
        let plan = account.plan.as_ref().expect("a plan line");
        assert_eq!((plan.file.as_str(), plan.line), ("plan.yaml", 4), "{id}");
        assert!(plan.text.starts_with("  levels:\n    kind: survey"), "{id}");
        assert_eq!(account.journal.link.len(), 64, "{id}");
        let raw: Vec<&str> = account
            .readings
            .iter()
            .flat_map(|group| group.readings.iter().map(|reading| reading.raw.as_str()))
            .collect();
        if id.ends_with(".home") {
            assert!(account.events[0].line.contains("home_offset"), "{id}");
        } else {
            assert!(
                !raw.is_empty() && raw.iter().all(|raw| raw.ends_with("\\r\\n")),
                "{id}"
            );
            assert!(!account.meters.is_empty(), "{id}");
        }
        assert!(account.text().contains(id.as_str()));
    }
}

/// The account recomputes the figure from the raw numbers, to the last bit.
#[test]
fn corrected_readings_make_the_figure_exactly() {
    let run = run();
    let sources = run.sources();
    let mut points = 0;
    for survey in &sources.surveys {
        for setting in &survey.settings {
            for point in &setting.points {
                let place = ids::Place::new(point.position, survey.lengths);
                let id = FigureId::Setting {
                    run: 1,
                    test: survey.test.clone(),
                    setting: setting.setting.clone(),
                    figure: SettingFigure::At(place),
                };
                let account = account(&sources, &id).expect("an account");
                let corrected = account.corrections.iter().map(|c| {
                    let row = sources.row(c.seq).expect("a reading");
                    assert_eq!(row.reading.outcome, Outcome::Value(c.raw_lx));
                    let net = c.raw_lx - c.subtracted_lx;
                    let factor = c.reference_first_lx.expect("a visit")
                        / c.reference_now_lx.expect("a visit");
                    assert_eq!((net, factor), (c.net_lx, c.factor.expect("one")));
                    net * factor
                });
                let values: Vec<f64> = corrected.collect();
                let mean = statistics::moments(&values).expect("readings").mean;
                assert_eq!(Some(mean), account.values[0].value, "{id}");
                let whole: f64 = account.budget.iter().filter_map(|b| b.share_percent).sum();
                assert!((whole - 100.0).abs() < 1e-9, "{id}");
                points += 1;
            }
        }
    }
    assert_eq!(points, 12);
}

#[test]
fn an_account_as_a_person_reads_it() {
    let run = run();
    let sources = run.sources();
    let test = &sources.surveys[0].test;
    for (name, id) in [
        ("point", format!("1.{test}.L02@24in")),
        ("drift", format!("1.{test}.L02.drift")),
        ("step", format!("1.{test}.L02.step")),
        ("home", format!("1.{test}.home")),
        ("ruling", "1.r1".to_owned()),
    ] {
        insta::assert_snapshot!(name, of(&sources, &id).text());
    }
}

/// Someone ruled by a plan of their own that calls a criterion by the same name:
/// the run's own plan line is not its.
#[test]
fn a_ruling_by_another_plan_does_not_lead_to_this_one() {
    let mut run = run();
    assert!(of(&run.sources(), "1.r1").plan.is_some());
    let mut other = run.rulings[0].clone();
    other.of.cause = "asked for".to_owned();
    other.ruled.given = BTreeMap::from([("target".to_owned(), "300 lx".to_owned())]);
    run.rulings.push(other);
    let account = of(&run.sources(), "1.r2");
    assert_eq!(account.plan, None);
    assert!(account.flags[0].contains("not known to be those of the run's own plan"));
    // The same script and limits again are the plan's own.
    run.rulings[1].ruled.given = run.rulings[0].ruled.given.clone();
    assert!(of(&run.sources(), "1.r2").plan.is_some());
}

#[test]
fn a_journal_that_was_changed_since_is_told() {
    let mut run = run();
    assert_eq!(of(&run.sources(), "1.r1").flags, Vec::<String>::new());
    run.lines[19].1 = Link([7; 32]);
    let flags = of(&run.sources(), "1.r1").flags;
    assert!(
        flags[0].starts_with("the journal is not the one"),
        "{flags:?}"
    );
}

#[test]
fn ids_that_lead_nowhere_are_told_with_near_ones() {
    let run = run();
    let sources = run.sources();
    let test = sources.surveys[0].test.clone();
    let told: Vec<String> = [
        format!("1.{test}.L02@23in"),
        format!("1.{test}.L07@24in"),
        "1.levls.L02@24in".to_owned(),
        format!("1.{test}.ambient@13in"),
        "1.r7".to_owned(),
    ]
    .iter()
    .map(|text| {
        let id = ids::parse(text).expect("an id");
        let unknown = account(&sources, &id).expect_err("no figure");
        format!(
            "{text}\n  {}\n  near: {}",
            unknown.why,
            unknown.near.join(" ")
        )
    })
    .collect();
    insta::assert_snapshot!("unknown", told.join("\n"));
}
