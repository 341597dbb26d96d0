//! The balance of a site whose meters make up one together, of months and read periods: one wash meter of the
//! site against the make-up meters of all units there, or the other way round.

use super::balance::BalanceView;
use super::water::{Issued, issued};
use crate::db::period_fact::StoredPeriod;
use crate::db::site_balance::{self, Months, Yard};
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use domain::ids::SiteId;
use domain::span::Span;
use domain::trace::Window;
use domain::trace::site_balance::SiteBalanceTrace;
use domain::units::Litres;
use domain::water::site_balance::{Read, ReadOnOtherDays, Reads, SiteBalance, SitePeriod, Stands};
use domain::water::statement::Statement;
use domain::zone::{Month, day_bounds, local_date};
use serde::Serialize;
use std::collections::BTreeSet;
use utoipa::ToSchema;
use uuid::Uuid;

/// The balance of all that is measured at a site: where each unit there has a meter of its make-up water and one
/// meter of the site knows the wash water of all, or the other way round.
#[derive(Serialize, ToSchema)]
pub struct TogetherFigure {
    /// The placements, and the site, whose meters and notes it is made of.
    #[schema(example = json!(["0197a6f0-0000-7000-8000-000000000001", "0197a6f0-0000-7000-8000-000000000002"]))]
    subject_ids: Vec<Uuid>,
    /// The month; of `step=month`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-01")]
    month: Option<String>,
    /// Middle of the round at which all of them were read, of `step=period`.
    #[serde(skip_serializing_if = "Option::is_none")]
    from_at: Option<DateTime<Utc>>,
    /// Middle of the next such round.
    #[serde(skip_serializing_if = "Option::is_none")]
    to_at: Option<DateTime<Utc>>,
    /// `live`: the figures as they come to now; they may change with later readings.
    #[schema(example = "live")]
    state: &'static str,
    /// The revision of the savings report that was issued for that month (of a read period, the month in
    /// which it ends); null while none was.
    #[schema(example = 1)]
    issued_revision: Option<i32>,
    /// Share of the time, 0 to 1, that the days are of which readings of every meter cover.
    #[schema(example = 1.0)]
    coverage: f64,
    /// The balance; null where some of the meters were read on other days than the rest.
    balance: Option<BalanceView>,
    /// What a reader has to know: why there is none.
    #[schema(example = json!([]))]
    words: Vec<String>,
}

/// The same with everything behind it.
#[derive(Serialize, ToSchema)]
pub struct TogetherTrace {
    /// The figure as `/water` gives it.
    printed: TogetherFigure,
    /// `subjects`, each with the `parts` of its own balance that count here and, of a read period, its own
    /// rounds, under which it is traced by itself; `parts` with their `components` by name (standard
    /// uncertainty `u`, sensitivity); `figures` with formula, terms, value, `u`, `k` and expanded uncertainty.
    /// Null where there is no balance. Volumes are litres.
    #[schema(value_type = Option<Object>, example = json!({
        "over": "whole_days", "coverage": 1.0, "grade": "measured",
        "subjects": [
            { "subject_id": "0197a6f0-0000-7000-8000-000000000001",
              "parts": [{ "part": "makeup", "symbol": "F", "volume_l": 62_000.0, "u_l": 1432.0, "source": "metered" }] },
            { "subject_id": "0197a6f0-0000-7000-8000-000000000002",
              "parts": [{ "part": "wash", "symbol": "W", "volume_l": 248_000.0, "u_l": 5727.0, "source": "metered" }] }
        ],
        "figures": [{ "figure": "recycled", "in_symbols": "recycled = W - F - H - P + dS", "value": 186_000.0,
            "u": 5903.0, "k": 2.0, "expanded": 11_806.0 }]
    }))]
    trace: Option<SiteBalanceTrace>,
}

