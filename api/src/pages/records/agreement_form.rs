//! An agreement as a form: its fields, how one is shown in them, and what was typed as an agreement.

use super::super::form::{self, Typed, field, with_number};
use super::super::sheet::{Spec, Takes, choice, months, spec};
use chrono::{NaiveDate, NaiveTime};
use domain::fault::Faults;
use domain::ids::SiteId;
use domain::money::Currency;
use domain::service::agreement::{Agreement, Included, Price, PriceFor, Renewal, YearlyRise};
use domain::service::event::LineUnit;
use domain::service::response::{OfficeHours, Response, Weekday};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

const TERM: &str = "Term";
const PRICE: &str = "Price";
const SERVED: &str = "What is included";
const ANSWER: &str = "The answer promised to a call";

/// How a form writes a time of day.
const CLOCK: &str = "%H:%M";

/// The fields of an agreement at one of these sites, by id and name. Where the record has lists within lists, a
/// field is called as the last step of the way to it.
pub(super) fn specs(sites: Vec<(String, String)>) -> Vec<Spec> {
    let days = Weekday::ALL.iter().map(|day| (day.as_str().to_owned(), capital(day.as_str()))).collect();
    vec![
        spec("price_for", "It is about", choice([("fee", "service"), ("rent", "rent of the unit, with service")]))
            .needed(),
        spec("site_id", "For this site alone", Takes::OneOf(sites))
            .hint("Left empty, for all of the customer\u{2019}s."),
        spec("from", "The first day", Takes::Day).needed().under(TERM),
        spec("to", "The day after the last of its first term", Takes::Day).under(TERM),
        spec("months", "It goes on for so many months at a time", Takes::Number).under(TERM),
        spec("notice_days", "unless notice is given so many days before", Takes::Number).under(TERM),
        spec("notice_on", "Notice was given on", Takes::Day).under(TERM),
        spec("currency", "Currency", Takes::Text).needed().under(PRICE),
        spec("prices", "Prices a month: in each line the first day and the price", Takes::Lines)
            .needed()
            .hint("Such as 2026-03-01 120.00; a line for each price since the first day.")
            .under(PRICE),
        spec("month", "A rise on the first of, every year", Takes::NumberOf(months())).under(PRICE),
        spec("percent", "by so many per cent", Takes::Amount).under(PRICE),
        spec("visits_a_year", "Visits a year", Takes::Number).under(SERVED),
        spec("call_outs_a_year", "Call-outs a year", Takes::Number).hint("Empty for any number.").under(SERVED),
        spec("consumables", "Consumables a year: in each line what, how much and in what", Takes::Lines)
            .hint("Such as Coagulant 40 l, as service records name it; in kg, l, piece or m.")
            .under(SERVED),
        spec("season_months", "Served in these months alone", Takes::SomeOf(months())).under(SERVED).more(),
        spec("within_h", "Within so many hours", Takes::Amount).under(ANSWER),
        spec("weekdays", "Hours count on these days; none ticked, day and night", Takes::SomeOf(days)).under(ANSWER),
        spec("opens", "from, such as 08:00", Takes::Text).under(ANSWER),
        spec("closes", "to, such as 16:30", Takes::Text).under(ANSWER),
        spec("holidays", "Not on these days: a line for each", Takes::Lines).under(ANSWER),
    ]
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// An agreement as it stands in the fields.
pub(super) fn typed(of: &Agreement) -> Typed {
    let day = |day: Option<NaiveDate>| day.map(|day| day.to_string());
    let lines = |all: Vec<String>| Some(all.join("\n"));
    let office = of.response.as_ref().and_then(|response| response.office.as_ref());
    let clock = |time: Option<NaiveTime>| time.map(|time| time.format(CLOCK).to_string());
    let price = |price: &Price| format!("{} {}", price.from, price.per_month);
    let included = |row: &Included| {
        // After digits a colon: else they might be thousands of what follows.
        let colon = if row.what.ends_with(|last: char| last.is_ascii_digit()) { ":" } else { "" };
        format!("{}{colon} {} {}", row.what, row.quantity.normalize(), row.unit.as_str())
    };
    let holidays = of.response.iter().flat_map(|response| &response.holidays).map(NaiveDate::to_string).collect();
    let hours = |response: &Response| (Decimal::from(response.within_min) / Decimal::from(60)).round_dp(2).normalize();
    let fields = [
        ("price_for", Some(of.price_for.as_str().to_owned())),
        ("site_id", of.site_id.map(|site| site.to_string())),
        ("from", day(Some(of.from))),
        ("to", day(of.to)),
        ("months", of.renewal.as_ref().map(|renewal| renewal.months.to_string())),
        ("notice_days", of.renewal.as_ref().map(|renewal| renewal.notice_days.to_string())),
        ("notice_on", day(of.notice_on)),
        ("currency", Some(of.currency.to_string())),
        ("prices", lines(of.prices.iter().map(price).collect())),
        ("month", of.rise.as_ref().map(|rise| rise.month.to_string())),
        ("percent", of.rise.as_ref().map(|rise| rise.percent.normalize().to_string())),
        ("visits_a_year", Some(of.visits_a_year.to_string())),
        ("call_outs_a_year", of.call_outs_a_year.map(|calls| calls.to_string())),
        ("consumables", lines(of.consumables.iter().map(included).collect())),
        ("within_h", of.response.as_ref().map(|response| hours(response).to_string())),
        ("opens", clock(office.map(|office| office.opens))),
        ("closes", clock(office.map(|office| office.closes))),
        ("holidays", lines(holidays)),
    ];
    let ticked = of.season_months.iter().map(|month| format!("season_months-{month}"));
    let open = office.into_iter().flat_map(|office| &office.weekdays);
    let ticked = ticked.chain(open.map(|day| format!("weekdays-{}", day.as_str())));
    let given = fields.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value?)));
    given.chain(ticked.map(|name| (name, "yes".to_owned()))).collect()
}

