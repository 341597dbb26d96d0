//! Which customer a meter served when: its attachment cut by the placement of its unit.

use super::range::{self, Range};
use super::series::among::Among;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel::sql_types::Integer;
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, MeterNo, SiteId};
use domain::span::Span;
use uuid::Uuid;

diesel::table! {
    /// A view, so the generated schema leaves it out.
    meter_holding (meter_no, valid) {
        meter_no -> Int4,
        customer_id -> Uuid,
        valid -> Tstzrange,
        site_id -> Uuid,
    }
}

/// The customer that a meter serves now.
pub(in crate::db) async fn customer(tx: &Tx<'_>, no: MeterNo) -> Result<Option<CustomerId>, DbError> {
    customer_at(tx, no, tx.now()).await
}

/// The customer that a meter served at an instant: whose that instant's readings are.
pub(in crate::db) async fn customer_at(
    tx: &Tx<'_>,
    no: MeterNo,
    at: DateTime<Utc>,
) -> Result<Option<CustomerId>, DbError> {
    let now = meter_holding::meter_no.eq(no.0).and(meter_holding::valid.contains(at));
    let found: Option<Uuid> =
        meter_holding::table.filter(now).select(meter_holding::customer_id).first(&mut tx.conn()).await.optional()?;
    Ok(found.map(CustomerId))
}

/// The meters that serve a customer and sites, or the units there, at an instant; none where neither is said.
pub(in crate::db) fn of(among: &Among, at: DateTime<Utc>) -> Option<meter_holding::BoxedQuery<'static, Pg, Integer>> {
    if among.customer.is_none() && among.sites.is_none() {
        return None;
    }
    let mut meters = meter_holding::table
        .filter(meter_holding::valid.contains(at))
        .select(meter_holding::meter_no)
        .into_boxed::<Pg>();
    if let Some(customer) = among.customer {
        meters = meters.filter(meter_holding::customer_id.eq(customer));
    }
    if let Some(sites) = &among.sites {
        meters = meters.filter(meter_holding::site_id.eq_any(sites.clone()));
    }
    Some(meters)
}

/// The meters that served a site or the units at it within `span`, each with when.
pub(in crate::db) async fn of_site(tx: &Tx<'_>, site: SiteId, span: Span) -> Result<Vec<(i32, Range)>, DbError> {
    Ok(meter_holding::table
        .filter(meter_holding::site_id.eq(site.0))
        .filter(meter_holding::valid.overlaps_with(range::of_span(span)))
        .select((meter_holding::meter_no, meter_holding::valid))
        .load(&mut tx.conn())
        .await?)
}