/// A balance, or why there is none.
struct Together {
    subject_ids: Vec<Uuid>,
    zone: Tz,
    window: Window,
    /// What one fill takes of its units, as far as it is known of them.
    fill: Option<Litres>,
    found: Result<SiteBalance, ReadOnOtherDays>,
    trace: Option<SiteBalanceTrace>,
}

/// The balances of a site's months.
pub(super) async fn of_months(
    tx: &Tx<'_>,
    site: SiteId,
    months: (Month, Month),
) -> Result<Vec<TogetherFigure>, DbError> {
    let found = months_of(tx, site, months).await?;
    let days = (months.0.first_day(), months.1.last_day());
    let issued = issued_of(tx, &found, days).await?;
    Ok(found.into_iter().map(|one| one.figure(&issued).0).collect())
}

/// Those between rounds of readings that reach into these days.
pub(super) async fn of_periods(
    tx: &Tx<'_>,
    site: SiteId,
    days: (NaiveDate, NaiveDate),
) -> Result<Vec<TogetherFigure>, DbError> {
    let found = periods_of(tx, site, days).await?;
    let last = found.iter().map(|one| one.month().last_day()).fold(days.1, NaiveDate::max);
    let issued = issued_of(tx, &found, (days.0, last)).await?;
    Ok(found.into_iter().map(|one| one.figure(&issued).0).collect())
}

/// The one of a month or read period with everything behind it; `None` where there is none, or of a day.
pub(super) async fn traced(tx: &Tx<'_>, site: SiteId, window: Window) -> Result<Option<TogetherTrace>, DbError> {
    let found = match window {
        Window::Day(_) => return Ok(None),
        Window::Month(month) => months_of(tx, site, (month, month)).await?,
        Window::Period { from, to } => periods_of(tx, site, (from.date_naive(), to.date_naive())).await?,
    };
    let Some(one) = found.into_iter().find(|one| one.window == window) else { return Ok(None) };
    let days = (one.month().first_day(), one.month().last_day());
    let issued = issued_of(tx, std::slice::from_ref(&one), days).await?;
    let (printed, trace) = one.figure(&issued);
    Ok(Some(TogetherTrace { printed, trace }))
}

async fn issued_of(tx: &Tx<'_>, found: &[Together], days: (NaiveDate, NaiveDate)) -> Result<Issued, DbError> {
    let subjects: BTreeSet<Uuid> = found.iter().flat_map(|one| one.subject_ids.iter().copied()).collect();
    issued(tx, subjects.into_iter().collect(), days).await
}

async fn months_of(tx: &Tx<'_>, site: SiteId, months: (Month, Month)) -> Result<Vec<Together>, DbError> {
    let Some(yard) = site_balance::yard(tx, site).await? else { return Ok(Vec::new()) };
    let ground = site_balance::months(tx, &yard, months).await?;
    Ok(ground.months.iter().filter_map(|month| of_month(&yard, &ground, *month)).collect())
}

fn of_month(yard: &Yard, ground: &Months, month: Month) -> Option<Together> {
    let none = Statement::default();
    let here = standing(yard, ground, month, &none);
    let found = SiteBalance::of_month(yard.zone, month, ground.now, &here)?;
    let window = Window::Month(month);
    let fill = yard.fills.at(yard.id, window);
    let trace = found.as_ref().ok().map(|balance| SiteBalanceTrace::of_month(balance, fill));
    let subject_ids = here.iter().map(|one| one.subject_id).collect();
    Some(Together { subject_ids, zone: yard.zone, window, fill, found, trace })
}

