//! The fee or rent that an agreement asks, as lines of the customer's cost: on the days for which the cost
//! terms have none, at the price of each day with its rises. The month's part of a price is by days.

use super::cost_terms::{FeeKind, by_month};
use super::site_cost::{CostDays, CostLine, NotKnown, Source, of_ledger};
use super::site_money::SiteMoney;
use crate::money::Money;
use crate::service::agreement::{Agreement, PriceFor};
use crate::span::Span;
use crate::tariff::Cycle;
use crate::zone::{day_bounds, next_day};
use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

/// An agreement that a site's cost may rest on.
#[derive(Debug, Clone, PartialEq)]
pub struct AgreedFee {
    /// Its key.
    pub id: Uuid,
    /// The agreement.
    pub agreement: Agreement,
    /// When units stood at other sites that its price is for too: then no part of it is known to be this
    /// one's.
    pub elsewhere: Vec<Span>,
}

impl SiteMoney {
    /// The lines of the agreements, and what of them is not known.
    pub(super) fn by_agreements(&self, of: &CostDays<'_>) -> (Vec<CostLine>, Vec<NotKnown>) {
        let (mut lines, mut not_known) = (Vec::new(), Vec::new());
        for agreed in &self.agreements {
            let shared = |date: NaiveDate| agreed.is_shared(day_bounds(self.stays.zone, date));
            if !agreed.priced(of.served, |date| !self.has_fee(date) && shared(date)).is_empty() {
                not_known.push(NotKnown {
                    kind: agreed.kind().line().0,
                    reason: "no_cost".to_owned(),
                    words:
                        "The agreement's price is for several sites together: write this site's part of it into its \
                            cost terms as the fee."
                            .to_owned(),
                });
            }
            let priced = agreed.priced(of.served, |date| !self.has_fee(date) && !shared(date));
            lines.extend(priced.into_iter().map(|(days, price)| agreed.line(days, price)));
        }
        (lines, not_known)
    }

    /// Whether the cost terms of a day have a fee or rent.
    fn has_fee(&self, date: NaiveDate) -> bool {
        let holds = |from: NaiveDate, to: Option<NaiveDate>| from <= date && to.is_none_or(|to| date < to);
        self.cost_terms.iter().any(|(_, terms)| terms.fee.is_some() && holds(terms.from, terms.to))
    }
}

impl AgreedFee {
    /// The days that it asks a price for, of those that count, in stretches of one price each.
    fn priced(&self, served: Cycle, counts: impl Fn(NaiveDate) -> bool) -> Vec<(Cycle, Money)> {
        let mut found: Vec<(Cycle, Money)> = Vec::new();
        for date in served.from.iter_days().take_while(|date| *date < served.to) {
            let asked = counts(date) && self.agreement.holds_on(date);
            let Some(price) = asked.then(|| self.agreement.price_on(date)).flatten() else { continue };
            match found.last_mut().filter(|(days, before)| days.to == date && *before == price) {
                Some((days, _)) => days.to = next_day(date),
                None => found.push((Cycle { from: date, to: next_day(date) }, price)),
            }
        }
        found
    }

    /// Whether units stood at another site between two instants that its price is for too.
    fn is_shared(&self, (start, end): (DateTime<Utc>, DateTime<Utc>)) -> bool {
        self.elsewhere.iter().any(|span| span.meets(start, end))
    }

    fn kind(&self) -> FeeKind {
        match self.agreement.price_for {
            PriceFor::Fee => FeeKind::AgreementFee,
            PriceFor::Rent => FeeKind::Rent,
        }
    }

