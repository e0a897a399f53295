//! Passwords, kept as Argon2id hashes.
//!
//! The crate's own parameters are those that the OWASP Password Storage Cheat Sheet gives for Argon2id: 19 MiB of
//! memory, two passes, one lane. Hashing takes a moment on purpose, so it never runs on a worker of the runtime.

use std::sync::OnceLock;

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};

use crate::error::LedgerError;
use crate::secret::new_secret;

/// Shortest password, in characters (NIST SP 800-63B asks for 8 at least; this is the house's own step above).
const SHORTEST: usize = 12;
/// Longest, so that nobody makes us hash a book.
const LONGEST: usize = 1024;
/// Bytes of salt (RFC 9106, 3.1: 16 are recommended for password hashing).
const SALT: usize = 16;

/// Whether a password has a length that is taken.
pub(crate) fn check_length(password: &str) -> Result<(), LedgerError> {
    let length = password.chars().count();
    if (SHORTEST..=LONGEST).contains(&length) { Ok(()) } else { Err(LedgerError::BadPassword(length)) }
}

/// The hash of a password with a new salt, with its parameters (PHC string).
pub(crate) async fn hash(password: &str) -> Result<String, LedgerError> {
    check_length(password)?;
    let password = password.to_owned();
    away(move || hashed(&password)).await?
}

/// Whether a password belongs to a hash. Without a hash the work is the same and the answer no.
pub(crate) async fn verify(password: &str, stored: Option<String>) -> Result<bool, LedgerError> {
    let password = password.to_owned();
    away(move || {
        let known = stored.is_some();
        let stored = match stored {
            Some(stored) => stored,
            None => nobodys()?,
        };
        let stored = PasswordHash::new(&stored)
            .map_err(|error| LedgerError::Damaged { what: "password hash", why: error.to_string() })?;
        Ok(Argon2::default().verify_password(password.as_bytes(), &stored).is_ok() && known)
    })
    .await?
}

fn hashed(password: &str) -> Result<String, LedgerError> {
    let failed = |error: &dyn std::fmt::Display| LedgerError::NoSecret(error.to_string());
    let mut salt = [0; SALT];
    getrandom::fill(&mut salt).map_err(|error| failed(&error))?;
    let hash: PasswordHash =
        Argon2::default().hash_password_with_salt(password.as_bytes(), &salt).map_err(|error| failed(&error))?;
    Ok(hash.to_string())
}

/// The hash of a password that nobody has.
fn nobodys() -> Result<String, LedgerError> {
    static NOBODYS: OnceLock<String> = OnceLock::new();
    if let Some(hash) = NOBODYS.get() {
        return Ok(hash.clone());
    }
    let hash = hashed(&new_secret()?)?;
    Ok(NOBODYS.get_or_init(|| hash).clone())
}

async fn away<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, LedgerError> {
    tokio::task::spawn_blocking(work).await.map_err(|error| LedgerError::NoSecret(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_password_is_kept_as_argon2id_with_the_parameters_that_owasp_gives() {
        // OWASP Password Storage Cheat Sheet, Argon2id: m=19456 (19 MiB), t=2, p=1 (from memory).
        let kept = hash("correct horse battery").await.unwrap();
        assert!(kept.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{kept}");
        assert!(!kept.contains("correct"));
        assert_ne!(kept, hash("correct horse battery").await.unwrap(), "every hash has a salt of its own");
        assert!(verify("correct horse battery", Some(kept.clone())).await.unwrap());
        assert!(!verify("correct horse batterz", Some(kept)).await.unwrap());
        assert!(!verify("correct horse battery", None).await.unwrap());
    }

    #[tokio::test]
    async fn a_short_password_is_refused_and_not_repeated() {
        let error = hash("elevenchars").await.unwrap_err().to_string();
        assert_eq!(error, "this password has 11 characters; right would be 12 to 1024");
        hash("twelve chars").await.unwrap();
    }
}
