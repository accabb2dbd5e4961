//! A round: what a run froze, read and journaled, ruled on and recorded.
//!
//! Called by: queue (when a run is over), web (when someone asks).

use std::collections::BTreeMap;
use std::sync::Arc;

use photometry::units::Wall;

use super::judge::{self, Judged};
use super::library::Library;
use crate::plan::frozen::{Frozen, SentText};
use crate::plan::uses::Use;
use crate::report::gather;
use crate::run::journal::{Event, Link, RunId};
use crate::store::error::StoreError;
use crate::store::open::Store;
use crate::store::readings::{ReadingRow, Whole};
pub use crate::store::rulings::Certificate;
use crate::store::rulings::{PlanFile, Round, RuledBy, Texts};

/// The source of uncertainty that stands for a meter's certificate.
const CERTIFICATE_TERM: &str = "certificate";

/// A round is asked for.
#[derive(Clone, Debug, Default)]
pub struct Ask {
    /// Why: `the run ended`, `asked for`.
    pub cause: String,
    /// Criteria and metrics in place of the run's own.
    pub other: Option<OtherPlan>,
    /// Another certificate.
    pub certificate: Option<Certificate>,
}

/// A plan in place of the run's own.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OtherPlan {
    /// Its text, and that of the plan that it is based on.
    pub texts: Vec<SentText>,
    /// Its criteria and metrics.
    pub uses: Vec<Use>,
    /// The scripts that they name.
    pub scripts: Vec<SentText>,
}

/// Why there is no round.
#[derive(Debug, thiserror::Error)]
pub enum RoundError {
    /// The record failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no such run.
    #[error("there is no run {0}")]
    NoRun(RunId),
    /// The plan has neither criteria nor metrics.
    #[error("the plan of run {0} has no criteria and no metrics")]
    Nothing(RunId),
    /// A meter's uncertainty has no term that the certificate's could replace.
    #[error("the uncertainty of meter `{1}` has no term `certificate`")]
    NoCertificateTerm(RunId, String),
    /// The task that runs scripts ended badly.
    #[error("a defect ended the ruling")]
    Defect,
}

/// Makes a round and records it; gives its number.
///
/// # Errors
/// When there is nothing to rule on, or the record cannot be used.
pub async fn rule(store: &Store, run: RunId, ask: Ask, at: Wall) -> Result<i64, RoundError> {
    // Before its events: a run that ends in between is ruled on as unfinished.
    let row = store.run(run).await?.ok_or(RoundError::NoRun(run))?;
    // Whoever sets readings aside waits for a round, so none comes in between.
    let remarks = store.remarks(run).await?;
    let Whole {
        mut frozen,
        bundle: link,
        events,
        mut readings,
        ..
    } = store.whole(run).await?.ok_or(RoundError::NoRun(run))?;
    let mut texts = Texts::default();
    let (uses, scripts, by) = match ask.other {
        Some(other) => {
            let files = files_of(&other.texts, Some(&mut texts.plans));
            (other.uses, other.scripts, RuledBy::OtherPlan(files))
        }
        None => (
            frozen.plan.uses.clone(),
            frozen.scripts.clone(),
            RuledBy::OwnPlan(files_of(&frozen.plan_texts, None)),
        ),
    };
    if uses.is_empty() {
        return Err(RoundError::Nothing(run));
    }
    if let Some(certificate) = &ask.certificate {
        recalibrate(&mut frozen, &mut readings, certificate)
            .map_err(|meter| RoundError::NoCertificateTerm(run, meter))?;
    }
    let round = Round {
        cause: ask.cause,
        last_seq: events.last().map_or(0, |event| event.seq),
        last_link: match events.is_empty() {
            true => link,
            false => store.last_link(run).await?,
        },
        unfinished: !row.state.is_over(),
        certificate: ask.certificate.as_ref().map(Certificate::words),
        certified: ask.certificate,
        by,
        program: env!("CARGO_PKG_VERSION").to_owned(),
        at,
        last_remark: remarks.last().map_or(0, |remark| remark.no),
    };
    // Scripts may take their whole deadline: off the threads that others need.
    let judged = tokio::task::spawn_blocking(move || {
        let surveys = gather::surveys(&frozen, &readings, &events);
        judge_all(run, &frozen, &uses, scripts, &surveys)
    });
    let Judged { ruled, scripts } = judged.await.map_err(|_| RoundError::Defect)?;
    texts.scripts = scripts;
    Ok(store.add_round(run, &round, &ruled, &texts).await?)
}

