//! Every score that was published, kept with what it stood on, so that a later finding can be held against it.

use jiff::Timestamp;
use plant::Score;
use sqlx::Row;

use crate::error::{LedgerError, damaged, database};
use crate::hours_seen::{SeenDay, keep_days};
use crate::open::{Ledger, Turn, instant};
use crate::record::{bodies, body};
use crate::rows::{Insert, Statement};

const ROWS_PER_STATEMENT: usize = 1000;
const SCORES: Insert =
    Insert { head: "INSERT INTO scores (at_us, subject, body, grounds)", columns: 4, tail: "ON CONFLICT DO NOTHING" };
const TRIALS: Insert = Insert {
    head: "INSERT INTO trial_scores (at_us, subject, model, body)",
    columns: 4,
    tail: "ON CONFLICT DO NOTHING",
};

/// A published score and what it stood on.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptScore {
    /// The score.
    pub score: Score,
    /// What it stood on, as JSON of the caller's; `None` for scores of before that was kept.
    pub grounds: Option<String>,
}

/// What is kept of an evaluation.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evaluation {
    /// What was published.
    pub scores: Vec<KeptScore>,
    /// What the newest proposed model would have said; never published.
    pub trials: Vec<Score>,
    /// Days of units that are not as they were when scores were kept last.
    pub days: Vec<SeenDay>,
}

impl Ledger {
    /// Keeps an evaluation, all of it or nothing.
    ///
    /// # Errors
    /// [`LedgerError::Database`]; then nothing of it is kept.
    pub async fn keep_evaluation(&self, evaluation: &Evaluation) -> Result<(), LedgerError> {
        let failed = || database("keep scores");
        let mut tx = self.write(Turn::Scores).await.map_err(failed())?;
        for chunk in evaluation.scores.chunks(ROWS_PER_STATEMENT) {
            let rows: Vec<_> = chunk
                .iter()
                .map(|kept| Ok((&kept.score, body("score", &kept.score)?, &kept.grounds)))
                .collect::<Result<_, LedgerError>>()?;
            let write = |statement: Statement, (score, body, grounds): &(&Score, String, &Option<String>)| {
                let statement = statement.bind(score.at.as_microsecond()).bind(subject(score));
                statement.bind(body.clone()).bind((*grounds).clone())
            };
            SCORES.run(&mut tx, self.kind, &rows, write).await.map_err(failed())?;
        }
        for chunk in evaluation.trials.chunks(ROWS_PER_STATEMENT) {
            let rows: Vec<_> =
                chunk.iter().map(|score| Ok((score, body("score", score)?))).collect::<Result<_, LedgerError>>()?;
            let write = |statement: Statement, (score, body): &(&Score, String)| {
                let statement = statement.bind(score.at.as_microsecond()).bind(subject(score));
                statement.bind(score.model.clone()).bind(body.clone())
            };
            TRIALS.run(&mut tx, self.kind, &rows, write).await.map_err(failed())?;
        }
        keep_days(&mut tx, self.kind, &evaluation.days).await?;
        tx.commit().await.map_err(failed())
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

    /// The instants of the first and the last score that was kept; `None` if none was.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn scores_span(&self) -> Result<Option<(Timestamp, Timestamp)>, LedgerError> {
        let (first, last): (Option<i64>, Option<i64>) = sqlx::query_as("SELECT MIN(at_us), MAX(at_us) FROM scores")
            .fetch_one(&self.readers)
            .await
            .map_err(database("read scores"))?;
        first.zip(last).map(|(first, last)| Ok((instant(first)?, instant(last)?))).transpose()
    }

    /// The scores that were kept from an instant on and before another, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn scores_between(&self, from: Timestamp, to: Timestamp) -> Result<Vec<Score>, LedgerError> {
        let rows: Vec<String> =
            sqlx::query_scalar("SELECT body FROM scores WHERE at_us >= $1 AND at_us < $2 ORDER BY at_us, subject")
                .bind(from.as_microsecond())
                .bind(to.as_microsecond())
                .fetch_all(&self.readers)
                .await
                .map_err(database("read scores"))?;
        bodies("score", &rows)
    }

    /// The last score of a tube (or of a unit without one) that was kept at an instant or before it.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn score_at(&self, subject: &str, at: Timestamp) -> Result<Option<KeptScore>, LedgerError> {
        if subject.contains('\0') {
            return Ok(None);
        }
        let row = sqlx::query(
            "SELECT body, grounds FROM scores WHERE subject = $1 AND at_us <= $2 ORDER BY at_us DESC LIMIT 1",
        )
        .bind(subject.to_owned())
        .bind(at.as_microsecond())
        .fetch_optional(&self.readers)
        .await
        .map_err(database("read a score"))?;
        row.map(|row| {
            let score = serde_json::from_str(row.get("body")).map_err(|error| damaged("score")(&error))?;
            Ok(KeptScore { score, grounds: row.get("grounds") })
        })
        .transpose()
    }

    /// What a proposed model would have said of a tube, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn trials_of(&self, subject: &str, model: &str) -> Result<Vec<Score>, LedgerError> {
        if subject.contains('\0') || model.contains('\0') {
            return Ok(Vec::new());
        }
        let rows: Vec<String> =
            sqlx::query_scalar("SELECT body FROM trial_scores WHERE subject = $1 AND model = $2 ORDER BY at_us")
                .bind(subject.to_owned())
                .bind(model.to_owned())
                .fetch_all(&self.readers)
                .await
                .map_err(database("read scores of a proposed model"))?;
        bodies("score", &rows)
    }
}

fn subject(score: &Score) -> String {
    let tube = score.tube.as_ref().map(|tube| tube.as_str());
    tube.or(score.unit.as_ref().map(|unit| unit.as_str())).unwrap_or_default().to_owned()
}
