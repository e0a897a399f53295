//! Backups, restored into new places of either kind and compared.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use plant::{Quality, Reading, Role, Signal, TimeSource, UnitId, Value};
use sqlx::Row;

use super::postgres::new_database;
use super::{at, by, finding, imports, on_both, with_tubes};
use crate::place::Kind;
use crate::tables::TABLES;
use crate::{AuditFilter, Ledger, LedgerError, Place};

fn reading(second: i64, value: Value) -> Reading {
    Reading {
        unit: UnitId::new("C1").unwrap(),
        signal: Signal::Torque,
        at: at(second),
        value,
        quality: Quality::Uncertain,
        time_source: TimeSource::Arrival,
    }
}

/// A ledger with rows in every table.
async fn filled(place: &Place) -> Ledger {
    let ledger = with_tubes(place).await;
    let register = [
        imports::table("tubes.csv", "tube,surface\nb,stainless\nÄ,stainless\nZ,stainless"),
        imports::table("fittings.csv", "tube,unit,from,to\nT1,C1,2025-01-01,2025-02-01\nT2,C2,2025-01-01,"),
        imports::table(
            "work.csv",
            "at,tube,work,note\n2025-01-01T00:00:00Z,T1,new,\n2025-03-01T00:00:00Z,T1,replate,\"µ\"\\",
        ),
    ];
    ledger.import_register(&register, &imports::rules(), &by("Ada", 10)).await.unwrap();
    let campaign = imports::table("campaigns.csv", "unit,from,to,product\nC1,2026-01-01,2026-01-05,fondant");
    ledger.import_campaigns(&[campaign], &imports::rules(), &by("Ada", 11)).await.unwrap();
    let findings = [finding("T1", 100, 3), finding("T2", 100, 0)];
    ledger.add_findings(&findings, Some("key"), &by("Ines", 110)).await.unwrap();
    ledger.correct_finding(1, 1, finding("T1", 100, 1), "typo", &by("Ines", 120)).await.unwrap();
    ledger.withdraw_finding(2, 1, "wrong tube", &by("Ines", 130)).await.unwrap();
    let photo = crate::NewPhoto {
        finding: 1,
        name: "wall.jpg".into(),
        media_type: "image/jpeg".into(),
        bytes: 9,
        sha256: "ab".into(),
        stored_as: "ab.jpg".into(),
    };
    ledger.add_photo(&photo, &by("Ines", 140)).await.unwrap();
    ledger.add_person("Ines", Role::Inspector, "fondant at dawn", &by("Ada", 12)).await.unwrap();
    ledger.add_token("tablet", Role::Inspector, &by("Ada", 13)).await.unwrap();
    ledger.add_baseline("{}", &by("groovecast", 14)).await.unwrap();
    let model = ledger.add_model("{}", &by("groovecast", 15)).await.unwrap();
    ledger.approve(model, "good", &by("Ada", 16)).await.unwrap();
    let raised = plant::Advice { raised_at: Some(at(17)), ..super::advice::advice(plant::AdviceKind::Chance, 17) };
    let tell = crate::NewNotice { target: "desk".into(), of: 0, body: "{}".into() };
    ledger.keep_advice(&[raised], &[tell], &by("the service", 17)).await.unwrap();
    ledger.put_off_advice(1, at(90), "no crew", &by("Olga", 18)).await.unwrap();
    ledger.keep_evaluation(&super::journal::evaluation()).await.unwrap();
    ledger
        .set_look_aside(&plant::TubeId::new("T1").unwrap(), at(100), "drawn from another tube", &by("Ada", 150))
        .await
        .unwrap();
    let mut right = ledger.days_right().await.unwrap().unwrap();
    ledger.commit_days(&mut right, &[super::journal::day_file()], Some(at(100))).await.unwrap();
    let numbers = [0.1 + 0.2, -0.0, 1e-300, f64::MAX, f64::MIN_POSITIVE, 5e-324, 3.0];
    let mut readings: Vec<_> =
        numbers.iter().enumerate().map(|(n, number)| reading(n as i64, Value::Number(*number))).collect();
    readings.push(reading(50, Value::Missing));
    readings.push(reading(51, Value::Text("fondant \"é\"\t'; --".into())));
    readings.extend((1000..2000).map(|second| reading(second, Value::Number(second as f64 * 0.1))));
    ledger.append(&readings).await.unwrap();
    ledger.claim(at(3), 7).await.unwrap();
    ledger
}

