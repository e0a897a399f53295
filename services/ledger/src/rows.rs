//! Many rows in one statement.

use sqlx::any::AnyArguments;
use sqlx::query::Query;
use sqlx::{Any, AnyConnection, AssertSqlSafe};

use crate::place::Kind;

/// A statement that values are bound to.
pub(crate) type Statement = Query<'static, Any, AnyArguments>;

/// An `INSERT` of many rows: the two databases mark the places of values differently.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Insert {
    /// Up to `VALUES`.
    pub(crate) head: &'static str,
    /// Values of a row.
    pub(crate) columns: usize,
    /// After the values.
    pub(crate) tail: &'static str,
}

impl Insert {
    /// Inserts rows, to which `bind` gives their values, and says how many were new.
    pub(crate) async fn run<T>(
        self,
        connection: &mut AnyConnection,
        kind: Kind,
        rows: &[T],
        bind: impl Fn(Statement, &T) -> Statement,
    ) -> Result<u64, sqlx::Error> {
        if rows.is_empty() {
            return Ok(0);
        }
        // Made of our own constants and of numbers: no value stands in the text.
        let query = sqlx::query(AssertSqlSafe(self.text(kind, rows.len())));
        let query = rows.iter().fold(query, bind);
        Ok(query.execute(connection).await?.rows_affected())
    }

    fn text(self, kind: Kind, rows: usize) -> String {
        let mut text = format!("{} VALUES ", self.head);
        for place in 0..rows * self.columns {
            text.push_str(match (place, place % self.columns) {
                (0, _) => "(",
                (_, 0) => "), (",
                _ => ", ",
            });
            match kind {
                Kind::Sqlite => text.push('?'),
                Kind::Postgres => text.push_str(&format!("${}", place + 1)),
            }
        }
        text.push_str(") ");
        text.push_str(self.tail);
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_has_its_place() {
        let insert = Insert { head: "INSERT INTO t (a, b)", columns: 2, tail: "ON CONFLICT DO NOTHING" };
        assert_eq!(insert.text(Kind::Sqlite, 2), "INSERT INTO t (a, b) VALUES (?, ?), (?, ?) ON CONFLICT DO NOTHING");
        assert_eq!(
            insert.text(Kind::Postgres, 2),
            "INSERT INTO t (a, b) VALUES ($1, $2), ($3, $4) ON CONFLICT DO NOTHING"
        );
    }
}
