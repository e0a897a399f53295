//! Findings with their history: read back, added, corrected, withdrawn. Nothing is overwritten.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{Finding, TubeId};
use serde_json::json;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use crate::change::{By, said};
use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, instant};
use crate::record::body;

/// Who entered a finding that was there before names were kept.
const NOT_KEPT: &str = "not recorded";

/// One version of a finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Version {
    /// Counted from 1.
    pub version: i64,
    /// When it was entered.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
    /// Why the version before was changed; `None` for the first.
    pub why: Option<String>,
    /// What was said from then on; `None` if it was withdrawn.
    pub finding: Option<Finding>,
}

/// A finding as it stands, with all that was said before.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredFinding {
    /// Counted from 1; a correction keeps it.
    pub id: i64,
    /// The present version.
    pub version: i64,
    /// What holds now; `None` if it was withdrawn.
    pub finding: Option<Finding>,
    /// When it was first entered.
    pub entered_at: Timestamp,
    /// By whom.
    pub entered_by: String,
    /// Every version, the first and the present one included, oldest first.
    pub changed: Vec<Version>,
}

/// What became of findings that were added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Added {
    /// Their numbers, in the order in which they came.
    pub ids: Vec<i64>,
    /// The same request came before, and this is the answer that it got.
    pub repeated: bool,
}

impl Ledger {
    /// All findings with their history, or those of a tube (by any of their versions), in order of entry.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn findings(&self, tube: Option<&TubeId>) -> Result<Vec<StoredFinding>, LedgerError> {
        let mut tx = self.snapshot("read the findings").await?;
        let mut all = stored(&mut tx, None).await?;
        if let Some(tube) = tube {
            let of_tube = |version: &Version| version.finding.as_ref().is_some_and(|finding| finding.tube == *tube);
            all.retain(|stored| stored.changed.iter().any(of_tube));
        }
        Ok(all)
    }

    /// A finding with its history.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn finding(&self, id: i64) -> Result<Option<StoredFinding>, LedgerError> {
        let mut tx = self.snapshot("read a finding").await?;
        Ok(stored(&mut tx, Some(id)).await?.pop())
    }

    /// Replaces what a finding says. One that was withdrawn is brought back.
    ///
    /// # Errors
    /// [`LedgerError::Changed`] if it is not at `expected` any more, [`LedgerError::NoFinding`],
    /// [`LedgerError::NoTube`], [`LedgerError::BadText`] without a reason, [`LedgerError::SaidBefore`] if another finding
    /// says just this or nothing would change.
    pub async fn correct_finding(
        &self,
        id: i64,
        expected: i64,
        finding: Finding,
        why: &str,
        by: &By,
    ) -> Result<(), LedgerError> {
        self.change_finding(id, expected, Some(finding), why, by).await
    }

    /// Takes a finding back: it holds no longer, and stays in the history.
    ///
    /// # Errors
    /// [`LedgerError::Changed`] if it is not at `expected` any more, [`LedgerError::NoFinding`],
    /// [`LedgerError::AlreadyWithdrawn`], [`LedgerError::BadText`] without a reason.
    pub async fn withdraw_finding(&self, id: i64, expected: i64, why: &str, by: &By) -> Result<(), LedgerError> {
        self.change_finding(id, expected, None, why, by).await
    }

    async fn change_finding(
        &self,
        id: i64,
        expected: i64,
        finding: Option<Finding>,
        why: &str,
        by: &By,
    ) -> Result<(), LedgerError> {
        said("why", why)?;
        let mut change = self.change("change a finding", by).await?;
        let before = stored(&mut change.tx, Some(id)).await?.pop().ok_or(LedgerError::NoFinding(id))?;
        if before.version != expected {
            return Err(LedgerError::Changed { id, expected, found: before.version });
        }
        if let Some(finding) = &finding {
            check_tube(&mut change.tx, &finding.tube).await?;
            if before.finding.as_ref() == Some(finding) {
                return Err(LedgerError::SaidBefore { id });
            }
            if let Some(said) = said_by(&mut change.tx, finding).await?
                && said.id != id
                && said.holds
            {
                return Err(LedgerError::SaidBefore { id: said.id });
            }
        } else if before.finding.is_none() {
            return Err(LedgerError::AlreadyWithdrawn(id));
        }
        let version = expected + 1;
        let text = finding.as_ref().map(|finding| body("finding", finding)).transpose()?;
        let failed = change.failed();
        sqlx::query(
            "INSERT INTO finding_changes (finding, version, at_us, who, why, body) VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(id)
        .bind(version)
        .bind(by.at.as_microsecond())
        .bind(by.who.clone())
        .bind(why.to_owned())
        .bind(text)
        .execute(&mut *change.tx)
        .await
        .map_err(failed)?;
        let action = if finding.is_some() { "correct finding" } else { "withdraw finding" };
        let detail = json!({ "version": version, "why": why, "before": before.finding, "after": finding });
        change.revise(action, format!("finding {id}"), detail);
        change.commit().await
    }
}

