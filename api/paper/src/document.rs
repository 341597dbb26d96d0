//! What is set: a plain model without figures to be computed. Every text in it is ready to print.

use serde::Serialize;

/// A statement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Document {
    /// Names it for ever: the same document always has the same one.
    pub id: String,
    /// Its language, after BCP 47.
    pub language: String,
    /// When its figures were made.
    pub made: Instant,
    /// Its title.
    pub title: String,
    /// From whom it is; the name alone where there is no address.
    pub from: Vec<String>,
    /// What it says in one sentence.
    pub lead: String,
    /// Whether it is a draft, and which revision.
    pub standing: String,
    /// Its parts, in order.
    pub sections: Vec<Section>,
    /// Words of the page itself.
    pub labels: Labels,
    /// How it looks.
    pub look: Look,
}

/// An instant in UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Instant {
    /// Year.
    pub year: i32,
    /// Month, 1 to 12.
    pub month: u8,
    /// Day, 1 to 31.
    pub day: u8,
    /// Hour, 0 to 23.
    pub hour: u8,
    /// Minute, 0 to 59.
    pub minute: u8,
    /// Second, 0 to 59.
    pub second: u8,
}

/// Words that the page needs beside the document's own.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Labels {
    /// Before the number of the page.
    pub page: String,
    /// Between the number of the page and that of all pages.
    pub of: String,
    /// Over the charts' tables.
    pub charts_in_numbers: String,
    /// What the file in the document is.
    pub figures_file: String,
}

/// How a statement looks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Look {
    /// The sheet.
    pub paper: Paper,
    /// Colour of rules and headings, as `#rrggbb`.
    pub accent: String,
    /// What the logo shows, for those who can't see it; none without a logo.
    pub logo: Option<String>,
}

/// A sheet of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Paper {
    /// ISO 216.
    #[serde(rename = "a4")]
    A4,
    /// ANSI/ASME Y14.1.
    #[serde(rename = "us-letter")]
    Letter,
}

/// A part of a statement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Section {
    /// One word, unique within the document.
    pub id: &'static str,
    /// Its heading.
    pub title: String,
    /// What stands in it.
    pub blocks: Vec<Block>,
}

/// A piece of a section.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Block {
    /// A paragraph.
    Text {
        /// What it says.
        text: String,
    },
    /// Items without order.
    List {
        /// Each.
        items: Vec<String>,
    },
    /// A table.
    Table(Table),
    /// A picture of numbers.
    Chart(Chart),
}

/// A table. Every row has as many cells as there are columns.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// What it shows; empty where the heading says it.
    pub caption: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows.
    pub rows: Vec<Row>,
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Column {
    /// Its head.
    pub title: String,
    /// Whether it holds numbers, which stand at the right.
    pub number: bool,
    /// Its part of the width, beside the others'.
    pub width: u8,
}

impl Column {
    /// A column of words.
    #[must_use]
    pub fn words(title: impl Into<String>, width: u8) -> Self {
        Self { title: title.into(), number: false, width }
    }

    /// A column of numbers.
    #[must_use]
    pub fn number(title: impl Into<String>, width: u8) -> Self {
        Self { title: title.into(), number: true, width }
    }
}

/// A row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Row {
    /// Its cells.
    pub cells: Vec<Cell>,
    /// Whether it is a sum of those above.
    pub sum: bool,
}

impl Row {
    /// A row of plain texts.
    #[must_use]
    pub fn of(cells: impl IntoIterator<Item = String>) -> Self {
        Self { cells: cells.into_iter().map(Cell::from).collect(), sum: false }
    }
}

/// A cell.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Cell {
    /// What stands in it.
    pub text: String,
    /// What stands below it, smaller; empty for nothing.
    pub below: String,
    /// Where a page leads from it; empty for nowhere. Not printed.
    #[serde(skip)]
    pub link: String,
    /// Whether it says that there is no figure.
    pub withheld: bool,
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        Self { text, below: String::new(), link: String::new(), withheld: false }
    }
}

/// A picture of numbers, with the numbers.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chart {
    /// One word, unique within the document.
    pub id: String,
    /// Its caption.
    pub caption: String,
    /// What it shows, for those who can't see it.
    pub alt: String,
    /// The picture with the colours of print.
    pub svg: String,
    /// The same for a page, whose style sheet colours it.
    #[serde(skip)]
    pub page_svg: String,
    /// The numbers.
    pub table: Table,
}
