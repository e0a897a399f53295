//! Reading the record of the fleet, and storing what imports bring.

use std::collections::BTreeMap;

use plant::{Campaign, Finding, Fitting, Record, Tube, TubeId, UnitId, Work, Zone};
use serde::Serialize;
use serde::de::DeserializeOwned;
use sqlx::{Row, SqliteConnection};

use crate::error::{LedgerError, damaged, database};
use crate::import::Counts;
use crate::open::{Ledger, instant};

impl Ledger {
    /// Everything written down about the fleet.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn record(&self, zones: &[Zone]) -> Result<Record, LedgerError> {
        let failed = || database("read the record");
        let mut tx = self.readers.begin().await.map_err(failed())?;
        let tubes: Vec<String> =
            sqlx::query_scalar("SELECT body FROM tubes").fetch_all(&mut *tx).await.map_err(failed())?;
        let fittings = sqlx::query("SELECT tube, unit, from_us, to_us FROM fittings ORDER BY from_us, tube")
            .fetch_all(&mut *tx)
            .await
            .map_err(failed())?;
        let work = sqlx::query("SELECT at_us, tube, work, note FROM work ORDER BY at_us, tube, work")
            .fetch_all(&mut *tx)
            .await
            .map_err(failed())?;
        let findings: Vec<String> = sqlx::query_scalar("SELECT body FROM findings ORDER BY at_us, body")
            .fetch_all(&mut *tx)
            .await
            .map_err(failed())?;
        let campaigns: Vec<String> = sqlx::query_scalar("SELECT body FROM campaigns ORDER BY from_us, unit")
            .fetch_all(&mut *tx)
            .await
            .map_err(failed())?;
        let tubes: BTreeMap<TubeId, Tube> =
            bodies::<Tube>("tube", &tubes)?.into_iter().map(|tube| (tube.tube.clone(), tube)).collect();
        Ok(Record {
            tubes,
            fittings: fittings.iter().map(fitting).collect::<Result<_, _>>()?,
            work: work.iter().map(work_row).collect::<Result<_, _>>()?,
            findings: bodies("finding", &findings)?,
            campaigns: bodies("campaign", &campaigns)?,
            zones: zones.to_vec(),
        })
    }

    pub(crate) async fn store_register<'a>(
        &self,
        tubes: impl Iterator<Item = (usize, &'a Tube)>,
        fittings: impl Iterator<Item = (usize, &'a Fitting)>,
        work: impl Iterator<Item = (usize, &'a Work)>,
        counts: &mut [Counts],
    ) -> Result<(), LedgerError> {
        let failed = || database("store the register");
        let mut tx = self.writer.begin_with("BEGIN IMMEDIATE").await.map_err(failed())?;
        for (file, tube) in tubes {
            let body = body("tube", tube)?;
            let old: Option<String> = sqlx::query_scalar("SELECT body FROM tubes WHERE tube = $1")
                .bind(tube.tube.as_str().to_owned())
                .fetch_optional(&mut *tx)
                .await
                .map_err(failed())?;
            if !counts[file].note(old.as_ref(), &body) {
                continue;
            }
            sqlx::query(
                "INSERT INTO tubes (tube, body) VALUES ($1, $2) ON CONFLICT (tube) DO UPDATE SET body = excluded.body",
            )
            .bind(tube.tube.as_str().to_owned())
            .bind(body)
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        }
        for (file, fitting) in fittings {
            let old: Option<Fitting> =
                sqlx::query("SELECT tube, unit, from_us, to_us FROM fittings WHERE tube = $1 AND from_us = $2")
                    .bind(fitting.tube.as_str().to_owned())
                    .bind(fitting.from.as_microsecond())
                    .fetch_optional(&mut *tx)
                    .await
                    .map_err(failed())?
                    .as_ref()
                    .map(self::fitting)
                    .transpose()?;
            if !counts[file].note(old.as_ref(), fitting) {
                continue;
            }
            sqlx::query(
                "INSERT INTO fittings (tube, unit, from_us, to_us) VALUES ($1, $2, $3, $4)
                 ON CONFLICT (tube, from_us) DO UPDATE SET unit = excluded.unit, to_us = excluded.to_us",
            )
            .bind(fitting.tube.as_str().to_owned())
            .bind(fitting.unit.as_str().to_owned())
            .bind(fitting.from.as_microsecond())
            .bind(fitting.to.map(|to| to.as_microsecond()))
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        }
        for (file, work) in work {
            let done = sqlx::query(
                "INSERT INTO work (at_us, tube, work, note) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
            )
            .bind(work.at.as_microsecond())
            .bind(work.tube.as_str().to_owned())
            .bind(work.work.as_str())
            .bind(work.note.clone())
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
            counts[file].count(done.rows_affected());
        }
        tx.commit().await.map_err(failed())
    }

    pub(crate) async fn store_findings<'a>(
        &self,
        findings: impl Iterator<Item = (usize, &'a Finding)>,
        counts: &mut [Counts],
    ) -> Result<(), LedgerError> {
        let failed = || database("store findings");
        let mut tx = self.writer.begin_with("BEGIN IMMEDIATE").await.map_err(failed())?;
        for (file, finding) in findings {
            let done =
                sqlx::query("INSERT INTO findings (at_us, tube, body) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING")
                    .bind(finding.at.as_microsecond())
                    .bind(finding.tube.as_str().to_owned())
                    .bind(body("finding", finding)?)
                    .execute(&mut *tx)
                    .await
                    .map_err(failed())?;
            counts[file].count(done.rows_affected());
        }
        tx.commit().await.map_err(failed())
    }

    pub(crate) async fn store_campaigns<'a>(
        &self,
        campaigns: impl Iterator<Item = (usize, &'a Campaign)>,
        counts: &mut [Counts],
    ) -> Result<(), LedgerError> {
        let failed = || database("store campaigns");
        let mut tx = self.writer.begin_with("BEGIN IMMEDIATE").await.map_err(failed())?;
        for (file, campaign) in campaigns {
            let body = body("campaign", campaign)?;
            let old = campaign_body(&mut tx, campaign).await.map_err(failed())?;
            if !counts[file].note(old.as_ref(), &body) {
                continue;
            }
            sqlx::query(
                "INSERT INTO campaigns (unit, from_us, body) VALUES ($1, $2, $3)
                 ON CONFLICT (unit, from_us) DO UPDATE SET body = excluded.body",
            )
            .bind(campaign.unit.as_str().to_owned())
            .bind(campaign.from.as_microsecond())
            .bind(body)
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        }
        tx.commit().await.map_err(failed())
    }
}

async fn campaign_body(tx: &mut SqliteConnection, campaign: &Campaign) -> Result<Option<String>, sqlx::Error> {
    sqlx::query_scalar("SELECT body FROM campaigns WHERE unit = $1 AND from_us = $2")
        .bind(campaign.unit.as_str().to_owned())
        .bind(campaign.from.as_microsecond())
        .fetch_optional(tx)
        .await
}

impl Counts {
    /// Counts a row that may replace another; `true` if it has to be written.
    fn note<T: PartialEq>(&mut self, old: Option<&T>, new: &T) -> bool {
        match old {
            None => self.added += 1,
            Some(old) if old == new => self.unchanged += 1,
            Some(_) => self.changed += 1,
        }
        old != Some(new)
    }

    fn count(&mut self, written: u64) {
        if written == 0 { self.unchanged += 1 } else { self.added += 1 }
    }
}

pub(crate) fn body<T: Serialize>(what: &'static str, value: &T) -> Result<String, LedgerError> {
    serde_json::to_string(value).map_err(|error| damaged(what)(&error))
}

pub(crate) fn bodies<T: DeserializeOwned>(what: &'static str, rows: &[String]) -> Result<Vec<T>, LedgerError> {
    rows.iter().map(|body| serde_json::from_str(body).map_err(|error| damaged(what)(&error))).collect()
}

fn fitting(row: &sqlx::sqlite::SqliteRow) -> Result<Fitting, LedgerError> {
    let damaged = damaged("fitting");
    Ok(Fitting {
        tube: TubeId::new(row.get("tube")).map_err(|error| damaged(&error))?,
        unit: UnitId::new(row.get("unit")).map_err(|error| damaged(&error))?,
        from: instant(row.get("from_us"))?,
        to: row.get::<Option<i64>, _>("to_us").map(instant).transpose()?,
    })
}

fn work_row(row: &sqlx::sqlite::SqliteRow) -> Result<Work, LedgerError> {
    let damaged = damaged("work");
    Ok(Work {
        at: instant(row.get("at_us"))?,
        tube: TubeId::new(row.get("tube")).map_err(|error| damaged(&error))?,
        work: row.get::<&str, _>("work").parse().map_err(|error| damaged(&error))?,
        note: row.get("note"),
    })
}
