//! What a customer pays besides water and sewer, and the lines of the customer's cost that it
//! makes. Purchase prices and labour have no place in it.

use crate::cost::accrual::Accrues;
use crate::cost::ledger::{CustomerKind, CustomersCost, Line, Price};
use crate::energy::{Phases, Power};
use crate::fault::Faults;
use crate::money::{Currency, Money};
use crate::named::named;
use crate::payback::Rate;
use crate::span;
use crate::tariff::Cycle;
use crate::zone::Month;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use serde::{Deserialize, Serialize};

/// What a customer pays at a site from one local day to another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CostTerms {
    /// The first day they hold.
    pub from: NaiveDate,
    /// The day after the last; null while they go on.
    #[serde(default)]
    pub to: Option<NaiveDate>,
    /// The currency of every price in them.
    pub currency: Currency,
    /// The fee of the agreement, or the rent.
    #[serde(default)]
    pub fee: Option<Fee>,
    /// Electrical energy.
    #[serde(default)]
    pub energy: Option<Energy>,
    /// Price of a load of sludge, oil or waste water taken away.
    #[serde(default)]
    pub disposal_per_load: Option<Decimal>,
    /// What the unit cost, where the customer wants its yearly part counted.
    #[serde(default)]
    pub capital: Option<Capital>,
}

named! {
    /// What a monthly amount is for.
    FeeKind as "fee_kind" {
        /// An agreement's fee.
        AgreementFee = "agreement_fee",
        /// The rent of the unit.
        Rent = "rent",
    }
}

/// A monthly amount.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fee {
    /// What for.
    pub kind: FeeKind,
    /// How much a month.
    pub per_month: Decimal,
    /// What it includes, such as consumables, each 1 to 120 characters.
    #[serde(default)]
    pub includes: Vec<String>,
}

/// Electrical energy at its price.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Energy {
    /// Price of a kilowatt-hour.
    pub price_per_kwh: Decimal,
    /// How the energy is found.
    pub basis: Basis,
}

/// How energy is found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Basis {
    /// By a meter.
    Metered,
    /// By the power on the motor's plate, times its hours.
    Nameplate {
        /// Shaft power, in kilowatts.
        shaft_kw: f64,
        /// The part of it that is drawn, 1 at full load.
        load: f64,
        /// Efficiency of the motor, above 0 and up to 1.
        motor: f64,
    },
    /// By a measured current, times its hours.
    Current {
        /// Amperes a line.
        current_a: f64,
        /// Volts.
        voltage_v: f64,
        /// Power factor, above 0 and up to 1.
        power_factor: f64,
        /// Whether it is fed by three phases; else by one.
        three_phase: bool,
    },
}

/// What a unit cost, spread over its years.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Capital {
    /// What was paid.
    pub price: Decimal,
    /// Over so many years.
    pub years: f64,
    /// Yearly rate of interest, as a share.
    #[serde(default)]
    pub yearly_rate: f64,
}

/// What was used in some days, as far as it is known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Used {
    /// Energy by its meter, in kilowatt-hours.
    pub energy_kwh: Option<f64>,
    /// Hours of running.
    pub run_h: Option<f64>,
    /// Loads taken away.
    pub loads: u32,
}

/// The customer's cost of some days.
#[derive(Debug, Clone, PartialEq)]
pub struct Costs {
    /// The lines.
    pub lines: Vec<Line<CustomersCost>>,
    /// What has a price but was not counted, so that it is not among the lines.
    pub not_known: Vec<CustomerKind>,
}

/// Largest price, and most parts that a fee names.
const PRICE_MAX: i64 = 1_000_000_000;
const INCLUDES_MAX: usize = 50;

impl FeeKind {
    /// What its line is for, and what it is called.
    pub(super) fn line(self) -> (CustomerKind, &'static str) {
        match self {
            Self::AgreementFee => (CustomerKind::AgreementFee, "Agreement"),
            Self::Rent => (CustomerKind::Rent, "Rent of the unit"),
        }
    }
}

/// The line of a monthly amount over some days of one month: the month's part is by days.
pub(super) fn by_month((kind, what): (CustomerKind, &str), per_month: Money, days: Cycle) -> Line<CustomersCost> {
    let month = Month::of(days.from);
    let in_month = (month.next().first_day() - month.first_day()).num_days();
    let months = (Decimal::from(days.days()) / Decimal::from(in_month)).round_dp(6);
    of_days((kind, what.to_owned()), (months, "month"), per_month, days)
}

