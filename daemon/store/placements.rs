//! Which unit stands where, since when and until when.

use photometry::units::{Length, Wall};
use sqlx::sqlite::SqliteRow;
use sqlx::{Row, SqlitePool};

use super::error::StoreError;
use super::open::Store;
use crate::plan::placement::Placement;

/// The columns that make a placement, in the order that `placement_of` reads.
const SELECT: &str = "SELECT id, unit, lamp, firmware, bench, place, datum_nm, datum_uncertainty_nm, \
     gauge_nm, fingers, who, since_wall_us, stated FROM placements WHERE ";

impl Store {
    /// Records a placement. It ends the earlier one at that place, and the one
    /// where the unit stood before.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub async fn place(&self, placement: &Placement) -> Result<i64, StoreError> {
        let doing = StoreError::sql("recording a placement");
        let fingers = serde_json::to_string(&placement.fingers)
            .map_err(StoreError::json("a placement's fingers"))?;
        let stated = serde_json::to_string(&placement.stated)
            .map_err(StoreError::json("what is stated of a placement"))?;
        let mut change = self
            .writer()?
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(&doing)?;
        sqlx::query(
            "UPDATE placements SET ended_wall_us = ?
             WHERE ended_wall_us IS NULL AND ((bench = ? AND place = ?) OR unit = ?)",
        )
        .bind(placement.since.us())
        .bind(&placement.bench)
        .bind(&placement.place)
        .bind(&placement.unit)
        .execute(&mut *change)
        .await
        .map_err(&doing)?;
        let id = sqlx::query(
            "INSERT INTO placements (unit, lamp, firmware, bench, place, datum_nm,
                 datum_uncertainty_nm, gauge_nm, fingers, who, since_wall_us, stated)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )
        .bind(&placement.unit)
        .bind(&placement.lamp)
        .bind(&placement.firmware)
        .bind(&placement.bench)
        .bind(&placement.place)
        .bind(placement.datum.nm())
        .bind(placement.datum_uncertainty.nm())
        .bind(placement.gauge.map(Length::nm))
        .bind(fingers)
        .bind(&placement.who)
        .bind(placement.since.us())
        .bind(stated)
        .execute(&mut *change)
        .await
        .map_err(&doing)?
        .last_insert_rowid();
        change.commit().await.map_err(&doing)?;
        Ok(id)
    }

    /// Where a unit stands now.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn placement_of_unit(
        &self,
        unit: &str,
    ) -> Result<Option<(i64, Placement)>, StoreError> {
        let sql = format!("{SELECT} unit = ?1 AND ended_wall_us IS NULL");
        one(self.readers(), sql, &[unit]).await
    }

    /// What stands at a place now.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn placement_at(
        &self,
        bench: &str,
        place: &str,
    ) -> Result<Option<(i64, Placement)>, StoreError> {
        let sql = format!("{SELECT} bench = ?1 AND place = ?2 AND ended_wall_us IS NULL");
        one(self.readers(), sql, &[bench, place]).await
    }

    /// The model of a unit as it was placed last, wherever that was.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn model_of_unit(&self, unit: &str) -> Result<Option<String>, StoreError> {
        let sql = "SELECT lamp FROM placements WHERE unit = ? ORDER BY id DESC LIMIT 1";
        sqlx::query_scalar(sql)
            .bind(unit)
            .fetch_optional(self.readers())
            .await
            .map_err(StoreError::sql("reading a unit's model"))
    }

    /// Ends a placement: a person touched the lamp. One that has ended already
    /// keeps its end.
    ///
    /// # Errors
    /// When there is none with this number, or the record cannot be written.
    pub async fn end_placement(&self, id: i64, when: Wall) -> Result<(), StoreError> {
        let done = sqlx::query(
            "UPDATE placements SET ended_wall_us = coalesce(ended_wall_us, ?) WHERE id = ?",
        )
        .bind(when.us())
        .bind(id)
        .execute(self.writer()?)
        .await
        .map_err(StoreError::sql("ending a placement"))?;
        if done.rows_affected() == 0 {
            return Err(StoreError::NoPlacement(id));
        }
        Ok(())
    }
}

/// The one placement that fits. `sql` is made of the constants above only;
/// what users wrote is bound.
async fn one(
    pool: &SqlitePool,
    sql: String,
    bound: &[&str],
) -> Result<Option<(i64, Placement)>, StoreError> {
    let mut query = sqlx::query(sqlx::AssertSqlSafe(sql));
    for text in bound {
        query = query.bind(*text);
    }
    let row = query
        .fetch_optional(pool)
        .await
        .map_err(StoreError::sql("reading a placement"))?;
    row.as_ref().map(placement_of).transpose()
}

fn placement_of(row: &SqliteRow) -> Result<(i64, Placement), StoreError> {
    let doing = StoreError::sql("reading a placement");
    let fingers: String = row.try_get(9).map_err(&doing)?;
    let placement = Placement {
        unit: row.try_get(1).map_err(&doing)?,
        lamp: row.try_get(2).map_err(&doing)?,
        firmware: row.try_get(3).map_err(&doing)?,
        bench: row.try_get(4).map_err(&doing)?,
        place: row.try_get(5).map_err(&doing)?,
        datum: Length::from_nm(row.try_get(6).map_err(&doing)?),
        datum_uncertainty: Length::from_nm(row.try_get(7).map_err(&doing)?),
        gauge: row
            .try_get::<Option<i64>, _>(8)
            .map_err(&doing)?
            .map(Length::from_nm),
        fingers: serde_json::from_str(&fingers)
            .map_err(StoreError::json("a stored placement's fingers"))?,
        who: row.try_get(10).map_err(&doing)?,
        since: Wall::from_us(row.try_get(11).map_err(&doing)?),
        stated: serde_json::from_str(&row.try_get::<String, _>(12).map_err(&doing)?)
            .map_err(StoreError::json("what is stated of a stored placement"))?,
    };
    Ok((row.try_get(0).map_err(&doing)?, placement))
}
