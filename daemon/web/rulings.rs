//! A run's rulings, ruling again, and the report.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use photometry::units::Ratio;

use super::problem::Trouble;
use super::runs::{self, number, sent, understood};
use super::serve::Desk;
use super::wire::{self, Report, Rule, Ruling, Try};
use crate::plan::frozen::Frozen;
use crate::plan::uses::Purpose;
use crate::queue::ruling::{CertificateOrder, ENDED, RuleOrder};
use crate::report::account::limit_words;
use crate::report::disturbed::Disturbed;
use crate::report::ids::{self, FigureId};
use crate::report::page::{Derived, OtherRulings, Page, Ruled, RunFacts, html};
use crate::report::{digits, gather};
use crate::rulings::attempt::Attempt;
use crate::run::journal::Link;
use crate::store::readings::Whole;
use crate::store::remarks::{Remark, altered_since};
use crate::store::rulings::{Round, RuledBy, RulingRow};
use crate::store::runs::RunRow;

/// `GET /runs/{run}/rulings`
///
/// # Errors
/// When there is no such run.
pub async fn list(
    State(desk): State<Desk>,
    Path(run): Path<String>,
) -> Result<Json<Vec<Ruling>>, Trouble> {
    let run = number(&run)?;
    let rows = desk.keeper.rulings(run).await?;
    Ok(Json(told(&rows, &desk.store.remarks(run).await?)))
}

/// `POST /runs/{run}/rulings`: a new round; its rulings.
///
/// # Errors
/// When there is no such run, nothing to rule on, or the plan has mistakes.
pub async fn rule(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    body: Result<Json<Rule>, JsonRejection>,
) -> Result<Json<Vec<Ruling>>, Trouble> {
    let run = number(&run)?;
    let Json(rule) = understood(body)?;
    let order = RuleOrder {
        plan: rule.plan.map(sent),
        based_on: rule.based_on.map(sent),
        scripts: rule.scripts.into_iter().map(sent).collect(),
        certificate: rule.certificate.map(|certificate| {
            let u = certificate
                .u_percent
                .map(|percent| Ratio::new(percent / 100.0));
            CertificateOrder {
                number: certificate.number,
                gain: certificate.gain,
                u,
            }
        }),
    };
    let round = desk.keeper.rule_again(run, order).await?;
    let rows = desk.store.rulings(run).await?;
    let mut all = told(&rows, &desk.store.remarks(run).await?);
    all.retain(|ruling| ruling.round == round);
    Ok(Json(all))
}

/// `POST /runs/{run}/tries`: what a script says of a run; nothing is stored.
///
/// # Errors
/// Mistakes of the script, no such run or test.
pub async fn attempt(
    State(desk): State<Desk>,
    Path(run): Path<String>,
    body: Result<Json<Try>, JsonRejection>,
) -> Result<Json<Vec<Ruling>>, Trouble> {
    let run = number(&run)?;
    let Json(asked) = understood(body)?;
    let one = Attempt {
        name: asked.script.name,
        text: asked.script.text,
        given: asked.given,
        test: asked.test,
    };
    let tried = desk.keeper.try_script(run, one).await?;
    let of = Round {
        cause: "tried, not stored".to_owned(),
        last_seq: 0,
        last_remark: 0,
        last_link: Link([0; 32]),
        unfinished: tried.unfinished,
        certificate: None,
        certified: None,
        by: RuledBy::NotKept,
        program: env!("CARGO_PKG_VERSION").to_owned(),
        at: desk.keeper.now().wall,
    };
    let rows = tried.ruled.into_iter().map(|ruled| RulingRow {
        id: 0,
        run,
        round: 0,
        of: of.clone(),
        ruled,
    });
    let mut all = told(&rows.collect::<Vec<_>>(), &[]);
    for ruling in &mut all {
        // What is not stored has no number by which it could be asked for.
        ruling.id = "-".to_owned();
    }
    Ok(Json(all))
}

