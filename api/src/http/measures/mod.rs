//! Notes of units and sites under `/v1/units/{id}/…` and `/v1/sites/{id}/…`: each kind is added,
//! listed and withdrawn, and those that hold from-to are ended. Each has a list over all units or sites too.

pub mod billed_items;
pub mod calibrations;
pub mod dips;
pub mod dosing;
pub mod gauge_readings;
pub mod guns;
pub mod investments;
pub mod loss_coefficients;
pub mod rain;
pub mod samples;
pub mod volume_events;
pub mod wash_chemicals;
pub mod wash_sessions;
pub mod wash_tallies;
pub mod working_days;

use super::answer::{self, Paging, Sorting};
use super::series::{AskOf, AskOfSites};
use super::table::{self, Tabled, listed};
use crate::auth::Caller;
use crate::db::measures::dated::{self, Dated};
use crate::db::measures::{self, Note, Noted, Window, Withdrawn, of_sites as everywhere, of_units as all};
use crate::db::page::After;
use crate::db::{Db, Tx};
use crate::extract::{IdempotencyKey, instant};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use domain::fault::Faults;
use domain::ids::{NoteId, SiteId, UnitId};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .configure(gauge_readings::routes)
        .configure(samples::routes)
        .configure(calibrations::routes)
        .configure(volume_events::routes)
        .configure(rain::routes)
        .configure(guns::routes)
        .configure(wash_sessions::routes)
        .configure(wash_tallies::routes)
        .configure(loss_coefficients::routes)
        .configure(working_days::routes)
        .configure(billed_items::routes)
        .configure(investments::routes)
        .configure(wash_chemicals::routes)
        .configure(dips::routes)
        .configure(dosing::routes);
}

/// A note is written once; its withdrawal or end shows in the note itself.
const WRITTEN_ONCE: i32 = 1;

/// How a kind of note is sent, and shown again.
pub(in crate::http) trait Shape: Serialize {
    /// The note.
    type Note: Note;
    /// What is shown of it.
    type Shown: Tabled;
    /// The field with which the time of a note begins: its list of one unit or site is sorted by it when nothing is said.
    const OWN: &'static str = "at";

    /// The note that was sent at `now`.
    fn parse(&self, now: DateTime<Utc>) -> Result<Self::Note, Faults>;

    /// What is shown of a stored note.
    fn shown(note: &Self::Note) -> Self::Shown;
}

/// Something noted down at a unit or site.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Noted)]
pub struct NotedView<T> {
    id: Uuid,
    #[serde(flatten)]
    record: T,
    /// The account that noted it down.
    recorded_by: Option<Uuid>,
    /// When it was noted down.
    created_at: DateTime<Utc>,
    /// When it was last written: withdrawn or, of one that went on, ended since; otherwise when it was noted down.
    changed_at: DateTime<Utc>,
    /// Why it does not count, if it was withdrawn.
    #[schema(example = json!(null))]
    withdrawn: Option<WithdrawnView>,
}

/// A note, and the site that it is of.
#[derive(Debug, Serialize, ToSchema)]
pub struct OfSite<T> {
    /// The site.
    site_id: Uuid,
    #[serde(flatten)]
    noted: NotedView<T>,
}

/// A note, and the unit that it is of.
#[derive(Debug, Serialize, ToSchema)]
pub struct OfUnit<T> {
    /// The unit.
    unit_id: Uuid,
    #[serde(flatten)]
    noted: NotedView<T>,
}

impl<T: Tabled> Tabled for NotedView<T> {
    const FIRST: &'static [(&'static str, table::Kind)] = &[("id", table::Kind::Text)];
    const COLUMNS: &'static [(&'static str, table::Kind)] = T::COLUMNS;
    const LAST: &'static [(&'static str, table::Kind)] = &[
        ("recorded_by", table::Kind::Text),
        ("created_at", table::Kind::Instant),
        ("changed_at", table::Kind::Instant),
        ("withdrawn", table::Kind::Text),
    ];
}

