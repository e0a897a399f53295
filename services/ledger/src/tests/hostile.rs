//! Text that was written to break out of a statement, in every field that takes text: it is kept as it is, and does nothing.

use jiff::SignedDuration;
use plant::{
    Finding, Fitting, Quality, Reading, Role, Signal, Table, TimeSource, Tube, TubeId, UnitId, Value, Work, WorkKind,
    Zone,
};

use super::{at, by, finding, imports, on_both};
use crate::{AuditFilter, Ledger, NewPhoto, Place, Rules};

/// The usual ways out of a statement (OWASP Web Security Testing Guide, "Testing for SQL Injection", from memory), and
/// what the two drivers take for places of values.
const HOSTILE: [&str; 12] = [
    "'; DROP TABLE findings; --",
    "Robert'); DELETE FROM audit; --",
    "' OR '1'='1",
    "\" OR \"\"=\"",
    "1; UPDATE people SET role = 'admin'",
    "x' UNION SELECT password FROM people --",
    "\\'; DROP TABLE people; --",
    "$1 $2 ?1 ? :name @name",
    "$$; DROP TABLE marks; $$",
    "E'\\x27' %00 %27 &#39; \u{2bc}\u{ff07}",
    "|| pg_sleep(9) ||",
    "\u{202e}'); DROP TABLE tokens; -- \u{1f4a5}",
];

/// As a name of a tube or unit, which has no character with a meaning in topics and no longer than 64 bytes.
fn id(text: &str) -> String {
    text.replace(['/', '+', '#'], "_").trim().to_owned()
}

async fn write_everywhere(ledger: &Ledger, n: i64, text: &str) {
    let (tube, unit) = (TubeId::new(&id(text)).unwrap(), UnitId::new(&id(text)).unwrap());
    let rules = Rules {
        units: [unit.clone()].into(),
        zones: vec![Zone(text.into())],
        surfaces: vec![text.into()],
        ..imports::rules()
    };
    let who = by(text, 1_000 + n);
    let file = |columns: &str, row: &[&str]| Table {
        path: text.into(),
        columns: columns.split(' ').map(str::to_owned).collect(),
        rows: vec![(2, row.iter().map(|cell| (*cell).to_owned()).collect())],
    };
    let register = [
        file("tube surface note", &[tube.as_str(), text, text]),
        file("tube unit from", &[tube.as_str(), unit.as_str(), "2025-01-01T00:00:00Z"]),
        file("at tube work note", &["2025-01-01T00:00:00Z", tube.as_str(), "new", text]),
    ];
    ledger.import_register(&register, &rules, &who).await.unwrap();
    let campaign = file("unit from to product", &[unit.as_str(), "2025-01-01T00:00:00Z", "2025-02-01T00:00:00Z", text]);
    ledger.import_campaigns(&[campaign], &rules, &who).await.unwrap();
    let found =
        Finding { tube: tube.clone(), inspector: Some(text.into()), note: Some(text.into()), ..finding("T", n, 2) };
    let id = ledger.add_findings(std::slice::from_ref(&found), Some(text), &who).await.unwrap().ids[0];
    let corrected = Finding { zone: Some(Zone(text.into())), ..found.clone() };
    ledger.correct_finding(id, 1, corrected.clone(), text, &who).await.unwrap();
    let photo = NewPhoto {
        finding: id,
        name: text.into(),
        media_type: text.into(),
        bytes: 1,
        sha256: text.into(),
        stored_as: text.into(),
    };
    let photo = ledger.add_photo(&photo, &who).await.unwrap();
    assert_eq!([&photo.name, &photo.media_type, &photo.sha256, &photo.stored_as, &photo.added_by], [text; 5]);
    assert_eq!(ledger.photos(id).await.unwrap(), [photo]);
    let model = ledger.add_model(text, &who).await.unwrap();
    ledger.approve(model, text, &who).await.unwrap();
    ledger.add_baseline(text, &who).await.unwrap();
    let score = plant::Score { tube: Some(tube.clone()), ..super::journal::score() };
    let scores = vec![crate::KeptScore { score, grounds: Some(text.into()) }];
    ledger.keep_evaluation(&crate::Evaluation { scores, ..crate::Evaluation::default() }).await.unwrap();
    ledger
        .append(&[Reading {
            unit: unit.clone(),
            signal: Signal::Product,
            at: at(n),
            value: Value::Text(text.into()),
            quality: Quality::Good,
            time_source: TimeSource::Own,
        }])
        .await
        .unwrap();
    reads_back(ledger, text, &corrected, id, model).await;
    let fitting = Fitting { tube: tube.clone(), unit, from: "2025-01-01T00:00:00Z".parse().unwrap(), to: None };
    let record = ledger.record(&[]).await.unwrap();
    assert!(record.fittings.contains(&fitting) && record.findings.contains(&corrected));
    let work = Work { at: fitting.from, tube: tube.clone(), work: WorkKind::New, note: Some(text.into()) };
    assert!(record.work.contains(&work));
    let Tube { surface, note, .. } = &record.tubes[&tube];
    assert_eq!((surface.as_str(), note.as_deref()), (text, Some(text)));
    assert!(record.campaigns.iter().any(|campaign| campaign.product == text));
}