/// Findings with their history, in order of entry: all, or one.
pub(crate) async fn stored(tx: &mut AnyConnection, id: Option<i64>) -> Result<Vec<StoredFinding>, LedgerError> {
    let first = match id {
        Some(id) => sqlx::query("SELECT id, entered_us, entered_by, body FROM findings WHERE id = $1").bind(id),
        None => sqlx::query("SELECT id, entered_us, entered_by, body FROM findings ORDER BY id"),
    };
    let first = first.fetch_all(&mut *tx).await.map_err(database("read findings"))?;
    let changes = match id {
        Some(id) => sqlx::query(
            "SELECT finding, version, at_us, who, why, body FROM finding_changes WHERE finding = $1 ORDER BY version",
        )
        .bind(id),
        None => {
            sqlx::query("SELECT finding, version, at_us, who, why, body FROM finding_changes ORDER BY finding, version")
        }
    };
    let changes = changes.fetch_all(&mut *tx).await.map_err(database("read corrections"))?;
    let mut by_finding: BTreeMap<i64, Vec<Version>> = BTreeMap::new();
    for row in &changes {
        by_finding.entry(row.get("finding")).or_default().push(version(row)?);
    }
    first.iter().map(|row| whole(row, by_finding.remove(&row.get("id")).unwrap_or_default())).collect()
}

fn version(row: &AnyRow) -> Result<Version, LedgerError> {
    let text: Option<String> = row.get("body");
    Ok(Version {
        version: row.get("version"),
        at: instant(row.get("at_us"))?,
        who: row.get("who"),
        why: Some(row.get("why")),
        finding: text.map(|text| read(&text)).transpose()?,
    })
}

fn whole(row: &AnyRow, later: Vec<Version>) -> Result<StoredFinding, LedgerError> {
    let first = read(row.get("body"))?;
    let entered_at = match row.get::<Option<i64>, _>("entered_us") {
        Some(micros) => instant(micros)?,
        None => first.known_at(),
    };
    let entered_by = row.get::<Option<String>, _>("entered_by").unwrap_or_else(|| NOT_KEPT.to_owned());
    let mut changed =
        vec![Version { version: 1, at: entered_at, who: entered_by.clone(), why: None, finding: Some(first) }];
    changed.extend(later);
    let (version, finding) = changed.last().map(|last| (last.version, last.finding.clone())).unwrap_or_default();
    Ok(StoredFinding { id: row.get("id"), version, finding, entered_at, entered_by, changed })
}

fn read(text: &str) -> Result<Finding, LedgerError> {
    serde_json::from_str(text).map_err(|error| damaged("finding")(&error))
}

/// The tube of a finding must be known.
pub(crate) async fn check_tube(tx: &mut AnyConnection, tube: &TubeId) -> Result<(), LedgerError> {
    let known: i64 = sqlx::query_scalar("SELECT count(*) FROM tubes WHERE tube = $1")
        .bind(tube.as_str().to_owned())
        .fetch_one(tx)
        .await
        .map_err(database("look for a tube"))?;
    if known == 0 { Err(LedgerError::NoTube(tube.to_string())) } else { Ok(()) }
}

/// A finding that says something, now or earlier.
pub(crate) struct Said {
    pub(crate) id: i64,
    /// It still says just this.
    pub(crate) holds: bool,
}

/// Which finding says, or once said, just this.
pub(crate) async fn said_by(tx: &mut AnyConnection, finding: &Finding) -> Result<Option<Said>, LedgerError> {
    let text = body("finding", finding)?;
    let ids: Vec<i64> = sqlx::query_scalar(
        "SELECT id FROM findings WHERE body = $1
         UNION SELECT finding FROM finding_changes WHERE body = $1 ORDER BY 1",
    )
    .bind(text)
    .fetch_all(&mut *tx)
    .await
    .map_err(database("look for a finding"))?;
    let mut said = None;
    for id in ids {
        let holds = stored(tx, Some(id)).await?.iter().any(|stored| stored.finding.as_ref() == Some(finding));
        if holds {
            return Ok(Some(Said { id, holds }));
        }
        said = said.or(Some(Said { id, holds }));
    }
    Ok(said)
}
