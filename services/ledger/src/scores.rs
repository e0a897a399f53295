//! Every score that was published, kept so that a later finding can be held against it.

use plant::Score;
use sqlx::{QueryBuilder, Sqlite};

use crate::error::{LedgerError, database};
use crate::open::Ledger;
use crate::record::{bodies, body};

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
            let mut query: QueryBuilder<Sqlite> = QueryBuilder::new("INSERT INTO scores (at_us, subject, body) ");
            query.push_values(rows, |mut row, (at_us, subject, body)| {
                row.push_bind(at_us).push_bind(subject).push_bind(body);
            });
            query.push(" ON CONFLICT DO NOTHING");
            query.build().execute(&self.writer).await.map_err(database("keep scores"))?;
        }
        Ok(())
    }

    /// The kept scores of a tube (or of a unit without one), oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn scores_of(&self, subject: &str) -> Result<Vec<Score>, LedgerError> {
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

#[cfg(test)]
mod tests {
    use super::*;
    use plant::{Horizon, State, TubeId};

    #[tokio::test]
    async fn a_kept_score_reads_back_and_is_kept_once() {
        let folder = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(&folder.path().join("l.db")).await.unwrap();
        let score = Score {
            at: "2026-03-01T06:00:00Z".parse().unwrap(),
            tube: Some(TubeId::new("T1").unwrap()),
            unit: None,
            state: State::NotFitted,
            reason: "on the shelf".into(),
            risks: vec![Horizon { horizon_h: 0.0, risk: 0.1 + 0.2, lower: 1.0 / 3.0, upper: 0.5 }],
            last_look_at: None,
            last_grade: None,
            run_h: 12.5,
            blind_h: 0.0,
            coverage: None,
            equivalent_h: 12.5,
            drivers: Vec::new(),
            hold_and_assess: false,
            model: "model 1".into(),
            data_from: None,
            data_to: None,
        };
        ledger.keep_scores(std::slice::from_ref(&score)).await.unwrap();
        ledger.keep_scores(std::slice::from_ref(&score)).await.unwrap();
        assert_eq!(ledger.scores_of("T1").await.unwrap(), [score], "to the last bit of its numbers");
        assert!(ledger.scores_of("T2").await.unwrap().is_empty());
    }
}
