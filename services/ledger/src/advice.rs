//! Advice: kept while it is open and after, with what people said to it.

use jiff::Timestamp;
use plant::{Advice, AdviceKind, PutOff, Seen, TubeId, UnitId};
use serde_json::json;
use sqlx::Row;
use sqlx::any::AnyRow;

use crate::change::{By, Change, said};
use crate::error::{LedgerError, damaged, database};
use crate::notices::{self, NewNotice};
use crate::open::{Ledger, instant};

impl Ledger {
    /// Advice that is not cleared, raised or not, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn open_advice(&self) -> Result<Vec<Advice>, LedgerError> {
        let rows = sqlx::query("SELECT * FROM advice WHERE cleared_us IS NULL ORDER BY id")
            .fetch_all(&self.readers)
            .await
            .map_err(database("read advice"))?;
        rows.iter().map(advice).collect()
    }

    /// The newest `limit` pieces of advice that were cleared, newest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn cleared_advice(&self, limit: u32) -> Result<Vec<Advice>, LedgerError> {
        let rows =
            sqlx::query("SELECT * FROM advice WHERE cleared_us IS NOT NULL ORDER BY cleared_us DESC, id DESC LIMIT $1")
                .bind(i64::from(limit))
                .fetch_all(&self.readers)
                .await
                .map_err(database("read advice"))?;
        rows.iter().map(advice).collect()
    }

    /// Keeps new and changed advice, all or none; what people said to it is left as it stands. Advice whose cause went
    /// before it was raised is forgotten. What is to be told of it stands with it, or neither does.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn keep_advice(&self, changed: &[Advice], tell: &[NewNotice], by: &By) -> Result<(), LedgerError> {
        if changed.is_empty() {
            return Ok(());
        }
        let mut change = self.change("keep advice", by).await?;
        let mut numbers = Vec::new();
        for advice in changed {
            numbers.push(keep(&mut change, advice).await?);
        }
        notices::add(&mut change, tell, &numbers).await?;
        change.commit().await
    }

    /// Notes that somebody has read a piece of advice. Who read it first stays.
    ///
    /// # Errors
    /// [`LedgerError::NoAdvice`] if none with this number is raised and open.
    pub async fn see_advice(&self, id: i64, by: &By) -> Result<(), LedgerError> {
        let mut change = self.change("note that advice was seen", by).await?;
        let raised = raised(&mut change, id).await?;
        if raised.seen.is_some() {
            return Ok(());
        }
        let failed = change.failed();
        sqlx::query("UPDATE advice SET seen_by = $2, seen_us = $3 WHERE id = $1")
            .bind(id)
            .bind(by.who.clone())
            .bind(by.at.as_microsecond())
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        change.note("see advice", format!("advice {id}"), json!({ "unit": raised.unit, "kind": raised.kind }));
        change.commit().await
    }

    /// Puts a piece of advice off, with a reason. It stays open and in sight.
    ///
    /// # Errors
    /// [`LedgerError::NoAdvice`] if none with this number is raised and open, [`LedgerError::MustHold`] for a hold,
    /// [`LedgerError::BadText`] without a reason.
    pub async fn put_off_advice(&self, id: i64, until: Timestamp, why: &str, by: &By) -> Result<(), LedgerError> {
        said("why", why)?;
        let mut change = self.change("put advice off", by).await?;
        let raised = raised(&mut change, id).await?;
        if raised.kind == AdviceKind::Hold {
            return Err(LedgerError::MustHold(id));
        }
        let failed = change.failed();
        sqlx::query(
            "UPDATE advice SET put_off_to = $2, put_off_why = $3, put_off_by = $4, put_off_us = $5,
             seen_by = coalesce(seen_by, $4), seen_us = coalesce(seen_us, $5) WHERE id = $1",
        )
        .bind(id)
        .bind(until.as_microsecond())
        .bind(why.trim().to_owned())
        .bind(by.who.clone())
        .bind(by.at.as_microsecond())
        .execute(&mut *change.tx)
        .await
        .map_err(failed)?;
        let detail = json!({ "unit": raised.unit, "kind": raised.kind, "until": until, "why": why.trim(),
            "before": raised.put_off });
        change.note("put off advice", format!("advice {id}"), detail);
        change.commit().await
    }
}

