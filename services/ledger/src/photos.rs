//! What is known of the photos of findings. The pictures lie in a folder of the caller's.

use jiff::Timestamp;
use serde_json::json;
use sqlx::Row;
use sqlx::any::AnyRow;

use crate::change::{By, said};
use crate::error::{LedgerError, database};
use crate::open::{Ledger, instant};

/// A photo that is to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewPhoto {
    /// The finding that it belongs to.
    pub finding: i64,
    /// Its file's name as it is shown.
    pub name: String,
    /// Its media type, such as `image/jpeg`.
    pub media_type: String,
    /// Its size, bytes.
    pub bytes: i64,
    /// SHA-256 of its content, hexadecimal.
    pub sha256: String,
    /// The name under which its content lies in the folder.
    pub stored_as: String,
}

/// A photo of a finding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photo {
    /// Counted from 1.
    pub id: i64,
    /// The finding that it belongs to.
    pub finding: i64,
    /// Its file's name as it is shown.
    pub name: String,
    /// Its media type, such as `image/jpeg`.
    pub media_type: String,
    /// Its size, bytes.
    pub bytes: i64,
    /// SHA-256 of its content, hexadecimal.
    pub sha256: String,
    /// The name under which its content lies in the folder.
    pub stored_as: String,
    /// When it was added.
    pub added_at: Timestamp,
    /// By whom.
    pub added_by: String,
}

impl Ledger {
    /// Adds a photo to a finding. The same picture of the same finding is kept once.
    ///
    /// # Errors
    /// [`LedgerError::NoFinding`], [`LedgerError::BadText`] for a name that cannot be kept.
    pub async fn add_photo(&self, photo: &NewPhoto, by: &By) -> Result<Photo, LedgerError> {
        for (what, text) in [("file name", &photo.name), ("media type", &photo.media_type)] {
            said(what, text)?;
        }
        let mut change = self.change("add a photo", by).await?;
        let failed = change.failed();
        let known: i64 = sqlx::query_scalar("SELECT count(*) FROM findings WHERE id = $1")
            .bind(photo.finding)
            .fetch_one(&mut *change.tx)
            .await
            .map_err(failed)?;
        if known == 0 {
            return Err(LedgerError::NoFinding(photo.finding));
        }
        let failed = change.failed();
        let there = sqlx::query("SELECT * FROM photos WHERE finding = $1 AND sha256 = $2")
            .bind(photo.finding)
            .bind(photo.sha256.clone())
            .fetch_optional(&mut *change.tx)
            .await
            .map_err(failed)?;
        if let Some(there) = there {
            return read_photo(&there);
        }
        let failed = change.failed();
        let row = sqlx::query(
            "INSERT INTO photos (id, finding, name, media_type, bytes, sha256, stored_as, at_us, who)
             SELECT coalesce(max(id), 0) + 1, $1, $2, $3, $4, $5, $6, $7, $8 FROM photos RETURNING *",
        )
        .bind(photo.finding)
        .bind(photo.name.clone())
        .bind(photo.media_type.clone())
        .bind(photo.bytes)
        .bind(photo.sha256.clone())
        .bind(photo.stored_as.clone())
        .bind(by.at.as_microsecond())
        .bind(by.who.clone())
        .fetch_one(&mut *change.tx)
        .await
        .map_err(failed)?;
        let added = read_photo(&row)?;
        let detail = json!({ "photo": added.id, "name": photo.name, "bytes": photo.bytes, "sha256": photo.sha256 });
        change.note("add photo", format!("finding {}", photo.finding), detail);
        change.commit().await?;
        Ok(added)
    }

    /// The photos of a finding, in order of entry.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn photos(&self, finding: i64) -> Result<Vec<Photo>, LedgerError> {
        let rows = sqlx::query("SELECT * FROM photos WHERE finding = $1 ORDER BY id")
            .bind(finding)
            .fetch_all(&self.readers)
            .await
            .map_err(database("read the photos"))?;
        rows.iter().map(read_photo).collect()
    }

    /// A photo by its number.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn photo(&self, id: i64) -> Result<Option<Photo>, LedgerError> {
        let row = sqlx::query("SELECT * FROM photos WHERE id = $1")
            .bind(id)
            .fetch_optional(&self.readers)
            .await
            .map_err(database("read a photo"))?;
        row.as_ref().map(read_photo).transpose()
    }
}

fn read_photo(row: &AnyRow) -> Result<Photo, LedgerError> {
    Ok(Photo {
        id: row.get("id"),
        finding: row.get("finding"),
        name: row.get("name"),
        media_type: row.get("media_type"),
        bytes: row.get("bytes"),
        sha256: row.get("sha256"),
        stored_as: row.get("stored_as"),
        added_at: instant(row.get("at_us"))?,
        added_by: row.get("who"),
    })
}
