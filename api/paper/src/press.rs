//! The typesetter. Its template lies in `templates`; the document reaches it as JSON, so that no text
//! of it is ever taken for markup.

use crate::document::{Document, Instant};
use crate::logo::Logo;
use std::sync::LazyLock;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

const TEMPLATE: &str = include_str!("../templates/statement.typ");
/// Families of the crate of fonts that the template sets in; the others are for mathematics.
const FAMILIES: [&str; 2] = ["Libertinus Serif", "DejaVu Sans Mono"];
/// How many documents the typesetter's memory of what it laid out outlives: what they share is the
/// template, which each of them uses.
const REMEMBERED: usize = 2;

/// The figures as a file within the document.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figures {
    /// The file's name.
    pub name: String,
    /// Its content.
    pub csv: String,
}

/// Why there is no PDF.
#[derive(Debug, thiserror::Error)]
pub enum PressError {
    /// The model can't be written as JSON.
    #[error("the document can't be handed to the typesetter")]
    Model(#[from] serde_json::Error),
    /// The typesetter refuses it.
    #[error("the document can't be set: {0}")]
    Set(String),
}

impl From<&[SourceDiagnostic]> for PressError {
    fn from(found: &[SourceDiagnostic]) -> Self {
        let words: Vec<&str> = found.iter().map(|one| one.message.as_str()).collect();
        Self::Set(words.join("; "))
    }
}

/// Sets a document.
///
/// It conforms to PDF/UA-1, unless it holds letters that the fonts don't have: those are shown as
/// missing, and such a document is tagged but can't claim to conform.
///
/// # Errors
/// When the model or the logo can't be set.
pub fn pdf(document: &Document, figures: &Figures, logo: Option<&Logo>) -> Result<Vec<u8>, PressError> {
    let sheet = Sheet::of(document, figures, logo)?;
    let set = typst::compile::<PagedDocument>(&sheet).output.map_err(|found| PressError::from(found.as_slice()))?;
    let accessible = typst_pdf::pdf(&set, &options(document, &[PdfStandard::Ua_1])?);
    let bytes = match accessible {
        Ok(bytes) => Ok(bytes),
        Err(_) => typst_pdf::pdf(&set, &options(document, &[])?).map_err(|found| PressError::from(found.as_slice())),
    };
    comemo::evict(REMEMBERED);
    bytes
}

fn options(document: &Document, standards: &[PdfStandard]) -> Result<PdfOptions, PressError> {
    let standards = PdfStandards::new(standards).map_err(|found| PressError::Set(found.message().to_string()))?;
    Ok(PdfOptions {
        ident: Smart::Custom(document.id.clone()),
        creator: Smart::Custom(Some("Weirbook".to_owned())),
        timestamp: datetime(document.made).map(Timestamp::new_utc),
        standards,
        ..PdfOptions::default()
    })
}

fn datetime(at: Instant) -> Option<Datetime> {
    Datetime::from_ymd_hms(at.year, at.month, at.day, at.hour, at.minute, at.second)
}

/// What does not change from document to document.
struct Press {
    /// What the typesetter knows by itself.
    standard: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    template: Source,
    document: FileId,
    figures: FileId,
    logo: FileId,
}

static PRESS: LazyLock<Press> = LazyLock::new(|| {
    let mut fonts: Vec<Font> = typst_assets::fonts().flat_map(|data| Font::iter(Bytes::new(data))).collect();
    fonts.retain(|font| FAMILIES.contains(&font.info().family.as_str()));
    Press {
        standard: LazyHash::new(Library::default()),
        book: LazyHash::new(FontBook::from_fonts(&fonts)),
        fonts,
        template: Source::new(file("statement.typ"), TEMPLATE.to_owned()),
        document: file("document.json"),
        figures: file("figures.csv"),
        logo: file("logo"),
    }
});

/// A file of those that the template may read; the names are few and fixed.
fn file(name: &str) -> FileId {
    // A name without folders is always a path, and the root is one too.
    let path = VirtualPath::new(name)
        .or_else(|_| VirtualPath::new("/"))
        .unwrap_or_else(|_| unreachable!("the root is a path"));
    RootedPath::new(VirtualRoot::Project, path).intern()
}

/// One document before the typesetter.
struct Sheet {
    document: Bytes,
    figures: Bytes,
    logo: Option<Bytes>,
    made: Instant,
}

impl Sheet {
    fn of(document: &Document, figures: &Figures, logo: Option<&Logo>) -> Result<Self, PressError> {
        let mut model = serde_json::json!({ "document": document, "figures": figures.name });
        if let Some(named) = model.pointer_mut("/document/look/logo").filter(|_| logo.is_none()) {
            named.take();
        }
        Ok(Self {
            document: Bytes::new(serde_json::to_vec(&model)?),
            figures: Bytes::new(figures.csv.clone().into_bytes()),
            logo: logo.map(|logo| Bytes::new(logo.bytes.clone())),
            made: document.made,
        })
    }
}

impl World for Sheet {
    fn library(&self) -> &LazyHash<Library> {
        &PRESS.standard
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &PRESS.book
    }

    fn main(&self) -> FileId {
        PRESS.template.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == PRESS.template.id() { Ok(PRESS.template.clone()) } else { Err(FileError::AccessDenied) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        if id == PRESS.document {
            Ok(self.document.clone())
        } else if id == PRESS.figures {
            Ok(self.figures.clone())
        } else if id == PRESS.logo {
            self.logo.clone().ok_or(FileError::AccessDenied)
        } else {
            Err(FileError::AccessDenied)
        }
    }

    fn font(&self, index: usize) -> Option<Font> {
        PRESS.fonts.get(index).cloned()
    }

    /// No clock: the day on which the figures were made.
    fn today(&self, _offset: Option<Duration>) -> Option<Datetime> {
        Datetime::from_ymd(self.made.year, self.made.month, self.made.day)
    }
}
