//! Access tokens: short-lived JWTs signed with Ed25519 (RFC 8037), shaped after RFC 9068.
//! Refresh tokens: 256 random bits, stored as their SHA-256.

use super::Role;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Duration, Utc};
use domain::ids::{AccountId, CustomerId, DealerId};
use ed25519_dalek::SigningKey;
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, EncodePrivateKey};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use lru::LruCache;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs;
use std::io;
use std::num::NonZeroUsize;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

/// How long an access token lives.
pub const ACCESS_MINUTES: i64 = 15;
/// How long a sign-in lives without being used.
pub const REFRESH_DAYS: i64 = 30;
/// Who tokens are for.
const AUDIENCE: &str = "weirbook-api";

/// Why the signing key could not be had.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// The file can't be read or written.
    #[error("the signing key {path} can't be read or made: {source}")]
    File {
        /// The file.
        path: String,
        /// Why.
        source: io::Error,
    },
    /// The file holds something else.
    #[error("{0} holds no Ed25519 private key in PKCS #8 PEM; move it away and start again to make one")]
    NotAKey(String),
}

/// Signs and verifies access tokens.
#[derive(Clone)]
pub struct Keys {
    kid: String,
    issuer: String,
    encoding: EncodingKey,
    decoding: DecodingKey,
    verified: Arc<Mutex<LruCache<[u8; 32], Claims>>>,
}

/// Tokens whose signature was verified of late and is not verified again: checking one costs
/// more than the rest of a small request. The time is checked every time.
const TOKENS_REMEMBERED: NonZeroUsize = NonZeroUsize::MIN.saturating_add(4095);
/// Seconds by which the clocks of two instances may differ.
const LEEWAY_S: i64 = 30;

/// What an access token says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Claims {
    iss: String,
    aud: String,
    sub: Uuid,
    iat: i64,
    nbf: i64,
    exp: i64,
    jti: Uuid,
    client_id: String,
    dealer: i32,
    membership: Uuid,
    role: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    customer: Option<Uuid>,
    /// RFC 8693, section 4.2: what a program was granted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    scope: Option<String>,
}

/// Whom a token speaks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// The account.
    pub account: AccountId,
    /// The dealer it signed in for.
    pub dealer: DealerId,
    /// The membership; of a program its own id.
    pub membership: Uuid,
    /// The role.
    pub role: Role,
    /// The customer, for a customer's person or a program of one customer.
    pub customer: Option<CustomerId>,
    /// Of a program: what it was granted, and by which token.
    pub grant: Option<Grant>,
}

/// What a program was granted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grant {
    /// The permissions by their names, with a space between them.
    pub scopes: String,
    /// The id of its token.
    pub token: Uuid,
}

impl Keys {
    /// Reads the signing key in `path`, or makes one there that only its owner can read.
    ///
    /// # Errors
    /// When the file can't be used.
    pub fn load_or_make(path: &Path, issuer: &str) -> Result<Self, KeyError> {
        let file_error = |source| KeyError::File { path: path.display().to_string(), source };
        let key = match fs::read_to_string(path) {
            Ok(pem) => {
                SigningKey::from_pkcs8_pem(&pem).map_err(|_der| KeyError::NotAKey(path.display().to_string()))?
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => make(path).map_err(file_error)?,
            Err(error) => return Err(file_error(error)),
        };
        Self::from_key(&key, issuer).ok_or_else(|| KeyError::NotAKey(path.display().to_string()))
    }

    fn from_key(key: &SigningKey, issuer: &str) -> Option<Self> {
        let public = key.verifying_key();
        let x = URL_SAFE_NO_PAD.encode(public.as_bytes());
        // RFC 7638: the thumbprint of the public key, its members in this order.
        let canonical = format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#);
        let pkcs8 = key.to_pkcs8_der().ok()?;
        Some(Self {
            kid: URL_SAFE_NO_PAD.encode(Sha256::digest(canonical)),
            issuer: issuer.to_owned(),
            encoding: EncodingKey::from_ed_der(pkcs8.as_bytes()),
            decoding: DecodingKey::from_ed_components(&x).ok()?,
            verified: Arc::new(Mutex::new(LruCache::new(TOKENS_REMEMBERED))),
        })
    }

    /// An access token for `identity`, and when it ends.
    ///
    /// # Errors
    /// When signing fails.
    pub fn issue(&self, identity: &Identity, now: DateTime<Utc>) -> Result<String, jsonwebtoken::errors::Error> {
        let claims = Claims {
            iss: self.issuer.clone(),
            aud: AUDIENCE.to_owned(),
            sub: identity.account.0,
            iat: now.timestamp(),
            nbf: now.timestamp(),
            exp: (now + Duration::minutes(ACCESS_MINUTES)).timestamp(),
            jti: identity.grant.as_ref().map_or_else(Uuid::now_v7, |grant| grant.token),
            client_id: identity
                .grant
                .as_ref()
                .map_or("weirbook-people".to_owned(), |_| identity.membership.to_string()),
            dealer: identity.dealer.0,
            membership: identity.membership,
            role: identity.role.as_str().to_owned(),
            customer: identity.customer.map(|customer| customer.0),
            scope: identity.grant.as_ref().map(|grant| grant.scopes.clone()),
        };
        let mut header = Header::new(Algorithm::EdDSA);
        header.typ = Some("at+jwt".to_owned());
        header.kid = Some(self.kid.clone());
        jsonwebtoken::encode(&header, &claims, &self.encoding)
    }

    /// Whom a token speaks for, when it is one of ours and runs at the present time.
    #[must_use]
    pub fn verify(&self, token: &str) -> Option<Identity> {
        let now = Utc::now().timestamp();
        // The digest, not the token, is compared: how long that takes says nothing of the token.
        let digest: [u8; 32] = Sha256::digest(token).into();
        let remembered = self.remembered().get(&digest).cloned();
        let claims = match remembered {
            Some(claims) => claims,
            None => {
                let claims = self.signed(token)?;
                self.remembered().put(digest, claims.clone());
                claims
            }
        };
        if now > claims.exp + LEEWAY_S || now < claims.nbf - LEEWAY_S {
            return None;
        }
        Some(Identity {
            account: AccountId(claims.sub),
            dealer: DealerId(claims.dealer),
            membership: claims.membership,
            role: if claims.scope.is_some() { Role::Client } else { Role::from_name(&claims.role)? },
            customer: claims.customer.map(CustomerId),
            grant: claims.scope.map(|scopes| Grant { scopes, token: claims.jti }),
        })
    }

    fn remembered(&self) -> std::sync::MutexGuard<'_, LruCache<[u8; 32], Claims>> {
        self.verified.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The claims of a token that we signed for ourselves and that runs now.
    fn signed(&self, token: &str) -> Option<Claims> {
        let header = jsonwebtoken::decode_header(token).ok()?;
        if header.kid.as_deref() != Some(&self.kid) || header.typ.as_deref() != Some("at+jwt") {
            return None;
        }
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_audience(&[AUDIENCE]);
        validation.set_issuer(&[&self.issuer]);
        validation.set_required_spec_claims(&["exp", "nbf", "aud", "iss", "sub"]);
        validation.validate_nbf = true;
        validation.leeway = LEEWAY_S.unsigned_abs();
        Some(jsonwebtoken::decode::<Claims>(token, &self.decoding, &validation).ok()?.claims)
    }
}

fn make(path: &Path) -> io::Result<SigningKey> {
    use std::io::Write;
    use std::os::unix::fs::OpenOptionsExt;
    let key = SigningKey::from_bytes(&rand::random());
    let pem = key.to_pkcs8_pem(LineEnding::LF).map_err(io::Error::other)?;
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)?;
    }
    let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    file.write_all(pem.as_bytes())?;
    Ok(key)
}

