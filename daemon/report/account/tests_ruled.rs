//! Accounts of rulings that another plan or certificate made, of what was set
//! aside, and of what failed.

use std::collections::BTreeMap;
use std::sync::Arc;

use photometry::measured::Outcome;
use photometry::units::{Ratio, Span, Wall};

use super::tests::{of, run};
use super::{AsRuled, Sources};
use crate::plan::intent::PlanLine;
use crate::plan::itinerary::{Key, Purpose};
use crate::report::ids;
use crate::run::journal::{Body, Decision, Fault, Link};
use crate::store::remarks::{About, Remark, RemarkKind};
use crate::store::rulings::{Certificate, PlanFile, RuledBy};

/// The plan that ruled is told by its own text, and no word of the run's.
#[test]
fn a_ruling_by_another_plan_leads_to_that_plans_line() {
    let mut run = run();
    let text = "plan: strict\ncriteria:\n  very bright:\n    script: mine.rhai\n";
    let digest = Link::of_bundle(text.as_bytes()).hex();
    run.plans.insert(digest.clone(), text.to_owned());
    let row = &mut run.rulings[0];
    row.of.by = RuledBy::OtherPlan(vec![PlanFile {
        name: "strict.yaml".to_owned(),
        digest: digest.clone(),
    }]);
    row.ruled.line = Some(PlanLine {
        file: "strict.yaml".to_owned(),
        line: 3,
    });
    let account = of(&run.sources(), "1.r1");
    let plan = account.plan.as_ref().expect("a plan line");
    assert_eq!((plan.file.as_str(), plan.line), ("strict.yaml", 3));
    assert_eq!(plan.text, "  very bright:\n    script: mine.rhai");
    assert_eq!(plan.digest, digest);
    assert!(account.flags[0].contains(&digest), "{:?}", account.flags);
    assert!(account.text().contains("Plan: strict.yaml:3"));
}

/// Under another certificate the account's own numbers make the figure that was
/// ruled on: raw times gain, less background, times the reference's factor.
#[test]
fn a_ruling_under_another_certificate_shows_what_it_was_made_from() {
    const GAIN: f64 = 1.1;
    let mut run = run();
    let row = &mut run.rulings[0];
    row.of.certificate = Some("K-2, gain 1.1, u 3 %".to_owned());
    row.of.certified = Some(Certificate {
        number: "K-2".to_owned(),
        gain: GAIN,
        u: Some(Ratio::new(0.03)),
    });
    row.ruled.k = Some(2.1);
    let id = row.ruled.rests_on[0].clone();
    let mut frozen = run.story.frozen.clone();
    frozen.card.meters[0].calibration.certificate = "K-2".to_owned();
    let mut rows = run.rows.clone();
    for row in &mut rows {
        Arc::make_mut(&mut row.beside).certificate = Some("K-2".to_owned());
        if let Outcome::Value(value) = &mut row.reading.outcome {
            *value *= GAIN;
        }
    }
    let surveys = Sources::surveys_of(&frozen, &rows, &run.story.events);
    let own = of(&run.sources(), &id).values[0].value.expect("a value");
    let sources = Sources {
        as_ruled: Some(AsRuled {
            frozen: &frozen,
            rows: &rows,
            surveys,
        }),
        ..run.sources()
    };
    let account = of(&sources, "1.r1");
    assert!(!account.corrections.is_empty());
    let mut sum = 0.0;
    for c in &account.corrections {
        assert_eq!((c.figure.as_str(), c.gain), (id.as_str(), Some(GAIN)));
        let net = c.raw_lx * GAIN - c.subtracted_lx;
        assert_eq!(net, c.net_lx);
        sum += c.corrected_lx;
    }
    let mean = sum / account.corrections.len() as f64;
    assert!((mean / own - GAIN).abs() < 1e-9, "{mean} {own}");
    assert_eq!(account.meters[0].certificate, "K-2");
    assert_eq!(account.values[0].coverage_factor, Some(2.1));
    let told = account.text();
    for wanted in [
        "x gain",
        "As with certificate K-2",
        "due not known",
        "k = 2.1",
    ] {
        assert!(told.contains(wanted), "{wanted}: {told}");
    }
}

