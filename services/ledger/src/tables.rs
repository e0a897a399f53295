//! The tables that a backup holds, and their rows as lines of JSON.

use futures_util::TryStreamExt;
use serde_json::{Map, Value};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use tokio::sync::mpsc;

use crate::error::{LedgerError, damaged, database};
use crate::rows::{Insert, Statement};

/// Bytes that go to the writer at once.
const PIECE: usize = 256 * 1024;

/// What a column holds.
#[derive(Debug, Clone, Copy)]
enum Holds {
    Whole,
    Number,
    Text,
}
use Holds::{Number, Text, Whole};

/// A table and how its rows are told and put back.
pub(crate) struct Table {
    pub(crate) name: &'static str,
    /// `INSERT INTO` with the columns in their order.
    head: &'static str,
    columns: &'static [(&'static str, Holds)],
    /// The columns by which rows are ordered; they tell rows apart.
    order: &'static str,
}

macro_rules! table {
    ($name:literal by $order:literal: $($column:literal $holds:ident),+) => {
        Table {
            name: $name,
            head: concat!("INSERT INTO ", $name, " (", table!(@list $($column),+), ")"),
            columns: &[$(($column, $holds)),+],
            order: $order,
        }
    };
    (@list $first:literal $(, $rest:literal)*) => { concat!($first $(, ", ", $rest)*) };
}

/// Every table but the sessions, which end with a restore, and what collectors say of the moment. A row stands after those that it refers to.
pub(crate) const TABLES: &[Table] = &[
    table!("tubes" by "tube": "tube" Text, "body" Text),
    table!("fittings" by "tube, from_us": "tube" Text, "unit" Text, "from_us" Whole, "to_us" Whole),
    table!("work" by "at_us, tube, work": "at_us" Whole, "tube" Text, "work" Text, "note" Text),
    table!("findings" by "id": "id" Whole, "at_us" Whole, "tube" Text, "body" Text, "entered_us" Whole,
        "entered_by" Text),
    table!("finding_changes" by "finding, version": "finding" Whole, "version" Whole, "at_us" Whole, "who" Text,
        "why" Text, "body" Text),
    table!("photos" by "id": "id" Whole, "finding" Whole, "name" Text, "media_type" Text, "bytes" Whole,
        "sha256" Text, "stored_as" Text, "at_us" Whole, "who" Text),
    table!("campaigns" by "unit, from_us": "unit" Text, "from_us" Whole, "body" Text),
    table!("baselines" by "version": "version" Whole, "created_us" Whole, "body" Text),
    table!("models" by "version": "version" Whole, "created_us" Whole, "status" Text, "decided_us" Whole,
        "decided_by" Text, "why" Text, "body" Text),
    table!("advice" by "id": "id" Whole, "tube" Text, "unit" Text, "kind" Text, "cause_us" Whole, "raised_us" Whole,
        "gone_us" Whole, "cleared_us" Whole, "seen_by" Text, "seen_us" Whole, "put_off_to" Whole, "put_off_why" Text,
        "put_off_by" Text, "put_off_us" Whole),
    table!("notices" by "id": "id" Whole, "key" Text, "target" Text, "advice" Whole, "at_us" Whole, "body" Text,
        "tries" Whole, "next_us" Whole, "told_us" Whole, "given_up_us" Whole, "error" Text),
    table!("scores" by "at_us, subject": "at_us" Whole, "subject" Text, "body" Text, "grounds" Text),
    table!("trial_scores" by "at_us, subject, model": "at_us" Whole, "subject" Text, "model" Text, "body" Text),
    table!("hours_seen" by "unit, day, baseline, at_us": "unit" Text, "day" Whole, "baseline" Whole, "at_us" Whole,
        "sha256" Text, "body" Text),
    table!("looks_aside" by "id": "id" Whole, "tube" Text, "look_us" Whole, "at_us" Whole, "who" Text, "why" Text,
        "lifted_us" Whole, "lifted_by" Text, "lifted_why" Text),
    table!("people" by "id": "id" Whole, "name" Text, "name_key" Text, "role" Text, "password" Text,
        "created_us" Whole, "disabled_us" Whole),
    table!("tokens" by "id": "id" Whole, "name" Text, "name_key" Text, "role" Text, "sha256" Text,
        "created_us" Whole, "revoked_us" Whole),
    table!("request_keys" by "key": "key" Text, "sha256" Text, "answer" Text, "at_us" Whole),
    table!("audit" by "id": "id" Whole, "at_us" Whole, "who" Text, "action" Text, "subject" Text, "detail" Text),
    table!("marks" by "name": "name" Text, "value" Whole),
    table!("day_files" by "day": "day" Text, "generation" Whole, "body" Text),
    table!("journal" by "at_us, unit, signal, kind, number, word, quality, time_source": "at_us" Whole, "unit" Text,
        "signal" Text, "kind" Whole, "number" Number, "word" Text, "quality" Whole, "time_source" Whole, "claim" Whole),
];

