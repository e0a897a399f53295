//! Sessions of people and tokens of machines. Both are secrets that only their holder has.

use jiff::{SignedDuration, Timestamp};
use plant::Role;
use serde_json::json;
use sqlx::Row;
use sqlx::any::AnyRow;

use crate::change::By;
use crate::error::{LedgerError, damaged, database};
use crate::open::{Ledger, Turn, instant};
use crate::people::{Person, free, name_key, person, read_person};
use crate::secret::{new_secret, sha256_hex};

/// Somebody who is logged in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Who.
    pub person: Person,
    /// What forms of this session carry, so that a form of another site is told apart.
    pub csrf: String,
}

/// A machine's right to read or write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Token {
    /// Counted from 1.
    pub id: i64,
    /// The name under which its writes are kept.
    pub name: String,
    /// What it may do.
    pub role: Role,
    /// Since when it is known.
    pub created_at: Timestamp,
    /// Since when it is taken no longer.
    pub revoked_at: Option<Timestamp>,
}

impl Ledger {
    /// Opens a session that ends after `lasts` and gives out its secret. Sessions that are over are forgotten.
    ///
    /// # Errors
    /// [`LedgerError::NoPerson`] if nobody has this name or they are disabled.
    pub async fn open_session(&self, name: &str, at: Timestamp, lasts: SignedDuration) -> Result<String, LedgerError> {
        let failed = || database("open a session");
        let key = name_key(name)?;
        let secret = new_secret()?;
        let until = at.saturating_add(lasts).map_or(at, |until| until);
        let mut tx = self.write(Turn::Record).await.map_err(failed())?;
        let person = person(&mut tx, &key).await?.filter(|person| person.disabled_at.is_none());
        let person = person.ok_or_else(|| LedgerError::NoPerson(name.to_owned()))?;
        sqlx::query("DELETE FROM sessions WHERE until_us <= $1")
            .bind(at.as_microsecond())
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        sqlx::query("INSERT INTO sessions (sha256, person, until_us) VALUES ($1, $2, $3)")
            .bind(sha256_hex(secret.as_bytes()))
            .bind(person.id)
            .bind(until.as_microsecond())
            .execute(&mut *tx)
            .await
            .map_err(failed())?;
        tx.commit().await.map_err(failed())?;
        Ok(secret)
    }

    /// Whose session a secret opens at an instant, if any.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn session(&self, secret: &str, at: Timestamp) -> Result<Option<Session>, LedgerError> {
        let row = sqlx::query(
            "SELECT people.id, name, role, created_us, disabled_us FROM sessions JOIN people ON people.id = person
             WHERE sha256 = $1 AND until_us > $2 AND disabled_us IS NULL",
        )
        .bind(sha256_hex(secret.as_bytes()))
        .bind(at.as_microsecond())
        .fetch_optional(&self.readers)
        .await
        .map_err(database("look for a session"))?;
        let Some(row) = row else { return Ok(None) };
        // Made from the secret, so that who reads the database cannot make it.
        let csrf = sha256_hex(format!("form {secret}").as_bytes());
        Ok(Some(Session { person: read_person(&row)?, csrf }))
    }

    /// Ends a session; one that is not there is no mistake.
    ///
    /// # Errors
    /// [`LedgerError::Database`].
    pub async fn close_session(&self, secret: &str) -> Result<(), LedgerError> {
        sqlx::query("DELETE FROM sessions WHERE sha256 = $1")
            .bind(sha256_hex(secret.as_bytes()))
            .execute(&self.writer)
            .await
            .map_err(database("close a session"))?;
        Ok(())
    }

    /// Makes a token for a machine and gives out its secret, which is shown this once and kept nowhere.
    ///
    /// # Errors
    /// [`LedgerError::NameTaken`] if another token, revoked ones included, or a person has this name,
    /// [`LedgerError::BadText`] for a name that cannot be taken.
    pub async fn add_token(&self, name: &str, role: Role, by: &By) -> Result<String, LedgerError> {
        let key = name_key(name)?;
        let secret = new_secret()?;
        let mut change = self.change("add a token", by).await?;
        free(&mut change, &key, name).await?;
        let failed = change.failed();
        sqlx::query(
            "INSERT INTO tokens (id, name, name_key, role, sha256, created_us)
             SELECT coalesce(max(id), 0) + 1, $1, $2, $3, $4, $5 FROM tokens",
        )
        .bind(name.trim().to_owned())
        .bind(key)
        .bind(role.as_str())
        .bind(sha256_hex(secret.as_bytes()))
        .bind(by.at.as_microsecond())
        .execute(&mut *change.tx)
        .await
        .map_err(failed)?;
        change.note("add token", format!("token {}", name.trim()), json!({ "role": role }));
        change.commit().await?;
        Ok(secret)
    }

    /// The token with this secret, if it is known and not revoked.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn token(&self, secret: &str) -> Result<Option<Token>, LedgerError> {
        let row = sqlx::query("SELECT * FROM tokens WHERE sha256 = $1 AND revoked_us IS NULL")
            .bind(sha256_hex(secret.as_bytes()))
            .fetch_optional(&self.readers)
            .await
            .map_err(database("look for a token"))?;
        row.as_ref().map(read_token).transpose()
    }

    /// Takes a token no longer.
    ///
    /// # Errors
    /// [`LedgerError::NoToken`] if no token has this name.
    pub async fn revoke_token(&self, name: &str, by: &By) -> Result<(), LedgerError> {
        let nobody = || LedgerError::NoToken(name.chars().take(64).collect());
        let key = name_key(name).map_err(|_| nobody())?;
        let mut change = self.change("revoke a token", by).await?;
        let failed = change.failed();
        let done = sqlx::query("UPDATE tokens SET revoked_us = coalesce(revoked_us, $2) WHERE name_key = $1")
            .bind(key)
            .bind(by.at.as_microsecond())
            .execute(&mut *change.tx)
            .await
            .map_err(failed)?;
        if done.rows_affected() == 0 {
            return Err(nobody());
        }
        change.note("revoke token", format!("token {}", name.trim()), json!({}));
        change.commit().await
    }

    /// All tokens, revoked ones included, in order of name.
    ///
    /// # Errors
    /// [`LedgerError`] if the database fails or a row does not read back.
    pub async fn tokens(&self) -> Result<Vec<Token>, LedgerError> {
        let rows = sqlx::query("SELECT * FROM tokens ORDER BY name_key")
            .fetch_all(&self.readers)
            .await
            .map_err(database("read the tokens"))?;
        rows.iter().map(read_token).collect()
    }
}

fn read_token(row: &AnyRow) -> Result<Token, LedgerError> {
    Ok(Token {
        id: row.get("id"),
        name: row.get("name"),
        role: row.get::<&str, _>("role").parse().map_err(|error| damaged("role")(&error))?,
        created_at: instant(row.get("created_us"))?,
        revoked_at: row.get::<Option<i64>, _>("revoked_us").map(instant).transpose()?,
    })
}