fn of_days(
    (kind, what): (CustomerKind, String),
    (quantity, unit): (Decimal, &str),
    each: Money,
    days: Cycle,
) -> Line<CustomersCost> {
    let last_day = days.to.pred_opt().unwrap_or(days.from);
    Line {
        kind,
        what,
        quantity,
        unit: unit.to_owned(),
        unit_price: Price::new(each),
        paid_on: last_day,
        accrues: Accrues::Days { first_day: days.from, last_day },
    }
}

impl CostTerms {
    /// The record, its texts trimmed.
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
        if let Some(fee) = &mut self.fee {
            price(&mut faults, "/fee/per_month", fee.per_month);
            if fee.includes.len() > INCLUDES_MAX {
                faults.add("/fee/includes", "too_many", format!("give at most {INCLUDES_MAX}"));
            }
            for (n, part) in fee.includes.iter_mut().enumerate() {
                *part = faults.text(&format!("/fee/includes/{n}"), part, 120);
            }
        }
        if let Some(energy) = &self.energy {
            price(&mut faults, "/energy/price_per_kwh", energy.price_per_kwh);
            if let Some(Err(error)) = energy.basis.power().map(Power::supply_kw) {
                faults.add("/energy/basis", "out_of_range", error.to_string());
            }
        }
        if let Some(load) = self.disposal_per_load {
            price(&mut faults, "/disposal_per_load", load);
        }
        if let Some(capital) = &self.capital {
            price(&mut faults, "/capital/price", capital.price);
            faults.range("/capital/years", capital.years, 0.1, 100.0);
            faults.range("/capital/yearly_rate", capital.yearly_rate, 0.0, 1.0);
        }
        faults.or(self)
    }

    /// The customer's cost of those of `days`, all of one month, on which these terms hold. The
    /// month's part of a monthly or yearly amount is by days.
    #[must_use]
    pub fn costs(&self, days: Cycle, used: &Used) -> Costs {
        let mut costs = Costs { lines: Vec::new(), not_known: Vec::new() };
        let held = Cycle { from: days.from.max(self.from), to: self.to.map_or(days.to, |to| to.min(days.to)) };
        if held.days() <= 0 {
            return costs;
        }
        let money = |amount: Decimal| Money { amount, currency: self.currency };
        if let Some(fee) = &self.fee {
            costs.lines.push(by_month(fee.kind.line(), money(fee.per_month), held));
        }
        if let Some(capital) = &self.capital {
            let each = money(capital.yearly().unwrap_or_default() / Decimal::from(12));
            let of = (CustomerKind::CapitalRecovery, "Yearly part of the unit's price");
            costs.lines.push(by_month(of, each, held));
        }
        let mut add = |kind: CustomerKind, what: String, quantity: Decimal, unit: &str, amount: Decimal| {
            costs.lines.push(of_days((kind, what), (quantity, unit), money(amount), held));
        };
        if let Some(load) = self.disposal_per_load.filter(|_| used.loads > 0) {
            add(CustomerKind::Disposal, "Loads taken away".to_owned(), Decimal::from(used.loads), "load", load);
        }
        if let Some(energy) = &self.energy {
            let (kind, what) = energy.basis.line();
            match energy.basis.kwh(used).and_then(Decimal::from_f64) {
                Some(kwh) => add(kind, what.to_owned(), kwh.round_dp(3), "kWh", energy.price_per_kwh),
                None => costs.not_known.push(kind),
            }
        }
        costs
    }
}

impl Basis {
    fn power(self) -> Option<Power> {
        match self {
            Self::Metered => None,
            Self::Nameplate { shaft_kw, load, motor } => Some(Power::Nameplate { shaft_kw, load, motor }),
            Self::Current { current_a, voltage_v, power_factor, three_phase } => {
                let phases = if three_phase { Phases::Three } else { Phases::One };
                Some(Power::Current { current_a, voltage_v, power_factor, phases })
            }
        }
    }

    fn line(self) -> (CustomerKind, &'static str) {
        match self {
            Self::Metered => (CustomerKind::EnergyMetered, "Electricity by its meter"),
            Self::Nameplate { .. } => (CustomerKind::EnergyByNameplate, "Electricity by the motor's plate and hours"),
            Self::Current { .. } => (CustomerKind::EnergyByCurrent, "Electricity by measured current and hours"),
        }
    }

