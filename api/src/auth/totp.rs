//! Codes of a second factor: RFC 6238 as authenticator programs speak it, six digits of
//! HMAC-SHA-1 over steps of 30 seconds. And the codes that stand in for a lost one.

use super::secret;
use chrono::{DateTime, Utc};
use hmac::{Hmac, KeyInit, Mac};
use sha1::Sha1;

/// Seconds of a step: RFC 6238, section 4.
const STEP_S: i64 = 30;
/// Steps by which a clock may be off, either way: section 5.2 recommends one.
const STEPS_OFF: i64 = 1;
/// Digits of a code.
const DIGITS: u32 = 6;
/// Recovery codes handed out at a time.
pub const RECOVERY_CODES: usize = 10;
/// Letters of a recovery code, of five random bits each.
const RECOVERY_LETTERS: usize = 24;

/// 160 random bits, as RFC 4226, section 4, recommends.
#[must_use]
pub fn new_secret() -> [u8; 20] {
    rand::random()
}

/// The step of an instant.
fn step_of(at: DateTime<Utc>) -> i64 {
    at.timestamp().div_euclid(STEP_S)
}

/// The step that `typed` is the code of, if it is that of the present or a neighbouring one.
#[must_use]
pub fn step_of_code(secret: &[u8], typed: &str, now: DateTime<Utc>) -> Option<i64> {
    let digits: String = typed.chars().filter(|c| !c.is_whitespace()).collect();
    let code: u32 = digits.parse().ok().filter(|_| digits.len() == usize::try_from(DIGITS).unwrap_or(0))?;
    let present = step_of(now);
    (present - STEPS_OFF..=present + STEPS_OFF).find(|step| value::<Hmac<Sha1>>(secret, *step, DIGITS) == Some(code))
}

/// The code of an instant, as an authenticator shows it.
#[must_use]
pub fn code_at(secret: &[u8], at: DateTime<Utc>) -> Option<String> {
    value::<Hmac<Sha1>>(secret, step_of(at), DIGITS).map(|code| format!("{code:06}"))
}

/// RFC 4226, section 5.3, over the step as RFC 6238 has it.
fn value<M: Mac + KeyInit>(secret: &[u8], step: i64, digits: u32) -> Option<u32> {
    let mut mac = <M as KeyInit>::new_from_slice(secret).ok()?;
    mac.update(&step.to_be_bytes());
    let hash = mac.finalize().into_bytes();
    let offset = usize::from(hash.last()? & 0x0f);
    let (four, _) = hash.get(offset..)?.split_first_chunk::<4>()?;
    Some((u32::from_be_bytes(*four) & 0x7fff_ffff) % 10_u32.checked_pow(digits)?)
}

/// The secret for people to type: base32 (RFC 4648, section 6) without padding.
#[must_use]
pub fn typed_secret(secret: &[u8]) -> String {
    const LETTERS: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
    let (mut text, mut held, mut bits) = (String::new(), 0_u32, 0_u32);
    let letter = |five: u32| usize::try_from(five & 31).ok().and_then(|at| LETTERS.get(at)).map(|at| char::from(*at));
    for byte in secret {
        held = (held << 8 | u32::from(*byte)) & 0xffff;
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            text.extend(letter(held >> bits));
        }
    }
    if bits > 0 {
        text.extend(letter(held << (5 - bits)));
    }
    text
}