/// Writes one piece, and the audit row where it is raised or cleared. Gives its number.
async fn keep(change: &mut Change<'_>, advice: &Advice) -> Result<i64, LedgerError> {
    let micros = |at: Option<Timestamp>| at.map(Timestamp::as_microsecond);
    if advice.id != 0 && advice.raised_at.is_none() && advice.cleared_at.is_some() {
        let failed = change.failed();
        sqlx::query("DELETE FROM advice WHERE id = $1 AND raised_us IS NULL")
            .bind(advice.id)
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        return Ok(advice.id);
    }
    let failed = change.failed();
    let id: i64 = if advice.id == 0 {
        sqlx::query_scalar(
            "INSERT INTO advice (id, tube, unit, kind, cause_us, raised_us, gone_us, cleared_us)
             SELECT coalesce(max(id), 0) + 1, $1, $2, $3, $4, $5, $6, $7 FROM advice RETURNING id",
        )
        .bind(advice.tube.as_str().to_owned())
        .bind(advice.unit.as_str().to_owned())
        .bind(advice.kind.as_str())
        .bind(advice.cause_since.as_microsecond())
        .bind(micros(advice.raised_at))
        .bind(micros(advice.gone_since))
        .bind(micros(advice.cleared_at))
        .fetch_one(&mut *change.tx)
        .await
        .map_err(failed)?
    } else {
        sqlx::query("UPDATE advice SET raised_us = $2, gone_us = $3, cleared_us = $4 WHERE id = $1")
            .bind(advice.id)
            .bind(micros(advice.raised_at))
            .bind(micros(advice.gone_since))
            .bind(micros(advice.cleared_at))
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        advice.id
    };
    let now = Some(change.by.at);
    let told = json!({ "tube": advice.tube, "unit": advice.unit, "kind": advice.kind });
    if advice.cleared_at == now {
        change.note("clear advice", format!("advice {id}"), told);
    } else if advice.raised_at == now {
        change.note("raise advice", format!("advice {id}"), told);
    }
    Ok(id)
}

/// A piece that is raised and open.
async fn raised(change: &mut Change<'_>, id: i64) -> Result<Advice, LedgerError> {
    let failed = change.failed();
    let row = sqlx::query("SELECT * FROM advice WHERE id = $1 AND raised_us IS NOT NULL AND cleared_us IS NULL")
        .bind(id)
        .fetch_optional(&mut *change.tx)
        .await
        .map_err(failed)?;
    advice(&row.ok_or(LedgerError::NoAdvice(id))?)
}

fn advice(row: &AnyRow) -> Result<Advice, LedgerError> {
    let when = |column: &str| row.get::<Option<i64>, _>(column).map(instant).transpose();
    let broken = damaged("advice");
    let seen: Option<String> = row.get("seen_by");
    let put_off: Option<String> = row.get("put_off_by");
    Ok(Advice {
        id: row.get("id"),
        tube: TubeId::new(row.get("tube")).map_err(|error| broken(&error))?,
        unit: UnitId::new(row.get("unit")).map_err(|error| broken(&error))?,
        kind: row.get::<&str, _>("kind").parse().map_err(|error| broken(&error))?,
        cause_since: instant(row.get("cause_us"))?,
        raised_at: when("raised_us")?,
        gone_since: when("gone_us")?,
        cleared_at: when("cleared_us")?,
        seen: seen.zip(when("seen_us")?).map(|(who, at)| Seen { who, at }),
        put_off: match (put_off, when("put_off_to")?, when("put_off_us")?) {
            (Some(who), Some(until), Some(at)) => {
                Some(PutOff { until, why: row.get::<Option<String>, _>("put_off_why").unwrap_or_default(), who, at })
            }
            _ => None,
        },
    })
}
