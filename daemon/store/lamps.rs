//! Lamp models as sent. Every version is kept; the newest is in force.

use sha2::{Digest, Sha256};
use sqlx::Row;

use super::error::StoreError;
use super::open::Store;
use crate::plan::frozen::SentText;
use crate::plan::lamp::Lamp;

impl Store {
    /// Keeps a lamp model and the text that it was read from. The same content
    /// as the newest version changes nothing.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub async fn put_lamp(&self, lamp: &Lamp, text: &SentText) -> Result<(), StoreError> {
        let doing = StoreError::sql("keeping a lamp");
        let json = serde_json::to_string(lamp).map_err(StoreError::json("a lamp"))?;
        let mut digest = Sha256::new();
        for part in [&json, &text.name, &text.text] {
            digest.update((part.len() as u64).to_le_bytes());
            digest.update(part.as_bytes());
        }
        let digest: String = digest
            .finalize()
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        sqlx::query(
            "INSERT INTO lamps (name, digest, lamp, text_name, text) SELECT ?1, ?2, ?3, ?4, ?5
             WHERE ?2 IS NOT (SELECT digest FROM lamps WHERE name = ?1 ORDER BY id DESC LIMIT 1)",
        )
        .bind(&lamp.name)
        .bind(digest)
        .bind(json)
        .bind(&text.name)
        .bind(&text.text)
        .execute(self.writer()?)
        .await
        .map_err(doing)?;
        Ok(())
    }

    /// The newest version of a lamp model.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn lamp(&self, name: &str) -> Result<Option<(Lamp, SentText)>, StoreError> {
        let doing = StoreError::sql("reading a lamp");
        let row = sqlx::query(
            "SELECT lamp, text_name, text FROM lamps WHERE name = ? ORDER BY id DESC LIMIT 1",
        )
        .bind(name)
        .fetch_optional(self.readers())
        .await
        .map_err(&doing)?;
        let Some(row) = row else { return Ok(None) };
        let json: String = row.try_get(0).map_err(&doing)?;
        let text = SentText {
            name: row.try_get(1).map_err(&doing)?,
            text: row.try_get(2).map_err(&doing)?,
        };
        let lamp = serde_json::from_str(&json).map_err(StoreError::json("a stored lamp"))?;
        Ok(Some((lamp, text)))
    }

    /// The names of all lamp models, sorted.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub async fn lamp_names(&self) -> Result<Vec<String>, StoreError> {
        sqlx::query_scalar("SELECT DISTINCT name FROM lamps ORDER BY name")
            .fetch_all(self.readers())
            .await
            .map_err(StoreError::sql("reading the lamps' names"))
    }
}
