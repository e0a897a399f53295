//! Looks that an analyst has set aside, and why; lifting it is written down too.

use jiff::Timestamp;
use plant::{Aside, TubeId};
use serde_json::json;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use crate::change::{By, said};
use crate::error::{LedgerError, damaged, database};
use crate::findings::check_tube;
use crate::open::{Ledger, instant};

impl Ledger {
    /// Sets the look aside that holds a finding of a tube at just this instant. The findings stay.
    ///
    /// # Errors
    /// [`LedgerError::NoLook`] if the record has no such finding, [`LedgerError::AlreadyAside`], [`LedgerError::NoTube`],
    /// [`LedgerError::BadText`] without a reason.
    pub async fn set_look_aside(&self, tube: &TubeId, look: Timestamp, why: &str, by: &By) -> Result<i64, LedgerError> {
        said("why", why)?;
        let mut change = self.change("set a look aside", by).await?;
        check_tube(&mut change.tx, tube).await?;
        let there = crate::findings::stored(&mut change.tx, None).await?;
        let there = there.iter().filter_map(|stored| stored.finding.as_ref());
        if !there.into_iter().any(|finding| finding.tube == *tube && finding.at == look) {
            return Err(LedgerError::NoLook { tube: tube.to_string(), at: look });
        }
        let asides = read_asides(&mut change.tx).await?;
        if let Some(same) = asides.iter().find(|aside| aside.tube == *tube && aside.look == look && aside.stands()) {
            return Err(LedgerError::AlreadyAside(same.id));
        }
        let id = asides.iter().map(|aside| aside.id).max().unwrap_or(0) + 1;
        let failed = change.failed();
        sqlx::query("INSERT INTO looks_aside (id, tube, look_us, at_us, who, why) VALUES ($1, $2, $3, $4, $5, $6)")
            .bind(id)
            .bind(tube.as_str().to_owned())
            .bind(look.as_microsecond())
            .bind(by.at.as_microsecond())
            .bind(by.who.clone())
            .bind(why.to_owned())
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        change.revise("set look aside", format!("tube {tube}"), json!({ "number": id, "look": look, "why": why }));
        change.commit().await?;
        Ok(id)
    }

    /// Takes a look that was set aside back into use.
    ///
    /// # Errors
    /// [`LedgerError::NoAside`] if there is none of this number, or it was lifted already; [`LedgerError::BadText`]
    /// without a reason.
    pub async fn lift_aside(&self, id: i64, why: &str, by: &By) -> Result<(), LedgerError> {
        said("why", why)?;
        let mut change = self.change("take a look back into use", by).await?;
        let asides = read_asides(&mut change.tx).await?;
        let aside = asides.iter().find(|aside| aside.id == id && aside.stands()).ok_or(LedgerError::NoAside(id))?;
        let failed = change.failed();
        sqlx::query("UPDATE looks_aside SET lifted_us = $2, lifted_by = $3, lifted_why = $4 WHERE id = $1")
            .bind(id)
            .bind(by.at.as_microsecond())
            .bind(by.who.clone())
            .bind(why.to_owned())
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        let detail = json!({ "number": id, "look": aside.look, "why": why });
        change.revise("take look back into use", format!("tube {}", aside.tube), detail);
        change.commit().await
    }

    /// Every look that was ever set aside, in the order in which that was done.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn asides(&self) -> Result<Vec<Aside>, LedgerError> {
        let mut tx = self.snapshot("read the looks set aside").await?;
        read_asides(&mut tx).await
    }
}

/// Every look that was ever set aside, as a transaction sees them.
pub(crate) async fn read_asides(tx: &mut AnyConnection) -> Result<Vec<Aside>, LedgerError> {
    let rows = sqlx::query("SELECT * FROM looks_aside ORDER BY id")
        .fetch_all(tx)
        .await
        .map_err(database("read the looks set aside"))?;
    rows.iter().map(aside).collect()
}

fn aside(row: &AnyRow) -> Result<Aside, LedgerError> {
    Ok(Aside {
        id: row.get("id"),
        tube: TubeId::new(row.get("tube")).map_err(|error| damaged("tube")(&error))?,
        look: instant(row.get("look_us"))?,
        at: instant(row.get("at_us"))?,
        who: row.get("who"),
        why: row.get("why"),
        lifted_at: row.get::<Option<i64>, _>("lifted_us").map(instant).transpose()?,
        lifted_by: row.get("lifted_by"),
        lifted_why: row.get("lifted_why"),
    })
}
