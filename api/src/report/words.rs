//! The words of a report, by language, from the catalogues in `api/words`.

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use chrono_tz::Tz;
use domain::customer::UnitSystem;
use domain::report::display::Format;
use domain::report::model::SavingsReport;
use domain::report::style::{Dates, Language, ReportStyle};
use domain::zone::Month;
use fluent_bundle::concurrent::FluentBundle;
use fluent_bundle::{FluentArgs, FluentResource};
use std::sync::LazyLock;
use unic_langid::LanguageIdentifier;

/// The words of one language.
struct Catalogue {
    bundle: FluentBundle<FluentResource>,
    /// What reports were made with.
    said: Vec<Said>,
}

/// A sentence that reports were made with, cut at what varies in it.
struct Said {
    name: String,
    begins: String,
    /// What varies, each with what follows it.
    rest: Vec<(String, String)>,
}

impl Said {
    fn of(name: &str, pattern: &str) -> Self {
        let mut parts = pattern.split("{ $");
        let begins = parts.next().unwrap_or_default().to_owned();
        let rest = parts.filter_map(|part| part.split_once(" }"));
        Self {
            name: name.to_owned(),
            begins,
            rest: rest.map(|(key, text)| (key.to_owned(), text.to_owned())).collect(),
        }
    }

    /// What varies in a text that is this sentence; none where it is another one.
    fn read<'t>(&self, text: &'t str) -> Option<Vec<(&str, &'t str)>> {
        let mut left = text.strip_prefix(self.begins.as_str())?;
        let mut found = Vec::new();
        for (n, (key, follows)) in self.rest.iter().enumerate() {
            let last = n + 1 == self.rest.len();
            let (value, next) =
                if last { (left.strip_suffix(follows.as_str())?, "") } else { left.split_once(follows.as_str())? };
            if value.is_empty() || value.contains(SENTENCE_END) {
                return None;
            }
            found.push((key.as_str(), value));
            left = next;
        }
        left.is_empty().then_some(found)
    }
}

const ENGLISH: &str = include_str!("../../words/en.ftl");
const GERMAN: &str = include_str!("../../words/de.ftl");
/// Before the names of sentences that stand in reports as they were made.
const SAID: &str = "said-";
/// Between the sentences of one text.
const SENTENCE_END: &str = ". ";

static CATALOGUES: LazyLock<[Catalogue; 2]> =
    LazyLock::new(|| [Catalogue::of(Language::English, ENGLISH), Catalogue::of(Language::German, GERMAN)]);

impl Catalogue {
    /// What can't be read of a catalogue is left out; a test reads all.
    fn of(language: Language, text: &str) -> Self {
        let tag: LanguageIdentifier = language.as_str().parse().unwrap_or_default();
        let mut bundle = FluentBundle::new_concurrent(vec![tag]);
        // Marks of writing direction would stand in figures and in files.
        bundle.set_use_isolating(false);
        let resource = FluentResource::try_new(text.to_owned()).unwrap_or_else(|(part, _)| part);
        bundle.add_resource_overriding(resource);
        let said = messages(text).filter(|(name, _)| name.starts_with(SAID));
        Self { bundle, said: said.map(|(name, pattern)| Said::of(name, pattern)).collect() }
    }

    fn say(&self, name: &str, args: Option<&FluentArgs<'_>>) -> Option<String> {
        let pattern = self.bundle.get_message(name)?.value()?;
        let mut errors = Vec::new();
        Some(self.bundle.format_pattern(pattern, args, &mut errors).into_owned())
    }
}

/// The messages of a catalogue, each a line of its own: name and pattern.
fn messages(text: &str) -> impl Iterator<Item = (&str, &str)> {
    text.lines()
        .filter(|line| line.starts_with(|first: char| first.is_ascii_lowercase()))
        .filter_map(|line| line.split_once(" = "))
}

fn catalogue(language: Language) -> &'static Catalogue {
    let [english, german] = &*CATALOGUES;
    match language {
        Language::English => english,
        Language::German => german,
    }
}

/// What a reader is told, in a language, with the marks and dates of a dealer.
#[derive(Clone, Copy)]
pub struct Words {
    /// How figures are written.
    pub format: Format,
    dates: Dates,
}

impl Words {
    /// The words of a report; in its own language unless another one is wanted.
    #[must_use]
    pub fn of(report: &SavingsReport, wanted: Option<Language>) -> Self {
        let mut style = report.style.clone();
        style.language = wanted.or(style.language);
        Self::of_style(&style, report.unit_system)
    }

    /// The words of reports in a style, for a customer's units.
    #[must_use]
    pub fn of_style(style: &ReportStyle, system: UnitSystem) -> Self {
        Self { format: Format::of(style, system), dates: style.dates(system) }
    }

