//! Reading the record of the fleet.

use std::collections::BTreeMap;

use jiff::Timestamp;
use plant::{Correction, Finding, Fitting, Record, Tube, TubeId, UnitId, Work, WorkEffects, Zone};
use serde::Serialize;
use serde::de::DeserializeOwned;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use crate::asides::read_asides;
use crate::error::{LedgerError, damaged, database};
use crate::findings::{StoredFinding, stored};
use crate::open::{Ledger, instant};

impl Ledger {
    /// Everything written down about the fleet, as it holds now, with what it said before it was corrected. What work does to
    /// a tube is not written down: the default effects are put in.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn record(&self, zones: &[Zone]) -> Result<Record, LedgerError> {
        let mut tx = self.snapshot("read the record").await?;
        read_record(&mut tx, zones).await
    }

    /// The tubes of the register.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn tubes(&self) -> Result<BTreeMap<TubeId, Tube>, LedgerError> {
        let mut tx = self.snapshot("read the register").await?;
        read_tubes(&mut tx).await
    }
}

async fn read_tubes(tx: &mut AnyConnection) -> Result<BTreeMap<TubeId, Tube>, LedgerError> {
    let rows: Vec<String> =
        sqlx::query_scalar("SELECT body FROM tubes").fetch_all(tx).await.map_err(database("read the register"))?;
    Ok(bodies::<Tube>("tube", &rows)?.into_iter().map(|tube| (tube.tube.clone(), tube)).collect())
}

/// Everything written down about the fleet, as a transaction sees it.
pub(crate) async fn read_record(tx: &mut AnyConnection, zones: &[Zone]) -> Result<Record, LedgerError> {
    let failed = || database("read the record");
    let tubes = read_tubes(tx).await?;
    let fittings = sqlx::query("SELECT tube, unit, from_us, to_us FROM fittings ORDER BY from_us, tube")
        .fetch_all(&mut *tx)
        .await
        .map_err(failed())?;
    let work = sqlx::query("SELECT at_us, tube, work, note FROM work ORDER BY at_us, tube, work")
        .fetch_all(&mut *tx)
        .await
        .map_err(failed())?;
    let findings = stored(tx, None).await?;
    let campaigns: Vec<String> = sqlx::query_scalar("SELECT body FROM campaigns ORDER BY from_us, unit")
        .fetch_all(&mut *tx)
        .await
        .map_err(failed())?;
    let mut corrections = Vec::new();
    let mut holding = Vec::new();
    for finding in &findings {
        if let Some(present) = through_time(finding, &mut corrections) {
            holding.push((present.at, body("finding", &present)?, present));
        }
    }
    holding.sort_by(|(at, text, _), (other, other_text, _)| (at, text).cmp(&(other, other_text)));
    corrections.sort_by_key(|correction| correction.at);
    let revision: Option<i64> = sqlx::query_scalar("SELECT value FROM marks WHERE name = 'revision'")
        .fetch_optional(&mut *tx)
        .await
        .map_err(failed())?;
    Ok(Record {
        tubes,
        fittings: fittings.iter().map(fitting).collect::<Result<_, _>>()?,
        work: work.iter().map(work_row).collect::<Result<_, _>>()?,
        findings: holding.into_iter().map(|(_, _, finding)| finding).collect(),
        campaigns: bodies("campaign", &campaigns)?,
        zones: zones.to_vec(),
        effects: WorkEffects::default(),
        corrections,
        asides: read_asides(tx).await?,
        revision: revision.unwrap_or(0),
    })
}

/// What a finding says now, if anything. What it said before goes to the corrections.
fn through_time(stored: &StoredFinding, corrections: &mut Vec<Correction>) -> Option<Finding> {
    let mut present = None;
    let mut until = Timestamp::MIN;
    for version in &stored.changed {
        // A clock that was set back must not bring the versions out of order.
        until = until.max(version.at);
        let mut next = version.finding.clone();
        match present.take() {
            Some(was) => corrections.push(Correction { at: until, was, became: next.clone() }),
            // Brought back after a withdrawal: until then nobody could go by it.
            None if version.version > 1 => {
                if let Some(finding) = &mut next {
                    finding.recorded_at = finding.recorded_at.max(Some(until));
                }
            }
            None => {}
        }
        present = next;
    }
    present
}

pub(crate) fn body<T: Serialize>(what: &'static str, value: &T) -> Result<String, LedgerError> {
    serde_json::to_string(value).map_err(|error| damaged(what)(&error))
}

pub(crate) fn bodies<T: DeserializeOwned>(what: &'static str, rows: &[String]) -> Result<Vec<T>, LedgerError> {
    rows.iter().map(|body| serde_json::from_str(body).map_err(|error| damaged(what)(&error))).collect()
}

pub(crate) fn fitting(row: &AnyRow) -> Result<Fitting, LedgerError> {
    let damaged = damaged("fitting");
    Ok(Fitting {
        tube: TubeId::new(row.get("tube")).map_err(|error| damaged(&error))?,
        unit: UnitId::new(row.get("unit")).map_err(|error| damaged(&error))?,
        from: instant(row.get("from_us"))?,
        to: row.get::<Option<i64>, _>("to_us").map(instant).transpose()?,
    })
}

fn work_row(row: &AnyRow) -> Result<Work, LedgerError> {
    let damaged = damaged("work");
    Ok(Work {
        at: instant(row.get("at_us"))?,
        tube: TubeId::new(row.get("tube")).map_err(|error| damaged(&error))?,
        work: row.get::<&str, _>("work").parse().map_err(|error| damaged(&error))?,
        note: row.get("note"),
    })
}
