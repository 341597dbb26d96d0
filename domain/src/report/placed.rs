//! The table of units: each for the days that it stood at the customer's sites.

use super::figure::{Figure, Name, Reason, Withheld};
use super::inputs::{Inputs, PlacedUnit, Subject};
use super::model::{MeasuredBy, UnitRow};
use super::reckon::Case;
use super::stretch;
use crate::water::grade::Grade;
use crate::zone::local_date;

/// One row for each placement that reaches into the month.
pub(super) fn rows(inputs: &Inputs, present: &[&Subject]) -> Vec<UnitRow> {
    let placed = present.iter().filter_map(|subject| subject.unit.as_ref().map(|unit| (*subject, unit)));
    placed.map(|(subject, unit)| row(inputs, present, subject, unit)).collect()
}

fn row(inputs: &Inputs, present: &[&Subject], subject: &Subject, unit: &PlacedUnit) -> UnitRow {
    let measured_by = measured_by(present, subject);
    let case = Case::only(inputs, subject);
    let (fresh_used, recycled): (Figure, Figure) = match measured_by {
        MeasuredBy::OwnMeters => (case.figure(Name::FreshUsed).into(), case.figure(Name::Recycled).into()),
        MeasuredBy::SiteMeters => (by_site(), by_site()),
        MeasuredBy::Nothing => (unmeasured(), unmeasured()),
    };
    let fresh_used = match fresh_used {
        Figure::Withheld(own) if own.reason == Reason::MetersDoNotSupport => {
            Figure::Withheld(site_unread(inputs, present, subject).unwrap_or(own))
        }
        known => known,
    };
    let (hours, spells) = stretch::states(inputs, subject, unit);
    UnitRow {
        unit_id: unit.unit_id,
        label: unit.label.clone(),
        serial_number: unit.serial_number.clone(),
        model: unit.model.clone(),
        site: subject.site.clone(),
        time_zone: subject.zone.name().to_owned(),
        placed_on: local_date(subject.zone, unit.span.from()),
        left_on: unit.span.to().map(|to| local_date(subject.zone, to)),
        terms: unit.terms,
        measured_by,
        grade: case.tallies().first().map_or(Grade::NotMeasured, |tally| tally.grade()),
        fresh_used,
        recycled,
        lost_h: stretch::lost(&hours),
        hours,
        spells,
    }
}

fn measured_by(present: &[&Subject], subject: &Subject) -> MeasuredBy {
    if !subject.meters.is_empty() {
        return MeasuredBy::OwnMeters;
    }
    let shared = present.iter().any(|other| other.unit.is_none() && other.site_id == subject.site_id);
    if shared { MeasuredBy::SiteMeters } else { MeasuredBy::Nothing }
}

/// That nobody read the fresh water of the site's own meters.
fn site_unread(inputs: &Inputs, present: &[&Subject], subject: &Subject) -> Option<Withheld> {
    let site = present.iter().find(|other| other.unit.is_none() && other.site_id == subject.site_id)?;
    Case::only(inputs, site).fresh_used().err().filter(|why| why.reason == Reason::NotRead)
}

fn by_site() -> Figure {
    let words = "Measured by the site's meters, together with all that stands there.";
    Figure::Withheld(Withheld::new(Reason::MetersDoNotSupport, words))
}

fn unmeasured() -> Figure {
    Figure::Withheld(Withheld::new(Reason::MetersDoNotSupport, "No meter measures this unit."))
}
