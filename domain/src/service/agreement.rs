//! An agreement: what a customer is promised, and for how much.

use super::few;
use super::response::Response;
use crate::fault::Faults;
use crate::ids::{CustomerId, SiteId, UnitId};
use crate::money::{Currency, Money};
use crate::named::named;
use crate::span;
use chrono::{Datelike, Days, Months, NaiveDate};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

named! {
    /// What the price is for.
    PriceFor as "price_for" {
        /// Service of the customer's own unit.
        Fee = "fee",
        /// The rent of the dealer's unit, service included.
        Rent = "rent",
    }
}

/// A price from a day on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Price {
    /// The first day it holds.
    pub from: NaiveDate,
    /// How much a month.
    pub per_month: Decimal,
}

/// A rise that comes by itself every year.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct YearlyRise {
    /// On the first of this month, 1 to 12.
    pub month: u8,
    /// By so many per cent of the price before.
    pub percent: Decimal,
}

/// How it goes on at its end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Renewal {
    /// It goes on for so many months at a time.
    pub months: u8,
    /// Unless one of both says otherwise so many days before.
    pub notice_days: u16,
}

/// A consumable that is included.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Included {
    /// Which, as service events name it.
    pub what: String,
    /// How much a year.
    pub quantity: Decimal,
    /// In what.
    pub unit: super::event::LineUnit,
}

/// An agreement's record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Agreement {
    /// With whom.
    pub customer_id: CustomerId,
    /// For this site; left out for all of the customer's.
    #[serde(default)]
    pub site_id: Option<SiteId>,
    /// For this unit; left out for all at the site.
    #[serde(default)]
    pub unit_id: Option<UnitId>,
    /// The first day.
    pub from: NaiveDate,
    /// The day after the last of its first term; left out while nobody ends it.
    #[serde(default)]
    pub to: Option<NaiveDate>,
    /// How it goes on then; left out when it ends.
    #[serde(default)]
    pub renewal: Option<Renewal>,
    /// When notice was given, so that the term running then is the last.
    #[serde(default)]
    pub notice_on: Option<NaiveDate>,
    /// What the price is for.
    pub price_for: PriceFor,
    /// The currency of every price in it.
    pub currency: Currency,
    /// Prices by the day they begin on.
    pub prices: Vec<Price>,
    /// A rise every year.
    #[serde(default)]
    pub rise: Option<YearlyRise>,
    /// The months, 1 to 12, in which it is served; empty for all.
    #[serde(default)]
    pub season_months: Vec<u8>,
    /// Visits a year that are included.
    #[serde(default)]
    pub visits_a_year: u16,
    /// Call-outs a year that are included; left out for any number.
    #[serde(default)]
    pub call_outs_a_year: Option<u16>,
    /// Consumables that are included.
    #[serde(default)]
    pub consumables: Vec<Included>,
    /// The response promised to a call.
    #[serde(default)]
    pub response: Option<Response>,
}

/// When an agreement ends, as far as that is settled on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Term {
    /// The day after its last; of one that renews itself, unless it goes on.
    pub ends_on: NaiveDate,
    /// The last day to say that it is not to go on. `None` where it ends by itself, or where notice
    /// was given.
    pub notice_by: Option<NaiveDate>,
}

impl Term {
    /// The last day on which something can be decided about it.
    #[must_use]
    pub fn decide_by(&self) -> NaiveDate {
        self.notice_by.unwrap_or(self.ends_on)
    }
}

/// Largest price and yearly rise.
const PRICE_MAX: i64 = 1_000_000_000;
const RISE_MAX: i64 = 100;

