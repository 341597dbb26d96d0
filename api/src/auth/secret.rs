//! Random secrets, and what is stored of them.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

/// 256 random bits as text, and the hash that is stored of them.
#[must_use]
pub fn random() -> (String, Vec<u8>) {
    let bytes: [u8; 32] = rand::random();
    let text = URL_SAFE_NO_PAD.encode(bytes);
    let hash = hash(&text);
    (text, hash)
}

/// What is stored of a secret: its SHA-256. Only for secrets of 112 random bits and more.
#[must_use]
pub fn hash(text: &str) -> Vec<u8> {
    Sha256::digest(text).to_vec()
}

/// Letters and digits that can't be taken for one another.
const LETTERS: [char; 32] = [
    'a', 'b', 'c', 'd', 'e', 'f', 'g', 'h', 'i', 'j', 'k', 'm', 'n', 'p', 'q', 'r', 's', 't', 'u', 'v', 'w', 'x', 'y',
    'z', '2', '3', '4', '5', '6', '7', '8', '9',
];

/// `N` random letters for people to type: five random bits each.
#[must_use]
pub fn letters<const N: usize>() -> String {
    let bytes: [u8; N] = rand::random();
    bytes.iter().filter_map(|byte| LETTERS.get(usize::from(byte % 32))).collect()
}
