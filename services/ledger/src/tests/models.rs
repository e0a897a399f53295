//! Baselines and models.

use super::{by, on_both};
use crate::{AuditFilter, Ledger, LedgerError, Place, Status};

on_both! {
    async fn approving_a_model_retires_the_one_before_it(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let first = ledger.add_model("{}", &by("analyst", 1)).await.unwrap();
        let second = ledger.add_model("{}", &by("analyst", 1)).await.unwrap();
        assert_eq!(ledger.approved_model().await.unwrap(), None);
        ledger.approve(first, "first", &by("Ada", 2)).await.unwrap();
        ledger.approve(second, "better", &by("Ada", 3)).await.unwrap();
        assert_eq!(ledger.approved_model().await.unwrap().unwrap().version, second);
        let statuses: Vec<_> = ledger.models().await.unwrap().iter().map(|m| m.status).collect();
        assert_eq!(statuses, [Status::Approved, Status::Retired]);
        assert!(matches!(ledger.approve(9, "why not", &by("Ada", 4)).await, Err(LedgerError::NoModel(9))));
        assert_eq!(
            ledger.approved_model().await.unwrap().unwrap().version,
            second,
            "a failed approval changes nothing"
        );
    }

    async fn who_approved_a_model_is_never_overwritten_and_nobody_approves_without_a_reason(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let version = ledger.add_model("{}", &by("groovecast", 1)).await.unwrap();
        for (who, why) in [("Ada", ""), ("Ada", " \t"), ("", "fits well"), ("  ", "fits well")] {
            let refused = ledger.approve(version, why, &by(who, 2)).await;
            assert!(matches!(refused, Err(LedgerError::BadText { .. })), "{who:?}, {why:?}");
        }
        ledger.approve(version, "beats the base rate", &by("Ada", 3)).await.unwrap();
        let again = ledger.approve(version, "mine", &by("Bob", 4)).await;
        assert!(matches!(again, Err(LedgerError::AlreadyApproved { by, .. }) if by == "Ada"));
        let kept = ledger.approved_model().await.unwrap().unwrap();
        assert_eq!((kept.decided_by.as_deref(), kept.why.as_deref()), (Some("Ada"), Some("beats the base rate")));
        let trail = ledger.audit(&AuditFilter::default(), 10).await.unwrap();
        let told: Vec<_> = trail.iter().map(|row| (row.who.as_str(), row.action.as_str(), row.subject.as_str())).collect();
        assert_eq!(told, [("Ada", "approve model", "model 1"), ("groovecast", "propose model", "model 1")]);
    }

    async fn a_retired_model_speaks_no_more_and_can_be_approved_again(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let version = ledger.add_model("{}", &by("groovecast", 1)).await.unwrap();
        ledger.approve(version, "good", &by("Ada", 2)).await.unwrap();
        assert!(matches!(ledger.retire(version, " ", &by("Ada", 3)).await, Err(LedgerError::BadText { .. })));
        assert!(matches!(ledger.retire(7, "drifts", &by("Ada", 3)).await, Err(LedgerError::NoModel(7))));
        ledger.retire(version, "drifts", &by("Ada", 3)).await.unwrap();
        assert_eq!(ledger.approved_model().await.unwrap(), None);
        let again = ledger.retire(version, "drifts", &by("Ada", 4)).await;
        assert!(matches!(again, Err(LedgerError::AlreadyRetired(1))));
        let trail = ledger.audit(&AuditFilter::default(), 1).await.unwrap();
        assert_eq!((trail[0].action.as_str(), &trail[0].detail["was"]), ("retire model", &"approved".into()));
        ledger.approve(version, "it was the torque meter", &by("Ada", 5)).await.unwrap();
        assert_eq!(ledger.approved_model().await.unwrap().unwrap().version, version);
    }

    async fn a_baseline_is_found_by_its_version_or_as_the_newest(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        assert_eq!(ledger.baseline(None).await.unwrap(), None);
        assert_eq!(ledger.add_baseline("one", &by("groovecast", 1)).await.unwrap(), 1);
        assert_eq!(ledger.add_baseline("two", &by("groovecast", 2)).await.unwrap(), 2);
        assert_eq!(ledger.baseline(None).await.unwrap(), Some((2, "two".to_owned())));
        assert_eq!(ledger.baseline(Some(1)).await.unwrap(), Some((1, "one".to_owned())));
        assert_eq!(ledger.baseline(Some(3)).await.unwrap(), None);
    }
}
