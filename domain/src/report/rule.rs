//! When a report may be issued, when it is issued unasked, and which later differences are carried
//! without a person's decision.

use super::claims::Claims;
use super::figure::{Figure, Name, Printed, Reason};
use super::model::{SavingsReport, UnitRow};
use crate::fault::Faults;
use crate::money::{Currency, Money};
use crate::water::grade::Grade;
use chrono::{Days, NaiveDate};
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use serde::{Deserialize, Serialize};

/// Most days after the end of a month that a rule may wait: our own choice.
pub const DAYS_AFTER_MOST: u16 = 366;

/// A dealer's rule for its savings reports.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReportRule {
    /// Whether the night run issues reports by itself.
    pub issues: bool,
    /// The least that the meters have to support.
    pub least_grade: Grade,
    /// The least share of the month, 0 to 1, that readings have to cover.
    pub least_coverage: f64,
    /// Days after the end of the month before it is issued.
    pub days_after_month_end: u16,
    /// Which differences after issue are carried unasked.
    pub tolerance: Tolerance,
}

/// Up to where a difference is carried into the next report; above it, a revision is proposed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tolerance {
    /// Share of each issued volume, count or energy, 0 to 1.
    pub share: f64,
    /// Amounts of money, one for each currency in which accounts are billed.
    #[serde(deserialize_with = "one_or_several")]
    pub money: Vec<Money>,
}

/// Rules that were set when there was one currency alone hold its amount by itself.
fn one_or_several<'de, D: serde::Deserializer<'de>>(of: D) -> Result<Vec<Money>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Stored {
        One(Money),
        Several(Vec<Money>),
    }
    Ok(match Stored::deserialize(of)? {
        Stored::One(money) => vec![money],
        Stored::Several(money) => money,
    })
}

/// Why a report can't be issued.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotIssuable {
    /// Its month had not ended everywhere when the draft was made.
    #[error(
        "the draft does not report the whole month: issue it after the month has ended at every site and the next night run has made it anew"
    )]
    MonthRuns,
    /// Steps wait for a decision, and no reason says why it is issued in spite of them.
    #[error("{0} steps wait for a decision and are in no figure: rule on them, or give the reason for issuing without")]
    OpenExceptions(usize),
}

impl NotIssuable {
    /// A stable code for answers.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::MonthRuns => "month_runs",
            Self::OpenExceptions(_) => "open_exceptions",
        }
    }
}

impl SavingsReport {
    /// Whether a person may issue it.
    ///
    /// # Errors
    /// Why not.
    pub fn issuable(&self, with_reason: bool) -> Result<(), NotIssuable> {
        if !self.period.complete {
            return Err(NotIssuable::MonthRuns);
        }
        if self.exceptions.is_empty() || with_reason {
            return Ok(());
        }
        Err(NotIssuable::OpenExceptions(self.exceptions.len()))
    }
}

impl ReportRule {
    /// The rule of a dealer that has set none: nothing happens unasked.
    #[must_use]
    pub fn unset(currency: Currency) -> Self {
        Self {
            issues: false,
            least_grade: Grade::MakeupOnly,
            least_coverage: 0.9,
            days_after_month_end: 5,
            tolerance: Tolerance { share: 0.0, money: vec![Money { amount: Decimal::ZERO, currency }] },
        }
    }

    /// The rule when nothing is wrong with it.
    ///
    /// # Errors
    /// A fault for each field that is out of range.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/least_coverage", self.least_coverage, 0.0, 1.0);
        faults.range("/tolerance/share", self.tolerance.share, 0.0, 1.0);
        faults.range("/days_after_month_end", f64::from(self.days_after_month_end), 0.0, f64::from(DAYS_AFTER_MOST));
        for (n, money) in self.tolerance.money.iter().enumerate() {
            if money.amount.is_sign_negative() {
                faults.add(format!("/tolerance/money/{n}/amount"), "out_of_range", "give zero or more");
            }
            if self.tolerance.money.iter().take(n).any(|other| other.currency == money.currency) {
                faults.add(format!("/tolerance/money/{n}/currency"), "given_twice", "give each currency once");
            }
        }
        faults.or(self)
    }

    /// Whether it issues this draft on a day.
    #[must_use]
    pub fn issues_on(&self, report: &SavingsReport, today: NaiveDate) -> bool {
        let fresh: Option<&Printed> = report.figure(Name::FreshUsed).and_then(|figure| figure.printed());
        let (grade, coverage) = fresh.map_or((Grade::NotMeasured, 0.0), |fresh| {
            // Units whose own or site's meter of fresh water nobody read cover nothing.
            let unread =
                |unit: &&UnitRow| matches!(&unit.fresh_used, Figure::Withheld(why) if why.reason == Reason::NotRead);
            let unread = report.units.iter().filter(unread).count() as f64;
            (fresh.grade, fresh.coverage * (1.0 - unread / report.units.len().max(1) as f64))
        });
        let due = report.month.next().first_day().checked_add_days(Days::new(u64::from(self.days_after_month_end)));
        self.issues
            && report.issuable(false).is_ok()
            && report.beyond_guns.is_empty()
            && grade <= self.least_grade
            && coverage >= self.least_coverage
            && due.is_some_and(|due| today >= due)
    }
}

