//! Every score that was published, kept so that a later finding can be held against it.

use plant::Score;

use crate::error::{LedgerError, database};
use crate::open::Ledger;
use crate::record::{bodies, body};
use crate::rows::{Insert, Statement};

const SCORES: Insert =
    Insert { head: "INSERT INTO scores (at_us, subject, body)", columns: 3, tail: "ON CONFLICT DO NOTHING" };

impl Ledger {
    /// Keeps published scores.
    ///
    /// # Errors
    /// [`LedgerError::Database`]; then none of them is kept.
    pub async fn keep_scores(&self, scores: &[Score]) -> Result<(), LedgerError> {
        for chunk in scores.chunks(1000) {
            let rows: Vec<(i64, String, String)> = chunk
                .iter()
                .map(|score| Ok((score.at.as_microsecond(), subject(score), body("score", score)?)))
                .collect::<Result<_, LedgerError>>()?;
            let write = |statement: Statement, (at_us, subject, body): &(i64, String, String)| {
                statement.bind(*at_us).bind(subject.clone()).bind(body.clone())
            };
            let mut connection = self.writer.acquire().await.map_err(database("keep scores"))?;
            SCORES.run(&mut connection, self.kind, &rows, write).await.map_err(database("keep scores"))?;
        }
        Ok(())
    }

    /// The kept scores of a tube (or of a unit without one), oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn scores_of(&self, subject: &str) -> Result<Vec<Score>, LedgerError> {
        // No name holds a zero character, and PostgreSQL takes none.
        if subject.contains('\0') {
            return Ok(Vec::new());
        }
        let rows: Vec<String> = sqlx::query_scalar("SELECT body FROM scores WHERE subject = $1 ORDER BY at_us")
            .bind(subject.to_owned())
            .fetch_all(&self.readers)
            .await
            .map_err(database("read scores"))?;
        bodies("score", &rows)
    }
}

fn subject(score: &Score) -> String {
    let tube = score.tube.as_ref().map(|tube| tube.as_str());
    tube.or(score.unit.as_ref().map(|unit| unit.as_str())).unwrap_or_default().to_owned()
}