/// The files of a plan by name and digest; their texts too, where they are to
/// be kept.
fn files_of(texts: &[SentText], mut kept: Option<&mut BTreeMap<String, String>>) -> Vec<PlanFile> {
    let mut files = Vec::new();
    for text in texts {
        let digest = Link::of_bundle(text.text.as_bytes()).hex();
        if let Some(kept) = &mut kept {
            kept.insert(digest.clone(), text.text.clone());
        }
        let name = text.name.clone();
        files.push(PlanFile { name, digest });
    }
    files
}

/// What a round looked at, made again by what made it: a run as its record
/// stood then, under the certificate that it was ruled as with.
#[derive(Clone, Debug)]
pub struct LookedAt {
    /// What the run froze, with the certificate in its meters.
    pub frozen: Frozen,
    /// Its readings, times the certificate's gain.
    pub readings: Vec<ReadingRow>,
    /// Its events up to the last that the round knew.
    pub events: Vec<Event>,
}

/// Looks at a run again as a round did.
///
/// # Errors
/// When there is no such run, or the record cannot be read.
pub async fn look_again(store: &Store, run: RunId, round: &Round) -> Result<LookedAt, RoundError> {
    let then = store.whole_until(run, round.last_seq, round.last_remark);
    let Whole {
        mut frozen,
        mut readings,
        events,
        ..
    } = then.await?.ok_or(RoundError::NoRun(run))?;
    if let Some(certificate) = &round.certified {
        recalibrate(&mut frozen, &mut readings, certificate)
            .map_err(|meter| RoundError::NoCertificateTerm(run, meter))?;
    }
    Ok(LookedAt {
        frozen,
        readings,
        events,
    })
}

fn judge_all(
    run: RunId,
    frozen: &Frozen,
    uses: &[Use],
    scripts: Vec<SentText>,
    surveys: &[crate::report::survey::SurveyFigures],
) -> Judged {
    let library = Library::of(scripts);
    judge::judge(run, frozen, uses, &library, surveys)
}

/// What was read and frozen, as the other certificate would have it. The
/// stored readings stay as they are. Fails with a meter's name when its
/// uncertainty has no term for a certificate.
fn recalibrate(
    frozen: &mut Frozen,
    readings: &mut [ReadingRow],
    certificate: &Certificate,
) -> Result<(), String> {
    use photometry::measured::Outcome;
    for meter in &mut frozen.card.meters {
        meter
            .calibration
            .certificate
            .clone_from(&certificate.number);
        let Some(u) = certificate.u else { continue };
        let mut terms = meter.uncertainty.iter_mut();
        match terms.find(|term| term.source == CERTIFICATE_TERM) {
            Some(term) => term.share = u,
            // An uncertainty that changes nothing must not look applied.
            None => return Err(meter.name.clone()),
        }
    }
    for row in readings {
        Arc::make_mut(&mut row.beside).certificate = Some(certificate.number.clone());
        let outcome = &mut row.reading.outcome;
        match outcome {
            Outcome::Value(value) | Outcome::Over(value) | Outcome::Under(value) => {
                *value *= certificate.gain;
            }
            Outcome::TimedOut | Outcome::Rejected(_) => {}
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use photometry::units::Ratio;

    use super::*;
    use crate::plan::card::WrittenTerm;
    use crate::plan::samples::survey;
    use crate::store::samples::frozen;

    /// An uncertainty that would change nothing is refused, not noted.
    #[test]
    fn a_certificate_without_a_term_to_replace_is_refused() {
        let other = Certificate {
            number: "K-2".to_owned(),
            gain: 1.0,
            u: Some(Ratio::new(0.4)),
        };
        let with = |source: &str| {
            let mut frozen = frozen(1, survey(&[6, 12]));
            frozen.card.meters[0].uncertainty = vec![WrittenTerm {
                source: source.to_owned(),
                share: Ratio::new(0.015),
            }];
            let done = recalibrate(&mut frozen, &mut [], &other);
            (done, frozen.card.meters[0].uncertainty[0].share)
        };
        assert_eq!(with("certificate"), (Ok(()), Ratio::new(0.4)));
        let (refused, share) = with("calibration");
        assert!(refused.is_err());
        assert_eq!(share, Ratio::new(0.015));
    }
}
