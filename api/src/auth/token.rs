//! Access tokens: short-lived JWTs signed with Ed25519 (RFC 8037), shaped after RFC 9068. And the
//! tokens that carry a browser from one step of a sign-in to the next.

use super::Role;
use super::key_ring::{Key, Ring};
use super::seal::Sealer;
use chrono::{DateTime, Duration, Utc};
use domain::ids::{AccountId, CustomerId, DealerId};
use jsonwebtoken::{Algorithm, Header, Validation};
use lru::LruCache;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::fs;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;
use uuid::Uuid;

pub use super::key_ring::{KEY_SET_MAX_AGE_S, KeyError, Rotated, rotate};

/// How long an access token lives.
pub const ACCESS_MINUTES: i64 = 15;
/// How long a sign-in lives, however often it is used.
pub const REFRESH_DAYS: i64 = 30;
/// How long somebody has from one step of a sign-in to the next.
const STEP_MINUTES: i64 = 10;
/// Who access tokens are for.
const AUDIENCE: &str = "weirbook-api";
/// RFC 9068, section 2.1.
const ACCESS_TYPE: &str = "at+jwt";
/// Who the tokens between steps are for, and their type: never taken for access tokens.
const STEP_AUDIENCE: &str = "weirbook-sign-in";
const STEP_TYPE: &str = "weirbook-step+jwt";
/// How often to look whether the file of keys has changed.
const LOOK_AFTER_S: i64 = 15;

/// Signs and verifies access tokens.
#[derive(Clone)]
pub struct Keys {
    issuer: String,
    file: Option<PathBuf>,
    held: Arc<Mutex<Held>>,
    verified: Arc<Mutex<LruCache<[u8; 32], Claims>>>,
}

struct Held {
    ring: Arc<Ring>,
    written_at: Option<SystemTime>,
    looked_at: DateTime<Utc>,
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
    sid: Uuid,
    dealer: i32,
    membership: Uuid,
    revision: i32,
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
    /// The membership's revision when the token was made: after a change it is no longer believed.
    pub revision: i32,
    /// The role.
    pub role: Role,
    /// The customer, for a customer's person or a program of one customer.
    pub customer: Option<CustomerId>,
    /// The sign-in that it belongs to; of a program its token.
    pub session: Uuid,
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

/// How far a sign-in has come, between two of its pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SignInStep {
    /// Whose password was right.
    pub account: AccountId,
    /// Whether the second factor was shown too.
    pub with_code: bool,
    /// When that password was set: a step ends with it.
    pub password_set_at: DateTime<Utc>,
}

#[derive(Serialize, Deserialize)]
struct StepClaims {
    iss: String,
    aud: String,
    nbf: i64,
    exp: i64,
    #[serde(flatten)]
    step: SignInStep,
}

impl Keys {
    /// Reads the signing keys in `path`, or makes one there that only its owner can read.
    ///
    /// # Errors
    /// When the file can't be used.
    pub fn load_or_make(path: &Path, issuer: &str) -> Result<Self, KeyError> {
        let ring = Ring::load_or_make(path)?;
        Ok(Self::new(ring, Some(path.to_owned()), issuer))
    }

    fn new(ring: Ring, file: Option<PathBuf>, issuer: &str) -> Self {
        let written_at = file.as_deref().and_then(written_at);
        let held = Held { ring: Arc::new(ring), written_at, looked_at: Utc::now() };
        Self {
            issuer: issuer.to_owned(),
            file,
            held: Arc::new(Mutex::new(held)),
            verified: Arc::new(Mutex::new(LruCache::new(TOKENS_REMEMBERED))),
        }
    }

    /// The keys as they stand in the file now, or did a few seconds ago.
    fn ring(&self, now: DateTime<Utc>) -> Arc<Ring> {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(file) = self.file.as_deref().filter(|_| now - held.looked_at >= Duration::seconds(LOOK_AFTER_S))
        else {
            return held.ring.clone();
        };
        held.looked_at = now;
        let written_at = written_at(file);
        if written_at.is_some() && written_at != held.written_at {
            match Ring::load_or_make(file) {
                Ok(ring) => {
                    (held.ring, held.written_at) = (Arc::new(ring), written_at);
                    self.remembered().clear();
                    tracing::info!("the signing keys were read anew");
                }
                Err(error) => tracing::error!(%error, "the changed signing keys can't be used; the old ones hold on"),
            }
        }
        held.ring.clone()
    }

