//! Names and instants in a reader's words.

use crate::auth::Role;
use crate::db::DbError;
use crate::db::condition::StoredFinding;
use crate::db::stock::forecast::{Forecast, Foreseen};
use crate::db::today::Waiting;
use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use domain::asking::expected::Expected;
use domain::asking::typed::Doubt;
use domain::component::RunBasis;
use domain::condition::cost::CostPerDay;
use domain::customer::UnitSystem;
use domain::metering::meter::MeterFacts;
use domain::metering::slip::Slip;
use domain::metering::step::ExceptionKind;
use domain::metering::stream::{ReadBy, Stream};
use domain::money::Money;
use domain::reading::Source;
use domain::report::display;
use domain::report::model::exception_words;
use domain::routine::due::DueBy;
use domain::service::agreement::Term;
use domain::span::Span;
use domain::spell::SpellState;
use domain::stock::movement::{DifferenceWhy, Payer};
use domain::units::{Dimension, RegisterUnit};
use domain::wear::age::AgeSource;
use domain::zone::local_date;
use rust_decimal::Decimal;

/// What stands where there is no figure.
pub(super) const NONE: &str = "\u{2013}";

/// A unit's state.
pub(super) fn state(state: Option<SpellState>) -> &'static str {
    match state {
        Some(SpellState::Planned) => "to be installed",
        Some(SpellState::Starting) => "starting up",
        Some(SpellState::Running) => "running",
        Some(SpellState::Bypassed) => "bypassed, on town water",
        Some(SpellState::Stopped) => "stopped",
        Some(SpellState::LaidUp) => "laid up",
        Some(SpellState::Workshop) => "in the workshop",
        Some(SpellState::OutOfUse) => "out of use",
        None => "not recorded",
    }
}

/// What a meter measures.
pub(super) fn stream(stream: Option<Stream>) -> String {
    match stream {
        Some(Stream::Makeup) => "fresh water into the loop".to_owned(),
        Some(Stream::Wash) => "treated water to the washers".to_owned(),
        Some(Stream::Rinse) => "fresh rinse water".to_owned(),
        Some(Stream::Bypass) => "fresh water past the unit".to_owned(),
        Some(other) => other.as_str().replace('_', " "),
        None => NONE.to_owned(),
    }
}

/// Who reads a meter.
pub(super) fn read_by(by: Option<ReadBy>) -> &'static str {
    by.map_or(NONE, ReadBy::as_str)
}

/// A register's unit.
pub(super) fn register_unit(name: &str) -> &str {
    match name {
        "l" => "L",
        "m3" => "m\u{b3}",
        "us_gal" => "gal",
        "ft3" => "ft\u{b3}",
        "ccf" => "\u{d7} 100 ft\u{b3}",
        "kgal" => "\u{d7} 1,000 gal",
        "kwh" => "kWh",
        "count" => "",
        other => other,
    }
}

/// Units in which suppliers print volumes, as bills and tariffs call them.
pub(super) const SUPPLIER_UNITS: [(RegisterUnit, &str); 6] = [
    (RegisterUnit::M3, "m\u{b3}"),
    (RegisterUnit::L, "L"),
    (RegisterUnit::UsGal, "gallon"),
    (RegisterUnit::Kgal, "1,000 gallons"),
    (RegisterUnit::Ccf, "100 ft\u{b3}"),
    (RegisterUnit::Ft3, "ft\u{b3}"),
];

/// A register as it was read: all its digits.
pub(super) fn register(value: f64) -> String {
    without_zeros(display::number(value, 15, 3, UnitSystem::Metric))
}

/// A figure within a sentence: all its digits.
pub(super) fn figure(value: f64) -> String {
    without_zeros(display::said(value, 3))
}

/// Without zeros that end its decimals.
fn without_zeros(number: String) -> String {
    if number.contains('.') { number.trim_end_matches('0').trim_end_matches('.').to_owned() } else { number }
}

/// How many.
pub(super) fn count(number: usize) -> String {
    display::said_exactly(number.into())
}

/// An amount of money.
pub(super) fn money(amount: Money) -> String {
    display::money(amount, UnitSystem::Us)
}

/// A register as a form takes it.
pub(super) fn plain(value: f64) -> String {
    value.to_string()
}

/// The unit in which a stream is summed up.
pub(super) fn stream_unit(stream: Stream) -> &'static str {
    match stream.dimension() {
        Dimension::Volume => "L",
        Dimension::Energy => "kWh",
        Dimension::Duration => "h",
        Dimension::Events => "",
    }
}

/// What one count of a register is: with painted zeros, several units.
pub(super) fn counts(facts: &MeterFacts) -> String {
    let unit = register_unit(facts.unit.as_str());
    if facts.multiplier > 1.0 {
        format!("\u{d7}\u{a0}{}\u{a0}{unit}", figure(facts.multiplier))
    } else {
        unit.to_owned()
    }
}

