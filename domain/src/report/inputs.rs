//! What a report is made of, as the database gives it.

use super::actual_bills::BillEvidence;
use super::style::ReportStyle;
use super::upkeep::Upkeep;
use crate::accounts::day_uses::SiteDay;
use crate::accounts::site_money::SiteMoney;
use crate::customer::UnitSystem;
use crate::facts::{DayFact, MonthFact};
use crate::measures::volume_event::VolumeEvent;
use crate::metering::step::ExceptionKind;
use crate::metering::stream::{ReadBy, Stream};
use crate::period_facts::PeriodFact;
use crate::placement::Terms;
use crate::span::Span;
use crate::spell::Spell;
use crate::uncertainty::quantity::Quantity;
use crate::units::Litres;
use crate::water::statement::Statement;
use crate::zone::{Month, day_bounds, local_date, next_day};
use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use std::collections::HashMap;
use uuid::Uuid;

/// Months on both sides of one that a billing cycle touching it may reach into. What lies farther
/// is not known to a report.
pub const CYCLE_MONTHS: usize = 3;

/// Everything a report of one customer and month is made of.
#[derive(Debug, Clone)]
pub struct Inputs {
    /// The dealer's name.
    pub dealer: String,
    /// The customer's name.
    pub customer: String,
    /// The month.
    pub month: Month,
    /// In which units figures are shown.
    pub unit_system: UnitSystem,
    /// The instant up to which the month is reported; days that are not over do not count.
    pub now: DateTime<Utc>,
    /// What was measured or stood at the customer's sites in the thirteen months up to it.
    pub subjects: Vec<Subject>,
    /// The days of all that measures at each site, in order, of the billing cycles that touch the
    /// month: of [`CYCLE_MONTHS`] before and after it too.
    pub site_days: HashMap<Uuid, Vec<SiteDay>>,
    /// Fresh water used at each site in the other months of those cycles, with its errors by name: what
    /// a step across the end of a month gave to one of them the other one lacks.
    pub fresh: HashMap<(Uuid, Month), Quantity>,
    /// When units stood at each site, those that reach into the same time.
    pub stays: HashMap<Uuid, Vec<Span>>,
    /// Baselines, accounts and tariffs of the sites.
    pub money: Vec<SiteMoney>,
    /// Bills as they came that the report tells of, in order, each with all that explains it.
    pub bills: Vec<BillEvidence>,
    /// Service, consumables and samples of the month.
    pub upkeep: Upkeep,
    /// How the dealer's reports look.
    pub style: ReportStyle,
    /// Fills, drains and hauled loads of units in and around the month, by unit, in order.
    pub moved: HashMap<Uuid, Vec<VolumeEvent>>,
}

/// One unit at one of the customer's sites, or a site whose meters serve several units.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The placement, or the site.
    pub id: Uuid,
    /// The site.
    pub site_id: Uuid,
    /// The site's name.
    pub site: String,
    /// The site's zone.
    pub zone: Tz,
    /// The unit, for a placement.
    pub unit: Option<PlacedUnit>,
    /// Volume of one fill between the floats, of the units that stood there in the month, as far as it is known of
    /// them; `None` where it is known of none.
    pub fill: Option<Litres>,
    /// The meters attached to it in the month.
    pub meters: Vec<MeterLine>,
    /// Its days in the month, in order.
    pub days: Vec<DayFact>,
    /// Its months, the last thirteen at most, in order.
    pub months: Vec<MonthFact>,
    /// Its read periods that reach into these months, in order.
    pub periods: Vec<ReadStretch>,
    /// The parts of its balance in the month.
    pub statement: Statement,
    /// Steps in the month that wait for a decision.
    pub exceptions: Vec<OpenException>,
}

/// What lies between two rounds of readings.
#[derive(Debug, Clone)]
pub struct ReadStretch {
    /// What was used.
    pub fact: PeriodFact,
    /// The parts of its balance; none for one that was computed before these were kept, or ended in another
    /// month at a site without meters of its own.
    pub statement: Option<Statement>,
}

/// A unit while it stood at the customer's site.
#[derive(Debug, Clone)]
pub struct PlacedUnit {
    /// The unit.
    pub unit_id: Uuid,
    /// What the dealer's people call it.
    pub label: String,
    /// Its serial number.
    pub serial_number: String,
    /// Its model's name.
    pub model: Option<String>,
    /// From when until when it stood there.
    pub span: Span,
    /// On which terms.
    pub terms: Terms,
    /// Its states, in order; those that reach into the month at least.
    pub spells: Vec<Spell>,
}

