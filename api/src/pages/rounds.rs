//! `/rounds`: the sheet of a round, to be printed and taken along.

use super::fault::Fault;
use super::html_for;
use super::readings_due::last;
use super::visitor::Visitor;
use super::words::{self, day};
use crate::auth::perm;
use crate::db::asking::due::Held;
use crate::db::asking::round::{RoundSite, stops};
use crate::db::{Db, dealer};
use crate::http::asking::rounds::sites;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::{DateTime, Utc};
use domain::zone::local_date;
use serde::Deserialize;

#[derive(Template)]
#[template(path = "rounds.html")]
struct Page {
    day: String,
    stops: Vec<Stop>,
}

struct Stop {
    site: String,
    customer: String,
    address: String,
    rows: Vec<Row>,
}

struct Row {
    label: String,
    place: String,
    due: String,
    late: bool,
    last: String,
    expected: String,
    counts: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    /// The sites' ids with commas between them.
    site: Option<String>,
}

#[get("/rounds")]
pub(super) async fn round(
    visitor: Visitor<perm::ReadRounds>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let sites = sites(asked.site.as_deref())?;
    let (zone, stops) = db
        .read(caller.scope(), caller.now(), async |tx| {
            let zone = dealer::zone(tx).await?;
            Ok((zone, stops(tx, &sites).await?))
        })
        .await?;
    let stops = stops.into_iter().map(|stop| Stop::of(stop, caller.now())).collect();
    Ok(html_for(&caller, StatusCode::OK, &Page { day: day(local_date(zone, caller.now())), stops })?)
}

impl Stop {
    fn of(stop: RoundSite, now: DateTime<Utc>) -> Self {
        let rows = stop.meters.into_iter().map(|(held, due)| Row {
            place: place(&held),
            due: day(due.on),
            late: due.late_since.is_some(),
            last: last(&held),
            expected: words::expected(held.expected(now), &held.facts),
            counts: words::counts(&held.facts),
            label: held.label,
        });
        Self {
            rows: rows.collect(),
            site: stop.site,
            customer: stop.customer,
            address: stop.address.unwrap_or_default(),
        }
    }
}

fn place(held: &Held) -> String {
    let parts = [held.unit.as_deref(), held.position.as_deref()];
    let known: Vec<_> = parts.into_iter().flatten().collect();
    if known.is_empty() { "whole site".to_owned() } else { known.join(", ") }
}
