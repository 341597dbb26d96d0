//! What the balance of a site whose meters make up one together is made of.

use super::fact::{self, Of, Whose};
use super::fill::Fills;
use super::period_fact::{self, StoredPeriod};
use super::subject_meters::{self, SubjectMeter};
use super::{DbError, Tx, fill, placement, site};
use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use domain::facts::DayFact;
use domain::ids::SiteId;
use domain::span::Span;
use domain::water::statement::Statement;
use domain::zone::Month;
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// How many days before and after those that are asked for a round may lie that a period begins or ends with.
const DAYS_AROUND: u64 = 400;

/// A site with the units that stood there, as far as the scope reaches.
#[derive(Debug)]
pub struct Yard {
    /// The site.
    pub id: Uuid,
    /// Its zone.
    pub zone: Tz,
    /// When units stood there: the placement, its span.
    pub stays: Vec<(Uuid, Span)>,
    /// The meters of placements and of the site.
    pub meters: HashMap<Uuid, Vec<SubjectMeter>>,
    /// What one fill of its units takes.
    pub fills: Fills,
}

/// The months of a site.
#[derive(Debug)]
pub struct Months {
    /// Those in which something was measured.
    pub months: BTreeSet<Month>,
    /// The statements of placements and of the site.
    pub statements: HashMap<(Uuid, Month), Statement>,
    /// Their days, in order.
    pub days: HashMap<(Uuid, Month), Vec<DayFact>>,
    /// Up to when it counts.
    pub now: DateTime<Utc>,
}

/// A site that has meters of its own; `None` for one that has none, as most.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope.
pub async fn yard(tx: &Tx<'_>, id: SiteId) -> Result<Option<Yard>, DbError> {
    let own = subject_meters::of(tx, &[id.0]).await?;
    if own.is_empty() {
        return Ok(None);
    }
    let zone = site::get(tx, id).await?.value.time_zone;
    let placed = placement::at_site(tx, id).await?;
    let stays: Vec<(Uuid, Span)> = placed.iter().map(|stay| (stay.id.0, stay.value.span)).collect();
    let mut meters = subject_meters::of(tx, &stays.iter().map(|stay| stay.0).collect::<Vec<_>>()).await?;
    meters.extend(own);
    let fills = fill::of(tx, &[id.0]).await?;
    Ok(Some(Yard { id: id.0, zone, stays, meters, fills }))
}

/// Its months from the first to the last.
///
/// # Errors
/// When the database fails.
pub async fn months(tx: &Tx<'_>, yard: &Yard, (first, last): (Month, Month)) -> Result<Months, DbError> {
    let stored = fact::months(tx, Whose::Site(yard.id), first, last).await?;
    let subjects: BTreeSet<Uuid> = stored.iter().map(|month| month.subject_id).collect();
    let statements = fact::statements(tx, &subjects.into_iter().collect::<Vec<_>>(), first, last).await?;
    let mut days: HashMap<(Uuid, Month), Vec<DayFact>> = HashMap::new();
    for day in fact::days(tx, Of::Site(yard.id), first.first_day(), last.last_day()).await? {
        days.entry((day.subject_id, Month::of(day.fact.date))).or_default().push(day.fact);
    }
    let months = stored.iter().map(|month| month.fact.month).collect();
    Ok(Months { months, statements, days, now: tx.now() })
}

/// The read periods of all that is measured there, in order, that may be of a period that reaches into these
/// UTC days.
///
/// # Errors
/// When the database fails.
pub async fn periods(
    tx: &Tx<'_>,
    yard: &Yard,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<Vec<StoredPeriod>, DbError> {
    let around = Days::new(DAYS_AROUND);
    let from = from.checked_sub_days(around).unwrap_or(from);
    let to = to.checked_add_days(around).unwrap_or(to);
    period_fact::periods(tx, Of::Site(yard.id), from, to).await
}
