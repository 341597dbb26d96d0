//! The customer's cost of washing at a site in a month, line by line with where each comes from.
//!
//! Water and sewer are what the account's bill would be less without the unit's water: as the
//! tariff prices the last water that the account buys in the whole billing cycle. As paid a bill
//! counts in the month in which its cycle ends, as accrued each month has the part of its water.

use super::site_money::{SiteMoney, Stood, common};
use crate::cost::accrual::Accrual;
use crate::cost::ledger::{CustomerKind, CustomersCost, Line};
use crate::facts::DayFact;
use crate::ids::{CostTermsId, NoteId, SiteId};
use crate::metering::stream::Stream;
use crate::money::Money;
use crate::named::named;
use crate::savings::{Discharge, MoneySaved, Uses, Withheld, money_saved};
use crate::tariff::{Cycle, Tariff};
use crate::uncertainty::quantity::Quantity;
use crate::zone::Month;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use uuid::Uuid;

named! {
    /// How a ledger is read.
    CostBasis as "basis" {
        /// When it was paid.
        Paid = "paid",
        /// When it was used: a fee over its days, a part over the life it reaches.
        Accrued = "accrued",
    }
}

/// The customer's cost at a site in a month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteCost {
    /// The site.
    pub site_id: SiteId,
    /// The month.
    pub month: Month,
    /// How it is read.
    pub basis: CostBasis,
    /// What it is made of.
    pub lines: Vec<CostLine>,
    /// The sum of the lines; null without any, or in different currencies.
    pub total: Option<Money>,
    /// The same without water, sewer and capital: what the unit costs to run.
    pub running: Option<Money>,
    /// Expanded uncertainty of the total from the water's meters; other lines are as billed.
    pub expanded: f64,
    /// What belongs to it and is not known, so that it is in no line.
    pub not_known: Vec<NotKnown>,
}

/// A line of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CostLine {
    /// What for.
    pub kind: CustomerKind,
    /// In words.
    pub what: String,
    /// How many units; null for a line of a water bill.
    pub quantity: Option<Decimal>,
    /// The unit.
    pub unit: Option<String>,
    /// The price of one.
    pub unit_price: Option<Decimal>,
    /// What of it falls in the month.
    pub amount: Money,
    /// Whether an estimate stands in it: energy that was not metered, the life that a part will
    /// reach, a bill's cycle that goes on.
    pub estimated: bool,
    /// Where it comes from.
    pub source: Source,
}

/// The record behind a line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "record", rename_all = "snake_case")]
pub enum Source {
    /// Cost terms.
    CostTerms {
        /// Their id.
        id: CostTermsId,
    },
    /// An agreement, its price on the days.
    Agreement {
        /// Its id.
        id: Uuid,
    },
    /// A billed item.
    BilledItem {
        /// Its id.
        id: NoteId,
    },
    /// The bill of a water account.
    WaterAccount {
        /// The account's name.
        account: String,
        /// The billing cycle.
        cycle: Cycle,
    },
}

/// Something that belongs to the cost and is not known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotKnown {
    /// What for.
    pub kind: CustomerKind,
    /// Why, as a stable code.
    pub reason: String,
    /// Why, and what would change that.
    pub words: String,
}

/// The days of a month that are over, what was used in them, and what is known by now.
#[derive(Debug, Clone, Copy)]
pub struct CostDays<'a> {
    /// The month.
    pub month: Month,
    /// Its days on which something stood at the site and that are over.
    pub served: Cycle,
    /// When something stood there at all.
    pub stood: &'a Stood,
    /// The site's present day.
    pub today: NaiveDate,
    /// The day facts of all that measures there.
    pub days: &'a [DayFact],
}

/// Least part of the days between accepted readings for which hours or energy count as known:
/// common practice, no source.
const COVERAGE_LEAST: f64 = 0.95;

