//! People who may write, and their roles.

use jiff::Timestamp;
use plant::Role;
use serde_json::json;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use crate::change::{By, Change};
use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, instant};
use crate::password::{check_length, hash, verify};

/// Longest name, in characters.
const LONGEST_NAME: usize = 64;

/// Somebody who may log in. Nobody is there from the start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// Counted from 1.
    pub id: i64,
    /// The name as it was given; upper and lower case make no difference.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// Since when they are known.
    pub created_at: Timestamp,
    /// Since when they may not log in any more.
    pub disabled_at: Option<Timestamp>,
}

impl Ledger {
    /// Adds a person.
    ///
    /// # Errors
    /// [`LedgerError::NameTaken`] if a person or token has this name, [`LedgerError::BadText`] for a name that is empty, longer than 64 characters or has
    /// control characters, [`LedgerError::BadPassword`] for a password of less than 12 characters.
    pub async fn add_person(&self, name: &str, role: Role, password: &str, by: &By) -> Result<Person, LedgerError> {
        let key = name_key(name)?;
        let hashed = hash(password).await?;
        let mut change = self.change("add a person", by).await?;
        free(&mut change, &key, name).await?;
        let failed = change.failed();
        let row = sqlx::query(
            "INSERT INTO people (id, name, name_key, role, password, created_us)
             SELECT coalesce(max(id), 0) + 1, $1, $2, $3, $4, $5 FROM people
             RETURNING id, name, role, created_us, disabled_us",
        )
        .bind(name.trim().to_owned())
        .bind(key)
        .bind(role.as_str())
        .bind(hashed)
        .bind(by.at.as_microsecond())
        .fetch_one(&mut *change.tx)
        .await
        .map_err(failed)?;
        let added = read_person(&row)?;
        change.note("add person", format!("person {}", added.name), json!({ "role": role }));
        change.commit().await?;
        Ok(added)
    }

    /// Gives a person a new password and ends their sessions. One who was disabled may log in again.
    ///
    /// # Errors
    /// [`LedgerError::NoPerson`], [`LedgerError::BadPassword`].
    pub async fn set_password(&self, name: &str, password: &str, by: &By) -> Result<(), LedgerError> {
        let hashed = hash(password).await?;
        let (mut change, person) = self.change_person("set a password", name, by).await?;
        let failed = change.failed();
        sqlx::query("UPDATE people SET password = $2, disabled_us = NULL WHERE id = $1")
            .bind(person.id)
            .bind(hashed)
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        end_sessions(&mut change.tx, person.id).await?;
        change.note("set password", format!("person {}", person.name), json!({}));
        change.commit().await
    }

    /// Gives a person another role, from their next request on.
    ///
    /// # Errors
    /// [`LedgerError::NoPerson`].
    pub async fn set_role(&self, name: &str, role: Role, by: &By) -> Result<(), LedgerError> {
        let (mut change, person) = self.change_person("set a role", name, by).await?;
        let failed = change.failed();
        sqlx::query("UPDATE people SET role = $2 WHERE id = $1")
            .bind(person.id)
            .bind(role.as_str())
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        let detail = json!({ "before": person.role, "after": role });
        change.note("set role", format!("person {}", person.name), detail);
        change.commit().await
    }

    /// Keeps a person from logging in and ends their sessions. What they wrote stays under their name.
    ///
    /// # Errors
    /// [`LedgerError::NoPerson`].
    pub async fn disable_person(&self, name: &str, by: &By) -> Result<(), LedgerError> {
        let (mut change, person) = self.change_person("disable a person", name, by).await?;
        let failed = change.failed();
        sqlx::query("UPDATE people SET disabled_us = $2 WHERE id = $1 AND disabled_us IS NULL")
            .bind(person.id)
            .bind(by.at.as_microsecond())
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        end_sessions(&mut change.tx, person.id).await?;
        change.note("disable person", format!("person {}", person.name), json!({}));
        change.commit().await
    }

