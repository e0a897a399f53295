//! Who may write.

use jiff::SignedDuration;
use plant::Role;

use super::{at, by, on_both};
use crate::{AuditFilter, Ledger, LedgerError, Place};

const DAY: SignedDuration = SignedDuration::from_hours(24);

on_both! {
    async fn nobody_is_there_at_first(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        assert_eq!(ledger.people().await.unwrap(), []);
        assert_eq!(ledger.tokens().await.unwrap(), []);
        for (name, password) in [("admin", "admin"), ("root", ""), ("groovecast", "groovecast!!"), ("", "")] {
            assert_eq!(ledger.check_password(name, password).await.unwrap(), None, "{name:?}");
        }
    }

    async fn a_name_and_its_password_belong_together(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let ines = ledger.add_person(" Ines Óg ", Role::Inspector, "fondant at dawn", &by("admin", 1)).await.unwrap();
        assert_eq!((ines.name.as_str(), ines.role, ines.created_at), ("Ines Óg", Role::Inspector, at(1)));
        assert_eq!(ledger.check_password("ines óg", "fondant at dawn").await.unwrap().as_ref(), Some(&ines));
        assert_eq!(ledger.check_password("INES ÓG ", "fondant at dawn").await.unwrap().as_ref(), Some(&ines));
        for (name, password) in [
            ("Ines Óg", "fondant at dusk"),
            ("Ines Óg", ""),
            ("Ines Óg", "Fondant at dawn"),
            ("Jo", "fondant at dawn"),
            ("Ines\0", "fondant at dawn"),
        ] {
            assert_eq!(ledger.check_password(name, password).await.unwrap(), None, "{name:?} {password:?}");
        }
        let taken = ledger.add_person("INES óg", Role::Admin, "caramel at noon", &by("admin", 2)).await;
        assert!(matches!(taken, Err(LedgerError::NameTaken(_))), "{taken:?}");
        assert_eq!(ledger.people().await.unwrap(), [ines]);
    }

    async fn names_and_passwords_that_cannot_be_are_refused(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let long = "x".repeat(65);
        for name in ["", "  ", &long, "a\nb", "a\0b", "a\u{7f}"] {
            let refused = ledger.add_person(name, Role::Reader, "twelve chars", &by("admin", 1)).await;
            assert!(matches!(refused, Err(LedgerError::BadText { what: "name", .. })), "{name:?}: {refused:?}");
            let refused = ledger.add_token(name, Role::Reader, &by("admin", 1)).await;
            assert!(matches!(refused, Err(LedgerError::BadText { what: "name", .. })), "{name:?}: {refused:?}");
        }
        let short = ledger.add_person("Ines", Role::Reader, "elevenchars", &by("admin", 1)).await;
        assert!(matches!(short, Err(LedgerError::BadPassword(11))));
        ledger.add_person(&"x".repeat(64), Role::Reader, "twelve chars", &by("admin", 1)).await.unwrap();
    }

    async fn a_new_password_or_the_end_of_a_person_ends_the_sessions(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.add_person("Ines", Role::Inspector, "fondant at dawn", &by("admin", 1)).await.unwrap();
        ledger.add_person("Jo", Role::Reader, "nougat at night", &by("admin", 1)).await.unwrap();
        let jos = ledger.open_session("Jo", at(2), DAY).await.unwrap();
        let first = ledger.open_session("ines", at(2), DAY).await.unwrap();
        let session = ledger.session(&first, at(3)).await.unwrap().unwrap();
        assert_eq!((session.person.name.as_str(), session.person.role), ("Ines", Role::Inspector));
        ledger.set_role("INES", Role::Analyst, &by("admin", 4)).await.unwrap();
        assert_eq!(ledger.session(&first, at(5)).await.unwrap().unwrap().person.role, Role::Analyst);
        ledger.set_password("Ines", "caramel at noon", &by("admin", 6)).await.unwrap();
        assert_eq!(ledger.session(&first, at(7)).await.unwrap(), None);
        assert_eq!(ledger.check_password("Ines", "fondant at dawn").await.unwrap(), None);
        assert!(ledger.check_password("Ines", "caramel at noon").await.unwrap().is_some());
        let second = ledger.open_session("Ines", at(8), DAY).await.unwrap();
        ledger.disable_person("Ines", &by("admin", 9)).await.unwrap();
        assert_eq!(ledger.session(&second, at(10)).await.unwrap(), None);
        assert_eq!(ledger.check_password("Ines", "caramel at noon").await.unwrap(), None);
        let none = ledger.open_session("Ines", at(10), DAY).await;
        assert!(matches!(none, Err(LedgerError::NoPerson(_))), "{none:?}");
        assert!(ledger.session(&jos, at(10)).await.unwrap().is_some(), "others stay logged in");
        let nobody = ledger.set_role("Max", Role::Admin, &by("admin", 11)).await;
        assert!(matches!(nobody, Err(LedgerError::NoPerson(name)) if name == "Max"));
    }

    async fn a_session_ends_with_its_time_or_by_the_person(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.add_person("Ines", Role::Inspector, "fondant at dawn", &by("admin", 1)).await.unwrap();
        let hour = SignedDuration::from_hours(1);
        let first = ledger.open_session("Ines", at(0), hour).await.unwrap();
        let second = ledger.open_session("Ines", at(0), DAY).await.unwrap();
        let (one, other) = (ledger.session(&first, at(3599)).await.unwrap(), ledger.session(&second, at(1)).await.unwrap());
        assert_ne!(one.unwrap().csrf, other.unwrap().csrf);
        assert_eq!(ledger.session(&first, at(3600)).await.unwrap(), None);
        ledger.close_session(&second).await.unwrap();
        ledger.close_session(&second).await.unwrap();
        assert_eq!(ledger.session(&second, at(1)).await.unwrap(), None);
        assert_eq!(ledger.session("", at(1)).await.unwrap(), None);
        ledger.open_session("Ines", at(7200), hour).await.unwrap();
        let kept: i64 =
            sqlx::query_scalar("SELECT count(*) FROM sessions").fetch_one(&ledger.readers).await.unwrap();
        assert_eq!(kept, 1, "sessions that are over are forgotten");
    }

    async fn a_token_is_shown_once_and_can_be_revoked(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        ledger.add_person("Ines", Role::Inspector, "fondant at dawn", &by("admin", 1)).await.unwrap();
        let secret = ledger.add_token("Line 3 tablet", Role::Inspector, &by("admin", 2)).await.unwrap();
        let token = ledger.token(&secret).await.unwrap().unwrap();
        assert_eq!((token.name.as_str(), token.role), ("Line 3 tablet", Role::Inspector));
        for taken in ["LINE 3 tablet", "ines"] {
            let refused = ledger.add_token(taken, Role::Reader, &by("admin", 3)).await;
            assert!(matches!(refused, Err(LedgerError::NameTaken(_))), "{taken}: {refused:?}");
        }
        let taken = ledger.add_person("line 3 tablet", Role::Reader, "caramel at noon", &by("admin", 3)).await;
        assert!(matches!(taken, Err(LedgerError::NameTaken(_))), "{taken:?}");
        ledger.revoke_token("line 3 TABLET", &by("admin", 4)).await.unwrap();
        assert_eq!(ledger.token(&secret).await.unwrap(), None);
        assert_eq!(ledger.tokens().await.unwrap()[0].revoked_at, Some(at(4)));
        let none = ledger.revoke_token("Line 4", &by("admin", 5)).await;
        assert!(matches!(none, Err(LedgerError::NoToken(_))));
    }

    async fn no_password_and_no_secret_is_kept_in_clear(place: Place) {
        let ledger = Ledger::open(&place).await.unwrap();
        let password = "fondant at dawn";
        ledger.add_person("Ines", Role::Admin, password, &by("admin", 1)).await.unwrap();
        ledger.set_password("Ines", "caramel at noon", &by("admin", 2)).await.unwrap();
        let secrets = [
            password.to_owned(),
            "caramel at noon".to_owned(),
            ledger.open_session("Ines", at(3), DAY).await.unwrap(),
            ledger.add_token("tablet", Role::Inspector, &by("admin", 4)).await.unwrap(),
        ];
        let folder = tempfile::tempdir().unwrap();
        ledger.backup(folder.path(), at(5)).await.unwrap();
        let sessions: Vec<String> =
            sqlx::query_scalar("SELECT sha256 FROM sessions").fetch_all(&ledger.readers).await.unwrap();
        let mut all = sessions.join(" ");
        for file in std::fs::read_dir(folder.path()).unwrap() {
            all += &std::fs::read_to_string(file.unwrap().path()).unwrap();
        }
        assert!(all.contains("$argon2id$"), "the hashes are there");
        for secret in secrets {
            assert!(!all.contains(&secret), "{secret} stands there in clear");
        }
        let actions: Vec<_> =
            ledger.audit(&AuditFilter::default(), 9).await.unwrap().into_iter().map(|row| row.action).collect();
        assert_eq!(actions, ["add token", "set password", "add person"]);
    }
}