impl SiteMoney {
    /// The customer's cost of a month. `uses` says what fresh water was used in some days, and what of it
    /// passed the meters to the sewer, in litres, where any measure it.
    #[must_use]
    pub fn cost(
        &self,
        of: &CostDays<'_>,
        basis: CostBasis,
        uses: impl Fn(Cycle) -> Result<(Quantity, Option<f64>), crate::baseline::avoided::Missing>,
    ) -> SiteCost {
        let mut cost = SiteCost {
            site_id: self.site_id,
            month: of.month,
            basis,
            lines: Vec::new(),
            total: None,
            running: None,
            expanded: 0.0,
            not_known: Vec::new(),
        };
        self.by_terms(of, &mut cost);
        let (lines, not_known) = self.by_agreements(of);
        cost.lines.extend(lines);
        cost.not_known.extend(not_known);
        self.billed_items(of, &mut cost);
        let only = |days: Cycle| {
            let (fresh, discharged) = uses(days)?;
            // Without the site's water its part of what was let go would not have been either.
            let counted =
                |litres: f64| Discharge { with_baseline_l: litres, counted_l: (litres - fresh.value).max(0.0) };
            let discharge = discharged.map(counted);
            Ok(Uses { baseline_l: fresh, fresh_used_l: Quantity::default(), discharge })
        };
        match basis {
            CostBasis::Accrued => {
                let billed = self.billed(of.month, of.stood, only);
                match billed.and_then(|cycles| money_saved(of.month, &cycles)) {
                    Ok(of_month) => self.water(&of_month, &mut cost),
                    Err(why) => cost.water_not_known(&why),
                }
            }
            CostBasis::Paid => match self.bills_ended(of, only) {
                Ok(Some(ended)) => self.water(&ended, &mut cost),
                Ok(None) => {}
                Err(why) => cost.water_not_known(&why),
            },
        }
        cost.sum();
        cost
    }

    fn by_terms(&self, of: &CostDays<'_>, cost: &mut SiteCost) {
        for (id, terms) in &self.cost_terms {
            let until = terms.to.unwrap_or(of.served.to);
            let held = common(of.served, Cycle { from: terms.from, to: until });
            if held.days() <= 0 {
                continue;
            }
            let loads = self.loads.iter().filter(|day| held.from <= **day && **day < held.to).count();
            let used = super::cost_terms::Used {
                energy_kwh: used(of.days, held, Stream::Energy),
                run_h: used(of.days, held, Stream::RunHours),
                loads: u32::try_from(loads).unwrap_or(u32::MAX),
            };
            let costs = terms.costs(held, &used);
            cost.lines.extend(costs.lines.iter().map(|line| {
                let estimated = matches!(line.kind, CustomerKind::EnergyByNameplate | CustomerKind::EnergyByCurrent);
                CostLine { estimated, ..of_ledger(line, line.amount().money(), Source::CostTerms { id: *id }) }
            }));
            cost.not_known.extend(costs.not_known.into_iter().map(|kind| NotKnown {
                kind,
                reason: "part_not_measured".to_owned(),
                words:
                    "Electricity has a price, and what was used is not known: read its meter, or the hours.".to_owned(),
            }));
        }
    }

    fn billed_items(&self, of: &CostDays<'_>, cost: &mut SiteCost) {
        let (first, end) = (of.month.first_day(), of.month.next().first_day());
        let (Some(last), Some(as_of)) = (end.min(of.today).pred_opt(), of.today.pred_opt()) else { return };
        for billed in &self.billed {
            let line = &billed.line;
            let amount = line.amount().money();
            let falls = match cost.basis {
                CostBasis::Paid if (first..=last).contains(&line.paid_on) => Accrual::Known(amount.amount),
                CostBasis::Paid => Accrual::Known(Decimal::ZERO),
                CostBasis::Accrued => line.accrues.between(amount, line.paid_on, (first, last), as_of),
            };
            let (falls, estimated) = match falls {
                Accrual::Known(falls) => (falls, false),
                Accrual::Estimated(falls) => (falls, true),
                Accrual::NotKnown => {
                    let words = format!("{}: the part runs, and nobody knows how long it will last.", line.what);
                    cost.not_known.push(NotKnown { kind: line.kind, reason: "life_not_known".to_owned(), words });
                    continue;
                }
            };
            let falls = Money { amount: falls, ..amount }.in_minor_units();
            if !falls.amount.is_zero() {
                let source = Source::BilledItem { id: billed.id };
                cost.lines.push(CostLine { estimated, ..of_ledger(line, falls, source) });
            }
        }
    }