impl Agreement {
    /// The record, its texts trimmed and its prices in order.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        span::date(&mut faults, "/from", self.from);
        if let Some(to) = self.to {
            span::date(&mut faults, "/to", to);
            if to <= self.from {
                faults.add("/to", "not_after_from", "give a day after the first; it is not counted itself");
            }
        }
        self.check_term(&mut faults);
        self.check_prices(&mut faults);
        if self.season_months.len() > 12 || self.season_months.iter().any(|month| !(1..=12).contains(month)) {
            faults.add("/season_months", "out_of_range", "give months from 1 to 12, each once");
        }
        few(&mut faults, "/consumables", self.consumables.len());
        for (n, row) in self.consumables.iter_mut().enumerate() {
            row.what = faults.text(&format!("/consumables/{n}/what"), &row.what, 120);
            note_amount(&mut faults, &format!("/consumables/{n}/quantity"), row.quantity, PRICE_MAX);
        }
        self.response = self.response.and_then(|response| faults.take("/response", response.checked()));
        faults.or(self)
    }

    fn check_term(&self, faults: &mut Faults) {
        if self.unit_id.is_some() && self.site_id.is_none() {
            faults.add("/site_id", "required", "name the site where the unit is served");
        }
        if let Some(renewal) = &self.renewal {
            faults.range("/renewal/months", f64::from(renewal.months), 1.0, 120.0);
            if self.to.is_none() {
                faults.add("/to", "required", "say when the first term ends, or leave the renewal out");
            }
        }
        if self.notice_on.is_some_and(|day| day < self.from) {
            faults.add("/notice_on", "before_from", "give the day on which notice was given, not before the first");
        }
    }

    fn check_prices(&mut self, faults: &mut Faults) {
        few(faults, "/prices", self.prices.len());
        if self.prices.is_empty() {
            faults.add("/prices", "required", "give the price of the first day, 0 if it costs nothing");
        }
        for (n, price) in self.prices.iter().enumerate() {
            span::date(faults, &format!("/prices/{n}/from"), price.from);
            note_amount(faults, &format!("/prices/{n}/per_month"), price.per_month, PRICE_MAX);
        }
        self.prices.sort_by_key(|price| price.from);
        if self
            .prices
            .windows(2)
            .any(|pair| pair.iter().map(|price| price.from).min() == pair.iter().map(|price| price.from).max())
        {
            faults.add("/prices", "twice", "give one price a day");
        }
        if let Some(rise) = &self.rise {
            faults.range("/rise/month", f64::from(rise.month), 1.0, 12.0);
            note_amount(faults, "/rise/percent", rise.percent, RISE_MAX);
        }
    }

    /// The day after its last, as far as that is settled on `today`: a term that renews itself
    /// goes on until the end of the term in which notice was given in time.
    #[must_use]
    pub fn ends(&self, today: NaiveDate) -> Option<NaiveDate> {
        let mut end = self.to?;
        let Some(renewal) = &self.renewal else { return Some(end) };
        let told = self.notice_on.unwrap_or(today);
        let last_word = |end: NaiveDate| end.checked_sub_days(Days::new(u64::from(renewal.notice_days))).unwrap_or(end);
        while told > last_word(end) {
            end = end.checked_add_months(Months::new(u32::from(renewal.months.max(1)))).filter(|next| *next > end)?;
        }
        Some(end)
    }

    /// When it ends, and by when that has to be said, as it stands on `today`. `None` while nobody
    /// ends it.
    #[must_use]
    pub fn term(&self, today: NaiveDate) -> Option<Term> {
        let ends_on = self.ends(today)?;
        let renewal = self.renewal.as_ref().filter(|_| self.notice_on.is_none());
        let by = |renewal: &Renewal| ends_on.checked_sub_days(Days::new(u64::from(renewal.notice_days)));
        Some(Term { ends_on, notice_by: renewal.and_then(by) })
    }

    /// Its term, where something can be decided about it from `today` up to `until`.
    #[must_use]
    pub fn near(&self, today: NaiveDate, until: NaiveDate) -> Option<Term> {
        self.term(today).filter(|term| (today..=until).contains(&term.decide_by()))
    }

    /// Whether it holds on a day.
    #[must_use]
    pub fn holds_on(&self, day: NaiveDate) -> bool {
        // One that renews itself ends only by notice.
        let open = self.renewal.is_some() && self.notice_on.is_none();
        self.from <= day && (open || self.ends(day).is_none_or(|end| day < end))
    }

    /// The price a month on a day, with the rises since it was last set, each rounded as bills
    /// are. `None` before the first price.
    #[must_use]
    pub fn price_on(&self, day: NaiveDate) -> Option<Money> {
        let price = self.prices.iter().rev().find(|price| price.from <= day)?;
        let mut money = Money { amount: price.per_month, currency: self.currency };
        if let Some(rise) = &self.rise {
            let factor = Decimal::ONE + rise.percent / Decimal::ONE_HUNDRED;
            for _ in 0..rises(price.from, day, u32::from(rise.month)) {
                money = Money { amount: money.amount * factor, ..money }.rounded();
            }
        }
        Some(money)
    }

    /// The year of the agreement that a day lies in: its first day and the one after its last.
    #[must_use]
    pub fn year_of(&self, day: NaiveDate) -> (NaiveDate, NaiveDate) {
        let after = |years: u32| self.from.checked_add_months(Months::new(12 * years)).unwrap_or(self.from);
        let mut years = u32::try_from(day.year() - self.from.year()).unwrap_or(0);
        if after(years) > day {
            years = years.saturating_sub(1);
        }
        (after(years), after(years + 1))
    }
}

/// How often the first of `month` came after `from`, up to `day`.
fn rises(from: NaiveDate, day: NaiveDate, month: u32) -> usize {
    let of_year = |year| NaiveDate::from_ymd_opt(year, month, 1);
    (from.year()..=day.year()).filter_map(of_year).filter(|first| from < *first && *first <= day).count()
}

