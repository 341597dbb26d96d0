//! Records that a dealer's people write down: customers, sites, unit models, units, meters. Each is a list
//! or a page of its own, and a sheet by which it is added, changed and retired.

mod agreement_form;
mod agreement_lines;
mod agreements;
mod chemicals;
mod covers;
mod customers;
mod daily_use;
mod dips;
mod item_prices;
mod items;
mod meter_changes;
mod meter_place;
mod meters;
mod models;
mod part_out;
mod places;
mod recipients;
mod site_history;
mod sites;
mod stay_ends;
mod unit_changes;
mod unit_parts;
mod unit_work;
mod units;

use super::sheet::Spec;
use crate::db::page::{After, CHOICES_MOST};
use crate::db::{DbError, Tx, customer, site, unit_model};
use actix_web::web::ServiceConfig;
use domain::ids::CustomerId;
use serde::Deserialize;
use std::collections::HashMap;
use uuid::Uuid;

/// The routes; before those of the pages whose addresses take any word.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .configure(customers::routes)
        .configure(sites::routes)
        .configure(models::routes)
        .configure(units::routes)
        .configure(unit_changes::routes)
        .configure(meters::routes)
        .configure(meter_changes::routes)
        .configure(agreements::routes)
        .configure(chemicals::routes)
        .configure(site_history::routes)
        .configure(dips::routes)
        .configure(covers::routes)
        .configure(unit_parts::routes)
        .configure(part_out::routes)
        .configure(unit_work::routes)
        .configure(items::routes)
        .configure(item_prices::routes)
        .configure(daily_use::routes)
        .configure(places::routes)
        .configure(recipients::routes);
}

/// Of what a new record is.
#[derive(Deserialize)]
struct Of {
    customer: Option<Uuid>,
    site: Option<Uuid>,
    unit: Option<Uuid>,
}

/// The dealer's models.
async fn model_choices(tx: &Tx<'_>) -> Result<Vec<(String, String)>, DbError> {
    let models = unit_model::list(tx, &After::first(CHOICES_MOST)).await?;
    Ok(models.into_iter().map(|model| (model.id.to_string(), model.value.name)).collect())
}

/// The sites in use, by customer and name.
async fn site_choices(tx: &Tx<'_>) -> Result<Vec<(String, String)>, DbError> {
    let customers = customer::list(
        tx,
        &customer::Filter { retired: true, ..customer::Filter::default() },
        &After::first(CHOICES_MOST),
    )
    .await?;
    let names: HashMap<CustomerId, String> = customers.into_iter().map(|one| (one.id, one.value.name)).collect();
    let filter = site::Filter::default();
    let sites = site::list(tx, &filter, &After::first(CHOICES_MOST)).await?;
    let worded = sites.into_iter().map(|site| {
        let of = names.get(&site.value.customer_id).map_or("", String::as_str);
        (format!("{of}, {}", site.value.name), site.id.to_string())
    });
    let mut sorted: Vec<_> = worded.collect();
    sorted.sort();
    Ok(sorted.into_iter().map(|(words, id)| (id, words)).collect())
}

/// Several lists of fields as one.
fn together(lists: &[&[Spec]]) -> Vec<Spec> {
    lists.iter().flat_map(|list| list.iter().cloned()).collect()
}