    /// The unit's water in the billing cycles that ended in the month.
    fn bills_ended(
        &self,
        of: &CostDays<'_>,
        uses: impl Fn(Cycle) -> Result<Uses, crate::baseline::avoided::Missing>,
    ) -> Result<Option<MoneySaved>, Withheld> {
        let days = Cycle { from: of.month.first_day(), to: of.month.next().first_day() };
        let mut cycles = self.cycles(of.month, of.stood)?;
        let ended = |last: NaiveDate| last < days.to && last < of.today && days.from <= last;
        cycles.retain(|billed| billed.cycle.to.pred_opt().is_some_and(ended));
        for part in cycles.iter_mut().flat_map(|billed| &mut billed.parts) {
            part.uses = uses(part.days);
        }
        if cycles.is_empty() { Ok(None) } else { money_saved(of.month, &cycles).map(Some) }
    }

    /// The lines of the unit's water.
    fn water(&self, found: &MoneySaved, cost: &mut SiteCost) {
        let by_cycle = cost.basis == CostBasis::Paid;
        for cycle in &found.cycles {
            let bounds = if by_cycle { cycle.whole } else { cycle.in_month };
            cost.expanded += half(bounds.high.amount - bounds.low.amount);
            let ranges = bounds.least != bounds.most;
            for line in &cycle.least.lines {
                let amount = if by_cycle { line.line.saved } else { line.in_month };
                if amount.is_zero() {
                    continue;
                }
                let sewer = self.tariff_of(&cycle.account).is_some_and(|tariff| tariff.is_sewer(&line.line.code));
                cost.lines.push(CostLine {
                    kind: if sewer { CustomerKind::Sewer } else { CustomerKind::Water },
                    what: line.line.words.clone(),
                    quantity: None,
                    unit: None,
                    unit_price: None,
                    amount: Money { amount, ..bounds.least }.in_minor_units(),
                    estimated: cycle.estimated || ranges,
                    source: Source::WaterAccount { account: cycle.account.clone(), cycle: cycle.cycle },
                });
            }
        }
    }

    fn tariff_of(&self, account: &str) -> Option<&Tariff> {
        let named = self.accounts.iter().find(|money| money.record.account.name == account);
        named.and_then(|money| money.tariff.as_ref())
    }
}

impl SiteCost {
    fn water_not_known(&mut self, why: &Withheld) {
        let words = format!("Water and sewer: {why}.");
        self.not_known.push(NotKnown { kind: CustomerKind::Water, reason: why.code().to_owned(), words });
    }

    /// Sums the lines where they are in one currency.
    fn sum(&mut self) {
        let Some(currency) = self.lines.first().map(|line| line.amount.currency) else { return };
        if let Some(other) = self.lines.iter().find(|line| line.amount.currency != currency) {
            let words = format!("{} is in another currency, and currencies are not added.", other.what);
            let reason = "other_currency".to_owned();
            self.not_known.push(NotKnown { kind: other.kind, reason, words });
            return;
        }
        let runs = |kind: CustomerKind| {
            !matches!(kind, CustomerKind::Water | CustomerKind::Sewer | CustomerKind::CapitalRecovery)
        };
        let sum = |counts: &dyn Fn(CustomerKind) -> bool| {
            let amounts = self.lines.iter().filter(|line| counts(line.kind)).map(|line| line.amount.amount);
            Some(Money { amount: amounts.sum(), currency }.in_minor_units())
        };
        (self.total, self.running) = (sum(&|_| true), sum(&runs));
    }
}

pub(super) fn of_ledger(line: &Line<CustomersCost>, amount: Money, source: Source) -> CostLine {
    CostLine {
        kind: line.kind,
        what: line.what.clone(),
        quantity: Some(line.quantity),
        unit: Some(line.unit.clone()),
        unit_price: Some(line.unit_price.money().amount),
        amount: amount.in_minor_units(),
        estimated: false,
        source,
    }
}