/// A register with what its counts are.
pub(super) fn register_in(value: f64, facts: &MeterFacts) -> String {
    format!("{}\u{a0}{}", register(value), counts(facts)).trim_end().to_owned()
}

/// Where a register will probably stand.
pub(super) fn expected(expected: Option<Expected>, facts: &MeterFacts) -> String {
    let Some(range) = expected else { return NONE.to_owned() };
    let over = if range.rolls_over() { ", through zero" } else { "" };
    format!("{} to {}{over}", register(range.from()), register_in(range.to(), facts))
}

/// An instant by the clock of the site.
pub(super) fn instant(zone: Tz, at: DateTime<Utc>) -> String {
    at.with_timezone(&zone).format("%-d\u{a0}%b\u{a0}%Y, %H:%M").to_string()
}

/// A stretch of time by the days of the site.
pub(super) fn stretch(zone: Tz, span: Span) -> String {
    let day = |at: DateTime<Utc>| at.with_timezone(&zone).format("%-d\u{a0}%b\u{a0}%Y").to_string();
    match span.to() {
        Some(to) => format!("{} to {}", day(span.from()), day(to)),
        None => format!("since {}", day(span.from())),
    }
}

/// A local day.
pub(super) fn day(day: NaiveDate) -> String {
    day.format("%-d\u{a0}%b\u{a0}%Y").to_string()
}

/// When something is due, from the present day.
pub(super) fn due(on: NaiveDate, today: NaiveDate) -> String {
    match (today - on).num_days() {
        0 => "today".to_owned(),
        1 => format!("1 day late ({})", day(on)),
        late if late > 0 => format!("{late} days late ({})", day(on)),
        -1 => format!("tomorrow ({})", day(on)),
        ahead => format!("in {} days ({})", -ahead, day(on)),
    }
}

/// What makes work due.
pub(super) fn due_by(by: Option<DueBy>) -> &'static str {
    match by {
        Some(DueBy::Calendar) => "by the calendar",
        Some(DueBy::Yearly) => "by the day of the year",
        Some(DueBy::Installation) => "by its installation here",
        Some(DueBy::Hours) => "by hours of running",
        Some(DueBy::Starts) => "by starts",
        Some(DueBy::Washes) => "by washes",
        Some(DueBy::Litres) => "by litres of wash water",
        None => NONE,
    }
}

/// What ages a part.
pub(super) fn run_basis(basis: RunBasis) -> &'static str {
    match basis {
        RunBasis::Hours => "hours of running",
        RunBasis::Days => "days",
        RunBasis::Starts => "starts",
        RunBasis::Washes => "washes",
        RunBasis::Litres => "litres",
    }
}

/// Where an age comes from.
pub(super) fn age_source(source: AgeSource) -> &'static str {
    match source {
        AgeSource::Calendar => "by the calendar",
        AgeSource::OwnCounter => "by its own counter",
        AgeSource::UnitCounter => "by the unit's counter",
        AgeSource::Assumed => "assumed: nothing counts it",
    }
}

/// Who a reading is from.
pub(super) fn source(source: Source) -> &'static str {
    match source {
        Source::HAND => "the dealer\u{2019}s people",
        Source::CUSTOMER => "the customer",
        Source::IMPORT => "a table",
        _ => "a program",
    }
}

/// What is asked about a register that is doubtful.
pub(super) fn doubt(doubt: Doubt, register: f64, facts: &MeterFacts) -> String {
    let says = register_in(register, facts);
    match doubt {
        Doubt::Below => format!("The register says {says}? That is less than at the last reading. Is it right?"),
        Doubt::Outside => format!("The register says {says}? Other values were expected. Is it right?"),
    }
}

/// What is wrong with a step.
pub(super) fn exception(kind: &str) -> &'static str {
    exception_words(ExceptionKind::from_name(kind))
}

/// What probably happened.
pub(super) fn slip(slip: Option<&str>) -> &'static str {
    let known = slip.and_then(Slip::from_name);
    known.map_or("No likely slip was found: look at the register again.", Slip::words)
}

/// A length of time as people say it: hours and minutes below two days, days above.
pub(super) fn duration(time: Duration) -> String {
    let minutes = time.num_minutes().max(0);
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) if hours < 48 => format!("{hours} h {minutes} min"),
        (hours, _) => format!("{} days", hours / 24),
    }
}

/// An amount of an item.
pub(super) fn quantity(amount: Decimal, unit: &str) -> String {
    let unit = match unit {
        "l" => "L",
        "piece" => "pc",
        other => other,
    };
    format!("{}\u{a0}{unit}", display::said_exactly(amount.normalize()))
}

