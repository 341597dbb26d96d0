//! Readings that the customers' people are asked for.

use super::{Ground, Metered};
use crate::db::asking::request;
use crate::db::{DbError, Tx};
use crate::demo::invent::meters::by_customer;
use crate::demo::invent::names::region;
use crate::demo::invent::plan::UnitPlan;
use chrono::Days;
use domain::asking::request::ReadingRequest;
use domain::zone::local_date;

/// Asks for the reading of the first meter that a customer's people read.
pub(super) async fn add<'a>(
    tx: &Tx<'_>,
    ground: &Ground,
    metered: impl Iterator<Item = (&'a UnitPlan, &'a Metered)>,
) -> Result<(), DbError> {
    let mut read = metered.filter(|(plan, _)| by_customer(plan));
    let Some((plan, Metered { meters, .. })) = read.next() else { return Ok(()) };
    let Some((number, place)) = plan.stays.first().and_then(|stay| Some((stay.site, ground.sites.get(stay.site)?)))
    else {
        return Ok(());
    };
    let today = local_date(region(number).zone, tx.now());
    let new = ReadingRequest {
        site_id: place.site,
        meters: meters.clone(),
        person: "Marge Tillory".to_owned(),
        email: None,
        due_on: today.checked_add_days(Days::new(2)).unwrap_or(today),
    };
    request::create(tx, &new, false).await?;
    Ok(())
}