/// A refresh token and the hash that is stored of it.
#[must_use]
pub fn new_refresh() -> (String, Vec<u8>) {
    let secret: [u8; 32] = rand::random();
    let token = URL_SAFE_NO_PAD.encode(secret);
    let hash = hash_refresh(&token);
    (token, hash)
}

/// What is stored of a refresh token.
#[must_use]
pub fn hash_refresh(token: &str) -> Vec<u8> {
    Sha256::digest(token).to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(seed: u8) -> Keys {
        Keys::from_key(&SigningKey::from_bytes(&[seed; 32]), "http://localhost").unwrap()
    }

    fn identity() -> Identity {
        Identity {
            account: AccountId(Uuid::from_u128(1)),
            dealer: DealerId(7),
            membership: Uuid::from_u128(2),
            role: Role::CustomerReader,
            customer: Some(CustomerId(Uuid::from_u128(3))),
            grant: None,
        }
    }

    #[test]
    fn a_token_says_who_it_was_made_for() {
        let token = keys(1).issue(&identity(), Utc::now()).unwrap();
        assert_eq!(keys(1).verify(&token), Some(identity()));
    }

    #[test]
    fn a_remembered_token_still_expires() {
        let keys = keys(1);
        let now = Utc::now();
        let ending = keys.issue(&identity(), now - Duration::minutes(ACCESS_MINUTES)).unwrap();
        assert!(keys.verify(&ending).is_some(), "within the leeway");
        let digest: [u8; 32] = Sha256::digest(&ending).into();
        keys.remembered().get_mut(&digest).unwrap().exp -= 2 * LEEWAY_S;
        assert_eq!(keys.verify(&ending), None);
    }

    #[test]
    fn foreign_expired_and_unsigned_tokens_say_nothing() {
        let now = Utc::now();
        let good = keys(1).issue(&identity(), now).unwrap();
        let [header, claims, _signature] = good.split('.').collect::<Vec<_>>()[..] else { panic!() };
        let unsigned = format!("{}.{claims}.", URL_SAFE_NO_PAD.encode(r#"{"alg":"none","typ":"at+jwt"}"#));
        for token in [
            keys(2).issue(&identity(), now).unwrap(),
            keys(1).issue(&identity(), now - Duration::hours(1)).unwrap(),
            keys(1).issue(&identity(), now + Duration::hours(1)).unwrap(),
            unsigned,
            format!("{header}.{claims}.AAAA"),
            String::new(),
        ] {
            assert_eq!(keys(1).verify(&token), None, "{token}");
        }
    }

    /// RFC 8037 appendix A.1 and A.3: the key and its RFC 7638 thumbprint.
    #[test]
    fn the_key_id_is_the_published_thumbprint() {
        let d = URL_SAFE_NO_PAD.decode("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A").unwrap();
        let key = SigningKey::from_bytes(&d.try_into().unwrap());
        assert_eq!(Keys::from_key(&key, "x").unwrap().kid, "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k");
    }
}
