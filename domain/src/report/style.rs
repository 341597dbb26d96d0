//! How a dealer's reports look: the sender's address, logo and colour, the sheet, the language, and
//! how numbers and dates are written; and the limits that samples are held against. It is kept in
//! each report as it was when that was made, so that an issued one never changes.

use crate::customer::UnitSystem;
use crate::fault::Faults;
use crate::measures::sample::{Qualifier, Quantity, SampleUnit};
use crate::named::named;
use serde::{Deserialize, Serialize};

named! {
    /// A language that reports are written in, after BCP 47.
    Language as "language" {
        /// English.
        English = "en",
        /// German.
        German = "de",
    }
}

named! {
    /// A sheet of paper.
    PaperSize as "paper" {
        /// ISO 216.
        A4 = "a4",
        /// ANSI/ASME Y14.1, size A.
        Letter = "letter",
    }
}

named! {
    /// How numbers are written.
    Numbers as "numbers" {
        /// 1 234.5, after ISO 80000-1.
        SpacePoint = "space_point",
        /// 1 234,5, after ISO 80000-1.
        SpaceComma = "space_comma",
        /// 1,234.5.
        CommaPoint = "comma_point",
        /// 1.234,5.
        PointComma = "point_comma",
    }
}

named! {
    /// In which order dates are written.
    Dates as "dates" {
        /// 14 January 2026.
        DayFirst = "day_first",
        /// January 14, 2026.
        MonthFirst = "month_first",
        /// 2026-01-14, after ISO 8601.
        Iso = "iso",
    }
}

named! {
    /// Over which days water is shown.
    Counted as "counted" {
        /// The calendar month, parts of steps over its ends divided.
        Month = "month",
        /// From one reading to the next first, as water bills do: nothing is divided.
        Readings = "readings",
    }
}

impl Numbers {
    /// Between groups of three digits, and before the decimals.
    #[must_use]
    pub fn marks(self) -> (char, char) {
        match self {
            Self::SpacePoint => ('\u{202f}', '.'),
            Self::SpaceComma => ('\u{202f}', ','),
            Self::CommaPoint => (',', '.'),
            Self::PointComma => ('.', ','),
        }
    }
}

impl From<UnitSystem> for Numbers {
    fn from(system: UnitSystem) -> Self {
        match system {
            UnitSystem::Metric => Self::SpacePoint,
            UnitSystem::Us => Self::CommaPoint,
        }
    }
}

/// A limit that samples are held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// What is measured.
    pub what: Quantity,
    /// In this.
    pub unit: SampleUnit,
    /// The least that is allowed; null for none.
    #[serde(default)]
    pub least: Option<f64>,
    /// The most that is allowed; null for none.
    #[serde(default)]
    pub most: Option<f64>,
    /// Who sets it, 1 to 200 characters: a permit, the maker, the dealer.
    pub source: String,
}

impl Limit {
    /// Whether a value keeps to it; `None` where its qualifier leaves that open.
    #[must_use]
    pub fn keeps(&self, qualifier: Option<Qualifier>, value: f64) -> Option<bool> {
        let (least, most) = (self.least.unwrap_or(f64::NEG_INFINITY), self.most.unwrap_or(f64::INFINITY));
        match qualifier {
            None => Some(least <= value && value <= most),
            Some(Qualifier::Below) if value <= least => Some(false),
            Some(Qualifier::Below) => (self.least.is_none() && value <= most).then_some(true),
            Some(Qualifier::Above) if value >= most => Some(false),
            Some(Qualifier::Above) => (self.most.is_none() && value >= least).then_some(true),
        }
    }
}

/// The logo.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Logo {
    /// SHA-256 of its bytes, in lower-case hexadecimal.
    pub sha256: String,
    /// What it shows, for those who can't see it, 1 to 200 characters.
    pub words: String,
}

/// How reports look. What is left out follows the customer's units.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ReportStyle {
    /// Lines below the dealer's name, four at most.
    #[serde(default)]
    pub address: Vec<String>,
    /// The logo.
    #[serde(default)]
    pub logo: Option<Logo>,
    /// Colour of rules and headings, as `#rrggbb`.
    #[serde(default)]
    pub accent: Option<String>,
    /// The sheet.
    #[serde(default)]
    pub paper: Option<PaperSize>,
    /// The language.
    #[serde(default)]
    pub language: Option<Language>,
    /// How numbers are written.
    #[serde(default)]
    pub numbers: Option<Numbers>,
    /// How dates are written.
    #[serde(default)]
    pub dates: Option<Dates>,
    /// Over which days water is shown; by the month where nothing is said.
    #[serde(default)]
    pub counted: Option<Counted>,
    /// Limits of samples.
    #[serde(default)]
    pub limits: Vec<Limit>,
}

/// Lines of an address.
const ADDRESS_LINES_MOST: usize = 4;
/// Limits of one dealer.
const LIMITS_MOST: usize = 40;
/// Colour without a choice.
pub const ACCENT: &str = "#1d4e5f";
/// Least contrast of text to its ground: WCAG 2.2, success criterion 1.4.3.
const CONTRAST_LEAST: f64 = 4.5;

