//! A report in one sentence, in a language other than the one that it was made in.

use super::words::Words;
use domain::report::SavingsReport;
use domain::report::display;
use domain::report::figure::{Figure, Name, Printed, Reason, Value};
use domain::report::readings::Readings;
use domain::report::style::Language;

/// The sentence: as it was made where that was in this language.
pub(super) fn of(r: &SavingsReport, words: &Words) -> String {
    if words.language() == Language::English {
        return r.sentence.clone();
    }
    let (customer, month) = (r.customer.as_str(), words.month(r.month));
    let named: [(&str, &str); 2] = [("customer", customer), ("month", month.as_str())];
    let Some(to) = r.period.to else { return words.with("sentence-not-begun", &named) };
    if r.units.is_empty() && r.made.meters.is_empty() {
        return words.with("sentence-no-unit", &named);
    }
    let Some(fresh) = r.figure(Name::FreshUsed).and_then(Figure::printed) else {
        let name = match r.figure(Name::FreshUsed) {
            Some(Figure::Withheld(why)) if why.reason == Reason::NotRead => "sentence-not-read",
            Some(Figure::Withheld(why)) if why.reason == Reason::Gap => "sentence-little",
            _ => "sentence-no-meter",
        };
        return words.with(name, &named);
    };
    let when = if r.period.complete {
        month.clone()
    } else {
        words.with("sentence-up-to", &[("month", &month), ("to", &words.date(to))])
    };
    let shown = |printed: &Printed| display::figure(printed, words.format);
    let short = short(fresh, words);
    let base = [("customer", customer), ("when", when.as_str()), ("short", short.as_str())];
    let say = |name: &str, more: &[(&str, &str)]| words.with(name, &[&base[..], more].concat());
    let printed = |name: Name| r.figure(name).and_then(Figure::printed);
    let fresh = shown(fresh);
    match (printed(Name::Washed), printed(Name::Recycled)) {
        (Some(washed), Some(recycled)) => {
            let loss = matches!(recycled.value, Value::Litres(litres) if litres < 0.0);
            let name = if loss { "sentence-loss" } else { "sentence-balanced" };
            let share =
                printed(Name::ReuseShare).map(|share| words.with("sentence-share", &[("share", &shown(share))]));
            let (at, share) = (at(recycled, words), share.unwrap_or_default());
            let amounts = [("washed", shown(washed)), ("recycled", shown(recycled)), ("at", at), ("share", share)];
            let amounts = amounts.each_ref().map(|(key, value)| (*key, value.as_str()));
            say(name, &[&[("fresh", fresh.as_str())], &amounts[..]].concat())
        }
        _ => say("sentence-fresh", &[("fresh", &fresh), ("because", &because(r.figure(Name::Recycled), words))]),
    }
}

/// What its readings come to, in the same way.
pub(super) fn of_readings(r: &SavingsReport, readings: &Readings, words: &Words) -> String {
    let days = readings.days().filter(|_| words.language() != Language::English);
    let Some((from, to)) = days else { return readings.sentence.clone() };
    let shown = |printed: &Printed| display::figure(printed, words.format);
    let (from, to, month) = (words.date(from), words.date(to), words.month(r.month));
    let fresh = readings.fresh_used.printed().map(shown).unwrap_or_default();
    let base: [(&str, &str); 3] = [("from", &from), ("to", &to), ("fresh", &fresh)];
    let say = |name: &str, more: &[(&str, &str)]| words.with(name, &[&base[..], more].concat());
    let named: [(&str, &str); 2] = [("customer", &r.customer), ("month", &month)];
    if fresh.is_empty() {
        return say("sentence-readings-unknown", &named);
    }
    let [span] = readings.spans.as_slice() else {
        let mut said = say("sentence-readings-all", &named);
        let without =
            [("sentence-without-days", readings.have_hole()), ("sentence-without-bays", readings.have_unknown())];
        for (name, _) in without.into_iter().filter(|(_, holds)| *holds) {
            said = format!("{said} {}", words.say(name));
        }
        return said;
    };
    let Some((washed, recycled)) = span.printed(Name::Washed).zip(span.printed(Name::Recycled)) else {
        return say("sentence-readings", &[("of", &span.of)]);
    };
    let loss = matches!(recycled.value, Value::Litres(litres) if litres < 0.0);
    let name = if loss { "sentence-readings-loss" } else { "sentence-readings-balanced" };
    let share = span.printed(Name::ReuseShare).map(|share| words.with("sentence-share", &[("share", &shown(share))]));
    let (washed, recycled, share) = (shown(washed), shown(recycled), share.unwrap_or_default());
    say(name, &[("of", &span.of), ("washed", &washed), ("recycled", &recycled), ("share", &share)])
}

/// How many of the units a balance is of, where not of all.
fn at(recycled: &Printed, words: &Words) -> String {
    if recycled.units_covered == recycled.units {
        return String::new();
    }
    let (covered, units) = (recycled.units_covered.to_string(), recycled.units.to_string());
    words.with("sentence-at", &[("covered", &covered), ("units", &units)])
}

fn because(recycled: Option<&Figure>, words: &Words) -> String {
    match recycled {
        Some(Figure::Withheld(why)) if why.reason == Reason::MetersDoNotSupport => words.say("because-meters"),
        Some(Figure::Withheld(_)) => words.say("because-little"),
        _ => String::new(),
    }
}

/// What the figure does not cover, so that no total is taken for the whole.
fn short(fresh: &Printed, words: &Words) -> String {
    let mut parts = Vec::new();
    if fresh.units_covered < fresh.units {
        let (covered, units) = (fresh.units_covered.to_string(), fresh.units.to_string());
        parts.push(words.with("short-units", &[("covered", &covered), ("units", &units)]));
    }
    if fresh.coverage < 0.98 {
        let name = if parts.is_empty() { "short-read" } else { "short-read-some" };
        parts.push(words.with(name, &[("coverage", &display::coverage(fresh.coverage))]));
    }
    if parts.is_empty() { String::new() } else { words.with("short", &[("parts", &parts.join("; "))]) }
}
