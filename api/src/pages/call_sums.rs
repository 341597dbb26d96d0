//! `/call-outs/sums`: what the call-outs of a year came to, by customer, unit or model.

use super::fault::Fault;
use super::visitor::Visitor;
use super::{html_for, words};
use crate::auth::perm;
use crate::db::service::call_out::{self, By};
use crate::db::{Db, DbError, Tx};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::Duration;
use domain::service::call_out::{Total, summary};
use serde::Deserialize;
use uuid::Uuid;

/// Days that are summed up.
const DAYS: i64 = 365;

/// What calls are summed by: the name in the address, in words, and for whom no name is known.
const WAYS: [(By, &str, &str, &str); 3] = [
    (By::Customer, "customer", "Customer", "customers that are no more"),
    (By::Unit, "unit", "Unit", "calls that name no unit"),
    (By::Model, "model", "Model", "units without a model"),
];

#[derive(Template)]
#[template(path = "call_sums.html")]
struct Page {
    of: &'static str,
    lower: String,
    /// The other ways to sum: their names and words.
    others: Vec<(&'static str, String)>,
    rows: Vec<Row>,
}

struct Row {
    name: String,
    sums: Total,
    lost: String,
    on_town_water: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    by: Option<String>,
}

#[get("/call-outs/sums")]
pub(super) async fn show(
    visitor: Visitor<perm::SumCallOuts>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let asked = asked.into_inner().by.unwrap_or_default();
    let [first, ..] = &WAYS;
    let way = WAYS.iter().find(|(_, name, ..)| *name == asked).unwrap_or(first);
    let rows = db.read(caller.scope(), caller.now(), async |tx| rows(tx, way.0, way.3).await).await?;
    let others = WAYS.iter().filter(|(by, ..)| *by != way.0);
    let others = others.map(|(_, name, of, _)| (*name, of.to_lowercase())).collect();
    Ok(html_for(&caller, StatusCode::OK, &Page { of: way.2, lower: way.2.to_lowercase(), others, rows })?)
}

/// Those with most calls first.
async fn rows(tx: &Tx<'_>, by: By, nameless: &str) -> Result<Vec<Row>, DbError> {
    let span = (tx.now() - Duration::days(DAYS), tx.now());
    let totals = summary(&call_out::counted(tx, span, by).await?, tx.now());
    let ids: Vec<Uuid> = totals.keys().flatten().copied().collect();
    let names = call_out::called(tx, by, ids).await?;
    let row = |(id, sums): (Option<Uuid>, Total)| Row {
        name: id.and_then(|id| names.get(&id).cloned()).unwrap_or_else(|| nameless.to_owned()),
        lost: hours(sums.hours_lost),
        on_town_water: hours(sums.hours_on_town_water),
        sums,
    };
    let mut rows: Vec<Row> = totals.into_iter().map(row).collect();
    rows.sort_by(|a, b| b.sums.calls.cmp(&a.sums.calls).then_with(|| a.name.cmp(&b.name)));
    Ok(rows)
}

fn hours(hours: f64) -> String {
    if hours > 0.0 { format!("{hours:.1}\u{a0}h") } else { words::NONE.to_owned() }
}
