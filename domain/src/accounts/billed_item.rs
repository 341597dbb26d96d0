//! Something a customer was billed for besides fee, energy and water: a part, a consumable, a
//! call-out, at the customer's price.

use crate::component::{Component, RunBasis};
use crate::cost::accrual::{Accrues, AgeOn, Life};
use crate::cost::ledger::{CustomerKind, CustomersCost, Line, Price};
use crate::fault::Faults;
use crate::ids::{ComponentId, NoteId};
use crate::measures::days::Days;
use crate::money::Money;
use crate::named::named;
use crate::zone::local_date;
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use rust_decimal::Decimal;

named! {
    /// What was billed.
    BilledKind as "kind" {
        /// A part.
        Part = "billed_part",
        /// Something used up.
        Consumable = "billed_consumable",
        /// A call-out.
        CallOut = "billed_call_out",
        /// Something else.
        Other = "billed_other",
    }
}

/// A billed item's record.
#[derive(Debug, Clone, PartialEq)]
pub struct BilledItem {
    /// The local day on which it was billed.
    pub day: NaiveDate,
    /// What it is.
    pub kind: BilledKind,
    /// In words, 1 to 200 characters.
    pub what: String,
    /// How many units; negative for a credit.
    pub quantity: Decimal,
    /// The unit, 1 to 20 characters.
    pub unit: String,
    /// What the customer pays for one.
    pub price: Money,
    /// The days that it is for; `None` for the day on which it was billed, or a part's life.
    pub covers: Option<Days>,
    /// The part that it paid for.
    pub component_id: Option<ComponentId>,
}

/// A billed item as a line of the customer's cost.
#[derive(Debug, Clone, PartialEq)]
pub struct Billed {
    /// The record.
    pub id: NoteId,
    /// Its line.
    pub line: Line<CustomersCost>,
}

impl BilledKind {
    fn ledger(self) -> CustomerKind {
        match self {
            Self::Part => CustomerKind::BilledPart,
            Self::Consumable => CustomerKind::BilledConsumable,
            Self::CallOut => CustomerKind::BilledCallOut,
            Self::Other => CustomerKind::BilledOther,
        }
    }
}

impl BilledItem {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        match self.line(None).checked() {
            Ok(line) => (self.what, self.unit) = (line.what, line.unit),
            Err(found) => faults.0.extend(found.0.into_iter().map(named_here)),
        }
        if self.covers.is_some_and(|days| days.to().is_none()) {
            faults.add("/covers/to", "required", "give the day after the last that it is for");
        }
        if self.covers.is_some() && self.component_id.is_some() {
            faults.add("/covers", "not_taken", "a part accrues over its life: leave out its days, or the component");
        }
        if self.component_id.is_some() && self.kind != BilledKind::Part {
            faults.add("/component_id", "not_taken", "only a billed part is a component; leave it out");
        }
        faults.or(self)
    }

    /// Its line; `life` is that of its component, where it has one.
    #[must_use]
    pub fn line(&self, life: Option<Life>) -> Line<CustomersCost> {
        let days = |days: Days| {
            let last_day = days.to().and_then(|to| to.pred_opt()).unwrap_or(days.from());
            Accrues::Days { first_day: days.from(), last_day }
        };
        Line {
            kind: self.kind.ledger(),
            what: self.what.clone(),
            quantity: self.quantity,
            unit: self.unit.clone(),
            unit_price: Price::new(self.price),
            paid_on: self.day,
            accrues: life.map(Accrues::Life).or(self.covers.map(days)).unwrap_or(Accrues::AtOnce),
        }
    }

    /// The first local day that it costs something.
    #[must_use]
    pub fn first_day(&self) -> NaiveDate {
        self.covers.map_or(self.day, |covers| covers.from().min(self.day))
    }
}

