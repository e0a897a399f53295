//! A database of the plant's historian that is only read: the rows that somebody's query gives, slice by slice of time.
//!
//! It stands here because this is the only room that names sqlx. Nothing of the record is touched. Each slice is a
//! transaction of its own that may only read, with a limit on its time; its rows come as they are read and are never held as a
//! whole.

use std::future::Future;
use std::path::PathBuf;
use std::time::Duration;

use futures_util::TryStreamExt;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use plant::Table;
use sqlx::postgres::{PgConnectOptions, PgConnection, PgRow};
use sqlx::{AssertSqlSafe, Column, ConnectOptions, Connection, Executor, Row, SqlSafeStr, Statement, TypeInfo};
use tokio::sync::mpsc::Sender;

use crate::Place;

/// Rows handed on at a time.
const BATCH: usize = 4096;
/// Beyond the limit that the server is told, so much longer it is waited for it: the way there may be cut without a word.
const SILENT: Duration = Duration::from_secs(30);
/// What PostgreSQL calls a statement that took too long.
const TOO_LONG: &str = "57014";

/// Why a historian's database gave no rows.
#[derive(Debug, thiserror::Error)]
pub enum HistorianError {
    /// It cannot be reached.
    #[error("cannot open the historian's database {place}: {source}")]
    Open {
        /// Its address without the password.
        place: String,
        /// Why.
        source: sqlx::Error,
    },
    /// The query is not one that can be taken.
    #[error("{}: {why}", query.display())]
    Query {
        /// The file that holds it.
        query: PathBuf,
        /// What is wrong, and what would be right.
        why: String,
    },
    /// A slice took longer than it may.
    #[error("a slice from {from} took the historian's database longer than {} s", most.as_secs_f64())]
    TooLong {
        /// Where the slice began.
        from: Timestamp,
        /// How long it may take.
        most: Duration,
    },
    /// The connection or the query failed.
    #[error("the historian's database failed: {0}")]
    Failed(#[source] sqlx::Error),
    /// Nobody takes the rows any more.
    #[error("nobody takes the rows any more")]
    Unheard,
}

/// How the query's column `at` tells time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Times {
    /// As an instant.
    Instants,
    /// As a clock's reading without a zone.
    Clock,
}

/// A historian's database, and the query that gives its readings.
#[derive(Debug)]
pub struct Historian {
    connection: PgConnection,
    file: PathBuf,
    sql: String,
    times: Times,
    quality: bool,
    most: Duration,
}

impl Historian {
    /// The columns that a query has to give, in the order in which they are handed on; the last one may be left out.
    pub const COLUMNS: [&str; 5] = ["at", "unit", "signal", "value", "quality"];