    /// Everybody, disabled people included, in order of name.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn people(&self) -> Result<Vec<Person>, LedgerError> {
        let rows = sqlx::query("SELECT id, name, role, created_us, disabled_us FROM people ORDER BY name_key")
            .fetch_all(&self.readers)
            .await
            .map_err(database("read the people"))?;
        rows.iter().map(read_person).collect()
    }

    /// Who has this name and password; nobody if they do not belong together or the person is disabled.
    ///
    /// A name that nobody has takes as long as one that somebody has.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn check_password(&self, name: &str, password: &str) -> Result<Option<Person>, LedgerError> {
        let found = match name_key(name) {
            Ok(key) => sqlx::query("SELECT * FROM people WHERE name_key = $1")
                .bind(key)
                .fetch_optional(&self.readers)
                .await
                .map_err(database("look for a person"))?,
            Err(_) => None,
        };
        let stored: Option<String> = found.as_ref().map(|row| row.get("password"));
        if check_length(password).is_err() {
            // Nobody has such a password, and saying so gives nothing away.
            return Ok(None);
        }
        let right = verify(password, stored).await?;
        let person = found.as_ref().map(read_person).transpose()?;
        Ok(person.filter(|person| right && person.disabled_at.is_none()))
    }

    async fn change_person<'a>(
        &self,
        what: &'static str,
        name: &str,
        by: &'a By,
    ) -> Result<(Change<'a>, Person), LedgerError> {
        let nobody = || LedgerError::NoPerson(name.chars().take(LONGEST_NAME).collect());
        let key = name_key(name).map_err(|_| nobody())?;
        let mut change = self.change(what, by).await?;
        let person = person(&mut change.tx, &key).await?.ok_or_else(nobody)?;
        Ok((change, person))
    }
}

/// A name under which nobody writes yet, neither person nor machine: who wrote must be clear from the name.
pub(crate) async fn free(change: &mut Change<'_>, key: &str, name: &str) -> Result<(), LedgerError> {
    let failed = change.failed();
    let taken: Vec<String> = sqlx::query_scalar(
        "SELECT name FROM people WHERE name_key = $1 UNION SELECT name FROM tokens WHERE name_key = $1",
    )
    .bind(key.to_owned())
    .fetch_all(&mut *change.tx)
    .await
    .map_err(failed)?;
    if taken.is_empty() { Ok(()) } else { Err(LedgerError::NameTaken(name.to_owned())) }
}

/// The person with this name.
pub(crate) async fn person(tx: &mut AnyConnection, key: &str) -> Result<Option<Person>, LedgerError> {
    let row = sqlx::query("SELECT id, name, role, created_us, disabled_us FROM people WHERE name_key = $1")
        .bind(key.to_owned())
        .fetch_optional(tx)
        .await
        .map_err(database("look for a person"))?;
    row.as_ref().map(read_person).transpose()
}

async fn end_sessions(tx: &mut AnyConnection, person: i64) -> Result<(), LedgerError> {
    sqlx::query("DELETE FROM sessions WHERE person = $1")
        .bind(person)
        .execute(tx)
        .await
        .map_err(database("end sessions"))?;
    Ok(())
}

pub(crate) fn read_person(row: &AnyRow) -> Result<Person, LedgerError> {
    Ok(Person {
        id: row.get("id"),
        name: row.get("name"),
        role: row.get::<&str, _>("role").parse().map_err(|error| damaged("role")(&error))?,
        created_at: instant(row.get("created_us"))?,
        disabled_at: row.get::<Option<i64>, _>("disabled_us").map(instant).transpose()?,
    })
}

/// The name by which people and tokens are told apart: in lower case, 1 to 64 characters, none of them control characters.
pub(crate) fn name_key(name: &str) -> Result<String, LedgerError> {
    let trimmed = name.trim();
    let why = if trimmed.is_empty() {
        "it is empty"
    } else if trimmed.chars().count() > LONGEST_NAME {
        "it is longer than 64 characters"
    } else if trimmed.chars().any(char::is_control) {
        "it has a control character"
    } else {
        return Ok(trimmed.to_lowercase());
    };
    Err(LedgerError::BadText { what: "name", text: trimmed.chars().take(40).collect(), why })
}