/// What was typed, as the agreement becomes by it; of which unit it is stays as it was.
///
/// # Errors
/// Every fault found, by the names of the fields.
pub(super) fn read(was: &Agreement, typed: &Typed) -> Result<Agreement, Faults> {
    let mut faults = Faults::default();
    let from = form::day(&mut faults, typed, "from");
    if field(typed, "from").is_none() {
        faults.add("/from", "required", "give the first day");
    }
    let currency = Currency::parse(field(typed, "currency").unwrap_or_default());
    let about = PriceFor::parse(field(typed, "price_for").unwrap_or_default());
    let new = Agreement {
        site_id: field(typed, "site_id").and_then(|id| id.parse().ok()).map(SiteId),
        from: from.unwrap_or(was.from),
        to: form::day(&mut faults, typed, "to"),
        renewal: renewal(&mut faults, typed),
        notice_on: form::day(&mut faults, typed, "notice_on"),
        price_for: faults.take_or("/price_for", about, was.price_for),
        currency: faults.take_or("/currency", currency, was.currency),
        prices: prices(&mut faults, typed),
        rise: rise(&mut faults, typed),
        season_months: (1..=12).filter(|month| ticked(typed, "season_months", &month.to_string())).collect(),
        visits_a_year: whole(&mut faults, typed, "visits_a_year").unwrap_or_default(),
        call_outs_a_year: whole(&mut faults, typed, "call_outs_a_year"),
        consumables: consumables(&mut faults, typed),
        response: response(&mut faults, typed),
        ..was.clone()
    };
    // What can't be read stands for nothing, and would be missed once more.
    if faults.0.is_empty() { new.checked() } else { Err(faults) }
}

fn ticked(typed: &Typed, list: &str, name: &str) -> bool {
    field(typed, &format!("{list}-{name}")).is_some()
}

