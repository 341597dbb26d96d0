//! `/v1/units/{id}/water` and `/v1/sites/{id}/water`: volumes by local day, read period and
//! month.

use super::answer::Problems;
use super::balance::BalanceView;
use super::series::hours::{self, Hour, Readings};
use super::series::units;
use super::site_balance::{self, TogetherFigure};
use crate::auth::{Caller, perm};
use crate::db::fact::{self, Of, StoredDay, StoredMonth, Whose};
use crate::db::series::water as series;
use crate::db::subject_meters::{self, SubjectMeter};
use crate::db::{Db, DbError, Tx, fill, period_fact, site, unit};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::customer::UnitSystem;
use domain::ids::{CustomerId, SiteId, UnitId};
use domain::trace::Window;
use domain::uncertainty::stretch::{SharedMeter, of_month, of_volumes};
use domain::zone::{Month, local_date};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::{BTreeSet, HashMap};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(unit_water).service(site_water);
}

/// Which figures.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskWater {
    /// First local day at the site.
    #[param(example = "2026-01-01")]
    from: NaiveDate,
    /// Last local day at the site.
    #[param(example = "2026-01-31")]
    to: NaiveDate,
    /// `hour` (of at most 31 days), `day`, `period` (from one round of readings to the next) or `month`.
    #[param(example = "day")]
    step: String,
    /// `metric` (litres) or `us` (US gallons, and names that end in `_gal` instead of `_l`); metric when
    /// left out.
    #[param(example = "metric")]
    units: Option<String>,
}

/// Most days of one answer.
const DAYS_MAX: i64 = 800;

/// Refuses more days than one answer has.
pub(super) fn not_too_many((from, to): (NaiveDate, NaiveDate)) -> Result<(), Problem> {
    if (to - from).num_days() > DAYS_MAX {
        let detail = format!("Ask for at most {DAYS_MAX} days at once; several requests give the rest.");
        return Err(Problem::at(Kind::Invalid, "/to", "too_long", detail));
    }
    Ok(())
}

#[derive(Clone, Copy, PartialEq)]
enum Step {
    Hour,
    Day,
    Period,
    Month,
}