    /// Connects, and looks at what columns the query gives. In it `:from` and `:to` stand for the slice's bounds, for
    /// queries in which they must stand inside; they hold all rows against them anyway. A slice may take `most`.
    ///
    /// # Errors
    /// [`HistorianError::Open`], and [`HistorianError::Query`] if the database refuses it or its columns are others than
    /// [`Historian::COLUMNS`].
    pub async fn open(place: &Place, file: PathBuf, sql: &str, most: Duration) -> Result<Self, HistorianError> {
        let opened = |source| HistorianError::Open { place: place.to_string(), source };
        let Place::Postgres(url) = place else {
            return Err(opened(sqlx::Error::Configuration("only PostgreSQL is spoken".into())));
        };
        // The parser's own words are kept back: they could repeat a part of the password.
        let options: PgConnectOptions =
            url.parse().map_err(|_| opened(sqlx::Error::Configuration("this is no postgresql:// URL".into())))?;
        let options = options.application_name("groovecast").disable_statement_logging();
        let mut connection = answered(SILENT, PgConnection::connect_with(&options)).await.map_err(opened)?;
        answered(SILENT, connection.execute("SET TimeZone = 'UTC'")).await.map_err(HistorianError::Failed)?;
        let sql = sql.trim().trim_end_matches(';').to_owned();
        let refused = |why: String| HistorianError::Query { query: file.clone(), why };
        let epoch = bound(Times::Instants, Timestamp::UNIX_EPOCH, &TimeZone::UTC);
        let text = AssertSqlSafe(filled(&sql, &epoch, &epoch)).into_sql_str();
        let prepared = answered(most + SILENT, connection.prepare(text)).await;
        let prepared = prepared.map_err(|error| refused(error.to_string()))?;
        let given: Vec<(&str, &str)> =
            prepared.columns().iter().map(|column| (column.name(), column.type_info().name())).collect();
        let right = "columns are at, unit, signal, value; optional: quality";
        let kind_of = |wanted: &str| given.iter().find(|(name, _)| *name == wanted).map(|(_, kind)| *kind);
        if let Some(missing) = Self::COLUMNS[..4].iter().find(|name| kind_of(name).is_none()) {
            return Err(refused(format!("it gives no column {missing}; {right}")));
        }
        if let Some((other, _)) = given.iter().find(|(name, _)| !Self::COLUMNS.contains(name)) {
            return Err(refused(format!("its column {other} is not known; {right}")));
        }
        let times = match kind_of("at") {
            Some("TIMESTAMPTZ") => Times::Instants,
            Some("TIMESTAMP" | "DATE") => Times::Clock,
            kind => {
                let kind = kind.unwrap_or("nothing");
                return Err(refused(format!(
                    "its column at is {kind}; right would be timestamptz, or timestamp without a zone"
                )));
            }
        };
        let quality = kind_of("quality").is_some();
        Ok(Self { connection, times, quality, sql, most, file })
    }

    /// Reads the rows from an instant up to another and hands them on as tables of text, numbered on from `first`; returns how
    /// many there were. Times without a zone stay so, and the slice is cut by the clock of `zone`.
    ///
    /// # Errors
    /// [`HistorianError::TooLong`] if the slice took too long: a shorter one may not. Rows of it may have been handed on.
    pub async fn slice<T: From<Table>>(
        &mut self,
        (from, to): (Timestamp, Timestamp),
        zone: &TimeZone,
        first: u64,
        rows: &Sender<T>,
    ) -> Result<u64, HistorianError> {
        let (times, most) = (self.times, self.most);
        let failed = |error: sqlx::Error| {
            let code = error.as_database_error().and_then(|error| error.code());
            if code.as_deref() == Some(TOO_LONG) {
                HistorianError::TooLong { from, most }
            } else {
                HistorianError::Failed(error)
            }
        };
        let [low, high] = [from, to].map(|at| bound(times, at, zone));
        let quality = if self.quality { "h.quality::text" } else { "NULL::text" };
        let query = format!(
            "SELECT (extract(epoch FROM h.at) * 1000000)::bigint, h.unit::text, h.signal::text, h.value::text, {quality}\n\
             FROM (\n{}\n) AS h\nWHERE h.at >= {low} AND h.at < {high}",
            filled(&self.sql, &low, &high)
        );
        let begin = self.connection.begin_with("BEGIN ISOLATION LEVEL READ COMMITTED READ ONLY");
        let mut tx = answered(SILENT, begin).await.map_err(failed)?;
        let limit = format!("SET LOCAL statement_timeout = {}", most.as_millis().max(1));
        answered(SILENT, tx.execute(AssertSqlSafe(limit))).await.map_err(failed)?;
        let table = || Table {
            path: self.file.clone(),
            columns: Self::COLUMNS.map(str::to_owned).to_vec(),
            rows: Vec::with_capacity(BATCH),
        };
        let mut count = 0;
        let mut batch = table();
        {
            // Who may read everything that the account may read wrote the query: it is as trusted as the config.
            let mut stream = sqlx::query(AssertSqlSafe(query)).persistent(false).fetch(&mut *tx);
            while let Some(row) = answered(most + SILENT, stream.try_next()).await.map_err(failed)? {
                batch.rows.push((first + count, cells(&row, times).map_err(failed)?));
                count += 1;
                if batch.rows.len() == BATCH {
                    let full = std::mem::replace(&mut batch, table());
                    rows.send(full.into()).await.map_err(|_| HistorianError::Unheard)?;
                }
            }
        }
        answered(SILENT, tx.commit()).await.map_err(failed)?;
        rows.send(batch.into()).await.map_err(|_| HistorianError::Unheard)?;
        Ok(count)
    }
}