/// How long a stock lasts.
pub(super) fn run_out(forecast: &Forecast, today: NaiveDate) -> String {
    if forecast.model.is_none() {
        return "too little of a past to say".to_owned();
    }
    if forecast.nothing_says_how_much() {
        return "nobody counted or dipped what is there".to_owned();
    }
    let Some(likely) = forecast.likely else {
        return forecast.earliest.map_or_else(
            || "more than three years".to_owned(),
            |earliest| format!("likely more than three years; at the earliest until {}", day(earliest)),
        );
    };
    let earliest = day(forecast.earliest.unwrap_or(likely));
    let between = match forecast.latest {
        Some(latest) => format!("({earliest} to {})", day(latest)),
        None => format!("({earliest} or later)"),
    };
    match (likely - today).num_days() {
        days if days <= 0 => format!("likely used up since {} {between}", day(likely)),
        1 => format!("about a day, until {} {between}", day(likely)),
        days => format!("about {days} days, until {} {between}", day(likely)),
    }
}

/// A use that is out of line, by the days of its place; none for one that is in line.
pub(super) fn use_finding(row: &Foreseen, zone: Tz) -> Option<String> {
    let forecast = &row.forecast;
    let way = if forecast.use_is.as_deref()? == "above" { "more" } else { "less" };
    let (since, actual, expected) = (forecast.use_since?, forecast.use_actual?, forecast.use_expected?);
    Some(format!(
        "{}, {}: {way} than expected since {}: {} {} where {} were expected.",
        row.place,
        row.item,
        day(local_date(zone, since)),
        display::said(actual, 0),
        row.unit,
        display::said(expected, 0)
    ))
}

/// Why a count differs from the ledger.
pub(super) fn count_difference(why: DifferenceWhy) -> &'static str {
    match why {
        DifferenceWhy::Used => "used, and not written down",
        DifferenceWhy::Lost => "spilt, broken or leaked",
        DifferenceWhy::Missing => "taken or missing",
        DifferenceWhy::EarlierError => "an earlier line was wrong",
        DifferenceWhy::Opening => "the ledger begins with this count",
        DifferenceWhy::Unknown => "looked into, not found out",
    }
}

/// Who pays for goods.
pub(super) fn payer(payer: Payer) -> &'static str {
    match payer {
        Payer::Included => "included in the agreement",
        Payer::Billed => "billed to the customer",
        Payer::Warranty => "warranty",
        Payer::AlreadyPaid => "paid for already",
    }
}

/// A finding at a unit with its begin.
pub(super) fn finding(found: &StoredFinding) -> Result<String, DbError> {
    let cost = found.cost().map(|CostPerDay { least, most }| match least == most {
        true => format!(" It costs {} a day.", money(least)),
        false => {
            format!(" It costs {} to {} a day, by how much else the water account uses.", money(least), money(most))
        }
    });
    let why = || found.no_cost.as_ref().map(|why| format!(" What it costs is not reckoned: {why}."));
    let cost = cost.or_else(why).unwrap_or_default();
    Ok(format!("{} Since {}.{cost}", found.words()?, display::date(found.since)))
}

/// How an agreement that is not over ends.
pub(super) fn term_ends(term: Term) -> String {
    let ends = day(term.ends_on);
    match term.notice_by {
        Some(by) => format!("goes on from {ends} unless notice is given by {}", day(by)),
        None => format!("ends, and {ends} is the first day without it"),
    }
}

/// Why a savings report waits, and what to do about it.
pub(super) fn waits(report: &Waiting) -> (String, &'static str) {
    match (report.proposed, report.complete, report.exceptions) {
        (true, ..) => ("a revision is proposed".to_owned(), "Decide on it"),
        (_, false, _) => ("the draft was made before the month was over".to_owned(), "See the draft"),
        (_, _, 1) => ("one step between readings waits for a decision".to_owned(), "See which"),
        (_, _, n) if n > 1 => (format!("{n} steps between readings wait for a decision"), "See which"),
        _ if report.missing > 0 => ("some of its figures lack what they stand on".to_owned(), "See what"),
        _ => ("nothing is against issuing it".to_owned(), "Look and issue it"),
    }
}

/// A role in words.
pub(super) fn role(role: Role) -> &'static str {
    match role {
        Role::Owner => "owner",
        Role::Office => "office",
        Role::Technician => "technician",
        Role::CustomerViewer => "customer, looks only",
        Role::CustomerReader => "customer, enters readings too",
        Role::Client => "program",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::money::Currency;

    #[test]
    fn thousands_are_parted() {
        let amount = Money { amount: Decimal::new(123_450, 2), currency: Currency::parse("EUR").unwrap() };
        assert_eq!(money(amount), "1,234.50\u{a0}EUR");
        assert_eq!(quantity(Decimal::new(125_000, 2), "l"), "1,250\u{a0}L");
        assert_eq!([figure(6000.0), figure(1234.5)], ["6,000", "1,234.5"]);
    }
}