    /// English words with the marks of a system of units.
    #[must_use]
    pub fn plain(system: UnitSystem) -> Self {
        Self { format: system.into(), dates: ReportStyle::default().dates(system) }
    }

    /// The language.
    #[must_use]
    pub fn language(&self) -> Language {
        self.format.language
    }

    /// What stands under a name.
    #[must_use]
    pub fn say(&self, name: &str) -> String {
        self.with(name, &[])
    }

    /// The same with what varies in it.
    #[must_use]
    pub fn with(&self, name: &str, parts: &[(&str, &str)]) -> String {
        let mut args = FluentArgs::new();
        for (key, value) in parts {
            args.set(*key, (*value).to_owned());
        }
        let own = catalogue(self.language()).say(name, Some(&args));
        own.or_else(|| catalogue(Language::English).say(name, Some(&args))).unwrap_or_else(|| name.to_owned())
    }

    /// What stands under the name of one of a closed set, such as `state` and `running`.
    #[must_use]
    pub fn one_of(&self, set: &str, name: &str) -> String {
        self.say(&format!("{set}-{name}"))
    }

    /// What a report was made with in English, in this language: whole, or sentence by sentence;
    /// what has no translation stays as it is.
    #[must_use]
    pub fn said(&self, words: &str) -> String {
        if self.language() == Language::English {
            return words.to_owned();
        }
        if let Some(whole) = self.translated(words) {
            return whole;
        }
        let sentences = words.split_inclusive(SENTENCE_END).map(|sentence| {
            let trimmed = sentence.trim_end();
            self.translated(trimmed).unwrap_or_else(|| trimmed.to_owned())
        });
        sentences.collect::<Vec<_>>().join(" ")
    }

    fn translated(&self, text: &str) -> Option<String> {
        let known = &catalogue(Language::English).said;
        let (name, varies) = known.iter().find_map(|said| Some((&said.name, said.read(text)?)))?;
        let within: Vec<(&str, String)> =
            varies.into_iter().map(|(key, value)| (key, self.said_within(value))).collect();
        let parts: Vec<(&str, &str)> = within.iter().map(|(key, value)| (*key, value.as_str())).collect();
        Some(self.with(name, &parts))
    }

    /// What varies in a sentence: a list, or words that are a sentence by themselves elsewhere.
    fn said_within(&self, text: &str) -> String {
        let sentence = self.translated(&format!("{}.", capital(text)));
        if let Some(sentence) = sentence {
            return sentence.trim_end_matches('.').to_owned();
        }
        let listed = text.split(", ").map(|item| self.translated(item).unwrap_or_else(|| item.to_owned()));
        listed.collect::<Vec<_>>().join(", ")
    }

    /// Why a figure is not printed.
    #[must_use]
    pub fn withheld(&self, words: &str, reason: &str) -> String {
        let said = self.said(words);
        if said == words && self.language() != Language::English { self.one_of("withheld", reason) } else { said }
    }

    /// A local day.
    #[must_use]
    pub fn date(&self, date: NaiveDate) -> String {
        let month = self.one_of("month", &date.month().to_string());
        let parts = [("day", date.day().to_string()), ("month", month), ("year", date.year().to_string())];
        let parts: Vec<(&str, &str)> = parts.iter().map(|(key, value)| (*key, value.as_str())).collect();
        match self.dates {
            Dates::Iso => date.to_string(),
            Dates::DayFirst => unbroken(&self.with("date-day-first", &parts)),
            Dates::MonthFirst => unbroken(&self.with("date-month-first", &parts)),
        }
    }

    /// A local day without its year, short.
    #[must_use]
    pub fn short(&self, date: NaiveDate) -> String {
        let (day, month) = (date.day().to_string(), self.one_of("short", &date.month().to_string()));
        let parts = [("day", day.as_str()), ("month", month.as_str())];
        match self.dates {
            Dates::Iso => date.format("%m-%d").to_string(),
            Dates::DayFirst => unbroken(&self.with("short-day-first", &parts)),
            Dates::MonthFirst => unbroken(&self.with("short-month-first", &parts)),
        }
    }

    /// A month.
    #[must_use]
    pub fn month(&self, month: Month) -> String {
        let first = month.first_day();
        let name = self.one_of("month", &first.month().to_string());
        unbroken(&self.with("month-year", &[("month", &name), ("year", &first.year().to_string())]))
    }

    /// A month with the last two digits of its year, short.
    #[must_use]
    pub fn short_month(&self, month: Month) -> String {
        let first = month.first_day();
        format!("{}\u{a0}{}", self.one_of("short", &first.month().to_string()), first.format("%y"))
    }

