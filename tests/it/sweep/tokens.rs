//! Tokens that nobody should be let in with, made with the service's own key or without it.

use crate::support::Scratch;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::Utc;
use jsonwebtoken::{Algorithm, EncodingKey, Header, encode};
use serde_json::{Value, json};
use std::fs;
use uuid::Uuid;
use weirbook::auth::token::Keys;

/// The service's address in its tokens.
const ISSUER: &str = "https://water.example.com";

/// A key in a file, as the service keeps it.
pub(super) struct KeyFile(Scratch);

impl KeyFile {
    pub(super) fn new() -> Self {
        Self(Scratch::new())
    }

    fn path(&self) -> String {
        format!("{}/signing-key.pem", self.0.path())
    }

    /// The service's own reading of it.
    pub(super) fn keys(&self) -> Keys {
        Keys::load_or_make(self.path().as_ref(), ISSUER).unwrap()
    }

    fn signer(&self) -> EncodingKey {
        EncodingKey::from_ed_pem(fs::read_to_string(self.path()).unwrap().as_bytes()).unwrap()
    }
}

fn coded(value: &Value) -> String {
    URL_SAFE_NO_PAD.encode(value.to_string())
}

fn parts(token: &str) -> (Header, Value) {
    let claims = token.split('.').nth(1).unwrap();
    let claims = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(claims).unwrap()).unwrap();
    (jsonwebtoken::decode_header(token).unwrap(), claims)
}

/// Bad tokens by what is wrong with them, each made from a good one and otherwise like it.
pub(super) fn bad(key: &KeyFile, good: &str) -> Vec<(&'static str, String)> {
    let ((header, claims), signer, now) = (parts(good), key.signer(), Utc::now().timestamp());
    let with = |name: &str, value: Value| {
        let mut claims = claims.clone();
        claims[name] = value;
        claims
    };
    let signed = |claims: Value| encode(&header, &claims, &signer).unwrap();
    assert!(key.keys().verify(&signed(claims.clone())).is_some(), "what follows is refused for what is wrong with it");
    let foreign = KeyFile::new();
    foreign.keys();
    let with_header = |change: fn(&mut Header)| {
        let mut header = header.clone();
        change(&mut header);
        encode(&header, &claims, &signer).unwrap()
    };
    // RFC 8725, section 2.1: the public key taken for a shared secret. It is the JWK's `x`.
    let public = ed25519_dalek::pkcs8::DecodePrivateKey::from_pkcs8_pem(&fs::read_to_string(key.path()).unwrap());
    let public: ed25519_dalek::SigningKey = public.unwrap();
    let mut confused = header.clone();
    confused.alg = Algorithm::HS256;
    let secret = EncodingKey::from_secret(public.verifying_key().as_bytes());
    let unsigned =
        format!("{}.{}.", coded(&json!({ "alg": "none", "typ": "at+jwt", "kid": header.kid })), coded(&claims));
    let cut = good.rsplit_once('.').unwrap().0;
    vec![
        ("expired", signed(with("exp", json!(now - 3600)))),
        ("not yet valid", signed(with("nbf", json!(now + 3600)))),
        ("for another audience", signed(with("aud", json!("another-api")))),
        ("of another issuer", signed(with("iss", json!("https://elsewhere.example.com")))),
        ("signed with another key", encode(&header, &claims, &foreign.signer()).unwrap()),
        ("unsigned, alg none", unsigned),
        ("signed with the public key as a secret", encode(&confused, &claims, &secret).unwrap()),
        ("of another type", with_header(|header| header.typ = Some("JWT".to_owned()))),
        ("without a key's name", with_header(|header| header.kid = None)),
        (
            "with another's claims",
            format!(
                "{}.{}.{}",
                good.split('.').next().unwrap(),
                coded(&with("sub", json!(Uuid::nil()))),
                good.rsplit('.').next().unwrap()
            ),
        ),
        ("without a signature", format!("{cut}.")),
        ("with a role and customer that don't go together", signed(with("customer", json!(Uuid::nil())))),
        ("with an unknown role", signed(with("role", json!("operator")))),
    ]
}
