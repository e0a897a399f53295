//! A unit's hours as past scores saw them. Readings that came later change the hours, and not these.

use jiff::Timestamp;
use plant::{HourExposure, UnitId};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use crate::error::{LedgerError, damaged, database};
use crate::open::Ledger;
use crate::place::Kind;
use crate::record::body;
use crate::rows::{Insert, Statement};

const ROWS_PER_STATEMENT: usize = 500;
const DAYS: Insert = Insert {
    head: "INSERT INTO hours_seen (unit, day, baseline, at_us, sha256, body)",
    columns: 6,
    tail: "ON CONFLICT DO NOTHING",
};

/// A day of a unit as the scores of an instant saw it.
#[derive(Debug, Clone, PartialEq)]
pub struct SeenDay {
    /// Which unit.
    pub unit: UnitId,
    /// Which day (UTC), counted from 1970-01-01.
    pub day: i64,
    /// The torque baseline behind its exposures.
    pub baseline: Option<i64>,
    /// By the scores of which instant.
    pub at: Timestamp,
    /// Digest of its hours.
    pub sha256: String,
    /// The hours with any running; `None` if only their digest was kept.
    pub hours: Option<Vec<HourExposure>>,
}

pub(crate) async fn keep_days(tx: &mut AnyConnection, kind: Kind, days: &[SeenDay]) -> Result<(), LedgerError> {
    for chunk in days.chunks(ROWS_PER_STATEMENT) {
        let rows: Vec<_> = chunk
            .iter()
            .map(|seen| Ok((seen, seen.hours.as_ref().map(|hours| body("hour", hours)).transpose()?)))
            .collect::<Result<_, LedgerError>>()?;
        let write = |statement: Statement, (seen, body): &(&SeenDay, Option<String>)| {
            let statement =
                statement.bind(seen.unit.as_str().to_owned()).bind(seen.day).bind(seen.baseline.unwrap_or(0));
            statement.bind(seen.at.as_microsecond()).bind(seen.sha256.clone()).bind(body.clone())
        };
        DAYS.run(&mut *tx, kind, &rows, write).await.map_err(database("keep hours"))?;
    }
    Ok(())
}

impl Ledger {
    /// Each day of each unit as it was last seen at an instant or before it, with the exposures of a torque baseline.
    /// Without `whole` the hours themselves stay out.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn days_seen(
        &self,
        at: Timestamp,
        baseline: Option<i64>,
        whole: bool,
    ) -> Result<Vec<SeenDay>, LedgerError> {
        let rows = sqlx::query(
            "SELECT s.unit, s.day, s.at_us, s.sha256, CASE WHEN $3 = 1 THEN s.body END AS body FROM hours_seen s
             JOIN (SELECT unit, day, max(at_us) AS at_us FROM hours_seen WHERE at_us <= $1 AND baseline = $2
                   GROUP BY unit, day) newest
             ON newest.unit = s.unit AND newest.day = s.day AND newest.at_us = s.at_us
             WHERE s.baseline = $2 ORDER BY s.unit, s.day",
        )
        .bind(at.as_microsecond())
        .bind(baseline.unwrap_or(0))
        .bind(i64::from(whole))
        .fetch_all(&self.readers)
        .await
        .map_err(database("read hours"))?;
        rows.iter().map(|row| seen_day(row, baseline)).collect()
    }
}

fn seen_day(row: &AnyRow, baseline: Option<i64>) -> Result<SeenDay, LedgerError> {
    let hours: Option<String> = row.get("body");
    Ok(SeenDay {
        unit: UnitId::new(row.get("unit")).map_err(|error| damaged("unit")(&error))?,
        day: row.get("day"),
        baseline,
        at: crate::open::instant(row.get("at_us"))?,
        sha256: row.get("sha256"),
        hours: hours.map(|text| serde_json::from_str(&text).map_err(|error| damaged("hour")(&error))).transpose()?,
    })
}