/// Rounds of an older layout prove their plan by their parameters, in whatever
/// unit those were written.
#[test]
fn a_parameter_in_another_unit_is_the_same() {
    for (written, own) in [
        ("12 in", true),
        ("304.8 mm", true),
        ("0.3048 m", true),
        ("305 mm", false),
        ("12 lx", false),
    ] {
        let mut run = run();
        run.rulings[0].of.cause = "asked for".to_owned();
        let kept = ("distance".to_owned(), "0.3048 m".to_owned());
        run.rulings[0].ruled.given = BTreeMap::from([kept]);
        let uses = &mut run.story.frozen.plan.uses;
        uses[0].given = BTreeMap::from([("distance".to_owned(), written.to_owned())]);
        uses[0].script = "mine.rhai".to_owned();
        let text = run.scripts.values().next().expect("a script").clone();
        run.story.frozen.scripts = vec![crate::plan::frozen::SentText {
            name: "mine.rhai".to_owned(),
            text,
        }];
        assert_eq!(of(&run.sources(), "1.r1").plan.is_some(), own, "{written}");
    }
}

/// A point without a reading left says who set them aside, when and why.
#[test]
fn what_was_set_aside_is_told() {
    let mut run = run();
    let id = run.rulings[0].ruled.rests_on[0].clone();
    let own = of(&run.sources(), &id);
    let mut about = Vec::new();
    for reading in &own.readings[0].readings {
        let because = "the door was open".to_owned();
        run.story.set_aside.insert(reading.seq, because);
        about.push(About {
            seq: reading.seq,
            key: reading.key.clone(),
            attempt: reading.attempt,
        });
    }
    run.remarks.push(Remark {
        no: 3,
        kind: RemarkKind::SetAside,
        text: "the door was open".to_owned(),
        readings: about.clone(),
        who: "ada".to_owned(),
        wall_us: Wall::from_us(77).us(),
    });
    run.rows = run.story.rows();
    let account = of(&run.sources(), &id);
    assert_eq!(account.values[0].shown, "set aside");
    let told = &account.set_aside[0];
    assert_eq!((told.remark, told.who.as_str()), (3, "ada"));
    assert_eq!(told.readings.len(), about.len());
    let text = account.text();
    assert!(
        text.contains("remark 3, 77 us, by ada: the door was open"),
        "{text}"
    );
}

/// What a ruling made before a set-aside says stands with that, until the
/// set-aside is taken back: then it rests on the same readings again.
#[test]
fn a_ruling_before_a_set_aside_says_that_it_is_outdated() {
    let mut run = run();
    let outdated = |run: &super::tests::Run| {
        let account = of(&run.sources(), "1.r1");
        let says = account.flags.iter().any(|f| f.contains("before readings"));
        let told = account.text();
        assert_eq!(
            says,
            told.contains("`wakerail rule 1` rules again"),
            "{told}"
        );
        says
    };
    assert!(!outdated(&run));
    let about = About {
        seq: run.rows[0].seq,
        key: run.rows[0].key.to_string(),
        attempt: 1,
    };
    for (no, kind) in [(1, RemarkKind::SetAside), (2, RemarkKind::TakenBack)] {
        run.remarks.push(Remark {
            no,
            kind,
            text: "the door was open".to_owned(),
            readings: vec![about.clone()],
            who: "ada".to_owned(),
            wall_us: 0,
        });
        assert_eq!(outdated(&run), kind == RemarkKind::SetAside, "{kind:?}");
    }
    run.rulings[0].of.last_remark = 1; // ruled while it was set aside
    assert!(outdated(&run));
    run.remarks.pop();
    assert!(!outdated(&run));
}

