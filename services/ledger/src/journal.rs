//! The journal: readings that are durable but not yet in Parquet.

use std::collections::HashMap;

use futures_util::TryStreamExt;
use jiff::Timestamp;
use jiff::civil::Date;
use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};
use sqlx::Row;
use sqlx::any::AnyRow;

use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, Turn, instant};
use crate::rows::{Insert, Statement};

/// Rows per statement: one statement per row would cross threads each time, and SQLite binds at most 32,766 values.
/// What is left over goes in halves, so that there are few different statements and each is parsed once.
const ROWS_PER_STATEMENT: usize = 256;
const JOURNAL: Insert = Insert {
    head: "INSERT INTO journal (at_us, unit, signal, kind, number, word, quality, time_source)",
    columns: 8,
    tail: "ON CONFLICT DO NOTHING",
};

/// Readings as few columns: each one costs in every row. No unit holds a slash.
macro_rules! select {
    ($which:literal) => {
        concat!(
            "SELECT at_us, unit || '/' || signal AS place, number, nullif(word, '') AS word,
             kind * 10000 + quality * 100 + time_source AS codes FROM journal ",
            $which
        )
    };
}

/// Units and signals by how they stand in a row.
type Places = HashMap<String, (UnitId, Signal)>;

const DAY_US: i64 = 86_400_000_000;

/// What an append did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Appended {
    /// Readings that were not there before.
    pub new: u64,
    /// Readings that were.
    pub duplicates: u64,
}

impl Ledger {
    /// Makes readings durable: when this returns, they are synced to disk. A reading that is there already stays once.
    ///
    /// # Errors
    /// [`LedgerError::Database`] if the disk is full or the database stays locked; then none of them is stored.
    pub async fn append(&self, readings: &[Reading]) -> Result<Appended, LedgerError> {
        let failed = || database("store readings");
        let mut tx = self.write(Turn::Readings).await.map_err(failed())?;
        let (mut new, mut rest, mut rows) = (0, readings, ROWS_PER_STATEMENT);
        while !rest.is_empty() {
            match rest.split_at_checked(rows) {
                Some((chunk, left)) => {
                    new += JOURNAL.run(&mut tx, self.kind, chunk, written).await.map_err(failed())?;
                    rest = left;
                }
                None => rows /= 2,
            }
        }
        tx.commit().await.map_err(failed())?;
        Ok(Appended { new, duplicates: readings.len() as u64 - new })
    }

