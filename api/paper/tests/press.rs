//! Documents through the typesetter.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests fail by panicking")]

mod sample;

use weirbook_paper::document::{Block, Document, Look};
use weirbook_paper::{Logo, pdf};

fn set(document: &Document) -> Vec<u8> {
    pdf(document, &sample::figures(1), None).unwrap()
}

fn holds(bytes: &[u8], text: &str) -> bool {
    bytes.windows(text.len()).any(|window| window == text.as_bytes())
}

#[test]
fn the_same_document_has_the_same_bytes_and_another_has_others() {
    let [first, other, again] = [1, 2, 1].map(|n| set(&sample::report(n)));
    assert!(first == again, "the bytes differ");
    assert!(first != other);
    assert!(first.starts_with(b"%PDF-1.7"));
}

/// ISO 14289-1, clause 5: the document says of itself that it conforms to part 1.
#[test]
fn it_says_that_it_is_accessible() {
    let bytes = set(&sample::report(1));
    assert!(holds(&bytes, "<pdfuaid:part>1</pdfuaid:part>"));
}

/// No font of the typesetter has these letters: they are shown as missing, and the claim is left out.
#[test]
fn letters_that_no_font_has_hinder_no_report() {
    let bytes = set(&Document { lead: "\u{6e2f} took 3 m³".to_owned(), ..sample::report(1) });
    assert!(!holds(&bytes, "pdfuaid:part"));
}

#[test]
fn text_is_never_markup() {
    let mut document = sample::report(1);
    document.lead = "#panic(\"no\") $x$ *y* `z` <a> @b // c".to_owned();
    document.sections[0].blocks.push(Block::Text { text: "= Not a heading\n#image(\"logo\")".to_owned() });
    assert!(holds(&set(&document), "pdfuaid:part"));
}

#[test]
fn a_logo_is_set_and_a_broken_one_is_refused() {
    // A PNG of one pixel (PNG specification, second edition, section 4).
    let png = [
        0x89, 0x50, 0x4e, 0x47, 0xd, 0xa, 0x1a, 0xa, 0, 0, 0, 0xd, 0x49, 0x48, 0x44, 0x52, 0, 0, 0, 1, 0, 0, 0, 1, 8,
        6, 0, 0, 0, 0x1f, 0x15, 0xc4, 0x89, 0, 0, 0, 0xd, 0x49, 0x44, 0x41, 0x54, 0x78, 0xda, 0x63, 0x64, 0xf8, 0xcf,
        0x50, 0xf, 0, 3, 0x86, 1, 0x80, 0x5a, 0x34, 0x7d, 0x6b, 0, 0, 0, 0, 0x49, 0x45, 0x4e, 0x44, 0xae, 0x42, 0x60,
        0x82,
    ];
    let plain = sample::report(1);
    let look = Look { logo: Some("A water wheel".to_owned()), ..plain.look.clone() };
    let with = Document { look, ..plain };
    let set = |bytes: &[u8]| pdf(&with, &sample::figures(1), Some(&Logo { bytes: bytes.to_vec() }));
    assert!(holds(&set(&png).unwrap(), "pdfuaid:part"));
    assert!(set(b"GIF, or so").is_err());
}
