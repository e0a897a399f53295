//! The journal: readings that are durable but not yet in Parquet.

use jiff::Timestamp;
use jiff::civil::Date;
use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};
use sqlx::{QueryBuilder, Row, Sqlite, SqliteConnection};

use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, instant};

/// Rows per statement: one statement per row would cross threads each time, and SQLite binds at most 32,766 values.
const ROWS_PER_STATEMENT: usize = 256;
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
        let mut tx = self.writer.begin_with("BEGIN IMMEDIATE").await.map_err(failed())?;
        let mut new = 0;
        for chunk in readings.chunks(ROWS_PER_STATEMENT) {
            new += insert(&mut tx, chunk).await.map_err(failed())?;
        }
        tx.commit().await.map_err(failed())?;
        Ok(Appended { new, duplicates: readings.len() as u64 - new })
    }

    /// The readings at or after an instant, in order of time.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn journal_from(&self, from: Timestamp) -> Result<Vec<Reading>, LedgerError> {
        let rows = sqlx::query("SELECT * FROM journal WHERE at_us >= $1 ORDER BY at_us")
            .bind(from.as_microsecond())
            .fetch_all(&self.readers)
            .await
            .map_err(database("read the journal"))?;
        rows.iter().map(reading).collect()
    }

    /// How many readings lie before an instant, and how many in all.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn journal_counts(&self, before: Timestamp) -> Result<(u64, u64), LedgerError> {
        let row = sqlx::query("SELECT coalesce(sum(at_us < $1), 0) AS before, count(*) AS total FROM journal")
            .bind(before.as_microsecond())
            .fetch_one(&self.readers)
            .await
            .map_err(database("count the journal"))?;
        Ok((row.get::<i64, _>("before") as u64, row.get::<i64, _>("total") as u64))
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
        let rows = sqlx::query("SELECT * FROM journal WHERE at_us >= $1 AND at_us < $2 AND claim = $3")
            .bind(from_us)
            .bind(from_us + DAY_US)
            .bind(generation)
            .fetch_all(&self.readers)
            .await
            .map_err(database("read claimed readings"))?;
        rows.iter().map(reading).collect()
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

async fn insert(connection: &mut SqliteConnection, readings: &[Reading]) -> Result<u64, sqlx::Error> {
    let mut query: QueryBuilder<Sqlite> =
        QueryBuilder::new("INSERT INTO journal (at_us, unit, signal, kind, number, word, quality, time_source) ");
    query.push_values(readings, |mut row, reading| {
        let (kind, number, word) = match &reading.value {
            Value::Missing => (0, 0.0, ""),
            Value::Number(number) => (1, *number, ""),
            Value::Text(word) => (2, 0.0, word.as_ref()),
        };
        row.push_bind(reading.at.as_microsecond())
            .push_bind(reading.unit.as_str().to_owned())
            .push_bind(reading.signal.as_str())
            .push_bind(kind)
            .push_bind(number)
            .push_bind(word.to_owned())
            .push_bind(reading.quality as u8)
            .push_bind(reading.time_source as u8);
    });
    query.push(" ON CONFLICT DO NOTHING");
    Ok(query.build().execute(connection).await?.rows_affected())
}

fn reading(row: &sqlx::sqlite::SqliteRow) -> Result<Reading, LedgerError> {
    let damaged = damaged("reading");
    let value = match row.get::<i64, _>("kind") {
        0 => Value::Missing,
        1 => Value::Number(row.get("number")),
        _ => Value::Text(row.get::<String, _>("word").into()),
    };
    Ok(Reading {
        unit: UnitId::new(row.get("unit")).map_err(|error| damaged(&error))?,
        signal: row.get::<&str, _>("signal").parse::<Signal>().map_err(|error| damaged(&error))?,
        at: instant(row.get("at_us"))?,
        value,
        quality: Quality::from_code(row.get("quality")).ok_or_else(|| damaged(&"unknown quality"))?,
        time_source: TimeSource::from_code(row.get("time_source")).ok_or_else(|| damaged(&"unknown time source"))?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(second).unwrap()
    }

    fn torque(second: i64, value: f64) -> Reading {
        Reading {
            unit: UnitId::new("C1").unwrap(),
            signal: Signal::Torque,
            at: at(second),
            value: Value::Number(value),
            quality: Quality::Good,
            time_source: TimeSource::Own,
        }
    }

    async fn ledger() -> (tempfile::TempDir, Ledger) {
        let folder = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(&folder.path().join("groovecast.db")).await.unwrap();
        (folder, ledger)
    }

    #[tokio::test]
    async fn a_reading_delivered_twice_exists_once_and_two_values_both_stay() {
        let (_folder, ledger) = ledger().await;
        let word = Reading { signal: Signal::Product, value: Value::Text("fondant".into()), ..torque(3, 0.0) };
        let missing = Reading { value: Value::Missing, quality: Quality::Bad, ..torque(4, 0.0) };
        let all = vec![torque(1, 80.0), torque(1, 80.0), torque(1, 81.0), word, missing];
        assert_eq!(ledger.append(&all).await.unwrap(), Appended { new: 4, duplicates: 1 });
        assert_eq!(ledger.append(&all).await.unwrap(), Appended { new: 0, duplicates: 5 });
        let back = ledger.journal_from(at(0)).await.unwrap();
        assert_eq!(back.len(), 4);
        for reading in back {
            assert!(all.contains(&reading), "{reading:?} came back changed");
        }
    }

    #[tokio::test]
    async fn what_arrives_during_a_compaction_is_not_dropped_with_it() {
        let (_folder, ledger) = ledger().await;
        let many: Vec<Reading> = (0..1000).map(|i| torque(i * 200, 80.0)).collect();
        ledger.append(&many).await.unwrap();
        let days = ledger.claim(at(100_000), 7).await.unwrap();
        assert_eq!(days.iter().map(Date::to_string).collect::<Vec<_>>(), ["1970-01-01", "1970-01-02"]);
        let moved: usize =
            ledger.claimed(7, days[0]).await.unwrap().len() + ledger.claimed(7, days[1]).await.unwrap().len();
        assert_eq!(moved, 500);
        ledger.append(&[torque(50, 99.0)]).await.unwrap();
        ledger.drop_claimed(7, &days).await.unwrap();
        assert_eq!(ledger.journal_counts(at(100_000)).await.unwrap(), (1, 501));
    }

    #[tokio::test]
    async fn what_was_appended_is_there_after_reopening() {
        let (folder, ledger) = ledger().await;
        ledger.append(&[torque(1, 80.0)]).await.unwrap();
        ledger.close().await;
        let again = Ledger::open(&folder.path().join("groovecast.db")).await.unwrap();
        assert_eq!(again.journal_from(at(0)).await.unwrap(), [torque(1, 80.0)]);
    }
}
