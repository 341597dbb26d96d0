use super::*;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ed25519_dalek::SigningKey;
use jsonwebtoken::{DecodingKey, EncodingKey};

fn keys(seed: u8) -> Keys {
    Keys::new(Ring::of_one(SigningKey::from_bytes(&[seed; 32])).unwrap(), None, "http://localhost")
}

fn identity() -> Identity {
    Identity {
        account: AccountId(Uuid::from_u128(1)),
        dealer: DealerId(7),
        membership: Uuid::from_u128(2),
        revision: 4,
        role: Role::CustomerReader,
        customer: Some(CustomerId(Uuid::from_u128(3))),
        session: Uuid::from_u128(5),
        grant: None,
    }
}

fn json_part(token: &str, at: usize) -> Value {
    let part = token.split('.').nth(at).unwrap();
    serde_json::from_slice(&URL_SAFE_NO_PAD.decode(part).unwrap()).unwrap()
}

#[test]
fn a_token_says_who_it_was_made_for() {
    let token = keys(1).issue(&identity(), Utc::now()).unwrap();
    assert_eq!(keys(1).verify(&token), Some(identity()));
}

/// RFC 9068, sections 2.1 and 2.2: the type, and the claims that have to be there.
#[test]
fn a_token_has_the_shape_of_the_standard() {
    let now = Utc::now();
    let token = keys(1).issue(&identity(), now).unwrap();
    let (header, claims) = (json_part(&token, 0), json_part(&token, 1));
    assert_eq!((&header["typ"], &header["alg"]), (&"at+jwt".into(), &"EdDSA".into()));
    for claim in ["iss", "exp", "aud", "sub", "client_id", "iat", "jti", "nbf"] {
        assert!(!claims[claim].is_null(), "{claim} in {claims}");
    }
    assert_eq!(claims["exp"], now.timestamp() + 900);
    let other = json_part(&keys(1).issue(&identity(), now).unwrap(), 1);
    assert_ne!(claims["jti"], other["jti"]);
}

#[test]
fn a_remembered_token_still_expires() {
    let keys = keys(1);
    let now = Utc::now();
    let ending = keys.issue(&identity(), now - Duration::minutes(ACCESS_MINUTES)).unwrap();
    assert!(keys.verify(&ending).is_some(), "within the leeway");
    let digest: [u8; 32] = Sha256::digest(&ending).into();
    keys.remembered().get_mut(&digest).unwrap().claims.exp -= 2 * LEEWAY_S;
    assert_eq!(keys.verify(&ending), None);
}

#[test]
fn clocks_may_differ_by_half_a_minute() {
    let (keys, now) = (keys(1), Utc::now());
    let made = |off: i64| keys.issue(&identity(), now + Duration::seconds(off)).unwrap();
    assert!(keys.verify(&made(LEEWAY_S - 2)).is_some());
    assert!(keys.verify(&made(LEEWAY_S + 2)).is_none());
    assert!(keys.verify(&made(-ACCESS_MINUTES * 60 - LEEWAY_S + 2)).is_some());
    assert!(keys.verify(&made(-ACCESS_MINUTES * 60 - LEEWAY_S - 2)).is_none());
}