    /// The readings at or after an instant, in order of time.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn journal_from(&self, from: Timestamp) -> Result<Vec<Reading>, LedgerError> {
        let query = sqlx::query(select!("WHERE at_us >= $1 ORDER BY at_us")).bind(from.as_microsecond());
        self.readings(query, "read the journal").await
    }

    async fn readings(&self, query: Statement, what: &'static str) -> Result<Vec<Reading>, LedgerError> {
        let mut rows = query.fetch(&self.readers);
        let (mut places, mut readings) = (Places::new(), Vec::new());
        while let Some(row) = rows.try_next().await.map_err(database(what))? {
            readings.push(reading(&row, &mut places)?);
        }
        Ok(readings)
    }

    /// How many readings lie before an instant, and how many in all.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn journal_counts(&self, before: Timestamp) -> Result<(u64, u64), LedgerError> {
        let row = sqlx::query("SELECT count(*) FILTER (WHERE at_us < $1) AS closed, count(*) AS total FROM journal")
            .bind(before.as_microsecond())
            .fetch_one(&self.readers)
            .await
            .map_err(database("count the journal"))?;
        Ok((row.get::<i64, _>("closed") as u64, row.get::<i64, _>("total") as u64))
    }

    /// The instant of the reading that comes after so many, in order of time; `None` if there are no more.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or an instant does not read back.
    pub async fn journal_instant(&self, after: u64) -> Result<Option<Timestamp>, LedgerError> {
        let at_us: Option<i64> = sqlx::query_scalar("SELECT at_us FROM journal ORDER BY at_us LIMIT 1 OFFSET $1")
            .bind(after as i64)
            .fetch_optional(&self.readers)
            .await
            .map_err(database("count the journal"))?;
        at_us.map(instant).transpose()
    }

    /// Claims every reading before an instant for a compaction and says on which UTC days they lie.
    ///
    /// Readings that arrive later are not claimed, so that dropping the claim drops just what was moved.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn claim(&self, before: Timestamp, generation: i64) -> Result<Vec<Date>, LedgerError> {
        let failed = || database("claim closed hours");
        sqlx::query("UPDATE journal SET claim = $1 WHERE at_us < $2")
            .bind(generation)
            .bind(before.as_microsecond())
            .execute(&self.writer)
            .await
            .map_err(failed())?;
        let days: Vec<i64> =
            sqlx::query_scalar("SELECT DISTINCT at_us / 86400000000 FROM journal WHERE claim = $1 ORDER BY 1")
                .bind(generation)
                .fetch_all(&self.readers)
                .await
                .map_err(failed())?;
        let start = jiff::civil::date(1970, 1, 1);
        days.into_iter()
            .map(|day| {
                start
                    .checked_add(jiff::Span::new().try_days(day).map_err(|e| damaged("day")(&e))?)
                    .map_err(|error| damaged("day")(&error))
            })
            .collect()
    }

    /// The claimed readings of one UTC day.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn claimed(&self, generation: i64, day: Date) -> Result<Vec<Reading>, LedgerError> {
        let from_us = day_us(day);
        let query = sqlx::query(select!("WHERE at_us >= $1 AND at_us < $2 AND claim = $3"));
        let query = query.bind(from_us).bind(from_us + DAY_US).bind(generation);
        self.readings(query, "read claimed readings").await
    }

    /// Forgets the claimed readings: they are in Parquet, and the manifest says so. In small steps, so that new
    /// readings need not wait.
    ///
    /// # Errors
    /// [`LedgerError::Database`]; what is left is dropped by the next compaction.
    pub async fn drop_claimed(&self, generation: i64, days: &[Date]) -> Result<(), LedgerError> {
        const STEP_US: i64 = 600_000_000;
        for day in days {
            let from_us = day_us(*day);
            for step in (from_us..from_us + DAY_US).step_by(STEP_US as usize) {
                sqlx::query("DELETE FROM journal WHERE at_us >= $1 AND at_us < $2 AND claim = $3")
                    .bind(step)
                    .bind(step + STEP_US)
                    .bind(generation)
                    .execute(&self.writer)
                    .await
                    .map_err(database("drop moved readings"))?;
            }
        }
        Ok(())
    }
}

fn day_us(day: Date) -> i64 {
    let days = day.since(jiff::civil::date(1970, 1, 1)).map_or(0, |span| span.get_days());
    i64::from(days) * DAY_US
}

fn written(statement: Statement, reading: &Reading) -> Statement {
    let (kind, number, word) = match &reading.value {
        Value::Missing => (0_i16, 0.0, ""),
        // SQLite keeps no sign of a zero, so nobody does.
        Value::Number(number) => (1, if *number == 0.0 { 0.0 } else { *number }, ""),
        Value::Text(word) => (2, 0.0, word.as_ref()),
    };
    statement
        .bind(reading.at.as_microsecond())
        .bind(reading.unit.as_str().to_owned())
        .bind(reading.signal.as_str())
        .bind(kind)
        .bind(number)
        .bind(word.to_owned())
        .bind(reading.quality as i16)
        .bind(reading.time_source as i16)
}

fn reading(row: &AnyRow, places: &mut Places) -> Result<Reading, LedgerError> {
    let damaged = damaged("reading");
    let place: &str = row.get("place");
    let (unit, signal) = match places.get(place) {
        Some(known) => known.clone(),
        None => {
            let (unit, signal) = place.split_once('/').ok_or_else(|| damaged(&"no unit"))?;
            let unit = UnitId::new(unit).map_err(|error| damaged(&error))?;
            let signal = signal.parse::<Signal>().map_err(|error| damaged(&error))?;
            places.insert(place.to_owned(), (unit.clone(), signal));
            (unit, signal)
        }
    };
    let codes: i64 = row.get("codes");
    let value = match codes / 10_000 {
        0 => Value::Missing,
        1 => Value::Number(row.get("number")),
        _ => Value::Text(row.get::<Option<&str>, _>("word").unwrap_or_default().into()),
    };
    let code = |code: i64| u8::try_from(code % 100).ok();
    Ok(Reading {
        unit,
        signal,
        at: instant(row.get("at_us"))?,
        value,
        quality: code(codes / 100).and_then(Quality::from_code).ok_or_else(|| damaged(&"unknown quality"))?,
        time_source: code(codes).and_then(TimeSource::from_code).ok_or_else(|| damaged(&"unknown time source"))?,
    })
}
