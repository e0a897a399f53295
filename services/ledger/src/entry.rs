//! Findings that people and machines enter, one request at a time.

use plant::Finding;
use serde_json::json;
use sqlx::Row;

use crate::change::{By, Change, said};
use crate::error::LedgerError;
use crate::findings::{Added, check_tube, said_by};
use crate::open::Ledger;
use crate::record::body;
use crate::secret::sha256_hex;

impl Ledger {
    /// Adds findings, all or none. One that stands there already stays once and keeps its number.
    ///
    /// A request with a key is answered once: the same key with the same findings gets the same answer again, for ever,
    /// whoever sends it.
    ///
    /// # Errors
    /// [`LedgerError::KeyReused`] if the key came with other findings, [`LedgerError::NoTube`],
    /// [`LedgerError::SaidBefore`] if a finding that was since corrected or withdrawn said this,
    /// [`LedgerError::BadText`] for a blank key.
    pub async fn add_findings(
        &self,
        findings: &[Finding],
        request_key: Option<&str>,
        by: &By,
    ) -> Result<Added, LedgerError> {
        request_key.map_or(Ok(()), |key| said("request key", key))?;
        let asked = sha256_hex(body("request", &findings)?.as_bytes());
        let mut change = self.change("add findings", by).await?;
        if let Some(key) = request_key
            && let Some(ids) = answered(&mut change, key, &asked).await?
        {
            return Ok(Added { ids, repeated: true });
        }
        let mut ids = Vec::new();
        for finding in findings {
            check_tube(&mut change.tx, &finding.tube).await?;
            ids.push(match said_by(&mut change.tx, finding).await? {
                Some(said) if said.holds => said.id,
                Some(said) => return Err(LedgerError::SaidBefore { id: said.id }),
                None => insert(&mut change, finding).await?,
            });
        }
        if let Some(key) = request_key {
            let failed = change.failed();
            sqlx::query("INSERT INTO request_keys (key, sha256, answer, at_us) VALUES ($1, $2, $3, $4)")
                .bind(key.to_owned())
                .bind(asked)
                .bind(body("answer", &ids)?)
                .bind(by.at.as_microsecond())
                .execute(&mut *change.tx)
                .await
                .map_err(failed)?;
        }
        change.commit().await?;
        Ok(Added { ids, repeated: false })
    }
}

/// The answer that a request with this key got.
async fn answered(change: &mut Change<'_>, key: &str, asked: &str) -> Result<Option<Vec<i64>>, LedgerError> {
    let failed = change.failed();
    let row = sqlx::query("SELECT sha256, answer FROM request_keys WHERE key = $1")
        .bind(key.to_owned())
        .fetch_optional(&mut *change.tx)
        .await
        .map_err(failed)?;
    let Some(row) = row else { return Ok(None) };
    if row.get::<&str, _>("sha256") != asked {
        return Err(LedgerError::KeyReused(key.chars().take(80).collect()));
    }
    let ids = serde_json::from_str(row.get("answer"));
    ids.map(Some).map_err(|error| crate::error::damaged("answer")(&error))
}

/// Writes a finding that is not there and gives it the next number.
pub(crate) async fn insert(change: &mut Change<'_>, finding: &Finding) -> Result<i64, LedgerError> {
    let failed = change.failed();
    let id: i64 = sqlx::query_scalar(
        "INSERT INTO findings (id, at_us, tube, body, entered_us, entered_by)
         SELECT coalesce(max(id), 0) + 1, $1, $2, $3, $4, $5 FROM findings RETURNING id",
    )
    .bind(finding.at.as_microsecond())
    .bind(finding.tube.as_str().to_owned())
    .bind(body("finding", finding)?)
    .bind(change.by.at.as_microsecond())
    .bind(change.by.who.clone())
    .fetch_one(&mut *change.tx)
    .await
    .map_err(failed)?;
    change.revise("add finding", format!("finding {id}"), json!(finding));
    Ok(id)
}