/// All rulings of a run as they cross the wire; the ids count all of them. What
/// was ruled while other readings were set aside is outdated.
fn told(rows: &[RulingRow], remarks: &[Remark]) -> Vec<Ruling> {
    let mut altered: BTreeMap<u64, bool> = BTreeMap::new(); // a round's rows share it
    for row in rows {
        let no = row.of.last_remark;
        let of_round = altered.entry(no);
        of_round.or_insert_with(|| altered_since(remarks, no));
    }
    let newest = |row: &RulingRow| {
        let same = rows.iter().filter(|other| by(&other.of) == by(&row.of));
        same.map(|other| other.round).max() == Some(row.round)
    };
    let one = |(at, row): (usize, &RulingRow)| {
        let ruled = &row.ruled;
        let no = u32::try_from(at + 1).unwrap_or(u32::MAX);
        Ruling {
            id: FigureId::Ruling { run: row.run.0, no }.to_string(),
            run: row.run.0,
            round: row.round,
            latest: newest(row),
            own: is_own(&row.of),
            by: by(&row.of),
            cause: row.of.cause.clone(),
            name: ruled.name.clone(),
            metric: ruled.purpose == Purpose::Metric,
            test: ruled.test.clone(),
            word: ruled.word.clone(),
            value: ruled.value,
            expanded: ruled.expanded,
            unit: ruled.unit.clone(),
            shown: shown(ruled.value, ruled.expanded, &ruled.unit),
            limit: limit_words(row),
            rule: ruled.rule.clone(),
            reason: ruled.reason.clone(),
            script: ruled.script.clone(),
            script_digest: ruled.script_digest.clone(),
            given: ruled.given.clone(),
            rests_on: ruled.rests_on.clone(),
            unfinished: row.of.unfinished,
            outdated: altered.get(&row.of.last_remark) == Some(&true),
            certificate: row.of.certificate.clone(),
            program: row.of.program.clone(),
            ruled: wire::Instant::at(row.of.at),
        }
    };
    rows.iter().enumerate().map(one).collect()
}

/// The run's own plan ruled, under its own certificate. Rounds from before
/// layout 6 say only that they were made when the run ended.
fn is_own(of: &Round) -> bool {
    let own_plan = match of.by {
        RuledBy::OwnPlan(_) => true,
        RuledBy::OtherPlan(_) => false,
        RuledBy::NotKept => of.cause == ENDED,
    };
    own_plan && of.certificate.is_none()
}

/// What ruled, in words; equal words are the same plan and certificate.
fn by(of: &Round) -> String {
    let plan = match &of.by {
        RuledBy::OtherPlan(files) => {
            let named = files.iter();
            let named = named.map(|file| format!("{} ({}…)", file.name, short(&file.digest)));
            format!("plan {}", named.collect::<Vec<_>>().join(" based on "))
        }
        RuledBy::NotKept if of.cause != ENDED => "a plan that was not kept".to_owned(),
        RuledBy::OwnPlan(_) | RuledBy::NotKept => "the run's own plan".to_owned(),
    };
    match &of.certificate {
        Some(certificate) => format!("{plan}, as with certificate {certificate}"),
        None => plan,
    }
}

/// The beginning of a digest, which tells plans apart; accounts print it whole.
fn short(digest: &str) -> &str {
    digest.get(..12).unwrap_or(digest)
}

/// Value, U and unit with the digits that U allows.
fn shown(value: Option<f64>, expanded: Option<f64>, unit: &str) -> String {
    let Some(value) = value else {
        return "not known".to_owned();
    };
    let (value, u) = digits::shown(value, expanded);
    let u = u.map(|u| format!(" ± {u}")).unwrap_or_default();
    format!("{value}{u} {unit}").trim_end().to_owned()
}

/// `GET /runs/{run}/report`
///
/// # Errors
/// When there is no such run.
pub async fn report(
    State(desk): State<Desk>,
    Path(run): Path<String>,
) -> Result<Json<Report>, Trouble> {
    let run = number(&run)?;
    let row = desk.store.run(run).await?;
    let row = row.ok_or_else(|| Trouble::no_run(run))?;
    let rows = desk.keeper.rulings(run).await?;
    let remarks = desk.store.remarks(run).await?;
    let rulings = told(&rows, &remarks);
    let mut whole = runs::whole(&desk, run).await?;
    let measures = runs::measured(&desk, &mut whole).await?;
    let Whole {
        frozen,
        events,
        readings,
        ..
    } = whole;
    let at = |wall: Option<photometry::units::Wall>| wall.map(wire::utc).unwrap_or_default();
    let page = Page {
        run: RunFacts {
            number: run.0,
            state: row.state.words().to_owned(),
            booked: at(Some(row.booked)),
            begun: at(row.begun),
            ended: at(row.ended),
            program: format!("wakerail {}", frozen.program),
            made: at(Some(desk.keeper.now().wall)),
        },
        subject: format!(
            "{}, unit {}, plan {}, bench {}",
            frozen.lamp.name, frozen.placement.unit, frozen.plan.name, frozen.card.name
        ),
        surveys: gather::surveys(&frozen, &readings, &events),
        measures,
        derived: rulings.iter().filter_map(derived).collect(),
        remarks: remarks.iter().map(said).collect(),
        notes: [
            elsewhere(&frozen),
            Disturbed::of(&frozen, &events)
                .summary()
                .into_iter()
                .collect(),
            again(&desk, &row).await?,
            notes(&rulings),
        ]
        .concat(),
        other_rulings: other_rulings(&rulings),
        rulings: rulings
            .into_iter()
            .filter(|ruling| ruling.own && ruling.latest && !ruling.metric)
            .map(on_page)
            .collect(),
    };
    Ok(Json(Report { html: html(&page) }))
}

