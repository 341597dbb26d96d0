//! What anybody may send is read without a panic: bodies of readings, cursors and tokens. By default some
//! hundred cases each; `PROPTEST_CASES=1000000 cargo t untrusted` tries for longer.

use crate::support::Scratch;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::Utc;
use domain::ids::{AccountId, DealerId};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{Index, select};
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::LazyLock;
use uuid::Uuid;
use weirbook::auth::refresh::RefreshToken;
use weirbook::auth::token::{Identity, Keys};
use weirbook::auth::{LinkToken, Role};
use weirbook::db::page::After;
use weirbook::readings::ROWS_MAX;
use weirbook::readings::parse::{Media, parse};

/// Values of fields: good and nearly good.
const KNOWN: &[&str] = &[
    "01890a5d-ac96-774b-bcce-b302099a8057",
    "2026-01-31T08:15:00+01:00",
    "2026-02-30T24:00:60.9999999999Z",
    "-262143-01-01T00:00:00Z",
    "1234.5",
    "1e400",
    "-0",
    "NaN",
    "\"",
    "\u{feff}",
    "hand",
    "null",
    "[[[[",
];

/// A value of a field: good, nearly good, and what is none.
fn value() -> impl Strategy<Value = String> {
    prop_oneof![select(KNOWN).prop_map(str::to_owned), any::<String>()]
}

/// Rows as one of the three forms writes them, some of them with a value that is not quoted as it should be.
fn body() -> impl Strategy<Value = (Media, Vec<u8>)> {
    let media = select([Media::Json, Media::Ndjson, Media::Csv].as_slice());
    let rows = vec((value(), value(), value(), value(), any::<bool>()), 0..8);
    (media, rows).prop_map(|(media, rows)| {
        let quoted = |text: &str, bare: bool| if bare { text.to_owned() } else { serde_json::to_string(text).unwrap() };
        let objects = rows.iter().map(|(meter, at, register, source, bare)| {
            let (meter, at, source) = (quoted(meter, false), quoted(at, false), quoted(source, *bare));
            format!("{{\"meter_id\":{meter},\"read_at\":{at},\"register\":{register},\"source\":{source}}}")
        });
        let text = match media {
            Media::Json => format!("{{\"readings\":[{}]}}", objects.collect::<Vec<_>>().join(",")),
            Media::Ndjson => objects.collect::<Vec<_>>().join("\n"),
            Media::Csv => {
                let rows = rows.iter().map(|(meter, at, register, source, _)| {
                    [meter, at, register, source].map(String::as_str).join(",")
                });
                ["meter_id,read_at,register,source".to_owned()].into_iter().chain(rows).collect::<Vec<_>>().join("\n")
            }
        };
        (media, text.into_bytes())
    })
}

/// A body with some bytes changed, left out or put in.
fn broken_body() -> impl Strategy<Value = (Media, Vec<u8>)> {
    let spots = vec((any::<Index>(), any::<u8>(), 0..3_u8), 0..4);
    (body(), spots).prop_map(|((media, mut bytes), spots)| {
        for (at, byte, how) in spots {
            let place = at.index(bytes.len() + 1);
            match how {
                0 if place < bytes.len() => drop(bytes.remove(place)),
                1 if place < bytes.len() => bytes[place] = byte,
                _ => bytes.insert(place, byte),
            }
        }
        (media, bytes)
    })
}

/// Every row is answered for once: taken or refused, by its place.
fn check(media: Media, bytes: &[u8]) -> Result<(), TestCaseError> {
    let Ok(parsed) = parse(media, bytes) else { return Ok(()) };
    let places = parsed.rows.iter().map(|row| row.index).chain(parsed.rejected.iter().map(|row| row.index));
    let places: Vec<usize> = places.collect();
    let each: BTreeSet<usize> = places.iter().copied().collect();
    prop_assert!(places.len() <= ROWS_MAX);
    prop_assert_eq!(each.len(), places.len(), "a row was answered for twice");
    prop_assert!(each.into_iter().eq(0..places.len()), "a row was passed over");
    Ok(())
}

proptest! {
    #[test]
    fn untrusted_readings_of_any_bytes(media in select([Media::Json, Media::Ndjson, Media::Csv].as_slice()), bytes in vec(any::<u8>(), 0..400)) {
        check(media, &bytes)?;
    }

    #[test]
    fn untrusted_readings_that_nearly_are_some((media, bytes) in broken_body()) {
        check(media, &bytes)?;
    }

    #[test]
    fn untrusted_cursors(text in prop_oneof![any::<String>(), "[A-Za-z0-9_-]{0,64}"]) {
        if let Some(after) = After::parse(Some(&text), 10) {
            let bytes = URL_SAFE_NO_PAD.decode(&text).unwrap();
            let id = Uuid::from_slice(&bytes[..16]).unwrap();
            prop_assert_eq!(After::parse(Some(&After::cursor(after.text(), id)), 10), Some(after));
        }
    }

    #[test]
    fn cursors_of_any_text_come_back(text in "([^\0\u{1f}][^\0]*)?", id in any::<u128>()) {
        let cursor = After::cursor(&text, Uuid::from_u128(id));
        let after = After::parse(Some(&cursor), 10).unwrap();
        prop_assert_eq!(after.text(), text);
    }

    #[test]
    fn untrusted_tokens(at in any::<Index>(), with in prop_oneof![any::<String>(), "[A-Za-z0-9_.=-]{0,8}"], how in 0..3_u8) {
        let (keys, token, refresh, link) = &*TOKENS;
        for good in [token, refresh, link] {
            let place = at.index(good.len() + 1);
            let (head, tail) = good.split_at(place);
            let bad = match how {
                0 => format!("{head}{with}{tail}"),
                1 => format!("{head}{with}"),
                _ => with.clone(),
            };
            let whole = bad == *good;
            prop_assert_eq!(keys.verify(&bad).is_some(), whole && good == token, "{}", bad);
            prop_assert!(keys.verify_step(&bad).is_none());
            // Either is no token, or is read as what it says.
            prop_assert!(RefreshToken::parse(&bad).is_none_or(|read| read.text() == bad));
            prop_assert!(LinkToken::parse(&bad).is_none_or(|read| read.text() == bad));
        }
    }
}

/// Keys, and one good token of each kind.
static TOKENS: LazyLock<(Keys, String, String, String)> = LazyLock::new(|| {
    let scratch = Scratch::new();
    let keys = Keys::load_or_make(&Path::new(scratch.path()).join("keys.pem"), "http://localhost").unwrap();
    let identity = Identity {
        account: AccountId(Uuid::from_u128(1)),
        dealer: DealerId(7),
        membership: Uuid::from_u128(2),
        revision: 4,
        role: Role::Office,
        customer: None,
        session: Uuid::from_u128(5),
        grant: None,
    };
    let token = keys.issue(&identity, Utc::now()).unwrap();
    (keys, token, RefreshToken::random().text(), LinkToken::random(DealerId(7)).text())
});