#[test]
fn foreign_expired_and_unsigned_tokens_say_nothing() {
    let now = Utc::now();
    let good = keys(1).issue(&identity(), now).unwrap();
    let [header, claims, _signature] = good.split('.').collect::<Vec<_>>()[..] else { panic!() };
    let unsigned = format!("{}.{claims}.", URL_SAFE_NO_PAD.encode(r#"{"alg":"none","typ":"at+jwt"}"#));
    let step = keys(1)
        .issue_step(SignInStep { account: identity().account, with_code: true, password_set_at: now }, now)
        .unwrap();
    for token in [
        keys(2).issue(&identity(), now).unwrap(),
        keys(1).issue(&identity(), now - Duration::hours(1)).unwrap(),
        keys(1).issue(&identity(), now + Duration::hours(1)).unwrap(),
        unsigned,
        confused(&good),
        step,
        format!("{header}.{claims}.AAAA"),
        String::new(),
    ] {
        assert_eq!(keys(1).verify(&token), None, "{token}");
    }
}

/// The same claims under a MAC whose secret is our public key, which anybody can read.
fn confused(good: &str) -> String {
    let (keys, claims) = (keys(1), json_part(good, 1));
    let shown = keys.key_set()["keys"][0].clone();
    let mut header = Header::new(Algorithm::HS256);
    header.typ = Some(ACCESS_TYPE.to_owned());
    header.kid = shown["kid"].as_str().map(str::to_owned);
    let secret = URL_SAFE_NO_PAD.decode(shown["x"].as_str().unwrap()).unwrap();
    jsonwebtoken::encode(&header, &claims, &EncodingKey::from_secret(&secret)).unwrap()
}

/// A token of ours with one claim or header field changed, signed by our own key.
fn resigned(change: impl FnOnce(&mut Header, &mut Value)) -> String {
    let keys = keys(1);
    let good = keys.issue(&identity(), Utc::now()).unwrap();
    let (mut header, mut claims) = (Header::new(Algorithm::EdDSA), json_part(&good, 1));
    header.typ = Some(ACCESS_TYPE.to_owned());
    header.kid = keys.key_set()["keys"][0]["kid"].as_str().map(str::to_owned);
    change(&mut header, &mut claims);
    let ring = keys.ring(Utc::now());
    jsonwebtoken::encode(&header, &claims, &ring.signing(Utc::now()).unwrap().encoding).unwrap()
}

#[test]
fn another_audience_issuer_type_or_key_is_refused() {
    assert!(keys(1).verify(&resigned(|_, _| {})).is_some());
    for (wrong, token) in [
        ("audience", resigned(|_, claims| claims["aud"] = "weirbook-sign-in".into())),
        ("issuer", resigned(|_, claims| claims["iss"] = "http://elsewhere".into())),
        ("type", resigned(|header, _| header.typ = Some("JWT".to_owned()))),
        ("no type", resigned(|header, _| header.typ = None)),
        ("key", resigned(|header, _| header.kid = Some("another".to_owned()))),
        ("no key", resigned(|header, _| header.kid = None)),
        ("role", resigned(|_, claims| claims["role"] = "operator".into())),
        ("no start", resigned(|_, claims| drop(claims.as_object_mut().unwrap().remove("nbf")))),
        ("no end", resigned(|_, claims| drop(claims.as_object_mut().unwrap().remove("exp")))),
    ] {
        assert_eq!(keys(1).verify(&token), None, "{wrong}");
    }
}

#[test]
fn a_step_is_carried_on_and_is_no_access_token() {
    let (keys, now) = (keys(1), Utc::now());
    let step = SignInStep { account: identity().account, with_code: false, password_set_at: now };
    assert_eq!(keys.verify_step(&keys.issue_step(step, now).unwrap()), Some(step));
    let late = keys.issue_step(step, now - Duration::minutes(STEP_MINUTES + 1)).unwrap();
    assert_eq!(keys.verify_step(&late), None);
    assert_eq!(keys.verify_step(&keys.issue(&identity(), now).unwrap()), None);
}

/// RFC 8037, appendix A.4 and A.5: the signature over the example, made and checked.
#[test]
fn signatures_are_those_of_the_published_example() {
    let published = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg";
    let input = b"eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc";
    let d = URL_SAFE_NO_PAD.decode("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A").unwrap();
    let ring = Ring::of_one(SigningKey::from_bytes(&d.try_into().unwrap())).unwrap();
    let key = ring.signing(Utc::now()).unwrap();
    assert_eq!(jsonwebtoken::crypto::sign(input, &key.encoding, Algorithm::EdDSA).unwrap(), published);
    let public = DecodingKey::from_ed_components("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo").unwrap();
    assert!(jsonwebtoken::crypto::verify(published, input, &public, Algorithm::EdDSA).unwrap());
    assert!(!jsonwebtoken::crypto::verify(published, &input[1..], &public, Algorithm::EdDSA).unwrap());
}

/// RFC 7515, appendices A.1 (RFC 7519, section 3.1), A.3 and A.5 (RFC 7519, section 6.1): valid tokens
/// of their own keys, none of them ours.
#[test]
fn published_tokens_of_others_are_refused() {
    let claims = "eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ";
    let (mac_header, mac) = ("eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9", "dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk");
    let secret = "AyM1SysPpbyDfgZld3umj1qzKObwVMkoqQ-EstJQLr_T-1qS0gZH75aKtMN3Yj0iPS4hcgUuTwjAzZr1Z9CAow";
    let secret = EncodingKey::from_secret(&URL_SAFE_NO_PAD.decode(secret).unwrap());
    let input = format!("{mac_header}.{claims}");
    assert_eq!(jsonwebtoken::crypto::sign(input.as_bytes(), &secret, Algorithm::HS256).unwrap(), mac);
    let curve = "DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q";
    let x = "f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU";
    let y = "x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0";
    let public = DecodingKey::from_ec_components(x, y).unwrap();
    let curve_input = format!("eyJhbGciOiJFUzI1NiJ9.{claims}");
    assert!(jsonwebtoken::crypto::verify(curve, curve_input.as_bytes(), &public, Algorithm::ES256).unwrap());
    let unsecured = format!("eyJhbGciOiJub25lIn0.{claims}.");
    for token in [format!("{input}.{mac}"), format!("{curve_input}.{curve}"), unsecured] {
        assert_eq!(keys(1).verify(&token), None, "{token}");
    }
}

#[test]
fn a_change_of_keys_keeps_tokens_and_sealed_secrets() {
    let folder = std::env::temp_dir().join(format!("weirbook-keys-{}", std::process::id()));
    let path = folder.join("signing-key.pem");
    let now = Utc::now();
    let before = Keys::load_or_make(&path, "http://localhost").unwrap();
    let old = before.issue(&identity(), now).unwrap();
    let sealed = before.sealer().seal(b"mia", b"secret").unwrap();
    rotate(&path, now - Duration::hours(1), false).unwrap();
    let after = Keys::load_or_make(&path, "http://localhost").unwrap();
    let new = after.issue(&identity(), now).unwrap();
    assert_ne!(json_part(&old, 0)["kid"], json_part(&new, 0)["kid"]);
    assert!(after.verify(&old).is_some() && after.verify(&new).is_some());
    assert_eq!(after.sealer().open(b"mia", &sealed).as_deref(), Some(&b"secret"[..]));
    assert_eq!(after.key_set()["keys"].as_array().map(Vec::len), Some(2));
    // A service that was running meanwhile learns of it when it looks.
    assert!(before.verify(&new).is_none(), "not looked yet");
    before.held.lock().unwrap().looked_at = now - Duration::seconds(LOOK_AFTER_S + 1);
    assert!(before.verify(&new).is_some());
    rotate(&path, now, true).unwrap();
    before.held.lock().unwrap().looked_at = now - Duration::seconds(LOOK_AFTER_S + 1);
    before.held.lock().unwrap().written_at = None;
    assert!(before.verify(&old).is_none() && before.verify(&new).is_none(), "distrusted");
    fs::remove_dir_all(folder).unwrap();
}