impl<T: Tabled> Tabled for OfSite<T> {
    const FIRST: &'static [(&'static str, table::Kind)] = &[("site_id", table::Kind::Text), ("id", table::Kind::Text)];
    const COLUMNS: &'static [(&'static str, table::Kind)] = T::COLUMNS;
    const LAST: &'static [(&'static str, table::Kind)] = NotedView::<T>::LAST;
}

impl<T: Tabled> Tabled for OfUnit<T> {
    const FIRST: &'static [(&'static str, table::Kind)] = &[("unit_id", table::Kind::Text), ("id", table::Kind::Text)];
    const COLUMNS: &'static [(&'static str, table::Kind)] = T::COLUMNS;
    const LAST: &'static [(&'static str, table::Kind)] = NotedView::<T>::LAST;
}

/// The withdrawal of a wrong note.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Withdrawn)]
pub struct WithdrawnView {
    /// When.
    at: DateTime<Utc>,
    /// The account that withdrew it.
    by: Option<Uuid>,
    /// Why.
    #[schema(example = "Read on the other tank")]
    reason: String,
}

impl From<Withdrawn> for WithdrawnView {
    fn from(withdrawn: Withdrawn) -> Self {
        Self { at: withdrawn.at, by: withdrawn.by.map(|account| account.0), reason: withdrawn.why }
    }
}

pub(in crate::http) fn view<S: Shape>(noted: Noted<S::Note>) -> NotedView<S::Shown> {
    NotedView {
        id: noted.id.0,
        record: S::shown(&noted.value),
        recorded_by: noted.recorded_by.map(|account| account.0),
        created_at: noted.created_at,
        changed_at: noted.changed_at,
        withdrawn: noted.withdrawn.map(Into::into),
    }
}

/// What is sent to withdraw a note.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Withdrawal {
    /// Why it is wrong.
    #[schema(example = "Read on the other tank", max_length = 500)]
    pub(in crate::http) reason: String,
}

/// What is sent to end a note that goes on.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LastDays {
    /// The local day before which it ends.
    #[schema(example = "2026-10-01")]
    to: NaiveDate,
}

/// The same for one that ends at an instant.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LastInstant {
    /// When it ends.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T17:00:00Z")]
    to: DateTime<Utc>,
}

/// Which notes of a unit.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Instants {
    /// From this instant on.
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// Up to, not including, this instant.
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
    /// Whether to give withdrawn ones too.
    #[serde(default)]
    #[param(required = false)]
    withdrawn: bool,
}

/// Which notes of a site.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct LocalDays {
    /// From this local day on.
    #[param(example = "2026-01-01")]
    from: Option<NaiveDate>,
    /// Up to, not including, this local day.
    #[param(example = "2026-02-01")]
    to: Option<NaiveDate>,
    /// Whether to give withdrawn ones too.
    #[serde(default)]
    #[param(required = false)]
    withdrawn: bool,
}

impl From<&LocalDays> for Instants {
    fn from(days: &LocalDays) -> Self {
        let begins = |day: NaiveDate| day.and_time(NaiveTime::MIN).and_utc();
        Self { from: days.from.map(begins), to: days.to.map(begins), withdrawn: days.withdrawn }
    }
}

impl Instants {
    fn parse(&self) -> Result<Window, Problem> {
        if self.from.zip(self.to).is_some_and(|(from, to)| to <= from) {
            return Err(Problem::at(Kind::Invalid, "/to", "not_after_from", "Give a `to` after `from`."));
        }
        Ok(Window { from: self.from, to: self.to, withdrawn: self.withdrawn })
    }
}

type OwnerOf<S> = <<S as Shape>::Note as Note>::Owner;