/// Everything that a caller can see.
async fn seen(ledger: &Ledger) -> impl PartialEq + std::fmt::Debug + use<> {
    (
        ledger.record(&[]).await.unwrap(),
        ledger.findings(None).await.unwrap(),
        ledger.photos(1).await.unwrap(),
        (ledger.people().await.unwrap(), ledger.tokens().await.unwrap()),
        (ledger.models().await.unwrap(), ledger.baseline(None).await.unwrap()),
        (ledger.open_advice().await.unwrap(), ledger.due_notices("desk", at(1000), 9).await.unwrap()),
        (ledger.scores_of("T1").await.unwrap(), ledger.days_seen(at(1000), Some(1), true).await.unwrap()),
        ledger.trials_of("T1", "model 2").await.unwrap(),
        ledger.audit(&AuditFilter::default(), 1000).await.unwrap(),
        (ledger.day_files().await.unwrap(), ledger.closed_until().await.unwrap()),
        ledger.journal_from(at(0)).await.unwrap(),
    )
}

async fn there_and_back(place: &Place, other: &Place) {
    let folder = tempfile::tempdir().unwrap();
    let ledger = filled(place).await;
    ledger.open_session("Ines", at(20), jiff::SignedDuration::from_hours(1)).await.unwrap();
    let written = ledger.backup(&folder.path().join("b"), at(200)).await.unwrap();
    assert!(written.tables.iter().all(|sum| sum.rows > 0), "a table without rows proves nothing: {written:#?}");
    let restored = Ledger::restore(&folder.path().join("b"), other).await.unwrap();
    assert_eq!(restored, written);
    let copy = Ledger::open(other).await.unwrap();
    assert_eq!(copy.compare(&folder.path().join("b")).await.unwrap(), []);
    assert_eq!(seen(&copy).await, seen(&ledger).await);
    assert!(copy.check_password("Ines", "fondant at dawn").await.unwrap().is_some());
    let second = copy.backup(&folder.path().join("c"), at(200)).await.unwrap();
    assert_eq!(second, written, "a backup of the copy is the same");
    // Numbers go on where they were.
    copy.withdraw_finding(1, 2, "after the restore", &by("Ines", 300)).await.unwrap();
    let added = copy.add_findings(&[finding("T2", 500, 1)], None, &by("Ines", 310)).await.unwrap();
    assert_eq!(added.ids, [3]);
    let differs: Vec<String> =
        copy.compare(&folder.path().join("b")).await.unwrap().into_iter().map(|(there, _)| there.table).collect();
    assert_eq!(differs, ["findings", "finding_changes", "audit", "marks"]);
}

fn sqlite(folder: &Path) -> Place {
    Place::Sqlite(folder.join("a copy #1 100%.db"))
}

