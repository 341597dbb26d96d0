//! What the years of a customer's sites are made of.

use super::fact::{self, StoredMonth, Whose};
use super::schema::{placement, site};
use super::series::water;
use super::subject_meters::{self, SubjectMeter};
use super::{DbError, Tx, range};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::CustomerId;
use domain::span::Span;
use domain::water::statement::Statement;
use domain::zone::{Month, parse_zone};
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// A site as its years name it.
#[derive(Debug, Clone, Queryable)]
pub struct YearSite {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Its number in the customer's own books.
    pub own_number: Option<String>,
    /// Its cost centre there.
    pub cost_centre: Option<String>,
    time_zone: String,
}

impl YearSite {
    /// Its zone.
    ///
    /// # Errors
    /// When what is stored is none.
    pub fn zone(&self) -> Result<Tz, DbError> {
        Ok(parse_zone(&self.time_zone)?)
    }
}

/// What some years are made of.
#[derive(Debug)]
pub struct Ground {
    /// The customer's sites by name, retired ones too.
    pub sites: Vec<YearSite>,
    /// When units stood there: the placement, its site, its span.
    pub stays: Vec<(Uuid, Uuid, Span)>,
    /// Months of placements and sites.
    pub months: Vec<StoredMonth>,
    /// The statements of these months.
    pub statements: HashMap<(Uuid, Month), Statement>,
    /// The meters of placements and sites.
    pub meters: HashMap<Uuid, Vec<SubjectMeter>>,
    /// The months whose report was issued.
    pub issued: BTreeSet<Month>,
    /// Up to when it counts.
    pub now: DateTime<Utc>,
}

/// What a customer's years from one month to another are made of, as far as the scope reaches; nothing of a
/// customer outside it.
///
/// # Errors
/// When the database fails.
pub async fn ground(tx: &Tx<'_>, id: CustomerId, (first, last): (Month, Month)) -> Result<Ground, DbError> {
    let sites: Vec<YearSite> = site::table
        .filter(site::customer_id.eq(id.0))
        .order((site::name, site::id))
        .select((site::id, site::name, site::own_number, site::cost_centre, site::time_zone))
        .load(&mut tx.conn())
        .await?;
    let stays: Vec<(Uuid, Uuid, range::Range)> = placement::table
        .filter(placement::customer_id.eq(id.0))
        .order(placement::id)
        .select((placement::id, placement::site_id, placement::valid))
        .load(&mut tx.conn())
        .await?;
    let stay = |(id, site, valid)| Ok((id, site, range::to_span(valid)?));
    let stays = stays.into_iter().map(stay).collect::<Result<Vec<_>, DbError>>()?;
    let months = fact::months(tx, Whose::Customer(id.0), first, last).await?;
    let measured: BTreeSet<Uuid> = months.iter().map(|month| month.subject_id).collect();
    let statements = fact::statements(tx, &measured.into_iter().collect::<Vec<_>>(), first, last).await?;
    let subjects: Vec<Uuid> = stays.iter().map(|stay| stay.0).chain(sites.iter().map(|site| site.id)).collect();
    let meters = subject_meters::of(tx, &subjects).await?;
    let issued = water::issued(tx, &[id.0], (first.first_day(), last.last_day())).await?;
    let issued = issued.into_keys().map(|(_, month)| month).collect();
    Ok(Ground { sites, stays, months, statements, meters, issued, now: tx.now() })
}