/// A meter of a subject.
#[derive(Debug, Clone)]
pub struct MeterLine {
    /// What it is called.
    pub label: String,
    /// What it measures.
    pub stream: Stream,
    /// Who reads it.
    pub read_by: ReadBy,
    /// The share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// Its last reading by the end of the month.
    pub last_read_at: Option<DateTime<Utc>>,
}

/// A step that does not count until a person has decided.
#[derive(Debug, Clone)]
pub struct OpenException {
    /// The meter's label.
    pub meter: String,
    /// What it measures.
    pub stream: Stream,
    /// What is wrong; none for a kind this version does not know.
    pub kind: Option<ExceptionKind>,
    /// The earlier reading.
    pub from: DateTime<Utc>,
    /// The later reading.
    pub to: DateTime<Utc>,
}

impl Inputs {
    /// The subjects that have a part in the month itself.
    pub(crate) fn present(&self) -> Vec<&Subject> {
        self.subjects.iter().filter(|subject| subject.reaches(self.month)).collect()
    }

    /// The zones of the sites, each once.
    pub(super) fn zone_names(&self) -> Vec<String> {
        let mut names: Vec<String> = self.present().iter().map(|subject| subject.zone.name().to_owned()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// The month's days in a zone that are over; none before it begins.
    pub(super) fn days_over(&self, zone: Tz) -> impl Iterator<Item = NaiveDate> + use<> {
        let today = local_date(zone, self.now);
        let end = self.month.next().first_day().min(today);
        self.month.first_day().iter_days().take_while(move |date| *date < end)
    }

    /// The last day of the month that is over, in any of the zones; where nothing stood, in UTC.
    pub(super) fn last_day(&self) -> Option<NaiveDate> {
        let present = self.present();
        if present.is_empty() {
            return self.days_over(Tz::UTC).last();
        }
        present.iter().filter_map(|subject| self.days_over(subject.zone).last()).max()
    }

    /// The last day of the month.
    pub(super) fn month_end(&self) -> NaiveDate {
        let next = self.month.next().first_day();
        next.checked_sub_days(Days::new(1)).unwrap_or(next)
    }
}

impl Subject {
    /// How it is called: the unit with its site, or the site.
    #[must_use]
    pub fn name(&self) -> String {
        match &self.unit {
            Some(unit) => format!("{}, {}", unit.label, self.site),
            None => format!("{} (whole site)", self.site),
        }
    }

    /// Whether anything measures it.
    pub(super) fn measures(&self) -> bool {
        !self.meters.is_empty() || !self.days.is_empty()
    }

    /// Whether a counter counts its washes, read or not.
    pub(super) fn counts_washes(&self) -> bool {
        self.measures_stream(Stream::WashCount)
    }

    /// Whether a meter of the stream is attached to it in the month, read or not.
    pub(super) fn measures_stream(&self, stream: Stream) -> bool {
        let measures = |day: &DayFact| day.amounts.get(stream).is_some();
        self.meters.iter().any(|meter| meter.stream == stream) || self.days.iter().any(measures)
    }

    fn reaches(&self, month: Month) -> bool {
        let (start, end) = month.bounds(self.zone);
        match &self.unit {
            Some(unit) => unit.span.meets(start, end),
            None => !self.meters.is_empty() || !self.days.is_empty(),
        }
    }

    /// The part of a stretch of time, 0 to 1, in which it existed for the customer.
    pub(super) fn part_of(&self, start: DateTime<Utc>, end: DateTime<Utc>) -> f64 {
        let length_s = (end - start).as_seconds_f64();
        if length_s <= 0.0 {
            return 0.0;
        }
        self.unit.as_ref().map_or(1.0, |unit| unit.span.seconds_between(start, end) / length_s)
    }

    /// The part of a local day, 0 to 1, in which it existed for the customer.
    pub(super) fn part_of_day(&self, date: NaiveDate) -> f64 {
        let (start, end) = day_bounds(self.zone, date);
        self.part_of(start, end)
    }

    /// Its fact of a day.
    pub(super) fn day(&self, date: NaiveDate) -> Option<&DayFact> {
        self.days.binary_search_by_key(&date, |day| day.date).ok().and_then(|place| self.days.get(place))
    }

    /// Whether the day is wholly covered by accepted readings of all its meters, as far as it
    /// existed on it.
    pub(super) fn is_full(&self, date: NaiveDate) -> bool {
        self.day(date).is_some_and(|day| day.is_whole(self.part_of_day(date)))
    }
}

/// Whether `next` follows `date`.
pub(super) fn follows(date: NaiveDate, next: NaiveDate) -> bool {
    next_day(date) == next
}
