//! Notes on a run, and readings that a person sets aside or takes back.
//!
//! A reading is named by its key, a point by the first three parts of it; the
//! position in any unit. Only what was taken can be set aside, only what is set
//! aside can be taken back; both remarks stay.
//! Called by: web. Not here: what comes of it (store gives such a reading the
//! standing *set aside*, report leaves it out).

use photometry::units::{Length, LengthUnit};

use super::keeper::Keeper;
use super::refusal::Refusal;
use crate::plan::itinerary::Purpose;
use crate::run::journal::RunId;
use crate::store::error::StoreError;
use crate::store::readings::ReadingRow;
use crate::store::remarks::{About, Remark, RemarkKind};

/// A note or a reason is a sentence or two.
const TEXT_CHARS_AT_MOST: usize = 2_000;
/// Names of people are shorter.
const WHO_CHARS_AT_MOST: usize = 100;

/// Readings are to be set aside, or that is to be taken back.
#[derive(Clone, Debug)]
pub struct SetAsideOrder {
    /// `levels/L07/24 in/read/1`, or without the last two: the whole point.
    pub key: String,
    /// Which attempt, where the key was read more than once.
    pub attempt: Option<u32>,
    /// Why.
    pub because: String,
    /// Who says so.
    pub who: String,
}

impl Keeper {
    /// Records a note on a run.
    ///
    /// # Errors
    /// When the text is empty or too long, there is no such run, or it has not
    /// begun.
    pub async fn note(&self, run: RunId, text: String, who: String) -> Result<Remark, Refusal> {
        self.row(run).await?;
        let remark = self.remark(RemarkKind::Note, &text, &who)?;
        self.recorded(run, remark).await
    }

    /// Sets a reading, or a point's readings, aside.
    ///
    /// # Errors
    /// When the reason is empty or too long, there is no such run or reading,
    /// or it was set aside before.
    pub async fn set_aside(&self, run: RunId, order: SetAsideOrder) -> Result<Remark, Refusal> {
        self.on_readings(run, order, RemarkKind::SetAside, |row| {
            row.set_aside.is_none()
        })
        .await
    }

    /// Takes a set-aside back: a reading, or a point's readings, count again.
    /// Both remarks stay.
    ///
    /// # Errors
    /// When the reason is empty or too long, there is no such run or reading,
    /// or nothing of it is set aside.
    pub async fn take_back(&self, run: RunId, order: SetAsideOrder) -> Result<Remark, Refusal> {
        self.on_readings(run, order, RemarkKind::TakenBack, |row| {
            row.set_aside.is_some()
        })
        .await
    }

    /// A remark on those of the readings asked for that it would alter.
    async fn on_readings(
        &self,
        run: RunId,
        order: SetAsideOrder,
        kind: RemarkKind,
        alters: fn(&ReadingRow) -> bool,
    ) -> Result<Remark, Refusal> {
        // A round of rulings says which remarks it knew; none may come while
        // one is made. It also keeps two from altering the same reading.
        let _turn = self.turns.of(run).await;
        self.row(run).await?;
        let mut remark = self.remark(kind, &order.because, &order.who)?;
        let rows = self.store.readings(run).await?;
        let found = wanted(run, &rows, &order)?;
        let altered = found.iter().filter(|row| alters(row));
        remark.readings = altered.map(|row| about(row)).collect();
        if remark.readings.is_empty() {
            return Err(match kind {
                RemarkKind::TakenBack => self.nothing_aside(run, &order.key, &found).await?,
                RemarkKind::Note | RemarkKind::SetAside => {
                    self.twice(run, &order.key, &found).await?
                }
            });
        }
        self.recorded(run, remark).await
    }

