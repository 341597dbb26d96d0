//! Figures of hours: folded anew from the readings of the time, since no night run keeps them.

use super::super::water::{meters_of, serving};
use crate::db::subject_meters::SubjectMeter;
use crate::db::{DbError, Tx, trace};
use crate::problem::{Kind, Problem};
use crate::readings::intake::in_background;
use chrono::{DateTime, Duration, NaiveDate, NaiveTime, Utc};
use domain::facts::Amounts;
use domain::trace::Window;
use domain::trace::hours::{HourFact, hours};
use domain::trace::subject::SubjectInput;
use domain::uncertainty::stretch::of_volumes;
use std::collections::HashMap;
use uuid::Uuid;

/// Most days of one answer.
pub(in crate::http) const DAYS_MAX: i64 = 31;

/// Whether so many days are too many.
///
/// # Errors
/// When they are.
pub(in crate::http) fn few((from, to): (NaiveDate, NaiveDate)) -> Result<(), Problem> {
    if (to - from).num_days() < DAYS_MAX {
        return Ok(());
    }
    let detail = format!("Ask for the hours of at most {DAYS_MAX} days at once; several requests give the rest.");
    Err(Problem::at(Kind::Invalid, "/to", "too_long", detail))
}

/// An hour of one subject.
pub(in crate::http) struct Hour {
    /// The placement, or the site.
    pub(in crate::http) subject_id: Uuid,
    /// The unit; `None` for a site's own meters.
    pub(in crate::http) unit_id: Option<Uuid>,
    /// The site.
    pub(in crate::http) site_id: Uuid,
    /// What was used.
    pub(in crate::http) fact: HourFact,
    /// The expanded uncertainty of each volume, in litres.
    pub(in crate::http) expanded: Amounts,
}

/// What hours are folded from.
pub(in crate::http) struct Readings {
    inputs: Vec<SubjectInput>,
    meters: HashMap<Uuid, Vec<SubjectMeter>>,
    days: (NaiveDate, NaiveDate),
}

/// How far a local day may reach beyond the UTC day of its date, in hours: zones are 12 behind UTC to 14
/// ahead of it.
const AHEAD_H: i64 = 14;
const BEHIND_H: i64 = 12;

impl Readings {
    /// Of a unit or a site, as far as the scope reaches.
    ///
    /// # Errors
    /// When the database fails.
    pub(in crate::http) async fn read(
        tx: &Tx<'_>,
        (unit, site): (Option<Uuid>, Option<Uuid>),
        days: (NaiveDate, NaiveDate),
    ) -> Result<Self, DbError> {
        let midnight = |date: NaiveDate| date.and_time(NaiveTime::MIN).and_utc();
        let from: DateTime<Utc> = midnight(days.0) - Duration::hours(AHEAD_H);
        let to = midnight(days.1) + Duration::hours(24 + BEHIND_H);
        let mut inputs = trace::subjects(tx, unit, site, Window::Period { from, to }).await?;
        // A unit at another site of those asked for is of no interest there.
        inputs.retain(|input| site.is_none_or(|site| input.site_id == site));
        let meters = meters_of(tx, inputs.iter().map(|input| input.id)).await?;
        Ok(Self { inputs, meters, days })
    }

    /// Whose hours they are.
    pub(in crate::http) fn subjects(&self) -> Vec<Uuid> {
        self.inputs.iter().map(|input| input.id).collect()
    }

    /// The hours, in order of time.
    ///
    /// # Errors
    /// When a meter has more readings in the time than one answer takes.
    pub(in crate::http) async fn hours(self) -> Result<Vec<Hour>, Problem> {
        if self.inputs.iter().flat_map(|input| &input.meters).any(|meter| meter.too_many.is_some()) {
            let detail = "There are too many readings in the time for one answer: ask for fewer days.";
            return Err(Problem::at(Kind::Invalid, "/to", "too_long", detail));
        }
        in_background(move || self.folded()).await
    }

    fn folded(&self) -> Vec<Hour> {
        let of_subject = |input: &SubjectInput| {
            let (subject_id, unit_id, site_id) = (input.id, input.unit_id, input.site_id);
            let hour = move |fact: HourFact| {
                let own = serving(&self.meters, subject_id, (fact.date, fact.date));
                let expanded = of_volumes(&fact.amounts, &own, fact.estimated_share);
                Hour { subject_id, unit_id, site_id, fact, expanded }
            };
            hours(input, self.days).into_iter().map(hour).collect::<Vec<_>>()
        };
        let mut found: Vec<Hour> = self.inputs.iter().flat_map(of_subject).collect();
        found.sort_by_key(|hour| (hour.fact.from, hour.subject_id));
        found
    }
}
