//! The sites of a round with the meters that people read there.

use super::due::{self, Filter, Held};
use crate::db::schema::site;
use crate::db::{DbError, Tx};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::asking::due::Due;
use domain::ids::SiteId;
use std::collections::{HashMap, HashSet};
use uuid::Uuid;

/// A site of a round.
#[derive(Debug)]
pub struct RoundSite {
    /// The site.
    pub site_id: Uuid,
    /// Its name.
    pub site: String,
    /// Where it is.
    pub address: Option<String>,
    /// Its customer's name.
    pub customer: String,
    /// Its meters with their due dates, by unit and label.
    pub meters: Vec<(Held, Due)>,
}

/// The stops of a round at these sites, in their order; where none is named, all sites at which
/// something is due, by customer and name. A site without a meter that people read is left out.
///
/// # Errors
/// When the database fails.
pub async fn stops(tx: &Tx<'_>, sites: &[SiteId]) -> Result<Vec<RoundSite>, DbError> {
    let filter = Filter { sites: sites.to_vec(), ..Filter::default() };
    let held = due::held(tx, &filter, tx.now()).await?;
    let mut stops: Vec<RoundSite> = Vec::new();
    for held in held.into_iter().filter(Held::is_read_by_people) {
        let due = held.due(tx.now());
        match stops.last_mut().filter(|stop| stop.site_id == held.site_id) {
            Some(stop) => stop.meters.push((held, due)),
            None => stops.push(RoundSite {
                site_id: held.site_id,
                site: held.site.clone(),
                address: None,
                customer: held.customer.clone(),
                meters: vec![(held, due)],
            }),
        }
    }
    if sites.is_empty() {
        let is_due = |(held, due): &(Held, Due)| due.is_near(held.local(tx.now()));
        stops.retain(|stop| stop.meters.iter().any(is_due));
    } else {
        stops.sort_by_key(|stop| sites.iter().position(|site| site.0 == stop.site_id));
    }
    let mut addresses = addresses(tx, &stops).await?;
    for stop in &mut stops {
        stop.address = addresses.remove(&stop.site_id).flatten();
    }
    Ok(stops)
}

async fn addresses(tx: &Tx<'_>, stops: &[RoundSite]) -> Result<HashMap<Uuid, Option<String>>, DbError> {
    let ids: HashSet<Uuid> = stops.iter().map(|stop| stop.site_id).collect();
    let rows: Vec<(Uuid, Option<String>)> =
        site::table.filter(site::id.eq_any(ids)).select((site::id, site::address)).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().collect())
}