async fn create<P, S: Shape>(
    db: &Db,
    caller: &Caller<P>,
    key: &IdempotencyKey,
    owner: OwnerOf<S>,
    sent: &S,
) -> Result<HttpResponse, Problem> {
    let new = sent.parse(caller.now())?;
    answer::create(db, caller, key, &(owner, sent), async |tx| {
        Ok((WRITTEN_ONCE, view::<S>(measures::create(tx, owner, &new).await?)))
    })
    .await
}

/// The notes of one unit or site.
async fn list<P, S: Shape + 'static>(
    request: &HttpRequest,
    caller: &Caller<P>,
    service: (&Data<Db>, &Data<Rates>),
    owner: OwnerOf<S>,
    (asked, sorting, paging): (Instants, &Sorting, &Paging),
) -> Result<HttpResponse, Problem> {
    let (window, after) = (asked.parse()?, paging.sorted(sorting, S::OWN)?);
    let read = async move |tx: &Tx<'_>, after: &After| measures::list::<S::Note>(tx, owner, &window, after).await;
    let key = |after: &After, noted: &Noted<S::Note>| all::place(after, noted);
    listed(request, caller, service, after, read, (key, view::<S>)).await
}

/// The notes of all units that are asked for, each shown with its unit.
async fn of_units<P, S>(
    request: &HttpRequest,
    caller: &Caller<P>,
    service: (&Data<Db>, &Data<Rates>),
    (of, asked, sorting, paging): (&AskOf, &Instants, &Sorting, &Paging),
) -> Result<HttpResponse, Problem>
where
    S: Shape<Note: Note<Owner = UnitId>> + 'static,
{
    let (of, window, after) = (of.parse()?, asked.parse()?, paging.sorted(sorting, "at")?);
    let read = async move |tx: &Tx<'_>, after: &After| all::list::<S::Note>(tx, &of, &window, after).await;
    let key = |after: &After, (_, noted): &(UnitId, Noted<S::Note>)| all::place(after, noted);
    let row = |(unit, noted): (UnitId, Noted<S::Note>)| OfUnit { unit_id: unit.0, noted: view::<S>(noted) };
    listed(request, caller, service, after, read, (key, row)).await
}

/// The notes of all sites that are asked for, each shown with its site.
async fn of_sites<P, S>(
    request: &HttpRequest,
    caller: &Caller<P>,
    service: (&Data<Db>, &Data<Rates>),
    (of, asked, sorting, paging): (&AskOfSites, &Instants, &Sorting, &Paging),
) -> Result<HttpResponse, Problem>
where
    S: Shape<Note: Note<Owner = SiteId>> + 'static,
{
    let (of, window, after) = (of.parse(), asked.parse()?, paging.sorted(sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| everywhere::list::<S::Note>(tx, &of, &window, after).await;
    let key = |after: &After, (_, noted): &(SiteId, Noted<S::Note>)| all::place(after, noted);
    let row = |(site, noted): (SiteId, Noted<S::Note>)| OfSite { site_id: site.0, noted: view::<S>(noted) };
    listed(request, caller, service, after, read, (key, row)).await
}

async fn withdraw<P, S: Shape>(
    db: &Db,
    caller: &Caller<P>,
    (owner, id): (OwnerOf<S>, NoteId),
    sent: &Withdrawal,
) -> Result<HttpResponse, Problem> {
    let why = domain::measures::reason(&sent.reason)?;
    let noted =
        db.write(caller.scope(), caller.now(), async |tx| measures::withdraw(tx, owner, id, &why).await).await?;
    Ok(HttpResponse::Ok().json(view::<S>(noted)))
}

async fn end<P, S: Shape<Note: Dated>>(
    db: &Db,
    caller: &Caller<P>,
    (site, id): (SiteId, NoteId),
    to: <S::Note as Dated>::Bound,
) -> Result<HttpResponse, Problem> {
    let noted = db.write(caller.scope(), caller.now(), async |tx| dated::end(tx, site, id, to).await).await?;
    Ok(HttpResponse::Ok().json(view::<S>(noted)))
}
