//! What is to be told to others: written together with what it tells of, and kept until they have confirmed it.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use crate::change::Change;
use crate::error::{LedgerError, database};
use crate::open::{Ledger, instant};
use crate::secret::new_secret;

/// Nobody waits longer than this for the next try. A time farther off was set by a clock that ran ahead.
const FARTHEST: SignedDuration = SignedDuration::from_hours(25);
/// Letters of a notice's key: as many as anybody needs to tell two apart.
const KEY: usize = 32;

/// Something new to tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewNotice {
    /// Whom: the name of an entry in the config.
    pub target: String,
    /// Of which piece of advice, as a position among those that are kept with it.
    pub of: usize,
    /// What is told, in a form that is the caller's own.
    pub body: String,
}

/// Something that nobody has confirmed yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// Counted from 1.
    pub id: i64,
    /// Tells it apart from every other one; the same over all tries, and over a restart.
    pub key: String,
    /// Of which piece of advice it tells.
    pub advice: i64,
    /// When that was raised or cleared.
    pub at: Timestamp,
    /// What is told.
    pub body: String,
    /// How often it was tried.
    pub tries: u32,
}

/// How the telling goes, for one target.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Telling {
    /// Whom the config calls so, or called so once.
    pub target: String,
    /// How many were confirmed.
    pub told: u64,
    /// How many wait.
    pub waiting: u64,
    /// How many were given up.
    pub given_up: u64,
    /// When the oldest that waits was raised or cleared.
    pub waits_since: Option<Timestamp>,
    /// Why the oldest that waits was not taken at its last try, or the newest that was given up.
    pub error: Option<String>,
}

impl Ledger {
    /// What a target is to be told now, oldest first. What was said later of the same piece of advice waits for what was said
    /// before.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn due_notices(&self, target: &str, now: Timestamp, most: u32) -> Result<Vec<Notice>, LedgerError> {
        let rows = sqlx::query(
            "SELECT id, key, advice, at_us, body, tries FROM notices AS one
             WHERE target = $1 AND told_us IS NULL AND given_up_us IS NULL AND (next_us <= $2 OR next_us > $4)
               AND NOT EXISTS (SELECT 1 FROM notices AS before WHERE before.target = $1 AND before.advice = one.advice
                   AND before.id < one.id AND before.told_us IS NULL AND before.given_up_us IS NULL)
             ORDER BY id LIMIT $3",
        )
        .bind(target.to_owned())
        .bind(now.as_microsecond())
        .bind(i64::from(most))
        .bind(now.saturating_add(FARTHEST).unwrap_or(Timestamp::MAX).as_microsecond())
        .fetch_all(&self.readers)
        .await
        .map_err(database("read what is to be told"))?;
        rows.iter().map(notice).collect()
    }

    /// Notes that a notice was confirmed. It is not told again.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn notice_told(&self, id: i64, at: Timestamp) -> Result<(), LedgerError> {
        self.after_try(id, "told_us = $2, error = $3", at, None).await
    }

    /// Notes that a try failed, why, and before when there is no other.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn notice_failed(&self, id: i64, why: &str, next: Timestamp) -> Result<(), LedgerError> {
        self.after_try(id, "next_us = $2, error = $3", next, Some(why)).await
    }

    /// Notes that a notice is tried no more after a last try, and why.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn notice_given_up(&self, id: i64, why: &str, at: Timestamp) -> Result<(), LedgerError> {
        self.after_try(id, "given_up_us = $2, error = $3", at, Some(why)).await
    }

    /// Notes what became of one try. What was confirmed stays so.
    async fn after_try(
        &self,
        id: i64,
        outcome: &'static str,
        at: Timestamp,
        why: Option<&str>,
    ) -> Result<(), LedgerError> {
        let sql = format!("UPDATE notices SET tries = tries + 1, {outcome} WHERE id = $1 AND told_us IS NULL");
        sqlx::query(AssertSqlSafe(sql))
            .bind(id)
            .bind(at.as_microsecond())
            .bind(why.map(str::to_owned))
            .execute(&self.writer)
            .await
            .map_err(database("note what became of a notice"))?;
        Ok(())
    }

    /// Gives up all that waits for a target, and says why.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn give_up_notices(&self, target: &str, why: &str, at: Timestamp) -> Result<(), LedgerError> {
        sqlx::query(
            "UPDATE notices SET error = $2, given_up_us = $3 WHERE target = $1 AND told_us IS NULL AND given_up_us IS NULL",
        )
        .bind(target.to_owned())
        .bind(why.to_owned())
        .bind(at.as_microsecond())
        .execute(&self.writer)
        .await
        .map_err(database("note what is given up"))?;
        Ok(())
    }

    /// How the telling goes, by target, in the order of their names.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn notice_counts(&self) -> Result<Vec<Telling>, LedgerError> {
        let failed = || database("count what was told");
        let counts = sqlx::query(
            "SELECT target, count(told_us) AS told, count(given_up_us) AS given_up, count(*) AS kept,
                 min(CASE WHEN told_us IS NULL AND given_up_us IS NULL THEN id END) AS oldest,
                 max(CASE WHEN given_up_us IS NOT NULL THEN id END) AS lost
             FROM notices GROUP BY target ORDER BY target",
        )
        .fetch_all(&self.readers)
        .await
        .map_err(failed())?;
        let mut told = Vec::new();
        for row in &counts {
            let whole = |column: &str| u64::try_from(row.get::<i64, _>(column)).unwrap_or_default();
            let (oldest, lost): (Option<i64>, Option<i64>) = (row.get("oldest"), row.get("lost"));
            let of = sqlx::query("SELECT at_us, error FROM notices WHERE id = $1")
                .bind(oldest.or(lost).unwrap_or_default())
                .fetch_optional(&self.readers)
                .await
                .map_err(failed())?;
            told.push(Telling {
                target: row.get("target"),
                told: whole("told"),
                waiting: whole("kept") - whole("told") - whole("given_up"),
                given_up: whole("given_up"),
                waits_since: match &of {
                    Some(of) if oldest.is_some() => Some(instant(of.get("at_us"))?),
                    _ => None,
                },
                error: of.and_then(|of| of.get("error")),
            });
        }
        Ok(told)
    }
}

/// Writes new notices into the change that keeps their advice, whose numbers are given in their order.
pub(crate) async fn add(change: &mut Change<'_>, notices: &[NewNotice], advice: &[i64]) -> Result<(), LedgerError> {
    for new in notices {
        let mut key = new_secret()?;
        key.truncate(KEY);
        let failed = change.failed();
        sqlx::query(
            "INSERT INTO notices (id, key, target, advice, at_us, body, tries, next_us)
             SELECT coalesce(max(id), 0) + 1, $1, $2, $3, $4, $5, 0, $4 FROM notices",
        )
        .bind(key)
        .bind(new.target.clone())
        .bind(advice.get(new.of).copied().unwrap_or_default())
        .bind(change.by.at.as_microsecond())
        .bind(new.body.clone())
        .execute(&mut *change.tx)
        .await
        .map_err(failed)?;
    }
    Ok(())
}

fn notice(row: &AnyRow) -> Result<Notice, LedgerError> {
    Ok(Notice {
        id: row.get("id"),
        key: row.get("key"),
        advice: row.get("advice"),
        at: instant(row.get("at_us"))?,
        body: row.get("body"),
        tries: u32::try_from(row.get::<i64, _>("tries")).unwrap_or_default(),
    })
}