    fn remark(&self, kind: RemarkKind, text: &str, who: &str) -> Result<Remark, Refusal> {
        let what = match kind {
            RemarkKind::Note => "the note",
            RemarkKind::SetAside | RemarkKind::TakenBack => "the reason",
        };
        let text = text.trim();
        let mut mistakes = Vec::new();
        if text.is_empty() {
            mistakes.push(format!("{what} is empty"));
        }
        let mut short = |what: &str, text: &str, at_most: usize| {
            let chars = text.chars().count();
            if chars > at_most {
                mistakes.push(format!(
                    "{what} has {chars} characters; at most {at_most} are kept"
                ));
            }
        };
        short(what, text, TEXT_CHARS_AT_MOST);
        short("the name of who says so", who, WHO_CHARS_AT_MOST);
        if !mistakes.is_empty() {
            let shown = mistakes.join("\n");
            return Err(Refusal::Mistakes { shown });
        }
        Ok(Remark {
            no: 0, // the store counts
            kind,
            text: text.to_owned(),
            readings: Vec::new(),
            who: who.to_owned(),
            wall_us: self.now().wall.us(),
        })
    }

    async fn recorded(&self, run: RunId, remark: Remark) -> Result<Remark, Refusal> {
        let refused = |why: &str, hint: &str| Refusal::WrongState {
            run,
            why: why.to_owned(),
            hint: Some(hint.to_owned()),
        };
        match self.store.add_remark(run, remark).await {
            Err(StoreError::NotBegun(_)) => Err(refused(
                "has not begun; there is nothing in it to remark on",
                "say it when the run has begun",
            )),
            Err(StoreError::TooManyRemarks(_)) => Err(refused(
                "has as many remarks as are kept",
                "is a program repeating itself? `wakerail show RUN` lists them",
            )),
            done => Ok(done?),
        }
    }

    /// Who set it aside before, and why.
    async fn twice(
        &self,
        run: RunId,
        key: &str,
        found: &[&ReadingRow],
    ) -> Result<Refusal, StoreError> {
        let hint = self.last_word(run, found).await?.map(|last| {
            format!(
                "remark {} by {} says: {}; it stays set aside",
                last.no, last.who, last.text
            )
        });
        Ok(Refusal::WrongState {
            run,
            why: format!("has `{key}` set aside already"),
            hint,
        })
    }

    /// There is nothing to take back; who took it back before, when one did.
    async fn nothing_aside(
        &self,
        run: RunId,
        key: &str,
        found: &[&ReadingRow],
    ) -> Result<Refusal, StoreError> {
        let hint = match self.last_word(run, found).await? {
            Some(last) => format!(
                "remark {} by {} took it back: {}; it counts as the journal says",
                last.no, last.who, last.text
            ),
            None => format!("`wakerail show {run}` lists what is set aside, by its keys"),
        };
        Ok(Refusal::WrongState {
            run,
            why: format!("has nothing set aside at `{key}`, so there is nothing to take back"),
            hint: Some(hint),
        })
    }

    /// The last remark on the first of these readings.
    async fn last_word(
        &self,
        run: RunId,
        found: &[&ReadingRow],
    ) -> Result<Option<Remark>, StoreError> {
        let remarks = self.store.remarks(run).await?;
        let seq = found.first().map(|row| row.seq);
        let of_it = |remark: &Remark| remark.readings.iter().any(|r| Some(r.seq) == seq);
        Ok(remarks.into_iter().rev().find(of_it))
    }
}

fn about(row: &ReadingRow) -> About {
    About {
        seq: row.seq,
        key: row.key.to_string(),
        attempt: row.attempt,
    }
}