/// What of the plan stands in the report of another run.
fn elsewhere(frozen: &Frozen) -> Vec<String> {
    let other = frozen.itinerary.elsewhere.iter();
    let told = other.map(|other| {
        format!(
            "The plan's other tests are measured in a run of their own, which has its own report: \
             {}.",
            other.words()
        )
    });
    told.collect()
}

/// Which run this one measures again, and which measure this one again: their
/// points stand in reports of their own.
async fn again(desk: &Desk, row: &RunRow) -> Result<Vec<String>, Trouble> {
    let runs = desk.store.runs().await?;
    let later = runs.iter().filter(|other| other.redo_of == Some(row.id));
    let later = later.map(|redo| {
        format!(
            "Run {} measures a part of this run again ({}); its figures are in its own report.",
            redo.id.0,
            redo.state.words()
        )
    });
    let earlier = row.redo_of.map(|of| {
        format!(
            "This run measures a part of run {0} again: see the report of run {0} as well.",
            of.0
        )
    });
    Ok(earlier.into_iter().chain(later).collect())
}

/// The newest criteria of each other plan and certificate, newest round first.
fn other_rulings(rulings: &[Ruling]) -> Vec<OtherRulings> {
    let mut others: Vec<(i64, OtherRulings)> = Vec::new();
    let criteria = rulings
        .iter()
        .filter(|ruling| ruling.latest && !ruling.metric);
    for ruling in criteria.filter(|ruling| !ruling.own) {
        let ruled = on_page(ruling.clone());
        match others.iter_mut().find(|(_, other)| other.by == ruling.by) {
            Some((_, other)) => other.rulings.push(ruled),
            None => others.push((
                ruling.round,
                OtherRulings {
                    by: ruling.by.clone(),
                    when: ruling.ruled.utc.clone(),
                    rulings: vec![ruled],
                },
            )),
        }
    }
    others.sort_by_key(|(round, _)| std::cmp::Reverse(*round));
    others.into_iter().map(|(_, other)| other).collect()
}

/// The row of a metric of the latest round; none for anything else.
fn derived(ruling: &Ruling) -> Option<Derived> {
    let wanted = ruling.latest && ruling.metric;
    let id = ids::parse(&ruling.id).ok()?;
    wanted.then(|| Derived {
        id,
        name: match ruling.own {
            true => format!("{} ({})", ruling.name, ruling.test),
            false => format!("{} ({}), by {}", ruling.name, ruling.test, ruling.by),
        },
        value: ruling.value,
        expanded: ruling.expanded,
        unit: ruling.unit.clone(),
        rests_on: ruling.rests_on.len(),
        script: ruling.script.clone(),
        reason: ruling.reason.clone(),
    })
}

/// A remark as a sentence.
fn said(remark: &Remark) -> String {
    let mut kind = remark.kind.words().to_owned();
    kind[..1].make_ascii_uppercase();
    let keys: Vec<&str> = remark.readings.iter().map(|r| r.key.as_str()).collect();
    let readings = match keys.is_empty() {
        true => String::new(),
        false => format!(" ({})", keys.join(", ")),
    };
    let (no, who, at) = (remark.no, &remark.who, wire::utc(remark.at()));
    format!("{kind} {no} by {who} at {at}: {}{readings}", remark.text)
}

/// What must be known of the rulings.
fn notes(rulings: &[Ruling]) -> Vec<String> {
    let mut notes = Vec::new();
    let rounds = rulings.iter().map(|ruling| ruling.round).max().unwrap_or(0);
    if rounds > 1 {
        notes.push(format!(
            "This run was ruled on {rounds} times; of each plan and certificate the newest round is shown, the earlier ones are kept."
        ));
    }
    if rulings
        .iter()
        .any(|ruling| ruling.latest && ruling.outdated)
    {
        notes.push(
            "Readings were set aside, or that was taken back, after these rulings were made: they do not rest on the figures below. Rule again."
                .to_owned(),
        );
    }
    notes
}

fn on_page(ruling: Ruling) -> Ruled {
    Ruled {
        id: ruling.id,
        criterion: format!("{} ({})", ruling.name, ruling.test),
        outdated: ruling.outdated,
        word: ruling.word.unwrap_or_default(),
        value: ruling.value,
        expanded: ruling.expanded,
        unit: ruling.unit,
        limit: ruling.limit,
        rule: ruling.rule,
        reason: ruling.reason,
        script: ruling.script,
    }
}