/// The ledger's names of fields as they are here.
fn named_here(fault: crate::fault::Fault) -> crate::fault::Fault {
    let pointer = match fault.pointer.as_str() {
        "/paid_on" => "/day".to_owned(),
        "/unit_price/amount" => "/price".to_owned(),
        other => other.replace("/accrues", "/covers"),
    };
    crate::fault::Fault { pointer, ..fault }
}

/// The life of a part for the customer who paid for it: from its fitting until it was taken out or
/// its unit `left`. `ages` are by the counter that ages it; a part that ages by something that was
/// not counted has no known life until it is out.
#[must_use]
pub fn life(part: &Component, left: Option<DateTime<Utc>>, zone: Tz, ages: Vec<AgeOn>) -> Life {
    let out = [part.out.map(|out| out.at), left].into_iter().flatten().min();
    let left_to_live = part.rated_life.map(|life| life - part.age_at_fitting).filter(|life| *life > 0.0);
    let counted = part.run_basis == RunBasis::Days || !ages.is_empty();
    Life {
        fitted_on: local_date(zone, part.fitted_at),
        out_on: out.map(|at| local_date(zone, at).max(local_date(zone, part.fitted_at))),
        expected: left_to_live.filter(|_| counted),
        ages,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::component::{Duty, OutWhy, TakenOut};
    use crate::cost::accrual::Accrual;
    use crate::ids::UnitId;
    use crate::money::Currency;
    use uuid::Uuid;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn item(price: &str) -> BilledItem {
        BilledItem {
            day: date("2026-03-10"),
            kind: BilledKind::Part,
            what: " Ozone cell ".to_owned(),
            quantity: Decimal::ONE,
            unit: "piece".to_owned(),
            price: Money { amount: price.parse().unwrap(), currency: Currency::parse("EUR").unwrap() },
            covers: None,
            component_id: None,
        }
    }

    #[test]
    fn every_fault_is_named() {
        assert_eq!(item("1").checked().unwrap().what, "Ozone cell");
        let wrong = BilledItem {
            day: date("1890-01-01"),
            kind: BilledKind::CallOut,
            unit: String::new(),
            covers: Some(Days::since(date("2026-03-01"))),
            component_id: Some(ComponentId(Uuid::from_u128(1))),
            ..item("-1")
        };
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/unit", "/day", "/price", "/covers/to", "/covers", "/component_id"]);
    }

    fn cell(run_basis: RunBasis, out: Option<&str>) -> Component {
        Component {
            unit_id: UnitId(Uuid::from_u128(1)),
            kind: "ozone_cell".to_owned(),
            model: None,
            serial_number: None,
            duty: Duty::Continuous,
            run_basis,
            rated_life: Some(200.0),
            age_at_fitting: 0.0,
            fitted_at: "2026-01-01T08:00:00Z".parse().unwrap(),
            assumed_per_day: None,
            tracked_from: None,
            last_good_at: None,
            out: out.map(|at| TakenOut { at: at.parse().unwrap(), why: OutWhy::Failed }),
            warranty_until: None,
        }
    }

    /// 1,000 over 200 days are 5 a day; once its unit has left after 100 days each has cost 10.
    #[test]
    fn a_part_costs_over_the_life_that_its_customer_had_of_it() {
        let january = |left: Option<&str>, basis| {
            let life = life(&cell(basis, None), left.map(|at| at.parse().unwrap()), Tz::UTC, vec![]);
            let line = item("1000").line(Some(life));
            let days = (date("2026-01-01"), date("2026-01-31"));
            line.accrues.between(line.amount().money(), line.paid_on, days, date("2026-06-30"))
        };
        assert_eq!(january(None, RunBasis::Days), Accrual::Estimated(155.into()));
        assert_eq!(january(Some("2026-04-10T12:00:00Z"), RunBasis::Days), Accrual::Known(310.into()));
        assert_eq!(january(None, RunBasis::Hours), Accrual::NotKnown, "nobody counted the hours");
    }
}