    /// The public keys as a JWK Set (RFC 7517).
    #[must_use]
    pub fn key_set(&self) -> Value {
        self.ring(Utc::now()).key_set()
    }

    /// Seals what must not be readable in the database.
    #[must_use]
    pub fn sealer(&self) -> Sealer {
        self.ring(Utc::now()).sealer()
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
            sid: identity.session,
            dealer: identity.dealer.0,
            membership: identity.membership,
            revision: identity.revision,
            role: identity.role.as_str().to_owned(),
            customer: identity.customer.map(|customer| customer.0),
            scope: identity.grant.as_ref().map(|grant| grant.scopes.clone()),
        };
        self.sign(ACCESS_TYPE, &claims, now)
    }

    fn sign(
        &self,
        kind: &str,
        claims: &impl Serialize,
        now: DateTime<Utc>,
    ) -> Result<String, jsonwebtoken::errors::Error> {
        let ring = self.ring(now);
        let key = ring.signing(now).ok_or(jsonwebtoken::errors::ErrorKind::InvalidEddsaKey)?;
        let mut header = Header::new(Algorithm::EdDSA);
        header.typ = Some(kind.to_owned());
        header.kid = Some(key.kid.clone());
        jsonwebtoken::encode(&header, claims, &key.encoding)
    }

    /// Whom a token speaks for, when it is one of ours and runs at the present time.
    #[must_use]
    pub fn verify(&self, token: &str) -> Option<Identity> {
        let now = Utc::now();
        let ring = self.ring(now);
        // The digest, not the token, is compared: how long that takes says nothing of the token.
        let digest: [u8; 32] = Sha256::digest(token).into();
        let remembered = self.remembered().get(&digest).cloned();
        let claims = match remembered {
            Some(claims) => claims,
            None => {
                let claims: Claims = self.signed(&ring, token, ACCESS_TYPE, AUDIENCE)?;
                self.remembered().put(digest, claims.clone());
                claims
            }
        };
        let now = now.timestamp();
        if now > claims.exp + LEEWAY_S || now < claims.nbf - LEEWAY_S {
            return None;
        }
        Some(Identity {
            account: AccountId(claims.sub),
            dealer: DealerId(claims.dealer),
            membership: claims.membership,
            revision: claims.revision,
            role: if claims.scope.is_some() { Role::Client } else { Role::from_name(&claims.role)? },
            customer: claims.customer.map(CustomerId),
            session: claims.sid,
            grant: claims.scope.map(|scopes| Grant { scopes, token: claims.jti }),
        })
    }

    fn remembered(&self) -> std::sync::MutexGuard<'_, LruCache<[u8; 32], Claims>> {
        self.verified.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A token that carries a browser to the next step of its sign-in.
    ///
    /// # Errors
    /// When signing fails.
    pub fn issue_step(&self, step: SignInStep, now: DateTime<Utc>) -> Result<String, jsonwebtoken::errors::Error> {
        let claims = StepClaims {
            iss: self.issuer.clone(),
            aud: STEP_AUDIENCE.to_owned(),
            nbf: now.timestamp(),
            exp: (now + Duration::minutes(STEP_MINUTES)).timestamp(),
            step,
        };
        self.sign(STEP_TYPE, &claims, now)
    }

    /// How far a sign-in has come, while its next step may follow.
    #[must_use]
    pub fn verify_step(&self, token: &str) -> Option<SignInStep> {
        let ring = self.ring(Utc::now());
        self.signed::<StepClaims>(&ring, token, STEP_TYPE, STEP_AUDIENCE).map(|claims| claims.step)
    }

    /// The claims of a token that we signed for that audience and that runs now.
    fn signed<T: DeserializeOwned>(&self, ring: &Ring, token: &str, kind: &str, audience: &str) -> Option<T> {
        let header = jsonwebtoken::decode_header(token).ok()?;
        if header.typ.as_deref() != Some(kind) {
            return None;
        }
        let key: &Key = ring.key(header.kid.as_deref()?)?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_audience(&[audience]);
        validation.set_issuer(&[&self.issuer]);
        validation.set_required_spec_claims(&["exp", "nbf", "aud", "iss"]);
        validation.validate_nbf = true;
        validation.leeway = LEEWAY_S.unsigned_abs();
        Some(jsonwebtoken::decode::<T>(token, &key.decoding, &validation).ok()?.claims)
    }
}

fn written_at(file: &Path) -> Option<SystemTime> {
    fs::metadata(file).and_then(|found| found.modified()).ok()
}

#[cfg(test)]
mod tests;
