//! What lets in whoever holds it: the link by which somebody who was asked enters readings, an
//! inspector's link, an invitation, a program's secret, the link to get no more reports. 256 random bits,
//! of which the database keeps the SHA-256 alone. The dealer's key stands before them in clear, so that
//! the hash is looked for in one dealer's rows only.

use super::Scope;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use domain::ids::{CustomerId, DealerId, SiteId};
use sha2::{Digest, Sha256};
use uuid::Uuid;

/// Bytes of the dealer's key.
const DEALER_BYTES: usize = 4;
/// Random bytes.
const SECRET_BYTES: usize = 32;

/// A link's token or a program's secret, as it was handed out or is to be.
#[derive(Clone)]
pub struct LinkToken {
    dealer: DealerId,
    secret: [u8; SECRET_BYTES],
}

impl LinkToken {
    /// A new one.
    #[must_use]
    pub fn random(dealer: DealerId) -> Self {
        Self { dealer, secret: rand::random() }
    }

    /// Reads what stands in an address. None for what was never a token.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
        let (dealer, secret) = bytes.split_first_chunk::<DEALER_BYTES>()?;
        Some(Self { dealer: DealerId(i32::from_be_bytes(*dealer)), secret: secret.try_into().ok()? })
    }

    /// The token as it stands in an address.
    #[must_use]
    pub fn text(&self) -> String {
        URL_SAFE_NO_PAD.encode([&self.dealer.0.to_be_bytes()[..], &self.secret].concat())
    }

    /// The dealer it is of.
    pub(crate) fn dealer(&self) -> DealerId {
        self.dealer
    }

    /// What is stored of it.
    #[must_use]
    pub fn hash(&self) -> Vec<u8> {
        Sha256::digest(self.secret).to_vec()
    }

    /// The scope in which its hash is looked for, and nothing else.
    pub(crate) fn scope_to_look(&self) -> Scope {
        Scope::of_job(self.dealer)
    }

    /// The scope of who holds it, once its hash was found: what the customer may see of that site.
    pub(crate) fn scope_of(&self, site: (CustomerId, SiteId), request: Uuid) -> Scope {
        Scope::of_link(self.dealer, site, request)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_round_trips_and_other_texts_are_none() {
        let token = LinkToken::random(DealerId(7));
        let read = LinkToken::parse(&token.text()).unwrap();
        assert_eq!((read.dealer, read.hash()), (DealerId(7), token.hash()));
        assert_ne!(LinkToken::random(DealerId(7)).hash(), token.hash());
        let short = token.text().split_off(2);
        for text in ["", "x", "%", short.as_str(), "AAAAAAAA"] {
            assert!(LinkToken::parse(text).is_none(), "{text}");
        }
    }
}
