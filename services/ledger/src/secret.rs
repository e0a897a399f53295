//! Secrets that are given out once and kept only as a hash.

use std::fmt::Write;

use sha2::{Digest, Sha256};

use crate::error::LedgerError;

/// Bytes of a secret: more than anybody can guess.
const BYTES: usize = 32;

/// A new secret: 32 bytes from the operating system, in hexadecimal.
pub(crate) fn new_secret() -> Result<String, LedgerError> {
    let mut bytes = [0; BYTES];
    getrandom::fill(&mut bytes).map_err(|error| LedgerError::NoSecret(error.to_string()))?;
    Ok(hex(&bytes))
}

/// SHA-256 in hexadecimal. For secrets of 32 random bytes this is enough: there is nothing to guess that a slow hash
/// would protect.
pub(crate) fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        write!(text, "{byte:02x}").expect("writing into a string cannot fail");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hash_is_the_published_one() {
        // FIPS 180-4 example: SHA-256 of "abc" (NIST, Examples with Intermediate Values).
        assert_eq!(sha256_hex(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn no_two_secrets_are_alike() {
        let (one, other) = (new_secret().unwrap(), new_secret().unwrap());
        assert_ne!(one, other);
        assert_eq!(one.len(), 64);
    }
}
