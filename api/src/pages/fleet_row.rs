//! A row of the installed units, and their table as CSV.

use super::fleet::or_none;
use super::words::{self, NONE};
use crate::db::fleet::{Ahead, Installed};
use crate::http::table::csv_line;
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::customer::UnitSystem;
use domain::facts::{Amounts, MonthFact};
use domain::report::display;
use domain::risk::words as risk;
use domain::spell::SpellState;
use domain::units::Litres;
use domain::zone::Month;
use uuid::Uuid;

/// Least share of a month that readings have to cover for its recycled water to be shown: with
/// less, the two meters may have been read on different days.
const RECYCLED_FROM: f64 = 0.98;

/// A row of the page.
pub(super) struct Row {
    pub(super) id: Uuid,
    pub(super) site_id: Uuid,
    pub(super) site: String,
    pub(super) customer: String,
    pub(super) label: String,
    pub(super) serial_number: String,
    pub(super) state: &'static str,
    pub(super) since: String,
    pub(super) fresh: Amount,
    pub(super) last_read: String,
    pub(super) to_decide: i64,
    pub(super) due: String,
    pub(super) due_what: String,
    pub(super) order_by: String,
    pub(super) order: String,
    pub(super) risk: String,
    pub(super) risk_why: String,
}

/// An amount, and what a reader has to know beside it.
pub(super) struct Amount {
    pub(super) amount: String,
    pub(super) note: String,
}

impl Row {
    /// The row of a unit, in a month and on a day.
    pub(super) fn of(ahead: &Ahead, month: Month, today: NaiveDate) -> Self {
        let unit = &ahead.unit;
        let zone = zone(unit);
        let day = |at: chrono::DateTime<chrono::Utc>| words::day(domain::zone::local_date(zone, at));
        Self {
            id: unit.unit_id,
            site_id: unit.site_id,
            site: unit.site.clone(),
            customer: unit.customer.clone(),
            label: unit.label.clone(),
            serial_number: unit.serial_number.clone(),
            state: words::state(unit.state.as_deref().and_then(SpellState::from_name)),
            since: unit.state_since.map(|at| format!("since {}", day(at))).unwrap_or_default(),
            fresh: fresh(unit, month),
            last_read: unit.last_read_at.map_or("never".to_owned(), day),
            to_decide: unit.open_exceptions,
            due: or_none(ahead.due_on.map(|on| words::due(on, today))),
            due_what: ahead.due.clone().unwrap_or_default(),
            order_by: or_none(ahead.order_by.map(|on| words::due(on, today))),
            order: ahead.order.clone().unwrap_or_default(),
            risk: or_none(ahead.p_30.map(risk::chance)),
            risk_why: ahead.likeliest.as_deref().map(risk::kind).unwrap_or_default(),
        }
    }
}

fn zone(unit: &Installed) -> Tz {
    unit.time_zone.parse().unwrap_or(Tz::UTC)
}

/// Fresh water of the running month.
pub(super) fn fresh(unit: &Installed, month: Month) -> Amount {
    let fact = unit.this_month(month);
    let litres = fact.as_ref().and_then(|fact| fact.amounts.fresh_used());
    Amount::of(fact.as_ref().zip(litres), system(unit), true).or_of_site(unit.site_metered)
}

/// Fresh and recycled water of the month before.
pub(super) fn before(unit: &Installed, month: Month) -> (Amount, Amount) {
    let fact = unit.last_month(month.previous());
    let shown = |fact: Option<&MonthFact>, amount: fn(&Amounts) -> Option<Litres>| {
        let litres = fact.and_then(|fact| amount(&fact.amounts));
        Amount::of(fact.zip(litres), system(unit), false).or_of_site(unit.site_metered)
    };
    let read = fact.as_ref().filter(|fact| fact.coverage >= RECYCLED_FROM);
    (shown(fact.as_ref(), Amounts::fresh_used), shown(read, Amounts::recycled))
}

fn system(unit: &Installed) -> UnitSystem {
    UnitSystem::parse(&unit.unit_system).unwrap_or(UnitSystem::Metric)
}

impl Amount {
    /// Of a running month, how far it was read is said by the last reading.
    fn of(known: Option<(&MonthFact, Litres)>, system: UnitSystem, running: bool) -> Self {
        let Some((fact, litres)) = known else { return Self { amount: NONE.to_owned(), note: String::new() } };
        let coverage = if running { 1.0 } else { fact.coverage };
        let digits = display::digits(coverage, fact.estimated_share);
        let part = coverage < 0.995;
        let note = if part { format!("readings cover {}", display::coverage(coverage)) } else { String::new() };
        Self { amount: display::volume(litres.0, system, digits), note }
    }

    /// Says where the water is measured when it isn't at the unit.
    fn or_of_site(mut self, site_metered: bool) -> Self {
        if site_metered && self.amount == NONE {
            "measured with the site".clone_into(&mut self.note);
        }
        self
    }
}

/// Columns for everybody, and those for the dealer's people.
const COLUMNS: [&str; 10] = [
    "unit_id",
    "customer",
    "site",
    "unit",
    "model",
    "serial_number",
    "state",
    "state_since",
    "fresh_used_this_month_l",
    "last_read_at",
];
const AHEAD: [&str; 6] = ["next_due_on", "next_due", "order_by", "order_item", "p_fails_30_d", "readings_to_decide"];

/// The table of units.
pub(super) fn csv(units: &[Ahead], month: Month, of_dealer: bool) -> String {
    let head: Vec<&str> = COLUMNS.iter().chain(AHEAD.iter().filter(|_| of_dealer)).copied().collect();
    let row = |ahead: &Ahead| {
        let own = own_cells(&ahead.unit, month);
        let cells = own.iter().cloned().chain(of_dealer.then(|| ahead_cells(ahead)).into_iter().flatten());
        let cells: Vec<String> = cells.collect();
        csv_line(&cells.iter().map(String::as_str).collect::<Vec<_>>())
    };
    std::iter::once(csv_line(&head)).chain(units.iter().map(row)).collect()
}

fn own_cells(unit: &Installed, month: Month) -> [String; 10] {
    let litres = unit.this_month(month).and_then(|fact| fact.amounts.fresh_used());
    [
        unit.unit_id.to_string(),
        unit.customer.clone(),
        unit.site.clone(),
        unit.label.clone(),
        unit.model.clone().unwrap_or_default(),
        unit.serial_number.clone(),
        unit.state.clone().unwrap_or_default(),
        unit.state_since.map(|at| at.to_rfc3339()).unwrap_or_default(),
        litres.map(|litres| litres.0.to_string()).unwrap_or_default(),
        unit.last_read_at.map(|at| at.to_rfc3339()).unwrap_or_default(),
    ]
}

fn ahead_cells(ahead: &Ahead) -> [String; 6] {
    let day = |day: Option<NaiveDate>| day.map(|day| day.to_string()).unwrap_or_default();
    [
        day(ahead.due_on),
        ahead.due.clone().unwrap_or_default(),
        day(ahead.order_by),
        ahead.order.clone().unwrap_or_default(),
        ahead.p_30.map(|p| p.to_string()).unwrap_or_default(),
        ahead.unit.open_exceptions.to_string(),
    ]
}