    fn line(&self, days: Cycle, price: Money) -> CostLine {
        let line = by_month(self.kind().line(), price, days);
        of_ledger(&line, line.amount().money(), Source::Agreement { id: self.id })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::site_account::tests::date;
    use crate::accounts::site_cost::CostBasis;
    use crate::accounts::site_money::Stood;
    use crate::accounts::site_money::tests::money;
    use crate::cost::ledger::CustomerKind;
    use crate::ids::CostTermsId;
    use crate::uncertainty::quantity::Quantity;
    use crate::zone::Month;
    use rust_decimal::Decimal;
    use serde_json::{Value, json};

    fn agreed(more: &Value) -> AgreedFee {
        let mut of = json!({ "customer_id": Uuid::from_u128(1), "from": "2025-03-11", "price_for": "fee", "currency": "EUR",
            "prices": [{ "from": "2025-03-11", "per_month": "100.00" }], "rise": { "month": 3, "percent": "3.1" } });
        of.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        AgreedFee { id: Uuid::from_u128(9), agreement: serde_json::from_value(of).unwrap(), elsewhere: Vec::new() }
    }

    /// A line's kind, amount and price.
    type Told = (CustomerKind, String, Option<Decimal>);

    /// What a March costs at a site with this agreement and these cost terms: the lines, and what is not
    /// known besides its water.
    fn march(fee: AgreedFee, terms: Option<Value>) -> (Vec<Told>, Vec<String>) {
        let mut one = money(&[]);
        one.agreements = vec![fee];
        one.cost_terms = terms
            .map(|terms| (CostTermsId(Uuid::from_u128(5)), serde_json::from_value(terms).unwrap()))
            .into_iter()
            .collect();
        let served = Cycle { from: date("2026-03-01"), to: date("2026-04-01") };
        let stood = Stood::new(vec![served], date("2026-05-01"));
        let month = Month::parse("2026-03").unwrap();
        let of = CostDays { month, served, stood: &stood, today: date("2026-05-01"), days: &[] };
        let cost = one.cost(&of, CostBasis::Accrued, |_| Ok((Quantity::default(), None)));
        let line = |line: &CostLine| (line.kind, line.amount.to_string(), line.unit_price);
        let others = cost.not_known.iter().filter(|one| one.kind != CustomerKind::Water);
        (cost.lines.iter().map(line).collect(), others.map(|one| one.reason.clone()).collect())
    }

    fn price(text: &str) -> Option<Decimal> {
        text.parse().ok()
    }

    /// 100.00 a month since 11 March 2025 rises by 3.1 % on 1 March 2026: 103.10 for the month. With a price
    /// of 124.00 from the seventeenth on, 16 days of 103.10 are 53.21 and 15 of 124.00 are 60.00 EUR.
    #[test]
    fn a_rise_is_in_the_cost_without_being_typed_again() {
        let fee = CustomerKind::AgreementFee;
        assert_eq!(march(agreed(&json!({})), None).0, [(fee, "103.10 EUR".to_owned(), price("103.10"))]);
        let prices =
            json!([{ "from": "2025-03-11", "per_month": "100" }, { "from": "2026-03-17", "per_month": "124" }]);
        let (lines, not_known) = march(agreed(&json!({ "prices": prices })), None);
        let amounts: Vec<_> = lines.iter().map(|(_, amount, _)| amount.as_str()).collect();
        assert_eq!((amounts, not_known), (vec!["53.21 EUR", "60.00 EUR"], vec![]));
    }

    /// Cost terms with a fee from the eleventh on come first: ten days of 103.10 are 33.26, and 21 of 62.00
    /// are 42.00. Terms without one leave the agreement's.
    #[test]
    fn the_fee_of_the_cost_terms_comes_first() {
        let terms = json!({ "from": "2026-03-11", "currency": "EUR", "fee": { "kind": "rent", "per_month": "62" } });
        let (lines, _) = march(agreed(&json!({})), Some(terms));
        let amounts: Vec<_> = lines.iter().map(|(kind, amount, _)| (*kind, amount.as_str())).collect();
        assert_eq!(amounts, [(CustomerKind::Rent, "42.00 EUR"), (CustomerKind::AgreementFee, "33.26 EUR")]);
        let without = json!({ "from": "2026-03-11", "currency": "EUR", "disposal_per_load": "180" });
        assert_eq!(march(agreed(&json!({})), Some(without)).0.len(), 1);
    }

    /// One that ended on the tenth asks for nine days: 103.10 x 9 / 31 = 29.93.
    #[test]
    fn one_that_ended_asks_for_nothing_more_and_one_of_several_sites_says_so() {
        let ended = json!({ "to": "2026-03-10", "price_for": "rent" });
        assert_eq!(march(agreed(&ended), None).0, [(CustomerKind::Rent, "29.93 EUR".to_owned(), price("103.10"))]);
        assert_eq!(march(agreed(&json!({ "to": "2026-02-10" })), None), (vec![], vec![]));
        let since = |from: &str, to| vec![Span::parse(from.parse().unwrap(), to).unwrap()];
        let shared = |elsewhere| AgreedFee { elsewhere, ..agreed(&json!({})) };
        let told = march(shared(since("2024-05-01T00:00:00Z", None)), None);
        assert_eq!(told, (vec![], vec!["no_cost".to_owned()]));
        // Another site until the sixteenth leaves 15 days of 103.10 known: 49.89. One of April says nothing of March.
        let (lines, not_known) =
            march(shared(since("2026-01-01T00:00:00Z", Some("2026-03-17T00:00:00Z".parse().unwrap()))), None);
        assert_eq!((lines[0].1.as_str(), not_known), ("49.89 EUR", vec!["no_cost".to_owned()]));
        assert_eq!(march(shared(since("2026-04-01T00:00:00Z", None)), None).0[0].1, "103.10 EUR");
    }
}
