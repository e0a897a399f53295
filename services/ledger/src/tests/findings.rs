//! Findings that are entered, corrected and withdrawn.

use plant::{Record, TubeId};

use super::{at, by, finding, imports, on_both, with_tubes};
use crate::{Added, AuditFilter, Ledger, LedgerError, Place};

fn grades(record: &Record) -> Vec<u8> {
    record.findings.iter().map(|finding| finding.grade.get()).collect()
}

on_both! {
    async fn a_look_is_set_aside_and_taken_back_with_who_when_and_why(place: Place) {
        let ledger = with_tubes(&place).await;
        let tube = TubeId::new("T1").unwrap();
        ledger.add_findings(&[finding("T1", 100, 3)], None, &by("Ines", 110)).await.unwrap();
        let before = ledger.revision().await.unwrap();
        let nobody = ledger.set_look_aside(&tube, at(101), "misread", &by("Ada", 200)).await;
        assert!(matches!(nobody, Err(LedgerError::NoLook { .. })), "{nobody:?}");
        assert!(matches!(ledger.set_look_aside(&tube, at(100), "", &by("Ada", 200)).await, Err(LedgerError::BadText { .. })));
        let id = ledger.set_look_aside(&tube, at(100), "another tube was open", &by("Ada", 200)).await.unwrap();
        let again = ledger.set_look_aside(&tube, at(100), "mine", &by("Bob", 201)).await;
        assert!(matches!(again, Err(LedgerError::AlreadyAside(known)) if known == id));
        let record = ledger.record(&[]).await.unwrap();
        assert_eq!((record.findings.len(), record.looks(&tube).len(), record.looks_aside(&tube).len()), (1, 0, 1));
        assert!(record.revision > before, "models must learn of it");
        ledger.lift_aside(id, "it was the right one", &by("Bob", 300)).await.unwrap();
        assert!(matches!(ledger.lift_aside(id, "again", &by("Bob", 301)).await, Err(LedgerError::NoAside(_))));
        let record = ledger.record(&[]).await.unwrap();
        assert_eq!(record.looks(&tube).len(), 1);
        let kept = &record.asides[0];
        assert_eq!((kept.who.as_str(), kept.lifted_by.as_deref(), kept.lifted_at), ("Ada", Some("Bob"), Some(at(300))));
        let trail = ledger.audit(&AuditFilter { subject: Some("tube T1".into()), ..AuditFilter::default() }, 9).await.unwrap();
        let told: Vec<_> = trail.iter().map(|row| (row.who.as_str(), row.action.as_str())).collect();
        assert_eq!(told[..2], [("Bob", "take look back into use"), ("Ada", "set look aside")]);
    }

    async fn a_correction_keeps_what_was_said_with_who_when_and_why(place: Place) {
        let ledger = with_tubes(&place).await;
        let typed = finding("T1", 100, 3);
        let added = ledger.add_findings(std::slice::from_ref(&typed), None, &by("Ines", 110)).await.unwrap();
        let id = added.ids[0];
        let right = finding("T1", 100, 1);
        ledger.correct_finding(id, 1, right.clone(), "typed 3 for 1", &by("Jo", 200)).await.unwrap();
        ledger.withdraw_finding(id, 2, "it was another tube", &by("Kim", 300)).await.unwrap();
        let stored = ledger.finding(id).await.unwrap().unwrap();
        assert_eq!((stored.version, &stored.finding), (3, &None));
        assert_eq!((stored.entered_at, stored.entered_by.as_str()), (at(110), "Ines"));
        let told: Vec<_> = stored
            .changed
            .iter()
            .map(|c| (c.version, c.at, c.who.as_str(), c.why.as_deref(), c.finding.clone()))
            .collect();
        assert_eq!(
            told,
            [
                (1, at(110), "Ines", None, Some(typed)),
                (2, at(200), "Jo", Some("typed 3 for 1"), Some(right)),
                (3, at(300), "Kim", Some("it was another tube"), None),
            ]
        );
        assert_eq!(ledger.findings(None).await.unwrap(), [stored]);
    }

    async fn the_record_says_what_holds_and_what_was_believed_before(place: Place) {
        let ledger = with_tubes(&place).await;
        let before = ledger.revision().await.unwrap();
        let findings = [finding("T1", 100, 3), finding("T2", 100, 0)];
        let ids = ledger.add_findings(&findings, None, &by("Ines", 110)).await.unwrap().ids;
        ledger.correct_finding(ids[0], 1, finding("T1", 100, 1), "typo", &by("Ines", 200)).await.unwrap();
        ledger.withdraw_finding(ids[1], 1, "wrong tube", &by("Ines", 300)).await.unwrap();
        let record = ledger.record(&[]).await.unwrap();
        assert_eq!(grades(&record), [1]);
        assert_eq!(grades(&record.known_at(at(99))), [0; 0]);
        assert_eq!(grades(&record.known_at(at(199))), [3, 0]);
        assert_eq!(grades(&record.known_at(at(200))), [1, 0]);
        assert_eq!(grades(&record.known_at(at(300))), [1]);
        assert_eq!(record.revision, before + 3, "each of the three writes counts");
        assert_eq!(ledger.revision().await.unwrap(), record.revision);
    }

    async fn what_was_withdrawn_can_be_brought_back_and_is_known_only_from_then_on(place: Place) {
        let ledger = with_tubes(&place).await;
        let one = finding("T1", 100, 2);
        let id = ledger.add_findings(std::slice::from_ref(&one), None, &by("Ines", 110)).await.unwrap().ids[0];
        ledger.withdraw_finding(id, 1, "wrong tube", &by("Ines", 200)).await.unwrap();
        let twice = ledger.withdraw_finding(id, 2, "again", &by("Ines", 210)).await;
        assert!(matches!(twice, Err(LedgerError::AlreadyWithdrawn(found)) if found == id));
        ledger.correct_finding(id, 2, one, "it was the right tube", &by("Ines", 300)).await.unwrap();
        ledger.correct_finding(id, 3, finding("T1", 100, 3), "grade", &by("Ines", 400)).await.unwrap();
        let record = ledger.record(&[]).await.unwrap();
        let known = |second| grades(&record.known_at(at(second)));
        assert_eq!([known(150), known(250), known(350), known(450)], [vec![2], vec![], vec![2], vec![3]]);
    }

    async fn a_change_of_what_somebody_else_changed_is_refused(place: Place) {
        let ledger = with_tubes(&place).await;
        let id = ledger.add_findings(&[finding("T1", 100, 3)], None, &by("Ines", 110)).await.unwrap().ids[0];
        ledger.correct_finding(id, 1, finding("T1", 100, 2), "first", &by("Ines", 200)).await.unwrap();
        let lost = ledger.correct_finding(id, 1, finding("T1", 100, 1), "second", &by("Jo", 201)).await;
        assert!(matches!(lost, Err(LedgerError::Changed { id: 1, expected: 1, found: 2 })), "{lost:?}");
        let lost = ledger.withdraw_finding(id, 1, "third", &by("Jo", 202)).await;
        assert!(matches!(lost, Err(LedgerError::Changed { .. })), "{lost:?}");
        let none = ledger.withdraw_finding(77, 1, "which?", &by("Jo", 202)).await;
        assert!(matches!(none, Err(LedgerError::NoFinding(77))), "{none:?}");
        assert_eq!(grades(&ledger.record(&[]).await.unwrap()), [2]);
    }

    async fn a_change_needs_a_reason_and_a_name(place: Place) {
        let ledger = with_tubes(&place).await;
        let id = ledger.add_findings(&[finding("T1", 100, 3)], None, &by("Ines", 110)).await.unwrap().ids[0];
        for (why, who) in [("", "Ines"), (" \n\t ", "Ines"), ("a\0b", "Ines"), ("typo", " ")] {
            let refused = ledger.correct_finding(id, 1, finding("T1", 100, 2), why, &by(who, 200)).await;
            assert!(matches!(refused, Err(LedgerError::BadText { .. })), "{why:?} by {who:?}: {refused:?}");
            let refused = ledger.withdraw_finding(id, 1, why, &by(who, 200)).await;
            assert!(matches!(refused, Err(LedgerError::BadText { .. })), "{why:?} by {who:?}: {refused:?}");
        }
        let unknown = ledger.correct_finding(id, 1, finding("T9", 100, 2), "tube", &by("Ines", 200)).await;
        assert!(matches!(unknown, Err(LedgerError::NoTube(tube)) if tube == "T9"));
        assert_eq!(ledger.finding(id).await.unwrap().unwrap().version, 1);
    }

    async fn the_same_request_sent_again_gets_the_same_answer(place: Place) {
        let ledger = with_tubes(&place).await;
        let two = [finding("T1", 100, 3), finding("T2", 100, 0)];
        let first = ledger.add_findings(&two, Some("key 1"), &by("Ines", 110)).await.unwrap();
        assert_eq!(first, Added { ids: vec![1, 2], repeated: false });
        ledger.withdraw_finding(1, 1, "wrong tube", &by("Ines", 120)).await.unwrap();
        let again = ledger.add_findings(&two, Some("key 1"), &by("Ines", 130)).await.unwrap();
        assert_eq!(again, Added { ids: vec![1, 2], repeated: true });
        let other = ledger.add_findings(&two[1..], Some("key 1"), &by("Ines", 140)).await;
        assert!(matches!(other, Err(LedgerError::KeyReused(key)) if key == "key 1"));
        assert_eq!(ledger.findings(None).await.unwrap().len(), 2);
    }

    async fn a_finding_that_stands_there_stays_once_and_a_withdrawn_one_is_not_swallowed(place: Place) {
        let ledger = with_tubes(&place).await;
        let one = finding("T1", 100, 3);
        for second in [110, 120] {
            let added = ledger.add_findings(std::slice::from_ref(&one), None, &by("Ines", second)).await.unwrap();
            assert_eq!(added.ids, [1]);
        }
        ledger.correct_finding(1, 1, finding("T1", 100, 2), "typo", &by("Ines", 130)).await.unwrap();
        let said = ledger.add_findings(&[finding("T2", 1, 0), one], None, &by("Ines", 140)).await;
        assert!(matches!(said, Err(LedgerError::SaidBefore { id: 1 })), "{said:?}");
        assert_eq!(ledger.findings(None).await.unwrap().len(), 1, "all or none");
        let same = ledger.correct_finding(1, 2, finding("T1", 100, 2), "nothing new", &by("Ines", 150)).await;
        assert!(matches!(same, Err(LedgerError::SaidBefore { id: 1 })), "{same:?}");
        let unknown = ledger.add_findings(&[finding("T9", 100, 2)], None, &by("Ines", 160)).await;
        assert!(matches!(unknown, Err(LedgerError::NoTube(_))), "{unknown:?}");
    }

    async fn an_old_file_does_not_bring_a_corrected_mistake_back(place: Place) {
        let ledger = with_tubes(&place).await;
        let file = || [imports::table("findings.csv", "at,tube,grade\n2025-06-01T00:00:00Z,T1,3")];
        ledger.import_findings(&file(), &imports::rules(), &by("importer", 1)).await.unwrap();
        let typed = ledger.finding(1).await.unwrap().unwrap().finding.unwrap();
        let right = plant::Finding { grade: 1.try_into().unwrap(), ..typed };
        ledger.correct_finding(1, 1, right, "typo", &by("Ines", 2)).await.unwrap();
        for text in ["at,tube,grade\n2025-06-01T00:00:00Z,T1,3", "at,tube,grade\n2025-06-01T00:00:00Z,T1,1"] {
            let again = [imports::table("findings.csv", text)];
            let again = ledger.import_findings(&again, &imports::rules(), &by("importer", 3)).await.unwrap();
            assert_eq!((again[0].added, again[0].unchanged), (0, 1));
        }
        assert_eq!(grades(&ledger.record(&[]).await.unwrap()), [1]);
    }

    async fn findings_are_told_by_tube_also_by_the_one_they_were_taken_for(place: Place) {
        let ledger = with_tubes(&place).await;
        let two = [finding("T1", 100, 3), finding("T2", 100, 0)];
        ledger.add_findings(&two, None, &by("Ines", 110)).await.unwrap();
        ledger.correct_finding(1, 1, finding("T2", 101, 3), "it was T2", &by("Ines", 120)).await.unwrap();
        let ids = |stored: Vec<crate::StoredFinding>| stored.iter().map(|stored| stored.id).collect::<Vec<_>>();
        let (t1, t2) = (TubeId::new("T1").unwrap(), TubeId::new("T2").unwrap());
        assert_eq!(ids(ledger.findings(Some(&t1)).await.unwrap()), [1]);
        assert_eq!(ids(ledger.findings(Some(&t2)).await.unwrap()), [1, 2]);
    }

    async fn every_write_to_the_record_stands_in_the_audit_trail(place: Place) {
        let ledger = with_tubes(&place).await;
        let rules = imports::rules();
        let register = [
            imports::table("tubes.csv", "tube,surface\nT1,stainless"),
            imports::table("fittings.csv", "tube,unit,from\nT1,C1,2025-01-01"),
            imports::table("work.csv", "at,tube,work\n2025-01-01T00:00:00Z,T1,new"),
        ];
        ledger.import_register(&register, &rules, &by("Ada", 10)).await.unwrap();
        ledger.import_register(&register, &rules, &by("Ada", 11)).await.unwrap();
        let campaign = imports::table("campaigns.csv", "unit,from,to,product\nC1,2026-01-01,2026-01-05,fondant");
        ledger.import_campaigns(&[campaign], &rules, &by("Ada", 12)).await.unwrap();
        ledger.add_findings(&[finding("T1", 100, 3)], None, &by("Ines", 110)).await.unwrap();
        ledger.withdraw_finding(1, 1, "wrong tube", &by("Ines", 120)).await.unwrap();
        let rows = ledger.audit(&AuditFilter::default(), 100).await.unwrap();
        let told: Vec<_> =
            rows.iter().rev().map(|row| (row.who.as_str(), row.action.as_str(), row.subject.as_str())).collect();
        assert_eq!(
            told,
            [
                ("setup", "add tube", "tube T1"),
                ("setup", "add tube", "tube T2"),
                ("Ada", "change tube", "tube T1"),
                ("Ada", "add fitting", "tube T1"),
                ("Ada", "add work", "tube T1"),
                ("Ada", "add campaign", "unit C1"),
                ("Ines", "add finding", "finding 1"),
                ("Ines", "withdraw finding", "finding 1"),
            ],
            "what changes nothing leaves no row"
        );
        let changed = &rows.iter().find(|row| row.action == "change tube").unwrap().detail;
        assert_eq!((&changed["before"]["surface"], &changed["after"]["surface"]), (&"hard_chrome".into(), &"stainless".into()));
        let withdrawn = &rows[0].detail;
        assert_eq!((&withdrawn["why"], &withdrawn["before"]["grade"]), (&"wrong tube".into(), &3.into()));
        let of = async |filter: AuditFilter| { ledger.audit(&filter, 100).await.unwrap().len() };
        assert_eq!(of(AuditFilter { who: Some("Ada".into()), ..AuditFilter::default() }).await, 4);
        assert_eq!(of(AuditFilter { subject: Some("tube T1".into()), ..AuditFilter::default() }).await, 4);
        assert_eq!(of(AuditFilter { action: Some("add tube".into()), before: Some(2), ..AuditFilter::default() }).await, 1);
        assert_eq!(ledger.audit(&AuditFilter::default(), 3).await.unwrap(), rows[..3]);
    }

    async fn a_note_of_a_page_is_kept_and_stays_once(place: Place) {
        let ledger = with_tubes(&place).await;
        // PostgreSQL compresses before it measures, so the page must not repeat itself.
        let page: String = (0_u32..2000).map(|n| char::from_u32(0x4e00 + n * 7919 % 20_000).unwrap()).collect();
        let long = plant::Finding { note: Some(page), ..finding("T1", 100, 2) };
        for second in [110, 120] {
            let added = ledger.add_findings(std::slice::from_ref(&long), None, &by("Ines", second)).await.unwrap();
            assert_eq!(added.ids, [1]);
        }
        assert_eq!(ledger.record(&[]).await.unwrap().findings, [long]);
    }

    async fn a_photo_belongs_to_a_finding_and_is_kept_once(place: Place) {
        let ledger = with_tubes(&place).await;
        ledger.add_findings(&[finding("T1", 100, 3)], None, &by("Ines", 110)).await.unwrap();
        let photo = crate::NewPhoto {
            finding: 1,
            name: "wall.jpg".into(),
            media_type: "image/jpeg".into(),
            bytes: 1234,
            sha256: "ab".repeat(32),
            stored_as: format!("{}.jpg", "ab".repeat(32)),
        };
        let first = ledger.add_photo(&photo, &by("Ines", 120)).await.unwrap();
        assert_eq!(ledger.add_photo(&photo, &by("Jo", 130)).await.unwrap(), first);
        assert_eq!((first.id, first.added_by.as_str(), first.added_at), (1, "Ines", at(120)));
        assert_eq!(ledger.photos(1).await.unwrap(), std::slice::from_ref(&first));
        assert_eq!(ledger.photo(1).await.unwrap(), Some(first));
        assert_eq!(ledger.photo(2).await.unwrap(), None);
        let lost = ledger.add_photo(&crate::NewPhoto { finding: 9, ..photo }, &by("Ines", 140)).await;
        assert!(matches!(lost, Err(LedgerError::NoFinding(9))));
    }

    async fn at_one_time_the_order_is_that_of_the_bytes_on_every_database(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        // In the order of a language "a" comes before "B" and "Ä" beside "A"; by bytes it does not.
        let names = ["B1", "a1", "Z9", "Ä1", "a-1"];
        let tubes: String = names.iter().map(|name| format!("\n{name},stainless")).collect();
        let work: String = names.iter().map(|name| format!("\n2025-01-01T00:00:00Z,{name},new")).collect();
        let register = [
            imports::table("tubes.csv", &format!("tube,surface{tubes}")),
            imports::table("work.csv", &format!("at,tube,work{work}")),
        ];
        ledger.import_register(&register, &imports::rules(), &by("importer", 1)).await.unwrap();
        let findings: Vec<_> = names.iter().map(|name| finding(name, 100, 1)).collect();
        ledger.add_findings(&findings, None, &by("Ines", 110)).await.unwrap();
        let record = ledger.record(&[]).await.unwrap();
        let order = ["B1", "Z9", "a-1", "a1", "Ä1"];
        assert_eq!(record.work.iter().map(|work| work.tube.as_str()).collect::<Vec<_>>(), order);
        assert_eq!(record.findings.iter().map(|finding| finding.tube.as_str()).collect::<Vec<_>>(), order);
    }
}
