//! What a service event says of what was done, in words: a part of the page of its unit.

use super::handover::kind_words as setting_words;
use super::replacement::why_words;
use super::words;
use crate::db::service::event::Recorded;
use chrono::{Months, NaiveDate};
use chrono_tz::Tz;
use domain::measures::calibration::{Point, Probe};
use domain::placement::LevelThen;
use domain::service::details::{
    Calibrated, CleanOut, Details, Failure, Found, GunTest, HandoverDone, Looked, Replacement, Setting,
};
use domain::service::event::{Line, LineKind, LineUnit, Signature};
use domain::zone::local_date;

/// What was done, in a few words.
pub(super) fn title(details: &Details) -> String {
    match details {
        Details::Visit(_) => "Visit".to_owned(),
        Details::CleanOut(_) => "Clean-out".to_owned(),
        Details::Calibration(_) => "A probe was held against standards".to_owned(),
        Details::Replacement(done) => format!("Replaced: {}", done.part),
        Details::Adjustment(_) => "Settings were changed".to_owned(),
        Details::Inspection(_) => "Looked over".to_owned(),
        Details::Failure(failed) => format!("Failed: {}", failed.part),
        Details::Handover(_) => "Handed over".to_owned(),
    }
}

/// All that the event says besides, a sentence each. Lines are there for the dealer's people alone.
pub(super) fn sentences(event: &Recorded, zone: Tz) -> Vec<String> {
    let value = &event.value;
    let mut said: Vec<String> = match &value.details {
        Details::Visit(visit) => visit.purpose.iter().map(|purpose| format!("For: {purpose}.")).collect(),
        Details::CleanOut(done) => clean_out(done, local_date(zone, value.at)),
        Details::Calibration(done) => calibrated(done),
        Details::Replacement(done) => replaced(done),
        Details::Adjustment(done) => done.settings.iter().map(setting).collect(),
        Details::Inspection(_) => Vec::new(),
        Details::Failure(failed) => failure(failed),
        Details::Handover(done) => handed_over(done),
    };
    said.extend(value.details.looked_at().iter().map(looked));
    said.extend(event.warranty_starts_on.map(|day| format!("Warranty starts on {}.", words::day(day))));
    said.extend(value.order_number.as_ref().map(|number| format!("Order number {number}.")));
    let signed =
        |signature: &Signature| format!("Signed by {}, {}.", signature.name, words::instant(zone, signature.at));
    said.extend(value.signature.as_ref().map(signed));
    said.extend(value.lines.iter().map(line));
    said.extend(event.why.as_ref().map(|why| format!("It was corrected: {why}")));
    said
}

/// The papers are kept from the day of the load on.
fn clean_out(done: &CleanOut, on: NaiveDate) -> Vec<String> {
    let CleanOut { hauler, ticket, waste_class, volume_l, destination, refill_l, refill_metered, keep_papers_years } =
        done;
    let load = format!(
        "{hauler} took {}\u{a0}L to {destination}: ticket {ticket}, waste class as declared: {waste_class}.",
        words::register(*volume_l)
    );
    let metered = if *refill_metered { ", through a meter" } else { "" };
    let refill = refill_l.map(|litres| format!("Filled again with {}\u{a0}L{metered}.", words::register(litres)));
    let until = on.checked_add_months(Months::new(12 * u32::from(*keep_papers_years)));
    let papers = until.map(|until| format!("Its papers are kept until {}.", words::day(until)));
    std::iter::once(load).chain(refill).chain(papers).collect()
}

fn calibrated(done: &Calibrated) -> Vec<String> {
    let (probe, unit) = match done.probe {
        Probe::Ph => ("pH", ""),
        Probe::Orp => ("ORP", "\u{a0}mV"),
        Probe::DissolvedOxygen => ("Dissolved oxygen", "\u{a0}mg/L"),
    };
    let point = |point: &Point| {
        let shown = format!("{}{unit}", words::register(point.shown));
        let standard =
            point.standard.map_or_else(|| "air".to_owned(), |value| format!("{}{unit}", words::register(value)));
        let lot = point.lot.as_ref().map_or_else(String::new, |lot| format!(" (lot {lot})"));
        format!("{shown} in {standard}{lot}")
    };
    let points = |all: &[Point]| all.iter().map(point).collect::<Vec<_>>().join(", ");
    let found = format!(
        "{probe} at {}\u{a0}\u{b0}C, as found: {}.",
        words::register(done.temperature_c),
        points(&done.as_found)
    );
    let left = done.as_left.as_ref().map(|left| format!("As left: {}.", points(left)));
    std::iter::once(found).chain(left).collect()
}

fn replaced(done: &Replacement) -> Vec<String> {
    vec![format!("Why the old one went: {}.", why_words(done.why))]
}

fn setting(row: &Setting) -> String {
    let Setting { setting, place, unit, found, left } = row;
    format!(
        "{place}, {}: {} {unit} as found, {} {unit} as left.",
        setting_words(*setting),
        words::register(*found),
        words::register(*left)
    )
}

fn failure(failed: &Failure) -> Vec<String> {
    let Failure { symptom, mode, mechanism, cause, .. } = failed;
    [
        ("Noticed", symptom.says()),
        ("In which way", mode.says()),
        ("What happened in it", mechanism.says()),
        ("Why", cause.says()),
    ]
    .into_iter()
    .map(|(level, says)| format!("{level}: {}.", lower(says)))
    .collect()
}

/// The same with a small letter first.
fn lower(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

fn looked(row: &Looked) -> String {
    let found = match row.found {
        Found::Good => "in good order",
        Found::Watch => "to be watched",
        Found::Bad => "to be put right",
    };
    let note = row.note.as_ref().map_or_else(String::new, |note| format!(" ({note})"));
    format!("{}: {found}{note}.", row.what)
}

fn handed_over(done: &HandoverDone) -> Vec<String> {
    let HandoverDone { readings, guns, settings, training, fallback_tried, .. } = done;
    let level = |one: &LevelThen| format!("{}: {}\u{a0}L in it.", one.place, words::register(one.volume_l));
    let gun = |one: &GunTest| {
        format!("Gun {}: {}\u{a0}L in {}\u{a0}s.", one.gun, words::register(one.litres), words::register(one.seconds))
    };
    let left = |one: &Setting| {
        format!("{}, {}: {} {}.", one.place, setting_words(one.setting), words::register(one.left), one.unit)
    };
    let tried = if *fallback_tried { "Washing on the fallback was tried." } else { "The fallback was not tried." };
    let mut said: Vec<String> = readings.levels.iter().map(level).collect();
    said.extend(guns.iter().map(gun));
    said.extend(settings.iter().map(left));
    said.extend(training.iter().map(|one| format!("Shown: {one}.")));
    said.push(tried.to_owned());
    said
}

fn line(line: &Line) -> String {
    let kind = match line.kind {
        LineKind::Labour => "Work",
        LineKind::Travel => "Travel",
        LineKind::Part => "Part",
        LineKind::Consumable => "Used",
    };
    let unit = match line.unit {
        LineUnit::Pieces => "pc",
        LineUnit::Litres => "L",
        other => other.as_str(),
    };
    format!("{kind}: {}, {}\u{a0}{unit}.", line.what, line.quantity.normalize())
}
