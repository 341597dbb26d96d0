//! What must be read again and yet not be readable in the database: sealed with ChaCha20-Poly1305
//! (RFC 8439) under a key that stands beside the signing keys.

use chacha20poly1305::aead::{Aead, Payload};
use chacha20poly1305::{ChaCha20Poly1305, KeyInit};

/// Bytes of the key: RFC 8439.
pub const KEY_BYTES: usize = 32;
const NONCE_BYTES: usize = 12;

/// Seals and opens.
#[derive(Clone)]
pub struct Sealer(ChaCha20Poly1305);

impl Sealer {
    /// With that key.
    #[must_use]
    pub fn new(key: [u8; KEY_BYTES]) -> Self {
        Self(ChaCha20Poly1305::new(&key.into()))
    }

    /// Seals `plain` for whoever names the same owner. None when the cipher fails.
    #[must_use]
    pub fn seal(&self, owner: &[u8], plain: &[u8]) -> Option<Vec<u8>> {
        let nonce: [u8; NONCE_BYTES] = rand::random();
        let sealed = self.0.encrypt(&nonce.into(), Payload { msg: plain, aad: owner }).ok()?;
        Some([&nonce[..], &sealed].concat())
    }

    /// Opens what was sealed. None for another owner, another key, or changed bytes.
    #[must_use]
    pub fn open(&self, owner: &[u8], sealed: &[u8]) -> Option<Vec<u8>> {
        let (nonce, sealed) = sealed.split_first_chunk::<NONCE_BYTES>()?;
        self.0.decrypt(&(*nonce).into(), Payload { msg: sealed, aad: owner }).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_owner_and_the_key_open_it() {
        let sealer = Sealer::new([7; KEY_BYTES]);
        let sealed = sealer.seal(b"mia", b"secret").unwrap();
        assert_eq!(sealer.open(b"mia", &sealed).as_deref(), Some(&b"secret"[..]));
        assert_eq!(sealer.open(b"tom", &sealed), None);
        assert_eq!(Sealer::new([8; KEY_BYTES]).open(b"mia", &sealed), None);
        let mut changed = sealed.clone();
        *changed.last_mut().unwrap() ^= 1;
        assert_eq!(sealer.open(b"mia", &changed), None);
        assert_ne!(sealer.seal(b"mia", b"secret").unwrap(), sealed, "each under a number of its own");
    }
}