    /// An instant by the clock of a zone.
    #[must_use]
    pub fn instant(&self, zone: Tz, at: DateTime<Utc>) -> String {
        let local = at.with_timezone(&zone);
        let (date, time) = (self.date(local.date_naive()), local.format("%H:%M").to_string());
        self.with("instant", &[("date", &date), ("time", &time)])
    }
}

/// A text as it begins a sentence.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| format!("{}{}", first.to_uppercase(), letters.as_str()))
}

/// What a line may not break within.
fn unbroken(text: &str) -> String {
    text.replace(' ', "\u{a0}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(language: Language) -> Words {
        let format = Format { language, ..UnitSystem::Metric.into() };
        Words { format, dates: Dates::DayFirst }
    }

    #[test]
    fn every_name_is_in_every_language_and_can_be_read() {
        let all = |text: &'static str| messages(text).map(|(name, _)| name).collect::<Vec<_>>();
        let [english, german] = [ENGLISH, GERMAN].map(all);
        assert_eq!(english, german);
        assert!(english.len() > 200, "{}", english.len());
        for (language, text) in [(Language::English, ENGLISH), (Language::German, GERMAN)] {
            assert!(FluentResource::try_new(text.to_owned()).is_ok());
            for (name, _) in messages(text) {
                assert!(catalogue(language).say(name, Some(&FluentArgs::new())).is_some(), "{name}");
            }
        }
    }

    #[test]
    fn dates_are_written_as_wanted() {
        let day: NaiveDate = "2026-01-14".parse().unwrap();
        let written = |language, dates| Words { dates, ..words(language) }.date(day).replace('\u{a0}', " ");
        assert_eq!(written(Language::English, Dates::DayFirst), "14 January 2026");
        assert_eq!(written(Language::English, Dates::MonthFirst), "January 14, 2026");
        assert_eq!(written(Language::English, Dates::Iso), "2026-01-14");
        assert_eq!(written(Language::German, Dates::DayFirst), "14. Januar 2026");
    }

    #[test]
    fn what_was_said_in_english_is_said_in_german() {
        let german = words(Language::German);
        assert_eq!(german.said("The register went backwards."), "Das Zählwerk lief rückwärts.");
        let two = "Below zero: more fresh water went in than treated water came out. Ask Mia.";
        assert!(german.said(two).starts_with("Unter null: ") && german.said(two).ends_with(" Ask Mia."));
        assert_eq!(words(Language::English).said(two), two);
        assert_eq!(german.withheld("Only 12 % of the days are covered.", "gap"), german.say("withheld-gap"));
    }

    #[test]
    fn what_varies_is_kept_and_said_too() {
        let german = words(Language::German);
        assert_eq!(
            german.said("Water and sewer: no baseline is agreed for the period: record one with the customer."),
            "Wasser und Abwasser: Für den Zeitraum ist kein Vergleichswert vereinbart: Halten Sie einen mit dem Kunden fest."
        );
        assert_eq!(
            german.said("Unaccounted. Nothing measures these, so they are in it: carry off, drained."),
            "Nicht nachgewiesen. Nichts misst dies, daher steckt es darin: mit Fahrzeugen ausgetragen, abgelassen."
        );
        let own = "Days are gone. Mia: the part runs, and nobody knows how long it will last.";
        assert!(german.said(own).starts_with("Days are gone. Mia: Das Teil läuft"), "{}", german.said(own));
    }

    /// Each language fills in the same.
    #[test]
    fn what_varies_has_the_same_names_in_every_language() {
        let varies = |pattern: &str| {
            let said = Said::of("", pattern);
            said.rest.into_iter().map(|(key, _)| key).collect::<std::collections::BTreeSet<_>>()
        };
        for ((name, english), (_, german)) in messages(ENGLISH).zip(messages(GERMAN)) {
            assert_eq!(varies(english), varies(german), "{name}");
        }
    }

    /// What the domain writes into reports is what the catalogue translates.
    #[test]
    fn what_reports_are_made_with_is_in_the_catalogue() {
        let kind = domain::report::model::exception_words(None);
        let german = words(Language::German);
        assert!(german.translated(kind).is_some());
        for kind in domain::metering::step::ExceptionKind::ALL {
            let words = domain::report::model::exception_words(Some(kind));
            assert!(german.translated(words).is_some(), "{words}");
        }
        for by in domain::cost::washes::WashesBy::ALL {
            assert!(german.translated(by.words()).is_some(), "{by:?}");
        }
        for reason in domain::report::figure::Reason::ALL {
            let name = format!("withheld-{}", reason.as_str());
            assert_ne!(german.say(&name), name);
        }
    }
}