fn whole<T: std::str::FromStr>(faults: &mut Faults, typed: &Typed, name: &str) -> Option<T> {
    let number = field(typed, name)?.parse().ok();
    if number.is_none() {
        faults.add(format!("/{name}"), "not_a_number", "type a whole number, or leave it empty");
    }
    number
}

/// Notes that `name` is needed beside what else was typed.
fn needed(faults: &mut Faults, typed: &Typed, name: &str, beside: &[&str]) {
    if field(typed, name).is_none() && beside.iter().any(|other| field(typed, other).is_some()) {
        faults.add(format!("/{name}"), "required", "fill it in too, or leave the fields beside it empty");
    }
}

fn renewal(faults: &mut Faults, typed: &Typed) -> Option<Renewal> {
    needed(faults, typed, "months", &["notice_days"]);
    let (months, notice_days) = (whole(faults, typed, "months"), whole(faults, typed, "notice_days"));
    Some(Renewal { months: months?, notice_days: notice_days.unwrap_or_default() })
}

fn rise(faults: &mut Faults, typed: &Typed) -> Option<YearlyRise> {
    needed(faults, typed, "month", &["percent"]);
    needed(faults, typed, "percent", &["month"]);
    let month = whole(faults, typed, "month");
    let percent = field(typed, "percent").and_then(|text| faults.take("/percent", form::decimal(text)));
    Some(YearlyRise { month: month?, percent: percent? })
}

/// What each line of a field says; a fault with `fix` for one that can't be read.
fn rows<T>(faults: &mut Faults, (typed, name): (&Typed, &str), fix: &str, read: impl Fn(&str) -> Option<T>) -> Vec<T> {
    let mut found = Vec::new();
    for line in field(typed, name).unwrap_or_default().lines().map(str::trim).filter(|line| !line.is_empty()) {
        match read(line) {
            Some(row) => found.push(row),
            None => faults.add(format!("/{name}"), "not_understood", format!("\u{201c}{line}\u{201d}: {fix}")),
        }
    }
    found
}

fn prices(faults: &mut Faults, typed: &Typed) -> Vec<Price> {
    rows(faults, (typed, "prices"), "write the first day and the price, such as 2026-03-01 120.00", |line| {
        let (day, per_month) = with_number(line)?;
        Some(Price { from: day.parse().ok()?, per_month })
    })
}

fn consumables(faults: &mut Faults, typed: &Typed) -> Vec<Included> {
    let fix = "write what, how much and in what, such as Coagulant 40 l; units are kg, l, piece and m";
    rows(faults, (typed, "consumables"), fix, |line| {
        let (rest, unit) = line.rsplit_once(char::is_whitespace)?;
        let unit = LineUnit::from_name(&unit.to_lowercase())?;
        let (what, quantity) = with_number(rest)?;
        Some(Included { what: what.to_owned(), quantity, unit })
    })
}

fn response(faults: &mut Faults, typed: &Typed) -> Option<Response> {
    needed(faults, typed, "within_h", &["opens", "closes", "holidays"]);
    let office = office(faults, typed);
    let holidays = rows(faults, (typed, "holidays"), "write a day, such as 2026-12-25", |line| line.parse().ok());
    let hours = faults.take("/within_h", form::decimal(field(typed, "within_h")?))?;
    let within_min = (hours * Decimal::from(60)).round().to_u32().filter(|minutes| *minutes > 0);
    if within_min.is_none() {
        faults.add("/within_h", "out_of_range", "give more than no hours, and at most 672");
    }
    Some(Response { within_min: within_min?, office, holidays })
}

