//! Imports as people do them: in any order, twice, and with mistakes.

use std::path::PathBuf;

use jiff::tz::TimeZone;
use plant::{Table, UnitId, Zone};

use super::{by, on_both};
use crate::{FileImport, ImportError, Ledger, Place, Rules};

pub(super) fn table(name: &str, text: &str) -> Table {
    let mut lines =
        text.trim().lines().map(|line| line.split(',').map(|cell| cell.trim().to_owned()).collect::<Vec<_>>());
    let columns = lines.next().unwrap();
    Table { path: PathBuf::from(name), columns, rows: lines.enumerate().map(|(i, row)| (i as u64 + 2, row)).collect() }
}

pub(super) fn rules() -> Rules {
    Rules {
        units: ["C1", "C2"].map(|unit| UnitId::new(unit).unwrap()).into(),
        zones: ["drive", "middle", "far"].map(|zone| Zone(zone.into())).to_vec(),
        surfaces: vec!["hard_chrome".into(), "stainless".into()],
        time_zone: TimeZone::get("Europe/Amsterdam").unwrap(),
        now: "2026-06-01T00:00:00Z".parse().unwrap(),
    }
}

fn register() -> [Table; 3] {
    [
        table("fittings.csv", "tube,unit,from,to\nT1,C1,2025-01-01,2025-06-01\nT2,C2,2025-01-01,"),
        table("work.csv", "at,tube,work,note\n2025-01-01T00:00:00Z,T1,new,"),
        table("tubes.csv", "tube,surface,bore_mm\nT1,hard_chrome,152.4\nT2,stainless,"),
    ]
}

fn counts(files: &[FileImport]) -> Vec<(&str, u64, u64, u64)> {
    files.iter().map(|f| (f.kind, f.added, f.changed, f.unchanged)).collect()
}

fn problems(result: Result<Vec<FileImport>, ImportError>) -> Vec<String> {
    match result {
        Err(ImportError::BadRows(files)) => {
            files.iter().flat_map(|(_, rows)| rows.iter().map(|row| row.to_string())).collect()
        }
        other => panic!("was not refused: {other:?}"),
    }
}