/// The readings that a key means.
fn wanted<'r>(
    run: RunId,
    rows: &'r [ReadingRow],
    order: &SetAsideOrder,
) -> Result<Vec<&'r ReadingRow>, Refusal> {
    let parts: Vec<&str> = order.key.split('/').map(str::trim).collect();
    let no_reading = |hint: String| Refusal::NoName {
        what: "reading",
        name: format!("{run}:{}", order.key),
        hint,
    };
    let (test, setting, position, rest) = match parts.as_slice() {
        [test, setting, position] => (*test, *setting, *position, None),
        [test, setting, position, what, visit] => {
            (*test, *setting, *position, Some((*what, *visit)))
        }
        _ => {
            let hint = "a key is TEST/SETTING/POSITION/WHAT/VISIT, such as \
                        `levels/L07/24 in/read/1`, or its first three parts for a whole point; \
                        `wakerail readings RUN --what all` prints the keys";
            return Err(no_reading(hint.to_owned()));
        }
    };
    let found: Vec<&ReadingRow> = rows.iter().collect();
    let found = narrowed(found, "test", test, |row| row.key.test.clone());
    let found = found.and_then(|f| narrowed(f, "setting", setting, |row| row.key.setting.clone()));
    let found = found.and_then(|found| at_position(found, position));
    let found = found.and_then(|found| match rest {
        None => narrowed(found, "reading of the kind", Purpose::Read.word(), what_of),
        Some((what, visit)) => narrowed(found, "reading of the kind", what, what_of)
            .and_then(|found| narrowed(found, "visit", visit, |row| row.key.visit.to_string())),
    });
    let found = found.map_err(no_reading)?;
    let found = match order.attempt {
        Some(attempt) => narrowed(found, "attempt", &attempt.to_string(), |row| {
            row.attempt.to_string()
        })
        .map_err(no_reading)?,
        None => found,
    };
    chosen(found, rest.is_none() || order.attempt.is_some()).map_err(no_reading)
}

fn what_of(row: &ReadingRow) -> String {
    row.key.purpose.word().to_owned()
}

/// Of several readings of a key the one that is its result; `several`: more
/// than one may be meant.
fn chosen(found: Vec<&ReadingRow>, several: bool) -> Result<Vec<&ReadingRow>, String> {
    let results: Vec<&ReadingRow> = found.iter().filter(|r| r.is_result()).copied().collect();
    if !results.is_empty() {
        return Ok(results);
    }
    if several || found.len() == 1 {
        return Ok(found);
    }
    let attempts: Vec<String> = found.iter().map(|r| r.attempt.to_string()).collect();
    Err(format!(
        "it was taken {} times and none is a result; name one with --attempt: {}",
        found.len(),
        attempts.join(", ")
    ))
}

/// The rows whose part is this word; otherwise which word may have been meant.
fn narrowed<'r>(
    rows: Vec<&'r ReadingRow>,
    what: &str,
    word: &str,
    part: impl Fn(&ReadingRow) -> String,
) -> Result<Vec<&'r ReadingRow>, String> {
    let mut known: Vec<String> = rows.iter().map(|row| part(row)).collect();
    let rest: Vec<&ReadingRow> = rows.into_iter().filter(|row| part(row) == word).collect();
    if !rest.is_empty() {
        return Ok(rest);
    }
    known.sort();
    known.dedup();
    Err(
        match written::nearest(word, known.iter().map(String::as_str)) {
            Some(near) => format!("there is no {what} `{word}`; did you mean `{near}`?"),
            None if known.is_empty() => "nothing was read yet".to_owned(),
            None => format!(
                "there is no {what} `{word}`; there are {}",
                known.join(", ")
            ),
        },
    )
}

/// The rows at a position, written in any unit.
fn at_position<'r>(
    rows: Vec<&'r ReadingRow>,
    written: &str,
) -> Result<Vec<&'r ReadingRow>, String> {
    let at = Length::parse(written).map_err(|why| why.to_string())?;
    let nearest = rows
        .iter()
        .map(|row| row.key.position)
        .min_by_key(|known| (*known - at).abs());
    let rest: Vec<&ReadingRow> = rows
        .into_iter()
        .filter(|row| row.key.position == at)
        .collect();
    if !rest.is_empty() {
        return Ok(rest);
    }
    Err(nearest.map_or_else(
        || "nothing was read yet".to_owned(),
        |near| {
            let (inches, millimetres) = (
                near.shown(LengthUnit::Inches),
                near.shown(LengthUnit::Millimetres),
            );
            format!("nothing was read at {written}; did you mean {inches} ({millimetres})?")
        },
    ))
}
