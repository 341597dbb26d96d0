//! Passwords: Argon2id with the parameters of OWASP's Password Storage Cheat Sheet
//! (19 MiB, two passes, one lane), which are the crate's defaults. What is taken as one follows
//! NIST SP 800-63B-4 (2025), section 3.1.1.2: length, a list of common ones, no composition rules.

use argon2::password_hash::phc::PasswordHash;
use argon2::{Argon2, PasswordHasher, PasswordVerifier};
use domain::fault::Faults;
use unicode_normalization::UnicodeNormalization;
use zxcvbn::zxcvbn;

/// Characters of a password that opens an account alone: SP 800-63B-4, section 3.1.1.2.
const CHARS_MIN_ALONE: usize = 15;
/// Characters of a password beside a second factor: the same section.
const CHARS_MIN_WITH_CODE: usize = 8;
/// The standard asks to take at least 64; more than this is nobody's password.
const CHARS_MAX: usize = 256;
/// Decimal logarithm of the guesses that common passwords, names and words, and their usual
/// spellings, must not suffice for.
const GUESSES_LOG10_MIN: f64 = 8.0;

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
        .hash_password(normal(password).as_bytes())
        .map(|hash| hash.to_string())
        .map_err(|error| HashError(error.to_string()))
}

/// Whether `password` is the one behind `stored`; slow in the same way.
#[must_use]
pub fn verify(password: &str, stored: &str) -> bool {
    let parsed = PasswordHash::new(stored);
    parsed.is_ok_and(|parsed| Argon2::default().verify_password(normal(password).as_bytes(), &parsed).is_ok())
}

/// A hash of no password, checked when the account is unknown so that both cases take the
/// same time.
pub const DECOY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

/// The same text however it was typed: SP 800-63B-4 asks for NFKC or NFKD before hashing.
fn normal(password: &str) -> String {
    password.nfkc().collect()
}

/// Characters that a password has to have.
#[must_use]
pub fn chars_min(with_second_factor: bool) -> usize {
    if with_second_factor { CHARS_MIN_WITH_CODE } else { CHARS_MIN_ALONE }
}

/// Whether a new password may be taken. `own_words` are the person's: name and e-mail address.
///
/// # Errors
/// A fault at `pointer` that says what to do: length first, then what is easily guessed.
pub fn check(pointer: &str, password: &str, with_second_factor: bool, own_words: &[&str]) -> Result<(), Faults> {
    let chars_min = chars_min(with_second_factor);
    // The standard counts code points.
    let chars = normal(password).chars().count();
    if chars < chars_min {
        return Err(Faults::one(pointer, "too_short", format!("give at least {chars_min} characters, blanks too")));
    }
    if chars > CHARS_MAX {
        return Err(Faults::one(pointer, "too_long", format!("give at most {CHARS_MAX} characters")));
    }
    if is_common(password, own_words) {
        let fix = "it is easily guessed from common passwords, names and words; put several unrelated words together";
        return Err(Faults::one(pointer, "too_common", fix));
    }
    Ok(())
}

/// Whether it stands in the lists of common passwords, names and words that zxcvbn ships, or is put
/// together of so few of them, of runs, repeats and dates, that a guesser soon comes to it.
fn is_common(password: &str, own_words: &[&str]) -> bool {
    let split = own_words.iter().flat_map(|words| words.split(|c: char| !c.is_alphanumeric()));
    let mut words: Vec<&str> = split.filter(|word| word.chars().count() > 2).collect();
    words.push("weirbook");
    zxcvbn(password, &words).guesses_log10() < GUESSES_LOG10_MIN
}

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

    /// Unicode Standard Annex 15: the sharp s composed or not, a ligature, full-width letters.
    #[test]
    fn the_same_text_typed_otherwise_is_the_same_password() {
        let stored = hash("caf\u{e9} \u{fb01}ne Water").unwrap();
        assert!(verify("cafe\u{301} fine \u{ff37}ater", &stored));
        assert!(!verify("cafe fine Water", &stored));
    }

    fn code(password: &str, with_second_factor: bool) -> Option<&'static str> {
        let own = ["Mia Berghofer", "mia.berghofer@millrace.example"];
        check("/password", password, with_second_factor, &own).err().map(|faults| faults.0[0].code)
    }

    #[test]
    fn length_counts_and_no_kind_of_character_is_asked_for() {
        assert_eq!(code("quiet water run", false), None, "15 characters");
        assert_eq!(code("quiet water ru", false), Some("too_short"));
        assert_eq!(code("kvm tqzu", true), None, "8 beside a second factor");
        assert_eq!(code("kvm tqz", true), Some("too_short"));
        assert_eq!(code("\u{6c34}\u{306e}\u{97f3}\u{304c}\u{805e}\u{3053}\u{3048}\u{308b}", true), None);
        assert_eq!(code(&"a quiet brook ".repeat(19), false), Some("too_long"));
    }

    #[test]
    fn what_is_common_or_ones_own_is_refused() {
        for common in
            ["passwordpassword", "123456789012345", "qwertyuiopasdfgh", "aaaaaaaaaaaaaaaa", "weirbookweirbook"]
        {
            assert_eq!(code(common, false), Some("too_common"), "{common}");
        }
        assert_eq!(code("berghoferberghofer", false), Some("too_common"));
        assert_eq!(code("iloveyou", true), Some("too_common"));
    }
}