/// The limit beside a ruling is written as its reason writes it.
#[test]
fn a_limit_is_written_in_one_way() {
    let mut row = run().rulings.remove(0);
    let cases = [
        (None, Some(10.0), "", "at most 10"),
        (Some(1234.5), None, "lx", "at least 1234.5 lx"),
        (Some(-0.5), Some(0.5), "%", "between -0.5 % and 0.5 %"),
        (None, None, "lx", ""),
    ];
    for (least, most, unit, words) in cases {
        let ruled = &mut row.ruled;
        (ruled.at_least, ruled.at_most) = (least, most);
        ruled.unit = unit.to_owned();
        assert_eq!(super::limit_words(&row), words);
    }
}

/// A failure on the way to a point stands in its account, with its journal line.
#[test]
fn what_failed_at_a_point_is_told() {
    let mut run = run();
    let id = run.rulings[0].ruled.rests_on[0].clone();
    let own = of(&run.sources(), &id);
    assert!(own.events.is_empty());
    let no = run
        .rows
        .iter()
        .find(|row| row.seq == own.readings[0].readings[0].seq);
    let no = no.expect("a reading").no;
    let fault = Fault {
        code: "silent".to_owned(),
        instrument: Some("lux-head".to_owned()),
        message: "the meter did not answer".to_owned(),
    };
    run.story.tell(Some(no), Body::Failed { fault });
    let linked = run.story.linked().into_iter();
    run.lines = linked.map(|(_, line, link)| (line, link)).collect();
    let account = of(&run.sources(), &id);
    assert_eq!(account.events.len(), 1);
    assert!(account.text().contains("the meter did not answer"));
}

/// Each warm-up of a level has its own figure, with the readings that its rule
/// looked at and the journal's line that ended it.
#[test]
fn a_later_warm_up_has_an_account_of_its_own() {
    let mut run = run();
    let at = run
        .rows
        .iter()
        .find(|row| row.key.purpose == Purpose::WarmUp);
    let first = at.expect("a warm-up").clone();
    let id = format!("1.{}.{}.warm-up", first.key.test, first.key.setting);
    let seqs = |account: &super::Account| -> Vec<u64> {
        let readings = account.readings.iter().flat_map(|group| &group.readings);
        readings.map(|reading| reading.seq).collect()
    };
    let before = of(&run.sources(), &id);
    let no = first.no;
    let key = Key {
        visit: 3,
        ..first.key.clone()
    };
    run.story.taken(no, key, Outcome::Value(812.0));
    let decision = Decision::WarmUp {
        stable: true,
        figure: Some(Ratio::new(0.0005)),
        by: "spread".to_owned(),
        after: Span::from_mins(11),
        decline_per_hour: None,
    };
    run.story.tell(Some(no), Body::Decided { decision });
    run.rows = run.story.rows();
    let linked = run.story.linked().into_iter();
    run.lines = linked.map(|(_, line, link)| (line, link)).collect();
    let (one, last) = (
        of(&run.sources(), &id),
        of(&run.sources(), &format!("{id}-3")),
    );
    assert_eq!((seqs(&one), &one.events), (seqs(&before), &before.events));
    assert!(one.what.ends_with("warm-up 1 of 3."), "{}", one.what);
    assert!(last.what.ends_with("warm-up 3 of 3."), "{}", last.what);
    assert_eq!((one.values.len(), last.values.len()), (1, 1));
    assert!(last.values[0].shown.starts_with("11"), "{:?}", last.values);
    assert_eq!(seqs(&last).len(), 1);
    assert!(seqs(&last)[0] > *seqs(&one).last().expect("readings"));
    assert_eq!(last.events.len(), 1);
    assert_ne!(one.events, last.events);
    let none = ids::parse(&format!("{id}-4")).expect("an id");
    let unknown = super::account(&run.sources(), &none).expect_err("no figure");
    assert!(unknown.why.contains("no warm-up 4"), "{unknown:?}");
}
