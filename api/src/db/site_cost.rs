//! What washing cost at a site, month by month, and whether the investment there pays: the
//! figures of the reports, made anew or as they were issued.

use super::measures::{Noted, investment};
use super::report::earlier;
use super::report::inputs::gather_with;
use super::{DbError, Tx, money_inputs, site};
use domain::accounts::investment::Investment;
use domain::accounts::site_cost::CostBasis;
use domain::ids::SiteId;
use domain::report::payback::{MonthSaid, SitePayback};
use domain::report::site_month::SiteMonth;
use domain::zone::{Month, local_date};

/// The months from `from` to `to` at a site.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn months(
    tx: &Tx<'_>,
    id: SiteId,
    (from, to): (Month, Month),
    basis: CostBasis,
) -> Result<Vec<(Month, SiteMonth)>, DbError> {
    let customer = site::get(tx, id).await?.value.customer_id;
    let money = money_inputs::of_customer(tx, customer).await?;
    let mut found = Vec::new();
    for month in std::iter::successors(Some(from), |month| Some(month.next())).take_while(|month| *month <= to) {
        let inputs = gather_with(tx, customer, month, money.clone()).await?;
        found.push((month, SiteMonth::of(&inputs, id, basis)));
    }
    Ok(found)
}

/// The investment at a site that counts, and how it stands at the end of the last month that is
/// over; `None` where none was recorded.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn payback(tx: &Tx<'_>, id: SiteId) -> Result<Option<(Noted<Investment>, SitePayback)>, DbError> {
    let site = site::get(tx, id).await?.value;
    let Some(noted) = investment::counting(tx, id).await? else { return Ok(None) };
    let first = Month::of(noted.value.day);
    let last = Month::of(local_date(site.time_zone, tx.now())).previous();
    let reports = earlier::since(tx, site.customer_id, first).await?;
    let reports: Vec<MonthSaid<'_>> = reports.iter().map(|(month, issued, said)| (*month, *issued, said)).collect();
    let standing = SitePayback::of(&noted.value, id, &reports, last);
    Ok(Some((noted, standing)))
}
