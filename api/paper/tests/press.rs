//! Documents through the typesetter.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests fail by panicking")]

mod sample;

use image::{GrayImage, ImageFormat};
use std::io::Cursor;
use weirbook_paper::document::{Block, Document, Look};
use weirbook_paper::{Logo, LogoError, pdf};

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

/// ISO 32000-1, 14.9.2: the catalogue says in which language a document is.
#[test]
fn it_says_in_which_language_it_is() {
    for language in ["en", "de"] {
        let bytes = set(&Document { language: language.to_owned(), ..sample::report(1) });
        let at = bytes.windows(5).position(|window| window == b"/Lang").unwrap();
        assert!(holds(&bytes[at..at + 12], &format!("({language})")), "{language}");
    }
}

fn with_logo() -> Document {
    let plain = sample::report(1);
    let look = Look { logo: Some("A water wheel".to_owned()), ..plain.look.clone() };
    Document { look, ..plain }
}

/// A PNG of this many pixels.
fn png(width: u32, height: u32) -> Logo {
    let mut bytes = Cursor::new(Vec::new());
    GrayImage::new(width, height).write_to(&mut bytes, ImageFormat::Png).unwrap();
    Logo { bytes: bytes.into_inner() }
}

#[test]
fn a_logo_is_set_and_one_that_is_gone_is_left_out() {
    let set = |logo: Option<&Logo>| pdf(&with_logo(), &sample::figures(1), logo).unwrap();
    assert!(holds(&set(Some(&png(2, 1))), "pdfuaid:part"));
    assert!(set(None).len() < set(Some(&png(2, 1))).len());
}

/// Whatever passes the check can be set, and what can't be set does not pass.
#[test]
fn a_broken_logo_is_refused_before_it_is_taken() {
    let good = png(300, 100);
    assert!(good.check().is_ok());
    for broken in [b"GIF, or so".to_vec(), b"\x89PNG\r\n\x1a\n".to_vec(), good.bytes[..50].to_vec()] {
        let logo = Logo { bytes: broken };
        assert!(logo.check().is_err());
        assert!(pdf(&with_logo(), &sample::figures(1), Some(&logo)).is_err());
    }
    let large = png(4_001, 1).check();
    assert!(matches!(large, Err(LogoError::TooLarge { width: 4_001, height: 1 })), "{large:?}");
}