impl AskWater {
    fn parse(&self) -> Result<(Step, UnitSystem), Problem> {
        if self.from > self.to {
            return Err(Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` that is not before `from`."));
        }
        not_too_many((self.from, self.to))?;
        let step = match self.step.as_str() {
            "hour" => Step::Hour,
            "day" => Step::Day,
            "period" => Step::Period,
            "month" => Step::Month,
            _ => return Err(Problem::at(Kind::Invalid, "/step", "unknown_step", "Give hour, day, period or month.")),
        };
        if step == Step::Hour {
            hours::few((self.from, self.to))?;
        }
        Ok((step, units::parse(self.units.as_deref())?))
    }
}

/// The figures of one hour, day, read period or month of one subject: a unit at one site, or a whole
/// site whose meters serve several.
#[derive(Serialize, ToSchema)]
pub struct WaterFigure {
    /// The placement, or the site.
    subject_id: Uuid,
    /// The unit; null for a site's own meters.
    unit_id: Option<Uuid>,
    /// The local day; of `step=day` and `step=hour`.
    #[serde(skip_serializing_if = "Option::is_none")]
    date: Option<NaiveDate>,
    /// The month; of `step=month`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-01")]
    month: Option<String>,
    /// First reading of the period, of `step=period`; beginning of the hour, of `step=hour`: a local day's
    /// hours are counted from its beginning.
    #[serde(skip_serializing_if = "Option::is_none")]
    from_at: Option<DateTime<Utc>>,
    /// Last reading of the period; end of the hour.
    #[serde(skip_serializing_if = "Option::is_none")]
    to_at: Option<DateTime<Utc>>,
    /// `live`: the figures as they come to now; they may change with later readings.
    #[schema(example = "live")]
    state: &'static str,
    /// The revision of the savings report that was issued for that month (of a read period, the month in
    /// which it ends); null while none was. What it says stands in `GET /v1/savings-reports`.
    #[schema(example = 1)]
    issued_revision: Option<i32>,
    /// The month it belongs to.
    #[serde(skip)]
    of_month: Month,
    /// What the meters support: `measured`, `part_measured`, `makeup_only` or `not_measured`.
    #[schema(example = "makeup_only")]
    grade: &'static str,
    /// What was measured: `makeup_l`, `wash_l`, `rinse_l`, `bypass_l`, `recirculation_l`,
    /// `hand_fill_l`, `to_sewer_l`, `to_holding_l`, `hauled_l`, `blowdown_l`, `energy_kwh`,
    /// `run_h`, `starts`, `wash_count`. What no meter measures is left out, never zero.
    #[schema(value_type = Object, example = json!({"makeup_l": 412.5}))]
    amounts: Value,
    /// Washes by the pauses between sessions at single guns, of `step=day`; left out where the
    /// readings can't tell them apart.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 12)]
    sessions: Option<u32>,
    /// The expanded uncertainty (coverage factor 2) of each volume in `amounts`, in litres: class of
    /// its meters in service, resolution, and how steps longer than a day were spread; where
    /// several meters measure it, the widest of their classes. Of months, what steps across their bounds
    /// leave unsure counts too, and a volume is left out where notes are counted on top of what its meters
    /// passed (`balance` has both) or, of water that is no part of the balance, where steps of days were
    /// spread.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>, example = json!({"makeup_l": 48.0}))]
    expanded: Option<Value>,
    /// Share of the time between accepted readings, 0 to 1, of the stream that was seen least.
    #[schema(example = 1.0)]
    coverage: f64,
    /// Share of the time spread evenly from steps longer than a day, of hours from steps longer than an
    /// hour, 0 to 1.
    #[schema(example = 0.0)]
    estimated_share: f64,
    /// Steps that wait for a decision and are in no figure.
    #[schema(example = 0)]
    open_exceptions: u32,
    /// The balance with its uncertainties; of `step=month` and `step=period`. Null for a period that
    /// was computed before these were kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    balance: Option<BalanceView>,
}

/// Water figures in order of time.
#[derive(Serialize, ToSchema)]
pub struct Water {
    /// The IANA zone by which the site's days begin; of a unit, its present site's.
    #[schema(example = "Europe/Vienna")]
    time_zone: Option<String>,
    /// The figures.
    items: Vec<WaterFigure>,
    /// Of a site, with `step=month` and `step=period`: the balance of all its units together, where each of
    /// them has a meter of its make-up water and one meter of the site knows the wash water of all, or the
    /// other way round; else empty.
    #[serde(skip_serializing_if = "Option::is_none")]
    together: Option<Vec<TogetherFigure>>,
}

impl From<StoredDay> for WaterFigure {
    fn from(day: StoredDay) -> Self {
        Self {
            subject_id: day.subject_id,
            unit_id: day.unit_id,
            date: Some(day.fact.date),
            month: None,
            from_at: None,
            to_at: None,
            state: "live",
            issued_revision: None,
            of_month: Month::of(day.fact.date),
            grade: day.fact.amounts.grade().as_str(),
            amounts: fact::to_json(&day.fact.amounts),
            sessions: day.fact.sessions,
            expanded: None,
            coverage: day.fact.coverage,
            estimated_share: day.fact.estimated_share,
            open_exceptions: day.fact.open_exceptions,
            balance: None,
        }
    }
}

impl From<StoredMonth> for WaterFigure {
    fn from(month: StoredMonth) -> Self {
        Self {
            subject_id: month.subject_id,
            unit_id: month.unit_id,
            date: None,
            month: Some(month.fact.month.to_string()),
            from_at: None,
            to_at: None,
            state: "live",
            issued_revision: None,
            of_month: month.fact.month,
            grade: month.fact.grade.as_str(),
            amounts: fact::to_json(&month.fact.amounts),
            sessions: None,
            expanded: None,
            coverage: month.fact.coverage,
            estimated_share: month.fact.estimated_share,
            open_exceptions: month.fact.open_exceptions,
            balance: None,
        }
    }
}

impl From<period_fact::StoredPeriod> for WaterFigure {
    fn from(period: period_fact::StoredPeriod) -> Self {
        Self {
            subject_id: period.subject_id,
            unit_id: period.unit_id,
            date: None,
            month: None,
            from_at: Some(period.from),
            to_at: Some(period.to),
            state: "live",
            issued_revision: None,
            of_month: Month::of(local_date(period.zone, period.to)),
            grade: period.amounts.grade().as_str(),
            amounts: fact::to_json(&period.amounts),
            sessions: None,
            expanded: None,
            // A read period is what lies between readings, and its sum is no estimate.
            coverage: 1.0,
            estimated_share: 0.0,
            open_exceptions: period.open_exceptions,
            balance: None,
        }
    }
}

impl From<Hour> for WaterFigure {
    fn from(Hour { subject_id, unit_id, fact: hour, expanded, .. }: Hour) -> Self {
        Self {
            subject_id,
            unit_id,
            date: Some(hour.date),
            month: None,
            from_at: Some(hour.from),
            to_at: Some(hour.to),
            state: "live",
            issued_revision: None,
            of_month: Month::of(hour.date),
            grade: hour.amounts.grade().as_str(),
            amounts: fact::to_json(&hour.amounts),
            sessions: None,
            expanded: Some(fact::to_json(&expanded)),
            coverage: hour.coverage,
            estimated_share: hour.estimated_share,
            open_exceptions: hour.open_exceptions,
            balance: None,
        }
    }
}

impl WaterFigure {
    /// The placement, or the site.
    pub(super) fn subject_id(&self) -> Uuid {
        self.subject_id
    }

    /// The same with the revision of the report that was issued for its month.
    fn beside(self, issued: &Issued) -> Self {
        let issued_revision = issued.get(&(self.subject_id, self.of_month)).copied();
        Self { issued_revision, ..self }
    }

    /// What was measured, by name.
    pub(super) fn amounts(&self) -> &Value {
        &self.amounts
    }
}

/// Get a unit's water figures
///
/// Wherever it stood, as far as one's sign-in reaches. Its figures as a table: `GET /v1/water` with `unit_id`.
#[utoipa::path(tag = "water", params(("id" = Uuid, Path, description = "The unit's id"), AskWater),
    responses((status = 200, description = "The figures", body = Water), Problems))]
#[get("/units/{id}/water")]
async fn unit_water(
    caller: Caller<perm::ReadWater>,
    id: Path<UnitId>,
    asked: Query<AskWater>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (step, units) = asked.parse()?;
    let read = async |tx: &Tx<'_>| {
        let placed = unit::get(tx, *id).await?;
        let zone = match placed.present {
            Some(present) => Some(site::get(tx, present.site_id).await?.value.time_zone.to_string()),
            None => None,
        };
        Ok((zone, found(tx, step, Of::Unit(id.0), Whose::Unit(id.0), &asked).await?))
    };
    let (time_zone, found) = db.read(caller.scope(), caller.now(), read).await?;
    answered(&Water { time_zone, items: found.figures().await?, together: None }, units)
}

/// Get a site's water figures
///
/// Of each unit that stood there, of the site's own meters, and of all of these together where they make up one
/// balance. Its figures as a table: `GET /v1/water` with `site_id`.
#[utoipa::path(tag = "water", params(("id" = Uuid, Path, description = "The site's id"), AskWater),
    responses((status = 200, description = "The figures", body = Water), Problems))]
#[get("/sites/{id}/water")]
async fn site_water(
    caller: Caller<perm::ReadWater>,
    id: Path<SiteId>,
    asked: Query<AskWater>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (step, units) = asked.parse()?;
    let read = async |tx: &Tx<'_>| {
        let zone = site::get(tx, *id).await?.value.time_zone.to_string();
        let together = together(tx, step, *id, &asked).await?;
        Ok((Some(zone), found(tx, step, Of::Site(id.0), Whose::Site(id.0), &asked).await?, together))
    };
    let (time_zone, found, together) = db.read(caller.scope(), caller.now(), read).await?;
    answered(&Water { time_zone, items: found.figures().await?, together }, units)
}

/// The balances of all that is measured at a site; `None` by days and hours, of which none is made.
async fn together(
    tx: &Tx<'_>,
    step: Step,
    site: SiteId,
    asked: &AskWater,
) -> Result<Option<Vec<TogetherFigure>>, DbError> {
    Ok(match step {
        Step::Hour | Step::Day => None,
        Step::Period => Some(site_balance::of_periods(tx, site, (asked.from, asked.to)).await?),
        Step::Month => {
            let months = (Month::of(asked.from), Month::of(asked.to));
            Some(site_balance::of_months(tx, site, months).await?)
        }
    })
}

/// The revisions of the issued reports that figures stand beside, by subject and month.
pub(super) type Issued = HashMap<(Uuid, Month), i32>;

/// Figures, or what those of hours are folded from.
enum Found {
    Figures(Vec<WaterFigure>),
    Hours(Box<Readings>, Issued),
}

async fn found(tx: &Tx<'_>, step: Step, of: Of, whose: Whose, asked: &AskWater) -> Result<Found, DbError> {
    if step != Step::Hour {
        return Ok(Found::Figures(figures(tx, step, of, whose, asked).await?));
    }
    let of = match of {
        Of::Unit(unit) => (Some(unit), None),
        Of::Site(site) => (None, Some(site)),
        Of::Subject(_) | Of::Customer(_) => (None, None),
    };
    let readings = Readings::read(tx, of, (asked.from, asked.to)).await?;
    let issued = issued(tx, readings.subjects(), (asked.from, asked.to)).await?;
    Ok(Found::Hours(Box::new(readings), issued))
}

pub(super) async fn issued(tx: &Tx<'_>, subjects: Vec<Uuid>, days: (NaiveDate, NaiveDate)) -> Result<Issued, DbError> {
    let customers = series::customers(tx, &subjects).await?;
    let own: BTreeSet<Uuid> = customers.values().map(|customer| customer.0).collect();
    let revisions = series::issued(tx, &own.into_iter().collect::<Vec<_>>(), days).await?;
    let of_subject = |(subject, customer): (&Uuid, &CustomerId)| {
        let own = revisions.iter().filter(|((of, _), _)| *of == customer.0);
        own.map(|((_, month), revision)| ((*subject, *month), *revision)).collect::<Vec<_>>()
    };
    Ok(customers.iter().flat_map(of_subject).collect())
}

impl Found {
    async fn figures(self) -> Result<Vec<WaterFigure>, Problem> {
        match self {
            Self::Figures(figures) => Ok(figures),
            Self::Hours(readings, issued) => {
                let figures = readings.hours().await?.into_iter().map(WaterFigure::from);
                Ok(figures.map(|figure| figure.beside(&issued)).collect())
            }
        }
    }
}

/// The answer in the units that were asked for.
fn answered(water: &Water, units: UnitSystem) -> Result<HttpResponse, Problem> {
    if units == UnitSystem::Metric {
        return Ok(HttpResponse::Ok().json(water));
    }
    let mut told = serde_json::to_value(water).map_err(|error| Problem::internal(&error))?;
    units::in_gallons(&mut told);
    Ok(HttpResponse::Ok().json(told))
}

/// The figures of one day, month or read period, for those that trace them.
pub(super) async fn printed(tx: &Tx<'_>, of: Of, whose: Whose, window: Window) -> Result<Vec<WaterFigure>, DbError> {
    let (step, from, to) = match window {
        Window::Day(date) => (Step::Day, date, date),
        Window::Month(month) => (Step::Month, month.first_day(), month.last_day()),
        Window::Period { from, to } => (Step::Period, from.date_naive(), to.date_naive()),
    };
    let asked = AskWater { from, to, step: String::new(), units: None };
    let mut figures = figures(tx, step, of, whose, &asked).await?;
    if let Window::Period { from, to } = window {
        figures.retain(|figure| (figure.from_at, figure.to_at) == (Some(from), Some(to)));
    }
    Ok(figures)
}

async fn figures(tx: &Tx<'_>, step: Step, of: Of, whose: Whose, asked: &AskWater) -> Result<Vec<WaterFigure>, DbError> {
    let figures = computed(tx, step, of, whose, asked).await?;
    // A read period may end in a month after what was asked for.
    let to = figures.iter().map(|figure| figure.of_month.last_day()).fold(asked.to, NaiveDate::max);
    let subjects: BTreeSet<Uuid> = figures.iter().map(|figure| figure.subject_id).collect();
    let issued = issued(tx, subjects.into_iter().collect(), (asked.from, to)).await?;
    Ok(figures.into_iter().map(|figure| figure.beside(&issued)).collect())
}

async fn computed(
    tx: &Tx<'_>,
    step: Step,
    of: Of,
    whose: Whose,
    asked: &AskWater,
) -> Result<Vec<WaterFigure>, DbError> {
    Ok(match step {
        // Hours are no stored figures.
        Step::Hour => Vec::new(),
        Step::Day => {
            let days = fact::days(tx, of, asked.from, asked.to).await?;
            let meters = meters_of(tx, days.iter().map(|day| day.subject_id)).await?;
            let unsure = |day: StoredDay| {
                let (date, fact) = (day.fact.date, &day.fact);
                let own = serving(&meters, day.subject_id, (date, date));
                let expanded = of_volumes(&fact.amounts, &own, fact.estimated_share);
                WaterFigure { expanded: Some(fact::to_json(&expanded)), ..day.into() }
            };
            days.into_iter().map(unsure).collect()
        }
        Step::Month => {
            let (from, to) = (Month::of(asked.from), Month::of(asked.to));
            let months = fact::months(tx, whose, from, to).await?;
            let subjects: Vec<Uuid> = months.iter().map(|month| month.subject_id).collect();
            let statements = fact::statements(tx, &subjects, from, to).await?;
            let fills = fill::of(tx, &subjects).await?;
            let meters = meters_of(tx, subjects.into_iter()).await?;
            let with_balance = |month: StoredMonth| {
                let fact = &month.fact;
                let statement = statements.get(&(month.subject_id, fact.month));
                let own = serving(&meters, month.subject_id, (fact.month.first_day(), fact.month.last_day()));
                let expanded = of_month(&fact.amounts, statement, &own, fact.estimated_share);
                let fill = fills.at(month.subject_id, Window::Month(fact.month));
                let balance = statement.map(|statement| BalanceView::of(statement, fact.coverage, fill));
                WaterFigure { expanded: Some(fact::to_json(&expanded)), balance, ..month.into() }
            };
            months.into_iter().map(with_balance).collect()
        }
        Step::Period => {
            let periods = period_fact::periods(tx, of, asked.from, asked.to).await?;
            let subjects: BTreeSet<Uuid> = periods.iter().map(|period| period.subject_id).collect();
            let fills = fill::of(tx, &subjects.iter().copied().collect::<Vec<_>>()).await?;
            let meters = meters_of(tx, subjects.into_iter()).await?;
            let unsure = |period: period_fact::StoredPeriod| {
                let days = (period.from.date_naive(), period.to.date_naive());
                let own = serving(&meters, period.subject_id, days);
                // It goes from reading to reading, so nothing of it was spread.
                let expanded = of_volumes(&period.amounts, &own, 0.0);
                let fill = fills.at(period.subject_id, Window::Period { from: period.from, to: period.to });
                let balance = period.statement.as_ref().map(|statement| BalanceView::of(statement, 1.0, fill));
                WaterFigure { expanded: Some(fact::to_json(&expanded)), balance, ..period.into() }
            };
            periods.into_iter().map(unsure).collect()
        }
    })
}

pub(super) async fn meters_of(
    tx: &Tx<'_>,
    subjects: impl Iterator<Item = Uuid>,
) -> Result<HashMap<Uuid, Vec<SubjectMeter>>, DbError> {
    let subjects: BTreeSet<Uuid> = subjects.collect();
    subject_meters::of(tx, &subjects.into_iter().collect::<Vec<_>>()).await
}

/// The meters of a subject that may have measured it in some days.
pub(super) fn serving<'m>(
    meters: &'m HashMap<Uuid, Vec<SubjectMeter>>,
    subject: Uuid,
    (first, last): (NaiveDate, NaiveDate),
) -> Vec<SharedMeter<'m>> {
    let own = meters.get(&subject).into_iter().flatten().filter(|meter| meter.served(first, last));
    let shared = |meter: &'m SubjectMeter| SharedMeter {
        facts: &meter.facts,
        known: meter.known(last),
        share: meter.share,
        share_u: meter.share_u,
    };
    own.map(shared).collect()
}
