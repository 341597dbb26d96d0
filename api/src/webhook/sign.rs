//! Signatures after the Standard Webhooks specification: HMAC-SHA-256 over the message's id, the
//! instant of sending and the body.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

/// A key that deliveries to one endpoint are signed with.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(Vec<u8>);

/// Bytes of a new one; the specification asks for 24 to 64.
const SECRET_BYTES: usize = 32;
/// How a key is written, so that one who finds it knows what it is.
const PREFIX: &str = "whsec_";

impl Secret {
    /// A new one.
    #[must_use]
    pub fn random() -> Self {
        Self(rand::random::<[u8; SECRET_BYTES]>().to_vec())
    }

    /// One that was stored.
    #[must_use]
    pub fn of_bytes(bytes: Vec<u8>) -> Self {
        Self(bytes)
    }

    /// Its bytes, to be stored.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// As it is handed to whoever has the endpoint.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{PREFIX}{}", STANDARD.encode(&self.0))
    }

    /// The signature of a message sent at an instant, in seconds since 1970.
    #[must_use]
    pub fn sign(&self, id: &str, sent_at_s: i64, body: &[u8]) -> String {
        // HMAC takes keys of every length.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(&self.0) else { return String::new() };
        mac.update(format!("{id}.{sent_at_s}.").as_bytes());
        mac.update(body);
        format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The message that the specification's own libraries are tested with
    /// (github.com/standard-webhooks/standard-webhooks, libraries/*/test).
    #[test]
    fn the_specifications_own_message_has_its_signature() {
        let secret = Secret(STANDARD.decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap());
        assert_eq!(secret.text(), "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw");
        let signature = secret.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, br#"{"test": 2432232314}"#);
        assert_eq!(signature, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    #[test]
    fn secrets_differ_and_are_long_enough() {
        let (one, other) = (Secret::random(), Secret::random());
        assert!(one != other && one.bytes().len() == SECRET_BYTES);
    }
}
