//! What is to be told stands with what it tells of, and is told until somebody confirms it.

use plant::{Advice, AdviceKind};

use super::advice::advice;
use super::{at, by, on_both};
use crate::{Ledger, NewNotice, Place};

fn notice(target: &str, of: usize, body: &str) -> NewNotice {
    NewNotice { target: target.to_owned(), of, body: body.to_owned() }
}

async fn due(ledger: &Ledger, target: &str, second: i64) -> Vec<String> {
    let due = ledger.due_notices(target, at(second), 100).await.unwrap();
    due.into_iter().map(|notice| notice.body).collect()
}

/// Advice of two kinds is raised, and the desk is told of both, the shift of one.
async fn raised(place: &Place) -> Ledger {
    let ledger = Ledger::open(place).await.unwrap();
    let raised =
        [AdviceKind::Hold, AdviceKind::Reached].map(|kind| Advice { raised_at: Some(at(5)), ..advice(kind, 5) });
    let notices = [notice("desk", 0, "hold"), notice("desk", 1, "reached"), notice("shift", 1, "reached")];
    ledger.keep_advice(&raised, &notices, &by("the service", 5)).await.unwrap();
    ledger
}

on_both! {
    async fn nothing_is_told_of_what_was_not_kept(place: Place) {
        let ledger = raised(&place).await;
        let again = [Advice { raised_at: Some(at(6)), ..advice(AdviceKind::Hold, 6) }];
        let refused = ledger.keep_advice(&again, &[notice("desk", 0, "twice")], &by("the service", 6)).await;
        assert!(refused.is_err(), "one at a time");
        assert_eq!(due(&ledger, "desk", 9).await, ["hold", "reached"]);
    }

    async fn what_is_confirmed_is_never_due_again_and_the_rest_outlasts_a_restart_with_its_key(place: Place) {
        let ledger = raised(&place).await;
        let before = ledger.due_notices("desk", at(9), 100).await.unwrap();
        assert_eq!(before.iter().map(|notice| notice.advice).collect::<Vec<_>>(), [1, 2]);
        ledger.notice_told(before[0].id, at(9)).await.unwrap();
        ledger.notice_failed(before[0].id, "late", at(9)).await.unwrap();
        ledger.close().await;
        let ledger = Ledger::open(&place).await.unwrap();
        let after = ledger.due_notices("desk", at(10), 100).await.unwrap();
        assert_eq!(after, before[1..]);
        assert_eq!(due(&ledger, "shift", 10).await, ["reached"], "one target's answer says nothing of another's");
    }

    async fn a_failed_try_waits_and_a_given_up_one_is_over(place: Place) {
        let ledger = raised(&place).await;
        let ids: Vec<i64> = ledger.due_notices("desk", at(9), 100).await.unwrap().iter().map(|n| n.id).collect();
        ledger.notice_failed(ids[0], "it answered 500", at(30)).await.unwrap();
        assert_eq!(due(&ledger, "desk", 29).await, ["reached"]);
        ledger.notice_given_up(ids[1], "it answered 400", at(20)).await.unwrap();
        assert_eq!(due(&ledger, "desk", 30).await, ["hold"]);
        assert_eq!(ledger.due_notices("desk", at(30), 100).await.unwrap()[0].tries, 1);
        let counts = ledger.notice_counts().await.unwrap();
        let told: Vec<_> = counts.iter().map(|one| (one.target.as_str(), one.told, one.waiting, one.given_up)).collect();
        assert_eq!(told, [("desk", 0, 1, 1), ("shift", 0, 1, 0)]);
        assert_eq!((counts[0].waits_since, counts[0].error.as_deref()), (Some(at(5)), Some("it answered 500")));
        ledger.give_up_notices("desk", "nobody is called so", at(31)).await.unwrap();
        let desk = ledger.notice_counts().await.unwrap().remove(0);
        assert_eq!((desk.waiting, desk.given_up, desk.waits_since), (0, 2, None));
        assert_eq!(due(&ledger, "shift", 31).await, ["reached"]);
    }

    async fn a_clock_that_ran_ahead_keeps_nothing_back(place: Place) {
        let ledger = raised(&place).await;
        let id = ledger.due_notices("desk", at(9), 1).await.unwrap()[0].id;
        ledger.notice_failed(id, "away", at(3600)).await.unwrap();
        assert_eq!(due(&ledger, "desk", 9).await, ["reached"], "it waits for its next try");
        assert_eq!(due(&ledger, "desk", -90_000).await, ["hold", "reached"], "no pause is longer than a day");
    }

    async fn what_was_said_first_of_a_piece_of_advice_is_told_first(place: Place) {
        let ledger = raised(&place).await;
        let first = ledger.due_notices("desk", at(9), 1).await.unwrap().remove(0);
        ledger.notice_failed(first.id, "away", at(50)).await.unwrap();
        let open = ledger.open_advice().await.unwrap().remove(0);
        let cleared = [Advice { cleared_at: Some(at(10)), ..open }];
        ledger.keep_advice(&cleared, &[notice("desk", 0, "cleared")], &by("the service", 10)).await.unwrap();
        assert_eq!(due(&ledger, "desk", 11).await, ["reached"], "it waits for what was said before");
        assert_eq!(due(&ledger, "desk", 50).await, ["hold", "reached"]);
        ledger.notice_told(first.id, at(51)).await.unwrap();
        assert_eq!(due(&ledger, "desk", 51).await, ["reached", "cleared"]);
    }
}