/// All that stood or was measured at a site in a month; `none` is the statement of one that was not read.
fn standing<'g>(yard: &Yard, ground: &'g Months, month: Month, none: &'g Statement) -> Vec<Stands<'g>> {
    let (start, end) = month.bounds(yard.zone);
    let time = Span::parse(start, Some(end)).ok();
    let one = |(subject_id, span): (Uuid, Span)| {
        let meters = yard.meters.get(&subject_id).into_iter().flatten();
        // By the site's clock: one that was fitted as the next month began measures nothing in this one.
        let fitted = meters.filter(|meter| time.is_some_and(|time| meter.span().within(time).is_some()));
        Stands {
            subject_id,
            of_site: subject_id == yard.id,
            span,
            streams: fitted.map(|meter| meter.facts.stream).collect(),
            days: ground.days.get(&(subject_id, month)).map_or(&[][..], Vec::as_slice),
            statement: ground.statements.get(&(subject_id, month)).unwrap_or(none),
        }
    };
    let there = |(_, span): &&(Uuid, Span)| time.is_some_and(|time| span.within(time).is_some());
    let units = yard.stays.iter().filter(there).copied().map(one);
    let site = Some(one((yard.id, Span::EVER))).filter(|site| !site.streams.is_empty() || !site.days.is_empty());
    units.chain(site).collect()
}

async fn periods_of(tx: &Tx<'_>, site: SiteId, days: (NaiveDate, NaiveDate)) -> Result<Vec<Together>, DbError> {
    let Some(yard) = site_balance::yard(tx, site).await? else { return Ok(Vec::new()) };
    let stored = site_balance::periods(tx, &yard, days).await?;
    let (from, to) = (day_bounds(Tz::UTC, days.0).0, day_bounds(Tz::UTC, days.1).1);
    let reach = |period: &SitePeriod| period.from < to && period.to > from;
    let found = SitePeriod::of_site(&read(&yard, &stored)).into_iter().filter(reach).map(|period| {
        let window = Window::Period { from: period.from, to: period.to };
        let fill = yard.fills.at(yard.id, window);
        Together {
            subject_ids: period.own.iter().map(|own| own.0).collect(),
            zone: yard.zone,
            window,
            fill,
            trace: Some(SiteBalanceTrace::of_period(&period, fill)),
            found: Ok(period.balance),
        }
    });
    Ok(found.collect())
}

/// All that ever stood at a site, with its read periods.
fn read<'g>(yard: &Yard, stored: &'g [StoredPeriod]) -> Vec<Reads<'g>> {
    let one = |(subject_id, span): (Uuid, Span)| {
        let own = stored.iter().filter(|period| period.subject_id == subject_id).filter_map(|period| {
            let statement = period.statement.as_ref()?;
            Some(Read { from: period.from, to: period.to, metered: period.amounts, statement })
        });
        Reads { subject_id, of_site: subject_id == yard.id, span, periods: own.collect() }
    };
    yard.stays.iter().copied().chain([(yard.id, Span::EVER)]).map(one).collect()
}

impl Together {
    /// The month to whose report it belongs.
    fn month(&self) -> Month {
        match self.window {
            Window::Day(date) => Month::of(date),
            Window::Month(month) => month,
            Window::Period { to, .. } => Month::of(local_date(self.zone, to)),
        }
    }

    fn figure(self, issued: &Issued) -> (TogetherFigure, Option<SiteBalanceTrace>) {
        let month = self.month();
        let issued_revision = self.subject_ids.iter().find_map(|id| issued.get(&(*id, month)).copied());
        let (from_at, to_at) = match self.window {
            Window::Period { from, to } => (Some(from), Some(to)),
            Window::Day(_) | Window::Month(_) => (None, None),
        };
        let words = self.found.as_ref().err().map(ToString::to_string);
        let found = self.found.as_ref().ok();
        let figure = TogetherFigure {
            subject_ids: self.subject_ids,
            month: from_at.is_none().then(|| month.to_string()),
            from_at,
            to_at,
            state: "live",
            issued_revision,
            coverage: found.map_or(0.0, |found| found.coverage),
            balance: found.map(|found| BalanceView::of(&found.statement, found.coverage, self.fill)),
            words: words.into_iter().collect(),
        };
        (figure, self.trace)
    }
}
