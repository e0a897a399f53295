//! Advice is kept over a restart, with what people said to it.

use plant::{Advice, AdviceKind, PutOff, Seen, TubeId, UnitId};

use super::{at, by, on_both};
use crate::{AuditFilter, Ledger, LedgerError, Place};

pub(super) fn advice(kind: AdviceKind, cause: i64) -> Advice {
    Advice {
        id: 0,
        tube: TubeId::new("T1").unwrap(),
        unit: UnitId::new("C1").unwrap(),
        kind,
        cause_since: at(cause),
        raised_at: None,
        gone_since: None,
        cleared_at: None,
        seen: None,
        put_off: None,
    }
}

async fn actions(ledger: &Ledger) -> Vec<(String, String)> {
    let mut rows = ledger.audit(&AuditFilter::default(), 100).await.unwrap();
    rows.reverse();
    rows.into_iter().map(|row| (row.who, row.action)).collect()
}

on_both! {
    async fn what_was_said_to_advice_is_there_after_a_restart(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.keep_advice(&[advice(AdviceKind::Chance, 10)], &[], &by("the service", 10)).await.unwrap();
        let waiting = ledger.open_advice().await.unwrap().remove(0);
        assert!(matches!(ledger.see_advice(waiting.id, &by("Olga", 11)).await, Err(LedgerError::NoAdvice(1))), "it is not raised");
        ledger.keep_advice(&[Advice { raised_at: Some(at(20)), ..waiting }], &[], &by("the service", 20)).await.unwrap();
        ledger.see_advice(1, &by("Olga", 21)).await.unwrap();
        ledger.see_advice(1, &by("Ines", 22)).await.unwrap();
        ledger.put_off_advice(1, at(99), " no crew ", &by("Olga", 23)).await.unwrap();
        ledger.close().await;
        let ledger = Ledger::open(&place).await.unwrap();
        let open = ledger.open_advice().await.unwrap();
        assert_eq!(open.len(), 1);
        assert_eq!((open[0].cause_since, open[0].raised_at), (at(10), Some(at(20))));
        assert_eq!(open[0].seen, Some(Seen { who: "Olga".to_owned(), at: at(21) }));
        let put_off = PutOff { until: at(99), why: "no crew".to_owned(), who: "Olga".to_owned(), at: at(23) };
        assert_eq!(open[0].put_off, Some(put_off));
        let told = [("the service", "raise advice"), ("Olga", "see advice"), ("Olga", "put off advice")];
        assert_eq!(actions(&ledger).await, told.map(|(who, action)| (who.to_owned(), action.to_owned())));
    }

    async fn a_hold_is_not_put_off_and_nothing_without_a_reason(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let raised = |kind| Advice { raised_at: Some(at(5)), ..advice(kind, 5) };
        ledger.keep_advice(&[raised(AdviceKind::Hold), raised(AdviceKind::Reached)], &[], &by("the service", 5)).await.unwrap();
        assert!(matches!(ledger.put_off_advice(1, at(9), "later", &by("Olga", 6)).await, Err(LedgerError::MustHold(1))));
        assert!(matches!(ledger.put_off_advice(2, at(9), " ", &by("Olga", 6)).await, Err(LedgerError::BadText { .. })));
        assert!(ledger.open_advice().await.unwrap().iter().all(|advice| advice.put_off.is_none()));
    }

    async fn advice_is_cleared_and_can_be_raised_again(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let raised = Advice { raised_at: Some(at(5)), ..advice(AdviceKind::Chance, 5) };
        ledger.keep_advice(std::slice::from_ref(&raised), &[], &by("the service", 5)).await.unwrap();
        assert!(ledger.keep_advice(std::slice::from_ref(&raised), &[], &by("the service", 6)).await.is_err(), "one at a time");
        let open = ledger.open_advice().await.unwrap().remove(0);
        ledger.keep_advice(&[Advice { cleared_at: Some(at(7)), ..open }], &[], &by("the service", 7)).await.unwrap();
        assert_eq!(ledger.open_advice().await.unwrap(), []);
        assert_eq!(ledger.cleared_advice(9).await.unwrap()[0].cleared_at, Some(at(7)));
        assert!(matches!(ledger.see_advice(1, &by("Olga", 8)).await, Err(LedgerError::NoAdvice(1))));
        ledger.keep_advice(&[Advice { raised_at: Some(at(9)), ..raised }], &[], &by("the service", 9)).await.unwrap();
        assert_eq!(ledger.open_advice().await.unwrap()[0].id, 2);
    }

    async fn a_cause_that_went_before_it_was_raised_leaves_nothing(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.keep_advice(&[advice(AdviceKind::Chance, 10)], &[], &by("the service", 10)).await.unwrap();
        let waiting = ledger.open_advice().await.unwrap().remove(0);
        ledger.keep_advice(&[Advice { cleared_at: Some(at(11)), ..waiting }], &[], &by("the service", 11)).await.unwrap();
        assert_eq!((ledger.open_advice().await.unwrap(), ledger.cleared_advice(9).await.unwrap()), (vec![], vec![]));
        assert_eq!(actions(&ledger).await, []);
    }
}