async fn reads_back(ledger: &Ledger, text: &str, corrected: &Finding, id: i64, model: i64) {
    let stored = ledger.finding(id).await.unwrap().unwrap();
    assert_eq!((stored.finding.as_ref(), stored.entered_by.as_str()), (Some(corrected), text));
    assert_eq!(stored.changed[1].why.as_deref(), Some(text));
    let approved = ledger.approved_model().await.unwrap().unwrap();
    assert_eq!((approved.version, approved.body.as_str()), (model, text));
    assert_eq!((approved.decided_by.as_deref(), approved.why.as_deref()), (Some(text), Some(text)));
    assert_eq!(ledger.baseline(None).await.unwrap().unwrap().1, text);
    assert_eq!(ledger.scores_of(corrected.tube.as_str()).await.unwrap().len(), 1);
    let words = ledger.journal_from(at(0)).await.unwrap();
    assert!(words.iter().any(|reading| reading.value == Value::Text(text.into())));
    let trail = ledger.audit(&AuditFilter { who: Some(text.into()), ..AuditFilter::default() }, 100).await.unwrap();
    assert!(trail.iter().all(|row| row.who == text) && trail.len() >= 8, "{}", trail.len());
}

on_both! {
    async fn text_that_would_break_out_of_a_statement_does_nothing(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.add_person("Ines", Role::Inspector, "fondant at dawn", &by("admin", 1)).await.unwrap();
        let secret = ledger.add_token("tablet", Role::Inspector, &by("admin", 1)).await.unwrap();
        for (n, text) in (0..).zip(HOSTILE) {
            write_everywhere(&ledger, n, text).await;
            ledger.add_token(text, Role::Reader, &by("admin", 2)).await.unwrap();
            ledger.revoke_token(text, &by("admin", 3)).await.unwrap();
        }
        let many = HOSTILE.len();
        assert_eq!(ledger.findings(None).await.unwrap().len(), many);
        assert_eq!(ledger.record(&[]).await.unwrap().tubes.len(), many);
        assert_eq!(ledger.tokens().await.unwrap().len(), many + 1);
        assert!(ledger.token(&secret).await.unwrap().is_some(), "the token of somebody else was revoked too");
        assert_eq!(ledger.people().await.unwrap()[0].role, Role::Inspector);
    }

    async fn text_that_would_break_out_of_a_question_finds_nothing(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.add_person("Ines", Role::Inspector, "fondant at dawn", &by("admin", 1)).await.unwrap();
        ledger.add_token("tablet", Role::Inspector, &by("admin", 1)).await.unwrap();
        ledger.open_session("Ines", at(1), SignedDuration::from_hours(1)).await.unwrap();
        for text in HOSTILE.into_iter().chain(["%", "_", "a\0b", ""]) {
            assert_eq!(ledger.session(text, at(2)).await.unwrap(), None, "{text:?}");
            assert_eq!(ledger.token(text).await.unwrap(), None, "{text:?}");
            assert!(ledger.scores_of(text).await.unwrap().is_empty(), "{text:?}");
            ledger.close_session(text).await.unwrap();
            let nobody = ledger.disable_person(text, &by("admin", 3)).await;
            assert!(matches!(nobody, Err(crate::LedgerError::NoPerson(_))), "{text:?}: {nobody:?}");
            for filter in [
                AuditFilter { who: Some(text.into()), ..AuditFilter::default() },
                AuditFilter { action: Some(text.into()), ..AuditFilter::default() },
                AuditFilter { subject: Some(text.into()), ..AuditFilter::default() },
            ] {
                assert!(ledger.audit(&filter, 10).await.unwrap().is_empty(), "{filter:?}");
            }
        }
        for text in ["' OR '1'='1' --", "Ines' --", "ines%", "Ines'; --"] {
            assert_eq!(ledger.check_password(text, "fondant at dawn").await.unwrap(), None, "{text:?}");
            assert_eq!(ledger.check_password("Ines", text).await.unwrap(), None, "{text:?}");
        }
        assert_eq!(ledger.people().await.unwrap()[0].disabled_at, None);
    }
}