fn office(faults: &mut Faults, typed: &Typed) -> Option<OfficeHours> {
    let weekdays: Vec<Weekday> =
        Weekday::ALL.iter().copied().filter(|day| ticked(typed, "weekdays", day.as_str())).collect();
    if weekdays.is_empty() {
        if field(typed, "opens").or(field(typed, "closes")).is_some() {
            faults.add("/weekdays", "required", "tick the days on which the office is open, or leave its hours empty");
        }
        return None;
    }
    let mut time = |name: &str| {
        let read = field(typed, name).and_then(|text| NaiveTime::parse_from_str(text, CLOCK).ok());
        if read.is_none() {
            faults.add(format!("/{name}"), "not_a_time", "give a time of day such as 08:00");
        }
        read
    };
    let (opens, closes) = (time("opens"), time("closes"));
    Some(OfficeHours { weekdays, opens: opens?, closes: closes? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::ids::CustomerId;
    use serde_json::json;
    use uuid::Uuid;

    fn agreement() -> Agreement {
        let record = json!({ "customer_id": CustomerId(Uuid::from_u128(1)), "site_id": Uuid::from_u128(2),
            "unit_id": Uuid::from_u128(3), "from": "2026-03-01", "to": "2027-03-01", "notice_on": "2026-06-01",
            "renewal": { "months": 12, "notice_days": 90 }, "price_for": "rent", "currency": "EUR",
            "prices": [{ "from": "2026-03-01", "per_month": "120.00" }, { "from": "2026-07-01", "per_month": "1234.5" }],
            "rise": { "month": 2, "percent": "2.5" }, "season_months": [4, 10], "visits_a_year": 4, "call_outs_a_year": 2,
            "consumables": [{ "what": "Coagulant 18 %", "quantity": "40", "unit": "l" },
                { "what": "Filter 20", "quantity": "120", "unit": "piece" }],
            "response": { "within_min": 270, "holidays": ["2026-12-25", "2026-12-26"],
                "office": { "weekdays": ["monday", "friday"], "opens": "08:00:00", "closes": "16:30:00" } } });
        serde_json::from_value(record).unwrap()
    }

    #[test]
    fn what_is_shown_and_sent_as_it_is_changes_nothing() {
        let whole = agreement();
        assert_eq!(read(&whole, &typed(&whole)), Ok(whole.clone()));
        let bare = Agreement {
            site_id: None,
            unit_id: None,
            to: None,
            renewal: None,
            notice_on: None,
            rise: None,
            season_months: Vec::new(),
            call_outs_a_year: None,
            consumables: Vec::new(),
            response: None,
            ..whole
        };
        assert_eq!(read(&bare, &typed(&bare)), Ok(bare.clone()));
        let always = Response { within_min: 90, office: None, holidays: Vec::new() };
        let by_night = Agreement { response: Some(always), ..bare };
        assert_eq!(read(&by_night, &typed(&by_night)), Ok(by_night.clone()));
    }

    #[test]
    fn what_can_not_be_read_is_said_of_its_field() {
        let was = agreement();
        let with = |changes: &[(&str, &str)]| {
            let mut fields = typed(&was);
            fields.extend(changes.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())));
            let faults = read(&was, &fields).unwrap_err();
            faults.0.into_iter().map(|fault| fault.pointer).collect::<Vec<_>>()
        };
        assert_eq!(with(&[("prices", "120.00")]), ["/prices"]);
        assert_eq!(with(&[("prices", "2026-03-01 1 200.00")]), ["/prices"], "1200 or 200?");
        assert_eq!(with(&[("prices", "")]), ["/prices"]);
        assert_eq!(with(&[("consumables", "Coagulant 40 drums")]), ["/consumables"]);
        assert_eq!(with(&[("visits_a_year", "four"), ("months", "")]), ["/months", "/visits_a_year"]);
        assert_eq!(with(&[("percent", "")]), ["/percent"]);
        assert_eq!(with(&[("opens", "8 am"), ("holidays", "Christmas")]), ["/opens", "/holidays"]);
        assert_eq!(with(&[("within_h", "")]), ["/within_h"]);
        assert_eq!(with(&[("weekdays-monday", ""), ("weekdays-friday", "")]), ["/weekdays"]);
        assert_eq!(with(&[("closes", "07:00")]), ["/response/office/closes"]);
        assert_eq!(with(&[("from", "")]), ["/from"]);
    }
}