on_both! {
    async fn a_backup_restores_into_sqlite(place: Place) {
        let folder = tempfile::tempdir().unwrap();
        there_and_back(&place, &sqlite(folder.path())).await;
    }

    async fn a_backup_restores_into_postgresql(place: Place) {
        there_and_back(&place, &Place::Postgres(new_database())).await;
    }

    async fn a_backup_holds_one_moment_while_others_write(place: Place) {
        let ledger = with_tubes(&place).await;
        let folder = tempfile::tempdir().unwrap();
        let writing = async {
            for n in 0..60 {
                ledger.add_findings(&[finding("T1", n, 1)], None, &by("Ines", n)).await.unwrap();
                ledger.append(&[reading(n, Value::Number(1.0))]).await.unwrap();
            }
        };
        let saving = async {
            let mut all = Vec::new();
            for n in 0..6 {
                all.push(ledger.backup(&folder.path().join(n.to_string()), at(n)).await.unwrap());
            }
            all
        };
        let ((), backups) = tokio::join!(writing, saving);
        let rows = |backup: &crate::Backup, name: &str| {
            backup.tables.iter().find(|sum| sum.table == name).unwrap().rows
        };
        let counts: BTreeSet<u64> = backups.iter().map(|backup| rows(backup, "findings")).collect();
        assert!(counts.len() > 1, "nobody wrote meanwhile: {counts:?}");
        for backup in &backups {
            // Two tubes, then a row of the trail for each finding, in the same transaction.
            assert_eq!(rows(backup, "audit"), rows(backup, "findings") + 2, "half a change is in it");
        }
    }

    async fn a_backup_goes_into_an_empty_database_only(place: Place) {
        let folder = tempfile::tempdir().unwrap();
        let ledger = filled(&place).await;
        ledger.backup(folder.path(), at(200)).await.unwrap();
        let before = seen(&ledger).await;
        let refused = Ledger::restore(folder.path(), &place).await;
        assert!(matches!(refused, Err(LedgerError::NotEmpty { table: "tubes", .. })), "{refused:?}");
        assert_eq!(seen(&ledger).await, before);
        let twice = ledger.backup(folder.path(), at(201)).await;
        assert!(matches!(twice, Err(LedgerError::Backup { .. })), "a backup was overwritten");
    }

    async fn a_backup_that_was_changed_or_is_not_whole_is_not_restored(place: Place) {
        let whole = tempfile::tempdir().unwrap();
        let from = tempfile::tempdir().unwrap();
        filled(&sqlite(from.path())).await.backup(whole.path(), at(200)).await.unwrap();
        type Damage = fn(&Path);
        let damages: [(&str, Damage); 5] = [
            ("a grade changed", |folder| {
                let file = folder.join("findings.jsonl");
                let text = std::fs::read_to_string(&file).unwrap();
                std::fs::write(file, text.replacen("\\\"grade\\\":3", "\\\"grade\\\":0", 1)).unwrap();
            }),
            ("a row lost", |folder| {
                let file = folder.join("journal.jsonl");
                let text = std::fs::read_to_string(&file).unwrap();
                std::fs::write(file, text.split_once('\n').unwrap().1).unwrap();
            }),
            ("a file lost", |folder| std::fs::remove_file(folder.join("audit.jsonl")).unwrap()),
            ("a file torn", |folder| {
                let file = folder.join("models.jsonl");
                let text = std::fs::read_to_string(&file).unwrap();
                std::fs::write(file, &text[..text.len() / 2]).unwrap();
            }),
            ("another schema", |folder| {
                let file = folder.join("ledger.json");
                let text = std::fs::read_to_string(&file).unwrap();
                std::fs::write(file, text.replace("\"schema\": ", "\"schema\": 9")).unwrap();
            }),
        ];
        for (what, damage) in damages {
            let folder = tempfile::tempdir().unwrap();
            for file in std::fs::read_dir(whole.path()).unwrap() {
                let file = file.unwrap();
                std::fs::copy(file.path(), folder.path().join(file.file_name())).unwrap();
            }
            damage(folder.path());
            let refused = Ledger::restore(folder.path(), &place).await;
            assert!(matches!(refused, Err(LedgerError::Backup { .. })), "{what}: {refused:?}");
        }
        // Nothing of all that was left behind.
        Ledger::restore(whole.path(), &place).await.unwrap();
    }

    async fn every_table_and_column_is_in_a_backup(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let text = match ledger.kind {
            Kind::Sqlite => {
                "SELECT t.name AS table_name, c.name AS column_name FROM sqlite_schema AS t
                 JOIN pragma_table_info(t.name) AS c WHERE t.type = 'table' ORDER BY 1, c.cid"
            }
            Kind::Postgres => {
                "SELECT table_name::text, column_name::text FROM information_schema.columns
                 WHERE table_schema = 'public' ORDER BY 1, ordinal_position"
            }
        };
        let rows = sqlx::query(text).fetch_all(&ledger.readers).await.unwrap();
        let mut there: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for row in &rows {
            there.entry(row.get("table_name")).or_default().push(row.get("column_name"));
        }
        // Who restores a backup logs in again; collectors tell anew how they are; the migrations are made by opening.
        for left_out in ["sessions", "collectors", "_sqlx_migrations"] {
            assert!(there.remove(left_out).is_some(), "{left_out}");
        }
        let listed: BTreeMap<String, Vec<String>> = TABLES
            .iter()
            .map(|table| (table.name.to_owned(), table.column_names().into_iter().map(str::to_owned).collect()))
            .collect();
        assert_eq!(listed, there);
    }

    async fn a_backup_is_for_its_owner_only(place: Place) {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        Ledger::open(&place).await.unwrap().backup(folder.path(), at(0)).await.unwrap();
        for file in std::fs::read_dir(folder.path()).unwrap() {
            let file = file.unwrap();
            assert_eq!(file.metadata().unwrap().permissions().mode() & 0o777, 0o600, "{:?}", file.path());
        }
    }
}
