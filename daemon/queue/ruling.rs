//! Rulings: made when a run is over, and again when someone asks.
//!
//! One at a time for each run, so that one that has just ended is ruled on once,
//! whoever comes first. Called by: keeper, web.

use photometry::units::Ratio;

use super::keeper::Keeper;
use super::refusal::Refusal;
use crate::plan::check;
use crate::plan::frozen::SentText;
use crate::plan::uses::NotAsked;
use crate::rulings::attempt::{self, Attempt, AttemptError, Tried};
use crate::rulings::library::Library;
use crate::rulings::round::{self, Ask, Certificate, OtherPlan, RoundError};
use crate::run::journal::RunId;
use crate::store::rulings::RulingRow;

/// The cause of the round that is made of the run's own plan.
pub const ENDED: &str = "the run ended";
/// The cause of every other round.
const ASKED: &str = "asked for";

/// A run is to be ruled on again.
#[derive(Clone, Debug, Default)]
pub struct RuleOrder {
    /// A plan whose criteria and metrics stand in place of the run's own.
    pub plan: Option<SentText>,
    /// The plan that it is based on.
    pub based_on: Option<SentText>,
    /// The script files that it names.
    pub scripts: Vec<SentText>,
    /// Another certificate.
    pub certificate: Option<CertificateOrder>,
}

/// A certificate, as someone names it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CertificateOrder {
    /// Its number.
    pub number: String,
    /// What readings are multiplied by.
    pub gain: Option<f64>,
    /// Its standard uncertainty (k = 1).
    pub u: Option<Ratio>,
}

impl Keeper {
    /// The rulings of a run, all rounds; one that is over and was not ruled on
    /// yet is ruled on first.
    ///
    /// # Errors
    /// When there is no such run, or the record cannot be used.
    pub async fn rulings(&self, run: RunId) -> Result<Vec<RulingRow>, Refusal> {
        self.rule_once(run).await?;
        Ok(self.store.rulings(run).await?)
    }

    /// Rules on a run that is over, unless it was.
    ///
    /// # Errors
    /// When there is no such run, or the record cannot be used.
    pub async fn rule_once(&self, run: RunId) -> Result<(), Refusal> {
        // Who only reads does not wait for scripts.
        if !self.is_due(run).await? {
            return Ok(());
        }
        let _turn = self.turns.for_scripts(run).await;
        if !self.is_due(run).await? {
            return Ok(()); // ruled on while this one waited
        }
        let ask = Ask {
            cause: ENDED.to_owned(),
            ..Ask::default()
        };
        match round::rule(&self.store, run, ask, self.now().wall).await {
            Ok(_) | Err(RoundError::Nothing(_)) => Ok(()),
            Err(error) => Err(refusal(run, error)),
        }
    }

    /// Whether a run is over and was not ruled on as a whole.
    async fn is_due(&self, run: RunId) -> Result<bool, Refusal> {
        let row = self.row(run).await?;
        if !row.state.is_over() || row.begun.is_none() {
            return Ok(false);
        }
        // A round of the unfinished run does not stand for the whole.
        let whole = |row: &RulingRow| !row.of.unfinished;
        Ok(!self.store.rulings(run).await?.iter().any(whole))
    }

    /// Rules on runs that ended while no daemon was there to do it.
    ///
    /// # Errors
    /// When the record cannot be used.
    pub async fn rule_on_the_rest(&self) -> Result<(), Refusal> {
        for run in self.store.runs_without_rulings().await? {
            self.rule_once(run).await?;
        }
        Ok(())
    }

    /// Tries one script on a run; nothing is recorded.
    ///
    /// # Errors
    /// Mistakes of the script, no such run or test.
    pub async fn try_script(&self, run: RunId, one: Attempt) -> Result<Tried, Refusal> {
        let _turn = self.turns.for_scripts(run).await;
        let tried = attempt::attempt(&self.store, run, one).await;
        tried.map_err(|error| match error {
            AttemptError::Store(error) => Refusal::Store(error),
            AttemptError::NoRun(run) => Refusal::NoRun(run),
            AttemptError::Mistakes(shown) => Refusal::Mistakes { shown },
            AttemptError::NoTest { test, known } => Refusal::NoName {
                what: "test",
                hint: format!("run {run} has {}", known.join(", ")),
                name: test,
            },
            AttemptError::Defect => refusal(run, RoundError::Defect),
        })
    }