/// An answer, if it comes in time.
async fn answered<T>(within: Duration, answer: impl Future<Output = Result<T, sqlx::Error>>) -> Result<T, sqlx::Error> {
    let late = || {
        let why = format!("no answer within {} s", within.as_secs_f64());
        sqlx::Error::Io(std::io::Error::new(std::io::ErrorKind::TimedOut, why))
    };
    tokio::time::timeout(within, answer).await.unwrap_or_else(|_| Err(late()))
}

/// The row as cells of text; one without a value has an empty cell.
fn cells(row: &PgRow, times: Times) -> Result<Vec<String>, sqlx::Error> {
    let at_us: Option<i64> = row.try_get(0)?;
    let at = at_us.and_then(|at_us| Timestamp::from_microsecond(at_us).ok());
    let at = at.map(|at| match times {
        Times::Instants => at.to_string(),
        Times::Clock => TimeZone::UTC.to_datetime(at).to_string(),
    });
    let mut cells = vec![at.unwrap_or_default()];
    for place in 1..Historian::COLUMNS.len() {
        cells.push(row.try_get::<Option<String>, _>(place)?.unwrap_or_default());
    }
    Ok(cells)
}

/// An instant as the query compares with it. It is made of digits alone.
fn bound(times: Times, at: Timestamp, zone: &TimeZone) -> String {
    match times {
        Times::Instants => format!("TIMESTAMPTZ '{at}'"),
        Times::Clock => format!("TIMESTAMP '{}'", zone.to_datetime(at)),
    }
}

/// The query with `:from` and `:to` replaced; a `::` before a name is a cast and stays.
fn filled(sql: &str, from: &str, to: &str) -> String {
    let mut text = String::with_capacity(sql.len() + 64);
    let mut rest = sql;
    while let Some(at) = rest.find(':') {
        let (before, after) = rest.split_at(at);
        text.push_str(before);
        let word = |name: &str| {
            let tail = after.strip_prefix(name)?;
            let ends = !tail.starts_with(|c: char| c.is_alphanumeric() || c == '_');
            (ends && !before.ends_with(':')).then_some(tail)
        };
        rest = if let Some(tail) = word(":from") {
            text.push_str(from);
            tail
        } else if let Some(tail) = word(":to") {
            text.push_str(to);
            tail
        } else {
            let colons = after.len() - after.trim_start_matches(':').len();
            text.push_str(&after[..colons]);
            &after[colons..]
        };
    }
    text + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_historian_that_never_answers_is_not_waited_for_for_ever() {
        let silent = std::future::pending::<Result<(), sqlx::Error>>();
        let error = answered(Duration::from_millis(20), silent).await.unwrap_err().to_string();
        assert!(error.contains("no answer within 0.02 s"), "{error}");
    }

    #[test]
    fn bounds_stand_where_the_query_asks_for_them() {
        let sql = "SELECT t::text, ':fromage' FROM h WHERE t >= :from AND t < :to AND :to_day > x::from";
        assert_eq!(
            filled(sql, "A", "B"),
            "SELECT t::text, ':fromage' FROM h WHERE t >= A AND t < B AND :to_day > x::from"
        );
        let at: Timestamp = "2026-07-01T00:00:00Z".parse().unwrap();
        let zone = TimeZone::get("Europe/Amsterdam").unwrap();
        assert_eq!(bound(Times::Instants, at, &zone), "TIMESTAMPTZ '2026-07-01T00:00:00Z'");
        assert_eq!(bound(Times::Clock, at, &zone), "TIMESTAMP '2026-07-01T02:00:00'");
    }
}
