//! Refresh tokens: 128 bits that all tokens of one sign-in share, and 256 that change with each use.
//! Only hashes are stored. The shared part tells a token that was used before from one that never
//! was: whoever shows it had a token of this sign-in, so it was stolen, and the sign-in ends.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};

const KEY_BYTES: usize = 16;
const SECRET_BYTES: usize = 32;

/// A refresh token.
#[derive(Clone, PartialEq, Eq)]
pub struct RefreshToken {
    key: [u8; KEY_BYTES],
    secret: [u8; SECRET_BYTES],
}

impl RefreshToken {
    /// The first of a sign-in.
    #[must_use]
    pub fn random() -> Self {
        Self { key: rand::random(), secret: rand::random() }
    }

    /// Reads what was sent. None for what was never a token.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
        let (key, secret) = bytes.split_first_chunk::<KEY_BYTES>()?;
        Some(Self { key: *key, secret: secret.try_into().ok()? })
    }

    /// The token as it is sent.
    #[must_use]
    pub fn text(&self) -> String {
        URL_SAFE_NO_PAD.encode([&self.key[..], &self.secret[..]].concat())
    }

    /// The next of the same sign-in.
    #[must_use]
    pub fn next(&self) -> Self {
        Self { key: self.key, secret: rand::random() }
    }

    /// What is stored of the part that all tokens of the sign-in share.
    #[must_use]
    pub fn key_hash(&self) -> Vec<u8> {
        Sha256::digest(self.key).to_vec()
    }

    /// What is stored of the part that is this token's own.
    #[must_use]
    pub fn hash(&self) -> Vec<u8> {
        Sha256::digest(self.secret).to_vec()
    }

    /// The successor under a pad that only this token yields: so a client whose answer got lost can
    /// be given the same one again, while nothing usable is stored.
    #[must_use]
    pub fn seal(&self, successor: &Self) -> Vec<u8> {
        self.padded(&successor.secret)
    }

    /// The successor that was sealed.
    #[must_use]
    pub fn open(&self, sealed: &[u8]) -> Option<Self> {
        Some(Self { key: self.key, secret: self.padded(sealed).try_into().ok()? })
    }

    fn padded(&self, bytes: &[u8]) -> Vec<u8> {
        // HMAC takes keys of any length; what is stored of the token is a plain hash, not this.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(&self.secret) else { return Vec::new() };
        mac.update(b"weirbook successor");
        mac.finalize().into_bytes().iter().zip(bytes).map(|(pad, byte)| pad ^ byte).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_round_trips_and_yields_its_successor() {
        let first = RefreshToken::random();
        let next = first.next();
        assert!(RefreshToken::parse(&first.text()).is_some_and(|read| read == first));
        assert!(first.key_hash() == next.key_hash() && first.hash() != next.hash());
        let sealed = first.seal(&next);
        assert!(first.open(&sealed).is_some_and(|opened| opened == next));
        assert!(next.open(&sealed).is_none_or(|opened| opened != next));
        assert!(!sealed.windows(8).any(|part| next.secret.windows(8).any(|own| own == part)));
        for text in ["", "x", "%", "AAAA", &first.text()[1..]] {
            assert!(RefreshToken::parse(text).is_none(), "{text}");
        }
    }
}