    fn kwh(self, used: &Used) -> Option<f64> {
        match self.power() {
            None => used.energy_kwh,
            Some(power) => power.energy_kwh(used.run_h?).ok(),
        }
    }
}

impl Capital {
    /// The yearly part that pays back price and interest.
    fn yearly(&self) -> Option<Decimal> {
        let share = Rate::parse(self.yearly_rate).ok()?.capital_recovery(self.years);
        Some((self.price * Decimal::from_f64(share)?).round_dp(6))
    }
}

fn price(faults: &mut Faults, pointer: &str, price: Decimal) {
    if price.is_sign_negative() && !price.is_zero() {
        faults.add(pointer, "negative_price", "give a price of zero or more");
    } else if price > Decimal::from(PRICE_MAX) {
        faults.add(pointer, "out_of_range", format!("give a price up to {PRICE_MAX}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::site_account::tests::date;
    use serde_json::{Value, json};

    fn terms(json: Value) -> CostTerms {
        serde_json::from_value(json).unwrap()
    }

    fn june(used: &Used, json: Value) -> (Vec<(CustomerKind, String)>, Vec<CustomerKind>) {
        let costs = terms(json).costs(Cycle { from: date("2026-06-01"), to: date("2026-07-01") }, used);
        for line in &costs.lines {
            assert!(line.clone().checked().is_ok(), "{line:?}");
        }
        let line = |line: &Line<CustomersCost>| (line.kind, line.amount().money().to_string());
        (costs.lines.iter().map(line).collect(), costs.not_known)
    }

    /// Derived: half of June, 5 kW x 0.8 / 0.9 x 90 h = 400 kWh, 12,000 over ten years without
    /// interest are 100 a month.
    #[test]
    fn they_become_lines_of_the_customers_cost() {
        let used = Used { run_h: Some(90.0), loads: 2, ..Used::default() };
        let json = json!({
            "from": "2026-06-16", "currency": "EUR",
            "fee": {"kind": "rent", "per_month": "450", "includes": ["Coagulant"]},
            "energy": {"price_per_kwh": "0.25", "basis": {"nameplate": {"shaft_kw": 5.0, "load": 0.8, "motor": 0.9}}},
            "disposal_per_load": "180", "capital": {"price": "12000", "years": 10.0}
        });
        let line = |kind, amount: &str| (kind, format!("{amount} EUR"));
        let expected = vec![
            line(CustomerKind::Rent, "225.00"),
            line(CustomerKind::CapitalRecovery, "50.00"),
            line(CustomerKind::Disposal, "360.00"),
            line(CustomerKind::EnergyByNameplate, "100.00"),
        ];
        assert_eq!(june(&used, json.clone()), (expected, vec![]));
        assert_eq!(june(&Used::default(), json).1, [CustomerKind::EnergyByNameplate], "hours that nobody counted");
        let metered =
            json!({"from": "2026-01-01", "currency": "EUR", "energy": {"price_per_kwh": "0.2", "basis": "metered"}});
        let used = Used { energy_kwh: Some(50.0), ..Used::default() };
        assert_eq!(june(&used, metered).0, [line(CustomerKind::EnergyMetered, "10.00")]);
        assert_eq!(
            june(&used, json!({"from": "2026-08-01", "currency": "EUR", "disposal_per_load": "1"})),
            (vec![], vec![])
        );
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = terms(json!({
            "from": "2026-06-16", "to": "2026-06-16", "currency": "EUR",
            "fee": {"kind": "rent", "per_month": "-1", "includes": [" "]},
            "energy": {"price_per_kwh": "-1", "basis": {"nameplate": {"shaft_kw": 5.0, "load": 0.8, "motor": 90.0}}},
            "disposal_per_load": "1000000001", "capital": {"price": "1", "years": 0.0, "yearly_rate": 2.0}
        }));
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(
            pointers,
            [
                "/to",
                "/fee/per_month",
                "/fee/includes/0",
                "/energy/price_per_kwh",
                "/energy/basis",
                "/disposal_per_load",
                "/capital/years",
                "/capital/yearly_rate"
            ]
        );
        let labour =
            serde_json::from_value::<CostTerms>(json!({"from": "2026-01-01", "currency": "EUR", "labour": "1"}));
        assert!(labour.unwrap_err().to_string().contains("labour"));
    }
}