on_both! {
    async fn a_register_comes_in_any_order_and_twice_changes_nothing(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let first = ledger.import_register(&register(), &rules(), &by("importer", 1)).await.unwrap();
        assert_eq!(counts(&first), [("fittings", 2, 0, 0), ("work", 1, 0, 0), ("tubes", 2, 0, 0)]);
        assert_eq!(first[0].zone_assumed, 3, "two beginnings and an end came without an offset");
        let before = ledger.record(&rules().zones).await.unwrap();
        let again = ledger.import_register(&register(), &rules(), &by("importer", 1)).await.unwrap();
        assert_eq!(counts(&again), [("fittings", 0, 0, 2), ("work", 0, 0, 1), ("tubes", 0, 0, 2)]);
        assert_eq!(ledger.record(&rules().zones).await.unwrap(), before);
        let fewer = [table("tubes.csv", "tube,surface\nT1,stainless")];
        ledger.import_register(&fewer, &rules(), &by("importer", 1)).await.unwrap();
        let tube = ledger.record(&[]).await.unwrap().tubes.into_values().next().unwrap();
        assert_eq!(
            (tube.surface.as_str(), tube.bore_mm),
            ("stainless", Some(152.4)),
            "a column that is not there empties nothing"
        );
        let ends = [table("fittings.csv", "tube,unit,from,to\nT2,C2,2025-01-01,2026-01-01")];
        assert_eq!(counts(&ledger.import_register(&ends, &rules(), &by("importer", 1)).await.unwrap()), [("fittings", 0, 1, 0)]);
    }

    async fn one_bad_row_keeps_every_file_out_and_each_is_named(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let mut tables = register();
        tables[0] = table(
            "fittings.csv",
            "tube,unit,from,to\nT1,C1,2025-01-01,2025-06-01\nT1,C2,2025-05-01,\nT9,C9,2025-01-01,\nT2,C2,2027-01-01,",
        );
        let problems = problems(ledger.import_register(&tables, &rules(), &by("importer", 1)).await);
        let expect = |text: &str| assert!(problems.iter().any(|p| p.contains(text)), "{text:?} is not in {problems:#?}");
        expect("line 3, column from: one tube sits in one unit at a time");
        expect("line 4, column unit: unit C9 is not in the config; known are C1, C2");
        expect("line 5, column from: 2026-12-31T23:00:00Z lies ahead of now");
        assert!(ledger.record(&[]).await.unwrap().tubes.is_empty());
    }

    async fn a_finding_is_held_against_register_zones_and_words(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.import_register(&register(), &rules(), &by("importer", 1)).await.unwrap();
        let bad = table(
            "findings.csv",
            "at,tube,grade,zone,clock,method,depth_um\n\
             2025-06-01,T1,5,drive,12,nail,\n\
             2025-06-01,T7,2,drive,12,nail,\n\
             2025-06-01,T1,2,drive,,nail,\n\
             2025-06-01,T1,2,end,12,nail,\n\
             2025-06-01,T1,2,drive,12,thumb,\n\
             2025-06-01,T1,2,drive,12,gauge,-3\n\
             ,T1,2,,,nail,",
        );
        let problems = problems(ledger.import_findings(&[bad], &rules(), &by("importer", 1)).await);
        let begins = [
            "line 2, column grade",
            "line 3, column tube",
            "line 4, column clock",
            "line 5, column zone",
            "line 6, column method",
            "line 7, column depth_um",
            "line 8, column at",
        ];
        assert_eq!(problems.len(), begins.len(), "{problems:#?}");
        for (problem, begin) in problems.iter().zip(begins) {
            assert!(problem.starts_with(begin), "{problem} does not begin with {begin}");
        }
        let good =
            [table("findings.csv", "at,tube,grade,zone,clock,kind\n2025-06-01,T1,2,drive,12,groove\n2025-06-01,T1,0,,,")];
        assert_eq!(counts(&ledger.import_findings(&good, &rules(), &by("importer", 1)).await.unwrap()), [("findings", 2, 0, 0)]);
        assert_eq!(counts(&ledger.import_findings(&good, &rules(), &by("importer", 1)).await.unwrap()), [("findings", 0, 0, 2)]);
    }

    async fn an_unknown_column_is_named_with_what_is_right(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let table = table("campaigns.csv", "unit,from,to,produkt\nC1,2026-01-01,2026-01-05,fondant");
        let problems = problems(ledger.import_campaigns(&[table], &rules(), &by("importer", 1)).await);
        assert!(
            problems[0].starts_with("line 1, column product: this column is missing; columns are unit, from, to, product"),
            "{problems:#?}"
        );
        assert!(problems[1].starts_with("line 1, column produkt: this column is not known"), "{problems:#?}");
    }

    async fn a_campaign_that_lies_ahead_is_planned(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let table = table(
            "campaigns.csv",
            "unit,from,to,product,run_h\nC1,2026-01-01,2026-01-05,fondant,90\nC1,2026-07-01,2026-07-05,caramel,",
        );
        ledger.import_campaigns(&[table], &rules(), &by("importer", 1)).await.unwrap();
        let planned: Vec<bool> = ledger.record(&[]).await.unwrap().campaigns.iter().map(|c| c.planned).collect();
        assert_eq!(planned, [false, true]);
    }

    async fn a_text_that_no_database_keeps_is_named_with_its_row(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let register = [
            table("tubes.csv", "tube,surface,note\nT1,hard_chrome,a\0b"),
            table("work.csv", "at,tube,work,note\n2025-01-01T00:00:00Z,T1,new,a\0b"),
        ];
        let bad = problems(ledger.import_register(&register, &rules(), &by("importer", 1)).await);
        assert!(bad.len() == 2 && bad.iter().all(|bad| bad.starts_with("line 2, column note: ")), "{bad:#?}");
        let campaign = table("campaigns.csv", "unit,from,to,product\nC1,2026-01-01,2026-01-05,fon\0dant");
        let bad = problems(ledger.import_campaigns(&[campaign], &rules(), &by("importer", 1)).await);
        assert!(bad.len() == 1 && bad[0].starts_with("line 2, column product: "), "{bad:#?}");
    }
}