pub(super) fn note_amount(faults: &mut Faults, pointer: &str, amount: Decimal, most: i64) {
    if amount < Decimal::ZERO || amount > Decimal::from(most) {
        faults.add(pointer, "out_of_range", format!("give an amount from 0 to {most}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn agreement() -> Agreement {
        Agreement {
            customer_id: CustomerId(Uuid::from_u128(1)),
            site_id: None,
            unit_id: None,
            from: day("2024-02-29"),
            to: Some(day("2025-03-01")),
            renewal: Some(Renewal { months: 12, notice_days: 90 }),
            notice_on: None,
            price_for: PriceFor::Fee,
            currency: Currency::parse("EUR").unwrap(),
            prices: vec![
                Price { from: day("2026-07-01"), per_month: "120".parse().unwrap() },
                Price { from: day("2024-02-29"), per_month: "99.99".parse().unwrap() },
            ],
            rise: Some(YearlyRise { month: 1, percent: "3".parse().unwrap() }),
            season_months: vec![],
            visits_a_year: 4,
            call_outs_a_year: None,
            consumables: vec![],
            response: None,
        }
    }

    #[test]
    fn prices_rise_every_year_until_they_are_set_anew() {
        let agreement = agreement().checked().unwrap();
        let on = |text: &str| agreement.price_on(day(text)).map(|money| money.to_string());
        assert_eq!(on("2024-02-28"), None);
        assert_eq!(on("2024-12-31").as_deref(), Some("99.99 EUR"));
        assert_eq!(on("2025-01-01").as_deref(), Some("102.99 EUR"), "99.99 x 1.03 = 102.9897");
        assert_eq!(on("2026-01-01").as_deref(), Some("106.08 EUR"), "102.99 x 1.03 = 106.0797");
        assert_eq!(on("2026-07-01").as_deref(), Some("120.00 EUR"));
    }

    #[test]
    fn it_goes_on_until_notice_in_time() {
        let agreement = agreement();
        assert!(agreement.holds_on(day("2031-01-01")), "nobody gave notice");
        let given = |on: &str| Agreement { notice_on: Some(day(on)), ..agreement.clone() }.ends(day("2030-01-01"));
        assert_eq!(given("2024-12-01"), Some(day("2025-03-01")), "90 days before");
        assert_eq!(given("2024-12-02"), Some(day("2026-03-01")), "a day late");
        let ended = Agreement { notice_on: Some(day("2024-06-01")), ..agreement.clone() };
        assert_eq!((ended.holds_on(day("2025-02-28")), ended.holds_on(day("2025-03-01"))), (true, false));
        let fixed = Agreement { renewal: None, ..agreement };
        assert!(!fixed.holds_on(day("2025-03-01")));
    }

    #[test]
    fn its_term_says_by_when_to_decide() {
        let agreement = agreement();
        let term = |of: &Agreement, today: &str| {
            of.term(day(today)).map(|term| (term.ends_on.to_string(), term.notice_by.map(|by| by.to_string())))
        };
        let said = |ends: &str, by: Option<&str>| Some((ends.to_owned(), by.map(str::to_owned)));
        // 90 days before 1 March 2025 is 1 December 2024; a day later the next term is bound to come.
        assert_eq!(term(&agreement, "2024-12-01"), said("2025-03-01", Some("2024-12-01")));
        assert_eq!(term(&agreement, "2024-12-02"), said("2026-03-01", Some("2025-12-01")));
        let given = Agreement { notice_on: Some(day("2024-06-01")), ..agreement.clone() };
        assert_eq!(term(&given, "2024-12-02"), said("2025-03-01", None));
        let fixed = Agreement { renewal: None, ..agreement.clone() };
        assert_eq!(term(&fixed, "2024-12-02"), said("2025-03-01", None));
        assert_eq!(term(&Agreement { to: None, ..fixed.clone() }, "2024-12-02"), None);

        let near = |of: &Agreement, today: &str, until: &str| of.near(day(today), day(until)).is_some();
        assert!(near(&agreement, "2024-11-01", "2024-12-01") && !near(&agreement, "2024-11-01", "2024-11-30"));
        assert!(near(&fixed, "2025-03-01", "2025-03-01") && !near(&fixed, "2025-03-02", "2026-03-02"), "it is over");
    }

    #[test]
    fn its_years_begin_on_its_anniversary() {
        let of = |text: &str| {
            let (from, to) = agreement().year_of(day(text));
            (from.to_string(), to.to_string())
        };
        let pair = |from: &str, to: &str| (from.to_owned(), to.to_owned());
        assert_eq!(of("2025-02-27"), pair("2024-02-29", "2025-02-28"));
        assert_eq!(of("2025-02-28"), pair("2025-02-28", "2026-02-28"));
        assert_eq!(of("2028-02-29"), pair("2028-02-29", "2029-02-28"));
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = Agreement {
            unit_id: Some(UnitId(Uuid::from_u128(2))),
            to: None,
            prices: vec![],
            rise: Some(YearlyRise { month: 13, percent: "-1".parse().unwrap() }),
            season_months: vec![0],
            notice_on: Some(day("2020-01-01")),
            ..agreement()
        };
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(
            pointers,
            ["/site_id", "/to", "/notice_on", "/prices", "/rise/month", "/rise/percent", "/season_months"]
        );
    }
}