    /// Rules on a run again; the number of the new round.
    ///
    /// # Errors
    /// Mistakes in the plan, nothing to rule on, or no such run.
    pub async fn rule_again(&self, run: RunId, order: RuleOrder) -> Result<i64, Refusal> {
        self.rule_once(run).await?;
        let _turn = self.turns.for_scripts(run).await;
        let other = match &order.plan {
            Some(plan) => {
                let library = Library::of(order.scripts.clone());
                let texts: Vec<SentText> = std::iter::once(plan)
                    .chain(&order.based_on)
                    .cloned()
                    .collect();
                let found = check::check(&texts, &self.today(), &library, &NotAsked);
                let shown = found.shown(false);
                match found.checked.plan {
                    Some(ref plan) if !found.refuses() => Some(OtherPlan {
                        texts,
                        uses: plan.uses.clone(),
                        scripts: library.used(&plan.uses),
                    }),
                    _ if shown.is_empty() => {
                        let shown = format!("{} is no plan file", plan.name);
                        return Err(Refusal::Mistakes { shown });
                    }
                    _ => return Err(Refusal::Mistakes { shown }),
                }
            }
            None => None,
        };
        let certificate = order.certificate.map(certificate).transpose()?;
        let ask = Ask {
            cause: ASKED.to_owned(),
            other,
            certificate,
        };
        let made = round::rule(&self.store, run, ask, self.now().wall).await;
        made.map_err(|error| refusal(run, error))
    }
}

fn certificate(order: CertificateOrder) -> Result<Certificate, Refusal> {
    // A certificate that halves or doubles a meter is a slip, or a broken meter.
    const GAINS: std::ops::RangeInclusive<f64> = 0.5..=2.0;
    let CertificateOrder { number, gain, u } = order;
    if gain.is_none() && u.is_none() {
        // Else a round would bear its number, and all figures of the old one.
        return Err(Refusal::Mistakes {
            shown: format!(
                "certificate {number} has neither a gain nor an uncertainty: it changes no \
                 figure; send one of them, or both"
            ),
        });
    }
    let gain = gain.unwrap_or(1.0);
    if !GAINS.contains(&gain) {
        return Err(Refusal::Mistakes {
            shown: format!("the gain {gain} is not between 0.5 and 2"),
        });
    }
    Ok(Certificate { number, gain, u })
}

/// Why there is no round, as a refusal.
pub fn refusal(run: RunId, error: RoundError) -> Refusal {
    let wrong = |why: &str, hint: Option<&str>| Refusal::WrongState {
        run,
        why: why.to_owned(),
        hint: hint.map(str::to_owned),
    };
    match error {
        RoundError::Store(error) => Refusal::Store(error),
        RoundError::NoRun(run) => Refusal::NoRun(run),
        RoundError::NoCertificateTerm(_, meter) => wrong(
            &format!(
                "was read with meter `{meter}`, whose uncertainty has no term `certificate` to put \
                 another in the place of"
            ),
            Some(
                "give the gain alone, or name the term `certificate` in the bench file of the next run",
            ),
        ),
        RoundError::Nothing(_) => wrong(
            "has a plan without criteria and metrics",
            Some("give a plan that has some: `wakerail rule RUN --plan plan.yaml`"),
        ),
        RoundError::Defect => wrong(
            "could not be ruled on: a defect ended the ruling",
            Some("look at the daemon's log, and report it"),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A number alone would be kept with a round whose figures it did not touch.
    #[test]
    fn a_certificate_that_changes_nothing_is_refused() {
        let order = |gain, u| CertificateOrder {
            number: "K-2".to_owned(),
            gain,
            u,
        };
        let refused = certificate(order(None, None));
        let Err(Refusal::Mistakes { shown }) = refused else {
            panic!("{refused:?}");
        };
        assert!(shown.contains("K-2") && shown.contains("gain"), "{shown}");
        let u = Some(Ratio::new(0.03));
        let gains = [(Some(1.1), None), (None, u), (Some(1.0), u)];
        let gains = gains.map(|(gain, u)| certificate(order(gain, u)).map(|made| made.gain).ok());
        assert_eq!(gains, [Some(1.1), Some(1.0), Some(1.0)]);
        assert!(certificate(order(Some(11.0), u)).is_err());
    }
}