impl ReportStyle {
    /// The style, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.address.len() > ADDRESS_LINES_MOST {
            faults.add("/address", "too_many", format!("give at most {ADDRESS_LINES_MOST} lines"));
        }
        for (n, line) in self.address.iter_mut().enumerate() {
            *line = faults.text(&format!("/address/{n}"), line, 120);
        }
        if let Some(logo) = &mut self.logo {
            logo.words = faults.text("/logo/words", &logo.words, 200);
        }
        if let Some(accent) = &self.accent {
            match contrast_on_white(accent) {
                None => faults.add("/accent", "not_a_colour", "give a colour as #rrggbb"),
                Some(contrast) if contrast < CONTRAST_LEAST => {
                    faults.add("/accent", "too_light", "give a darker colour: headings in it can't be read on white");
                }
                Some(_) => {}
            }
        }
        if self.limits.len() > LIMITS_MOST {
            faults.add("/limits", "too_many", format!("give at most {LIMITS_MOST}"));
        }
        for (n, limit) in self.limits.iter_mut().enumerate() {
            check_limit(&mut faults, n, limit);
        }
        faults.or(self)
    }

    /// How numbers are written for a customer's units.
    #[must_use]
    pub fn numbers(&self, system: UnitSystem) -> Numbers {
        self.numbers.unwrap_or_else(|| match self.language() {
            Language::English => system.into(),
            Language::German => Numbers::PointComma,
        })
    }

    /// How dates are written for a customer's units.
    #[must_use]
    pub fn dates(&self, system: UnitSystem) -> Dates {
        let us = system == UnitSystem::Us && self.language() == Language::English;
        self.dates.unwrap_or(if us { Dates::MonthFirst } else { Dates::DayFirst })
    }

    /// The sheet for a customer's units.
    #[must_use]
    pub fn paper(&self, system: UnitSystem) -> PaperSize {
        self.paper.unwrap_or(if system == UnitSystem::Us { PaperSize::Letter } else { PaperSize::A4 })
    }

    /// The language.
    #[must_use]
    pub fn language(&self) -> Language {
        self.language.unwrap_or(Language::English)
    }

    /// The colour of rules and headings.
    #[must_use]
    pub fn accent(&self) -> &str {
        self.accent.as_deref().unwrap_or(ACCENT)
    }
}

fn check_limit(faults: &mut Faults, n: usize, limit: &mut Limit) {
    limit.source = faults.text(&format!("/limits/{n}/source"), &limit.source, 200);
    if !limit.what.units().contains(&limit.unit) {
        faults.add(format!("/limits/{n}/unit"), "wrong_unit", "give a unit in which this is measured");
    }
    match (limit.least, limit.most) {
        (None, None) => faults.add(format!("/limits/{n}"), "required", "give least, most or both"),
        (Some(least), Some(most)) if least > most => {
            faults.add(format!("/limits/{n}/most"), "below_least", "give a most that is not below least");
        }
        _ => {}
    }
}

/// The contrast of a colour on white: relative luminance after WCAG 2.2.
fn contrast_on_white(colour: &str) -> Option<f64> {
    let digits = colour.strip_prefix('#').filter(|digits| digits.len() == 6 && digits.is_ascii())?;
    let channel = |at: usize| {
        let value = u8::from_str_radix(digits.get(at..at + 2)?, 16).ok()?;
        let share = f64::from(value) / 255.0;
        Some(if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) })
    };
    let luminance = 0.2126 * channel(0)? + 0.7152 * channel(2)? + 0.0722 * channel(4)?;
    Some(1.05 / (luminance + 0.05))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The ends of the scale after WCAG 2.2: black on white 21 to 1, white on white 1 to 1.
    #[test]
    fn contrast_has_the_ends_of_the_standard() {
        assert!((contrast_on_white("#000000").unwrap() - 21.0).abs() < 1e-9);
        assert!((contrast_on_white("#ffffff").unwrap() - 1.0).abs() < 1e-9);
        assert!(contrast_on_white(ACCENT).unwrap() > CONTRAST_LEAST);
        assert_eq!([contrast_on_white("red"), contrast_on_white("#12345g"), contrast_on_white("#é2345")], [None; 3]);
    }

    #[test]
    fn every_fault_is_named() {
        let limit =
            Limit { what: Quantity::Ph, unit: SampleUnit::Ntu, least: Some(9.0), most: Some(6.0), source: " ".into() };
        let style = ReportStyle {
            address: vec!["x".into(); 5],
            accent: Some("#ffff00".into()),
            limits: vec![limit],
            ..ReportStyle::default()
        };
        let found: Vec<_> = style.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(found, ["/address", "/accent", "/limits/0/source", "/limits/0/unit", "/limits/0/most"]);
        assert_eq!(ReportStyle::default().checked().unwrap(), ReportStyle::default());
    }

    #[test]
    fn what_is_left_out_follows_the_units_and_the_language() {
        let plain = ReportStyle::default();
        assert_eq!(
            (plain.numbers(UnitSystem::Us), plain.paper(UnitSystem::Us)),
            (Numbers::CommaPoint, PaperSize::Letter)
        );
        let german = ReportStyle { language: Some(Language::German), ..plain };
        assert_eq!(
            (german.numbers(UnitSystem::Metric), german.dates(UnitSystem::Us)),
            (Numbers::PointComma, Dates::DayFirst)
        );
    }
}
