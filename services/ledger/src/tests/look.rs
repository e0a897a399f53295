//! A look at a database changes nothing in it, whatever it is.

use plant::{Quality, Reading, Signal, TimeSource, UnitId, Value};

use super::{at, on_both, with_tubes};
use crate::{Ledger, LedgerError, Place};

fn reading(second: i64) -> Reading {
    Reading {
        unit: UnitId::new("K1").unwrap(),
        signal: Signal::Torque,
        at: at(second),
        value: Value::Number(80.0),
        quality: Quality::Good,
        time_source: TimeSource::Own,
    }
}

on_both! {
    async fn a_look_beside_the_service_tells_what_is_there_and_cannot_write(place: Place) {
        let ledger = with_tubes(&place).await;
        ledger.append(&[reading(10), reading(20)]).await.unwrap();
        let look = Ledger::look(&place).await.unwrap();
        let condition = look.condition().await.unwrap();
        assert_eq!(condition.schema, condition.known_schema);
        assert_eq!((condition.rows["tubes"], condition.rows["journal"], condition.rows["scores"]), (Some(2), Some(2), Some(0)));
        assert!(condition.kept_by.starts_with("SQLite 3") || condition.kept_by.starts_with("PostgreSQL "), "{condition:?}");
        let journal = look.journal_by_signal().await.unwrap();
        assert_eq!((journal.len(), journal[0].readings, journal[0].newest_at), (1, 2, at(20)));
        assert_eq!(look.names().await.unwrap(), ["setup"]);
        look.append(&[reading(30)]).await.unwrap_err();
        assert_eq!(ledger.journal_by_signal().await.unwrap(), journal);
    }

    async fn scores_are_read_by_their_span(place: Place) {
        let ledger = with_tubes(&place).await;
        assert_eq!(ledger.scores_span().await.unwrap(), None);
        assert_eq!(ledger.scores_between(at(0), at(10)).await.unwrap(), []);
    }
}

#[tokio::test]
async fn a_look_at_nothing_makes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("record.db");
    let refused = Ledger::look(&Place::Sqlite(path.clone())).await.unwrap_err();
    assert!(matches!(refused, LedgerError::Open { .. }) && !path.exists(), "{refused}");
    std::fs::write(&path, "no database at all, though long enough to be taken for one").unwrap();
    let refused = match Ledger::look(&Place::Sqlite(path.clone())).await {
        Ok(look) => look.condition().await.map(|_| ()),
        Err(error) => Err(error),
    };
    assert!(refused.is_err());
}