/// The address that authenticator programs read from a QR code.
#[must_use]
pub fn address(secret: &[u8], email: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~@".contains(&byte);
    let label: String = email
        .bytes()
        .map(|byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") })
        .collect();
    format!("otpauth://totp/Weirbook:{label}?secret={}&issuer=Weirbook", typed_secret(secret))
}

/// New recovery codes as people see them.
#[must_use]
pub fn new_recovery_codes() -> Vec<String> {
    let grouped = |letters: String| {
        let letters: Vec<char> = letters.chars().collect();
        letters.chunks(4).map(|group| group.iter().collect()).collect::<Vec<String>>().join("-")
    };
    (0..RECOVERY_CODES).map(|_| grouped(secret::letters::<RECOVERY_LETTERS>())).collect()
}

/// What is stored of a recovery code, however it was typed; none for what never was one.
#[must_use]
pub fn recovery_hash(typed: &str) -> Option<Vec<u8>> {
    let letters: String = typed.chars().filter(|c| c.is_alphanumeric()).collect::<String>().to_lowercase();
    (letters.len() == RECOVERY_LETTERS).then(|| secret::hash(&letters))
}

#[cfg(test)]
mod tests {
    use super::*;
    use sha2::{Sha256, Sha512};

    /// RFC 6238, appendix B, with the seeds of its reference implementation (erratum 2866).
    #[test]
    fn codes_are_those_of_the_standard() {
        let seeds: [&[u8]; 3] = [
            b"12345678901234567890",
            b"12345678901234567890123456789012",
            b"1234567890123456789012345678901234567890123456789012345678901234",
        ];
        for (seconds, codes) in [
            (59_i64, [94_287_082, 46_119_246, 90_693_936]),
            (1_111_111_109, [7_081_804, 68_084_774, 25_091_201]),
            (1_111_111_111, [14_050_471, 67_062_674, 99_943_326]),
            (1_234_567_890, [89_005_924, 91_819_424, 93_441_116]),
            (2_000_000_000, [69_279_037, 90_698_825, 38_618_901]),
            (20_000_000_000, [65_353_130, 77_737_706, 47_863_826]),
        ] {
            let step = seconds / STEP_S;
            let found = [
                value::<Hmac<Sha1>>(seeds[0], step, 8),
                value::<Hmac<Sha256>>(seeds[1], step, 8),
                value::<Hmac<Sha512>>(seeds[2], step, 8),
            ];
            assert_eq!(found, codes.map(Some), "at {seconds}");
        }
    }

    /// RFC 4226, appendix D: the first ten values of six digits.
    #[test]
    fn six_digits_are_those_of_the_standard() {
        let seed = b"12345678901234567890";
        let found: Vec<_> = (0..10).filter_map(|step| value::<Hmac<Sha1>>(seed, step, 6)).collect();
        let published = [755_224, 287_082, 359_152, 969_429, 338_314, 254_676, 287_922, 162_583, 399_871, 520_489];
        assert_eq!(found, published);
    }

    #[test]
    fn a_code_holds_for_its_step_and_the_neighbours() {
        let secret = b"12345678901234567890";
        let at = |seconds: i64| DateTime::from_timestamp(seconds, 0).unwrap();
        assert_eq!(step_of_code(secret, " 287 082 ", at(59)), Some(1));
        assert_eq!(step_of_code(secret, "287082", at(89)), Some(1));
        assert_eq!(step_of_code(secret, "287082", at(90)), None);
        assert_eq!(step_of_code(secret, "287082", at(0)), Some(1));
        assert_eq!(code_at(secret, at(1_111_111_109)).as_deref(), Some("081804"));
        for wrong in ["", "28708", "2870820", "abcdef", "-87082"] {
            assert_eq!(step_of_code(secret, wrong, at(59)), None, "{wrong}");
        }
    }

    /// RFC 4648, section 10, without the padding.
    #[test]
    fn the_secret_is_typed_in_base32() {
        for (bytes, text) in [
            ("", ""),
            ("f", "MY"),
            ("fo", "MZXQ"),
            ("foo", "MZXW6"),
            ("foob", "MZXW6YQ"),
            ("fooba", "MZXW6YTB"),
            ("foobar", "MZXW6YTBOI"),
        ] {
            assert_eq!(typed_secret(bytes.as_bytes()), text);
        }
        let address = address(b"foobar", "m+b@example.com");
        assert_eq!(address, "otpauth://totp/Weirbook:m%2Bb@example.com?secret=MZXW6YTBOI&issuer=Weirbook");
    }

    #[test]
    fn recovery_codes_are_read_however_they_are_typed() {
        let codes = new_recovery_codes();
        assert_eq!((codes.len(), codes[0].len()), (RECOVERY_CODES, 29));
        let hash = recovery_hash(&codes[0]);
        assert!(hash.is_some() && hash == recovery_hash(&codes[0].to_uppercase().replace('-', " ")));
        assert_ne!(hash, recovery_hash(&codes[1]));
        assert_eq!(recovery_hash("123456"), None);
    }
}
