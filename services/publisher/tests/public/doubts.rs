//! What is doubted in the record, and how far inspectors agree.

use insta::assert_snapshot;
use plant::Suspicions;
use publisher::ReaderAgreement;

use crate::{ask, body, fleet};

#[tokio::test]
async fn doubts_and_agreement_as_published() {
    assert_snapshot!(body("/suspicions").await);
    assert_snapshot!(body("/api/v1/suspicions").await);
    assert_snapshot!(body("/api/v1/agreement").await);
}

#[tokio::test]
async fn a_doubt_is_told_where_its_tube_and_the_board_are_seen() {
    assert!(body("/tubes/T-0042").await.contains("far 6 o&#39;clock reads grade 1 where it read grade 3"));
    assert!(!body("/tubes/T-0007").await.contains("What is doubted"));
    assert!(body("/").await.contains("One thing of the last 30 days is doubted"), "the older doubt is not of late");
}

#[tokio::test]
async fn nothing_doubted_is_not_told_as_all_right() {
    let mut snapshot = fleet::snapshot();
    (snapshot.suspicions, snapshot.agreement) = (Suspicions::default(), ReaderAgreement::default());
    let page = ask(snapshot.clone(), "GET", "/suspicions").await.body;
    assert!(page.contains("That does not say that all is right") && page.contains("nothing is known of how far"));
    assert!(!page.contains("Kappa"), "a table without figures");
    assert!(!ask(snapshot, "GET", "/").await.body.contains("doubted"));
}