impl Tolerance {
    /// Whether a figure may be carried that came to `basis` and comes to `now`. Money in a currency
    /// without an amount may not differ at all.
    #[must_use]
    pub fn allows(&self, name: Name, basis: &Claims, now: &Claims) -> bool {
        let (basis, now) = (basis.only(name), now.only(name));
        now.less(&basis).all().iter().all(|by| {
            let most = match by.currency {
                Some(currency) => {
                    let own = self.money.iter().find(|money| money.currency == currency);
                    own.map_or(Decimal::ZERO, |money| money.amount)
                }
                None => {
                    let share = Decimal::from_f64(self.share).unwrap_or_default();
                    share * basis.all().iter().map(|was| was.amount.abs()).sum::<Decimal>()
                }
            };
            by.amount.abs() <= most
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::step::ExceptionKind;
    use crate::metering::stream::Stream;
    use crate::report::claims::Claim;
    use crate::report::inputs::{OpenException, Subject};
    use crate::report::model::BeyondGuns;
    use crate::report::tests::{fact, inputs, january, subject};

    fn rule() -> ReportRule {
        let unset = ReportRule::unset(Currency::parse("EUR").unwrap());
        ReportRule { issues: true, ..unset }
    }

    /// January 2026 with `days` of it read.
    fn read(days: usize) -> SavingsReport {
        let facts = january().take(days).map(|date| fact(date, &[(Stream::Makeup, 100.0)])).collect();
        SavingsReport::of(&inputs(vec![subject(1, &[Stream::Makeup], facts)]))
    }

    fn on(day: &str) -> NaiveDate {
        day.parse().unwrap()
    }

    #[test]
    fn a_rule_issues_what_is_good_enough_when_it_is_due() {
        assert!(!rule().issues_on(&read(31), on("2026-02-05")));
        assert!(rule().issues_on(&read(31), on("2026-02-06")));
        assert!(!ReportRule { issues: false, ..rule() }.issues_on(&read(31), on("2026-02-06")));
        assert!(!rule().issues_on(&read(27), on("2026-02-06")), "27 of 31 days");
        assert!(ReportRule { least_coverage: 0.8, ..rule() }.issues_on(&read(27), on("2026-02-06")));
        assert!(!ReportRule { least_grade: Grade::Measured, ..rule() }.issues_on(&read(31), on("2026-02-06")));
        let all = january().map(|date| fact(date, &[(Stream::Makeup, 100.0)])).collect();
        let one_unread = inputs(vec![subject(1, &[Stream::Makeup], all), subject(2, &[Stream::Makeup], Vec::new())]);
        assert!(!rule().issues_on(&SavingsReport::of(&one_unread), on("2026-02-06")), "one of two units was read");
        let days: Vec<_> = january().map(|date| fact(date, &[(Stream::Makeup, 100.0)])).collect();
        let of_site = Subject { unit: None, ..subject(2, &[Stream::Makeup], days) };
        let hours_alone = inputs(vec![subject(1, &[Stream::RunHours], Vec::new()), of_site]);
        assert!(
            rule().issues_on(&SavingsReport::of(&hours_alone), on("2026-02-06")),
            "the site's meter measures its water"
        );
        let all = january().map(|date| fact(date, &[(Stream::Makeup, 100.0)])).collect();
        let site = Subject { unit: None, ..subject(3, &[Stream::Makeup], Vec::new()) };
        let unread = inputs(vec![subject(1, &[Stream::Makeup], all), subject(2, &[], Vec::new()), site]);
        assert!(!rule().issues_on(&SavingsReport::of(&unread), on("2026-02-06")), "nobody read the site's meter");
        let anything = ReportRule { least_grade: Grade::NotMeasured, least_coverage: 0.0, ..rule() };
        assert!(anything.issues_on(&read(0), on("2026-02-06")), "that says: not read");
        assert!(!rule().issues_on(&read(0), on("2026-02-06")));
        let (wash_l, most_l) = (2.0, 1.0);
        let beyond = BeyondGuns { of: "Unit 1".to_owned(), wash_l, most_l, words: "Too much.".to_owned() };
        let beyond = SavingsReport { beyond_guns: vec![beyond], ..read(31) };
        assert!(!rule().issues_on(&beyond, on("2026-02-06")), "a person has to look");
    }

    #[test]
    fn an_open_exception_takes_a_person_with_a_reason() {
        let mut one = subject(1, &[Stream::Makeup], january().map(|day| fact(day, &[(Stream::Makeup, 1.0)])).collect());
        let at = |text: &str| text.parse().unwrap();
        one.exceptions.push(OpenException {
            meter: "Fill".to_owned(),
            stream: Stream::Makeup,
            kind: Some(ExceptionKind::Reversal),
            from: at("2026-01-10T07:00:00Z"),
            to: at("2026-01-12T07:00:00Z"),
        });
        let report = SavingsReport::of(&inputs(vec![one]));
        assert!(!rule().issues_on(&report, on("2026-03-01")));
        assert_eq!((report.issuable(false), report.issuable(true)), (Err(NotIssuable::OpenExceptions(1)), Ok(())));
    }

    #[test]
    fn a_month_runs_until_it_is_over_at_every_site() {
        let mut of = inputs(vec![subject(1, &[Stream::Makeup], Vec::new()), subject(2, &[Stream::Makeup], Vec::new())]);
        of.subjects[1].zone = crate::zone::parse_zone("Pacific/Auckland").unwrap();
        // Over in Auckland, noon in Denver.
        of.now = "2026-01-31T19:00:00Z".parse().unwrap();
        assert_eq!(SavingsReport::of(&of).issuable(true), Err(NotIssuable::MonthRuns));
        of.now = "2026-02-01T07:00:00Z".parse().unwrap();
        assert_eq!(SavingsReport::of(&of).issuable(true), Ok(()));
    }

    #[test]
    fn each_wrong_field_of_a_rule_is_named() {
        let tolerance = Tolerance { share: 1.5, money: vec![money("-1", "EUR"), money("1", "EUR")] };
        let wrong = ReportRule { least_coverage: -0.1, days_after_month_end: 400, tolerance, ..rule() };
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(
            pointers,
            [
                "/least_coverage",
                "/tolerance/share",
                "/days_after_month_end",
                "/tolerance/money/0/amount",
                "/tolerance/money/1/currency"
            ]
        );
        assert_eq!(rule().checked(), Ok(rule()));
    }

    fn money(amount: &str, currency: &str) -> Money {
        Money { amount: amount.parse().unwrap(), currency: Currency::parse(currency).unwrap() }
    }

    #[test]
    fn each_currency_has_its_own_tolerance() {
        let of = |amount: &str, currency: &str| -> Claims {
            let Money { amount, currency } = money(amount, currency);
            [Claim { name: Name::MoneySaved, currency: Some(currency), amount }].into_iter().collect()
        };
        let tolerance = Tolerance { share: 0.5, money: vec![money("10", "EUR"), money("12", "USD")] };
        let allows = |was: &str, is: &str, currency: &str| {
            tolerance.allows(Name::MoneySaved, &of(was, currency), &of(is, currency))
        };
        assert!(allows("100", "110", "EUR") && !allows("100", "111", "EUR"));
        assert!(allows("100", "88", "USD") && !allows("100", "87", "USD"));
        assert!(!allows("100", "100.01", "CHF"), "no amount is given for it");
        let both = |eur: &str, usd: &str| of(eur, "EUR").plus(&of(usd, "USD"));
        assert!(tolerance.allows(Name::MoneySaved, &both("100", "100"), &both("105", "111")));
        assert!(!tolerance.allows(Name::MoneySaved, &both("100", "100"), &both("105", "113")));
    }

    #[test]
    fn a_rule_of_one_currency_is_still_read() {
        let old = serde_json::json!({"share": 0.1, "money": {"amount": "10.00", "currency": "EUR"}});
        let read: Tolerance = serde_json::from_value(old).unwrap();
        assert_eq!(read.money, [money("10.00", "EUR")]);
        let json = serde_json::to_value(&read).unwrap();
        assert_eq!(serde_json::from_value::<Tolerance>(json).unwrap(), read);
    }
}