/// What meters counted in some days, where accepted readings cover enough of them.
fn used(days: &[DayFact], held: Cycle, stream: Stream) -> Option<f64> {
    let within = days.iter().filter(|day| held.from <= day.date && day.date < held.to);
    let mut coverage: BTreeMap<NaiveDate, f64> = BTreeMap::new();
    let mut sum = 0.0;
    for (day, amount) in within.filter_map(|day| Some((day, day.amounts.get(stream)?))) {
        sum += amount;
        let least = coverage.entry(day.date).or_insert(1.0);
        *least = least.min(day.coverage);
    }
    (coverage.values().sum::<f64>() >= COVERAGE_LEAST * held.days() as f64).then_some(sum)
}

fn half(between: Decimal) -> f64 {
    (between / Decimal::TWO).abs().to_f64().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::billed_item::Billed;
    use crate::accounts::site_account::tests::date;
    use crate::accounts::site_money::tests::money;
    use crate::baseline::avoided::Missing;
    use crate::cost::accrual::Accrues;
    use crate::cost::ledger::Price;
    use crate::facts::Amounts;
    use crate::money::Currency;
    use proptest::prelude::*;
    use serde_json::json;

    /// Water at 2 and sewer at 3 a cubic metre in cycles from the fifteenth on.
    fn site() -> SiteMoney {
        let mut one = money(&[("2026-01-01", None)]);
        if let Some(version) = one.accounts[0].tariff.as_mut().and_then(|tariff| tariff.versions.first_mut()) {
            version.water = serde_json::from_value(json!({"blocks": [{"price": "2"}]})).unwrap();
            let sewer = json!({"blocks": [{"price": "3"}], "volume": {"return_factor": "1"}});
            version.sewer = serde_json::from_value(sewer).unwrap();
        }
        one
    }

    fn days() -> Vec<DayFact> {
        let mut amounts = Amounts::default();
        amounts.add(Stream::Makeup, 100.0);
        amounts.add(Stream::Energy, 10.0);
        let day =
            |date| DayFact { date, amounts, coverage: 1.0, estimated_share: 0.0, open_exceptions: 0, sessions: None };
        date("2026-01-01").iter_days().take(200).map(day).collect()
    }

    fn march(money: &SiteMoney, basis: CostBasis, today: &str) -> SiteCost {
        let (month, days) = (Month::parse("2026-03").unwrap(), days());
        let served = Cycle { from: date("2026-03-01"), to: date("2026-04-01").min(date(today)) };
        let stay = Cycle { from: date("2026-01-01"), to: NaiveDate::MAX };
        let stood = Stood::new(vec![stay], date(today));
        let of = CostDays { month, served, stood: &stood, today: date(today), days: &days };
        money.cost(&of, basis, |days| Ok((Quantity::exact(100.0 * days.days() as f64), None)))
    }

    fn amounts(cost: &SiteCost) -> Vec<(CustomerKind, String)> {
        cost.lines.iter().map(|line| (line.kind, format!("{:.2}", line.amount.amount))).collect()
    }

    /// 100 L a day: 14 days of one cycle and 17 of the next fall in March; the first cycle, of 28
    /// days, ended in it.
    #[test]
    fn water_and_sewer_come_from_the_bill() {
        let accrued = march(&site(), CostBasis::Accrued, "2026-05-01");
        let line = |kind, amount: &str| (kind, amount.to_owned());
        let (water, sewer) = (CustomerKind::Water, CustomerKind::Sewer);
        assert_eq!(
            amounts(&accrued),
            [line(water, "2.80"), line(sewer, "4.20"), line(water, "3.40"), line(sewer, "5.10")]
        );
        assert_eq!(accrued.total.unwrap().to_string(), "15.50 EUR");
        assert_eq!(accrued.running.unwrap().amount, Decimal::ZERO);
        let paid = march(&site(), CostBasis::Paid, "2026-05-01");
        assert_eq!(amounts(&paid), [line(water, "5.60"), line(sewer, "8.40")]);
        let early = march(&site(), CostBasis::Paid, "2026-03-10");
        assert_eq!((early.lines.len(), early.not_known.len()), (0, 0), "no cycle has ended");
    }

    #[test]
    fn what_is_not_known_is_named_and_the_rest_is_summed() {
        let mut one = money(&[]);
        let terms = json!({
            "from": "2026-03-11", "currency": "EUR", "fee": {"kind": "rent", "per_month": "310"},
            "energy": {"price_per_kwh": "0.20", "basis": {"nameplate": {"shaft_kw": 1.0, "load": 1.0, "motor": 1.0}}},
            "disposal_per_load": "180"
        });
        one.cost_terms.push((CostTermsId(Uuid::from_u128(5)), serde_json::from_value(terms).unwrap()));
        one.loads = vec![date("2026-03-10"), date("2026-03-11"), date("2026-04-01")];
        let found = march(&one, CostBasis::Accrued, "2026-05-01");
        let line = |kind, amount: &str| (kind, amount.to_owned());
        assert_eq!(
            amounts(&found),
            [line(CustomerKind::Rent, "210.00"), line(CustomerKind::Disposal, "180.00")],
            "21 of 31 days, and one load since the terms hold"
        );
        let reasons: Vec<_> = found.not_known.iter().map(|one| (one.kind, one.reason.as_str())).collect();
        assert_eq!(
            reasons,
            [(CustomerKind::EnergyByNameplate, "part_not_measured"), (CustomerKind::Water, "no_account")]
        );
        one.cost_terms[0].1.energy =
            serde_json::from_value(json!({"price_per_kwh": "0.20", "basis": "metered"})).unwrap();
        let metered = march(&one, CostBasis::Accrued, "2026-05-01");
        assert_eq!(amounts(&metered)[2], line(CustomerKind::EnergyMetered, "42.00"), "21 days of 10 kWh");
        assert_eq!(metered.total.unwrap(), metered.running.unwrap());
    }

    fn bought(price: &str, currency: &str, accrues: Accrues) -> Billed {
        let price = Money { amount: price.parse().unwrap(), currency: Currency::parse(currency).unwrap() };
        let line = Line {
            kind: CustomerKind::BilledConsumable,
            what: "Coagulant".to_owned(),
            quantity: 2.into(),
            unit: "can".to_owned(),
            unit_price: Price::new(price),
            paid_on: date("2026-03-05"),
            accrues,
        };
        Billed { id: NoteId(Uuid::from_u128(9)), line }
    }

    #[test]
    fn currencies_are_not_added() {
        let mut one = site();
        one.billed.push(bought("12.50", "USD", Accrues::AtOnce));
        let found = march(&one, CostBasis::Accrued, "2026-05-01");
        assert_eq!((found.total, found.not_known[0].reason.as_str()), (None, "other_currency"));
    }

    proptest! {
        /// Paid at once or over some days of the month, it comes to the same in that month.
        #[test]
        fn both_ledgers_come_to_the_same(cents in 0_i64..1_000_000, first in 1_u32..28, length in 0_u32..3) {
            let day = |n: u32| NaiveDate::from_ymd_opt(2026, 3, n).unwrap();
            let over = Accrues::Days { first_day: day(first), last_day: day(first + length) };
            let mut one = money(&[]);
            one.billed.push(bought(&Decimal::new(cents, 2).to_string(), "EUR", over));
            let [paid, accrued] =
                [CostBasis::Paid, CostBasis::Accrued].map(|basis| march(&one, basis, "2026-05-01").total);
            prop_assert_eq!(paid.map(|money| money.amount), accrued.map(|money| money.amount));
            prop_assert_eq!(paid.map_or(Decimal::ZERO, |money| money.amount), Decimal::new(2 * cents, 2));
        }
    }

    #[test]
    fn water_that_is_not_read_is_not_known() {
        let (month, days) = (Month::parse("2026-03").unwrap(), days());
        let served = Cycle { from: date("2026-03-01"), to: date("2026-04-01") };
        let stood = Stood::new(vec![served], date("2026-05-01"));
        let of = CostDays { month, served, stood: &stood, today: date("2026-05-01"), days: &days };
        let not_read = |_| Err(Missing::FreshUsed(crate::water::grade::Withheld::NotRead));
        let found = site().cost(&of, CostBasis::Accrued, not_read);
        assert_eq!((found.total, found.not_known[0].reason.as_str()), (None, "not_read"));
    }
}
