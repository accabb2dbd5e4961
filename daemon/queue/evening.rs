//! What the two sheets need of the keeper: where units stand, the bench's
//! clock, what of a run is missing.
//!
//! Called by: web. Not here: the sheets (sheets).

use photometry::units::Wall;

use super::keeper::Keeper;
use super::redo::missing;
use super::refusal::Refusal;
use super::sheets::morning::{self, Night, RunMorning};
use super::sheets::tonight::{self, Evening, Tonight};
use super::sheets::{At, Told, noon_before, since};
use crate::run::journal::Left;
use crate::run::progress::Phase;
use crate::store::readings::Whole;
use crate::store::runs::RunRow;

impl Keeper {
    /// The evening sheet of runs that are not over; `left_out` more were not
    /// looked at.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn tonight(&self, mut runs: Vec<Told>, left_out: usize) -> Result<Tonight, Refusal> {
        for told in &mut runs {
            self.look_where_it_stands(told).await?;
        }
        Ok(tonight::tonight(&Evening {
            clock: &self.clock,
            now: self.now().wall,
            rehearsal: self.rehearsal(),
            benches: &self.benches(),
            runs: &runs,
            left_out,
        }))
    }

    /// Since when the morning sheet tells: as written, `2026-11-26T12:00` on the
    /// bench's clock, or yesterday's noon.
    ///
    /// # Errors
    /// What is wrong with the text, as a sentence.
    pub fn since(&self, written: Option<&str>) -> Result<Wall, String> {
        match written {
            Some(text) => since(&self.clock, text),
            None => Ok(noon_before(&self.clock, self.now().wall)),
        }
    }

    /// An instant on the bench's clock.
    pub fn at(&self, wall: Wall) -> At {
        At::of(&self.clock, wall)
    }

    /// One run of the morning sheet. `whole`: its readings, when it is over;
    /// `left`: how the bench was left, unless another run was at work there since;
    /// `again`: runs that measure a part of it again.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn morning_of(
        &self,
        mut told: Told,
        whole: Option<&Whole>,
        left: Option<(Left, String)>,
        again: Vec<RunRow>,
    ) -> Result<RunMorning, Refusal> {
        self.look_where_it_stands(&mut told).await?;
        let missing = whole.map_or_else(Vec::new, |whole| {
            missing(
                &whole.frozen,
                &whole.readings,
                &whole.captures,
                &whole.events,
            )
        });
        let night = Night {
            trouble: self.trouble(&told.row),
            told,
            missing,
            left,
            again,
        };
        Ok(morning::run(&self.clock, &night))
    }

    /// Says where a run's unit stands; of a run at work that was looked at when
    /// it was handed over.
    async fn look_where_it_stands(&self, told: &mut Told) -> Result<(), Refusal> {
        let over = told.row.state.is_over();
        if over || told.asks.is_some() || told.progress.phase == Phase::Measuring {
            return Ok(());
        }
        told.displaced = self.displaced(told.row.id).await?;
        told.nowhere = self
            .store
            .placement_of_unit(&told.row.unit)
            .await?
            .is_none();
        Ok(())
    }
}
