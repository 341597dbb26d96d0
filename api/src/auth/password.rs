//! Passwords: Argon2id with the parameters of OWASP's Password Storage Cheat Sheet
//! (19 MiB, two passes, one lane), which are the crate's defaults.

use argon2::password_hash::phc::PasswordHash;
use argon2::{Argon2, PasswordHasher, PasswordVerifier};

/// Why a password could not be hashed.
#[derive(Debug, thiserror::Error)]
#[error("the password could not be hashed: {0}")]
pub struct HashError(String);

/// Hashes a password into PHC format. Takes tens of milliseconds: never on an async thread.
///
/// # Errors
/// When the hasher fails, such as for want of memory.
pub fn hash(password: &str) -> Result<String, HashError> {
    Argon2::default()
        .hash_password(password.as_bytes())
        .map(|hash| hash.to_string())
        .map_err(|error| HashError(error.to_string()))
}

/// Whether `password` is the one behind `stored`; slow in the same way.
#[must_use]
pub fn verify(password: &str, stored: &str) -> bool {
    PasswordHash::new(stored)
        .is_ok_and(|parsed| Argon2::default().verify_password(password.as_bytes(), &parsed).is_ok())
}

/// A hash of no password, checked when the account is unknown so that both cases take the
/// same time.
pub const DECOY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_opens_its_own_hash_only() {
        let stored = hash("correct horse").unwrap();
        assert!(stored.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"));
        assert!(verify("correct horse", &stored));
        assert!(!verify("battery staple", &stored));
        assert!(!verify("", DECOY));
    }
}
