//! Storing what imports bring.

use plant::{Campaign, Finding, Fitting, Tube, Work};
use serde_json::{Value, json};

use crate::change::Change;
use crate::entry::insert;
use crate::error::{LedgerError, damaged};
use crate::findings::said_by;
use crate::import::Counts;
use crate::record::{body, fitting};

impl Change<'_> {
    pub(crate) async fn store_tube(&mut self, tube: &Tube, counts: &mut Counts) -> Result<(), LedgerError> {
        let new = body("tube", tube)?;
        let failed = self.failed();
        let old: Option<String> = sqlx::query_scalar("SELECT body FROM tubes WHERE tube = $1")
            .bind(tube.tube.as_str().to_owned())
            .fetch_optional(&mut *self.tx)
            .await
            .map_err(failed)?;
        let Some(action) = counts.note(old.as_ref(), &new, ["add tube", "change tube"]) else { return Ok(()) };
        let failed = self.failed();
        sqlx::query(
            "INSERT INTO tubes (tube, body) VALUES ($1, $2) ON CONFLICT (tube) DO UPDATE SET body = excluded.body",
        )
        .bind(tube.tube.as_str().to_owned())
        .bind(new)
        .execute(&mut *self.tx)
        .await
        .map_err(failed)?;
        let detail = json!({ "before": stored_json(old)?, "after": tube });
        self.revise(action, format!("tube {}", tube.tube), detail);
        Ok(())
    }

    pub(crate) async fn store_fitting(&mut self, new: &Fitting, counts: &mut Counts) -> Result<(), LedgerError> {
        let failed = self.failed();
        let old = sqlx::query("SELECT tube, unit, from_us, to_us FROM fittings WHERE tube = $1 AND from_us = $2")
            .bind(new.tube.as_str().to_owned())
            .bind(new.from.as_microsecond())
            .fetch_optional(&mut *self.tx)
            .await
            .map_err(failed)?;
        let old = old.as_ref().map(fitting).transpose()?;
        let Some(action) = counts.note(old.as_ref(), new, ["add fitting", "change fitting"]) else { return Ok(()) };
        let failed = self.failed();
        sqlx::query(
            "INSERT INTO fittings (tube, unit, from_us, to_us) VALUES ($1, $2, $3, $4)
             ON CONFLICT (tube, from_us) DO UPDATE SET unit = excluded.unit, to_us = excluded.to_us",
        )
        .bind(new.tube.as_str().to_owned())
        .bind(new.unit.as_str().to_owned())
        .bind(new.from.as_microsecond())
        .bind(new.to.map(|to| to.as_microsecond()))
        .execute(&mut *self.tx)
        .await
        .map_err(failed)?;
        let told = |fitting: &Fitting| json!({ "unit": fitting.unit, "from": fitting.from, "to": fitting.to });
        let detail = json!({ "before": old.as_ref().map(told), "after": told(new) });
        self.revise(action, format!("tube {}", new.tube), detail);
        Ok(())
    }

    pub(crate) async fn store_work(&mut self, work: &Work, counts: &mut Counts) -> Result<(), LedgerError> {
        let failed = self.failed();
        let done =
            sqlx::query("INSERT INTO work (at_us, tube, work, note) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING")
                .bind(work.at.as_microsecond())
                .bind(work.tube.as_str().to_owned())
                .bind(work.work.as_str())
                .bind(work.note.clone())
                .execute(&mut *self.tx)
                .await
                .map_err(failed)?;
        if done.rows_affected() == 0 {
            counts.unchanged += 1;
            return Ok(());
        }
        counts.added += 1;
        let detail = json!({ "at": work.at, "work": work.work, "note": work.note });
        self.revise("add work", format!("tube {}", work.tube), detail);
        Ok(())
    }

    /// A finding that stands there, or stood there before somebody corrected it, is not added again: an old file must
    /// not bring a mistake back.
    pub(crate) async fn store_finding(&mut self, finding: &Finding, counts: &mut Counts) -> Result<(), LedgerError> {
        if said_by(&mut self.tx, finding).await?.is_some() {
            counts.unchanged += 1;
        } else {
            insert(self, finding).await?;
            counts.added += 1;
        }
        Ok(())
    }

    pub(crate) async fn store_campaign(&mut self, new: &Campaign, counts: &mut Counts) -> Result<(), LedgerError> {
        let text = body("campaign", new)?;
        let failed = self.failed();
        let old: Option<String> = sqlx::query_scalar("SELECT body FROM campaigns WHERE unit = $1 AND from_us = $2")
            .bind(new.unit.as_str().to_owned())
            .bind(new.from.as_microsecond())
            .fetch_optional(&mut *self.tx)
            .await
            .map_err(failed)?;
        let actions = ["add campaign", "change campaign"];
        let Some(action) = counts.note(old.as_ref(), &text, actions) else { return Ok(()) };
        let failed = self.failed();
        sqlx::query(
            "INSERT INTO campaigns (unit, from_us, body) VALUES ($1, $2, $3)
             ON CONFLICT (unit, from_us) DO UPDATE SET body = excluded.body",
        )
        .bind(new.unit.as_str().to_owned())
        .bind(new.from.as_microsecond())
        .bind(text)
        .execute(&mut *self.tx)
        .await
        .map_err(failed)?;
        let detail = json!({ "before": stored_json(old)?, "after": new });
        self.revise(action, format!("unit {}", new.unit), detail);
        Ok(())
    }
}

impl Counts {
    /// Counts a row that may replace another; what is done (added, changed) if it has to be written.
    fn note<T: PartialEq>(
        &mut self,
        old: Option<&T>,
        new: &T,
        [add, change]: [&'static str; 2],
    ) -> Option<&'static str> {
        match old {
            None => {
                self.added += 1;
                Some(add)
            }
            Some(old) if old == new => {
                self.unchanged += 1;
                None
            }
            Some(_) => {
                self.changed += 1;
                Some(change)
            }
        }
    }
}

fn stored_json(text: Option<String>) -> Result<Value, LedgerError> {
    text.map_or(Ok(Value::Null), |text| serde_json::from_str(&text).map_err(|error| damaged("row")(&error)))
}