impl Table {
    /// The names of its columns, in order.
    #[cfg(test)]
    pub(crate) fn column_names(&self) -> Vec<&'static str> {
        self.columns.iter().map(|(name, _)| *name).collect()
    }

    /// Whether a transaction sees no row of it.
    pub(crate) async fn is_empty(&self, tx: &mut AnyConnection) -> Result<bool, LedgerError> {
        let text = format!("SELECT count(*) FROM (SELECT 1 FROM {} LIMIT 1) AS any_row", self.name);
        let rows: i64 =
            sqlx::query_scalar(AssertSqlSafe(text)).fetch_one(tx).await.map_err(database("look for rows"))?;
        Ok(rows == 0)
    }

    /// Sends its rows, one JSON object a line, in the order of its key, in pieces.
    pub(crate) async fn tell(&self, tx: &mut AnyConnection, to: mpsc::Sender<Vec<u8>>) -> Result<(), LedgerError> {
        let columns: Vec<_> = self.columns.iter().map(|(name, _)| *name).collect();
        let text = format!("SELECT {} FROM {} ORDER BY {}", columns.join(", "), self.name, self.order);
        let mut rows = sqlx::query(AssertSqlSafe(text)).fetch(tx);
        let mut piece = Vec::new();
        while let Some(row) = rows.try_next().await.map_err(database("read a table"))? {
            serde_json::to_writer(&mut piece, &self.line(&row)).map_err(|error| damaged("row")(&error))?;
            piece.push(b'\n');
            // Who receives says itself why it stopped.
            if piece.len() > PIECE && to.send(std::mem::take(&mut piece)).await.is_err() {
                return Ok(());
            }
        }
        let _ = to.send(piece).await;
        Ok(())
    }

    fn line(&self, row: &AnyRow) -> Map<String, Value> {
        let values = self.columns.iter().map(|(name, holds)| {
            let value = match holds {
                Whole => row.get::<Option<i64>, _>(*name).into(),
                Number => row.get::<Option<f64>, _>(*name).into(),
                Text => row.get::<Option<String>, _>(*name).into(),
            };
            ((*name).to_owned(), value)
        });
        values.collect()
    }

    /// How rows are put back.
    pub(crate) fn insert(&self) -> Insert {
        Insert { head: self.head, columns: self.columns.len(), tail: "" }
    }

    /// A line as a row.
    ///
    /// # Errors
    /// What is wrong with it.
    pub(crate) fn row(&self, line: &str) -> Result<Map<String, Value>, String> {
        let row: Map<String, Value> = serde_json::from_str(line).map_err(|error| error.to_string())?;
        for (name, holds) in self.columns {
            let fits = match (row.get(*name), holds) {
                (None, _) => return Err(format!("there is no {name}")),
                (Some(Value::Null), _) => true,
                (Some(value), Whole) => value.is_i64(),
                (Some(value), Number) => value.is_number(),
                (Some(value), Text) => value.is_string(),
            };
            if !fits {
                return Err(format!("{name} does not fit into its column"));
            }
        }
        if row.len() > self.columns.len() {
            return Err("there are more columns than the table has".to_owned());
        }
        Ok(row)
    }

    /// Binds the values of a row.
    pub(crate) fn bind(&self, statement: Statement, row: &Map<String, Value>) -> Statement {
        self.columns.iter().fold(statement, |statement, (name, holds)| {
            let value = row.get(*name);
            match holds {
                Whole => statement.bind(value.and_then(Value::as_i64)),
                Number => statement.bind(value.and_then(Value::as_f64)),
                Text => statement.bind(value.and_then(Value::as_str).map(str::to_owned)),
            }
        })
    }
}
