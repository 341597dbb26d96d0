//! Warranty cover of a unit in words, and what was claimed under it: a part of the unit's page.

use super::{parts, words};
use crate::db::page::{After, PAGE_MAX};
use crate::db::series::Of;
use crate::db::service::handed_over::{self, HandedOver};
use crate::db::service::{self, Filter, Kept};
use crate::db::{DbError, Tx, component};
use domain::ids::UnitId;
use domain::service::cover::{Claim, Cover, GivenBy};
use uuid::Uuid;

/// The covers of a unit as far as the scope sees them, each by its id and in sentences.
///
/// # Errors
/// When the database fails.
pub(super) async fn of(tx: &Tx<'_>, unit: UnitId) -> Result<Vec<(Uuid, String)>, DbError> {
    let filter = Filter { of: Of::of_unit(unit), ..Filter::default() };
    let covers = service::list::<Cover>(tx, &filter, &After::first(PAGE_MAX)).await?;
    if covers.is_empty() {
        return Ok(Vec::new());
    }
    let handed_over = handed_over::of(tx, &[unit.0]).await?;
    let mut said = Vec::with_capacity(covers.len());
    for kept in covers {
        let part = match kept.stored.value.component_id {
            Some(part) => match component::get(tx, part).await {
                Ok(part) => format!(" for its part: {}", parts::name(&part.value)),
                // It was in the unit before this customer had it.
                Err(DbError::NotFound) => " for one of its parts".to_owned(),
                Err(error) => return Err(error),
            },
            None => String::new(),
        };
        said.push((kept.stored.id, cover(&kept, &handed_over, &part)));
    }
    Ok(said)
}

fn cover(kept: &Kept<Cover>, handed_over: &HandedOver, part: &str) -> String {
    let cover = &kept.stored.value;
    let start = cover.starts_on(handed_over.started_on(cover.unit_id, kept.keys.customer));
    let given = match cover.given_by {
        GivenBy::Dealer => "The dealer\u{2019}s warranty",
        GivenBy::Supplier => "The supplier\u{2019}s warranty",
    };
    let covered =
        [("parts", cover.parts), ("work", cover.labour), ("travel", cover.travel), ("consumables", cover.consumables)];
    let held = covered.into_iter().filter_map(|(what, days)| {
        let days = days?;
        Some(match (days.span(start), days.months) {
            (Some((from, to)), _) => format!("{what} from {} up to {}", words::day(from), words::day(to)),
            (None, Some(months)) => format!("{what} for {months} months from the handover on"),
            (None, None) => what.to_owned(),
        })
    });
    let held = held.collect::<Vec<_>>().join("; ");
    let without = match cover.exclusions.as_slice() {
        [] => String::new(),
        all => format!(" It leaves out: {}.", all.join(", ")),
    };
    let claims: String = cover.claims.iter().map(claim).collect();
    format!("{given}{part}: {held}.{without}{claims}")
}

fn claim(claim: &Claim) -> String {
    let number = claim.number.as_ref().map_or_else(String::new, |number| format!(", number {number}"));
    let back = claim.returned_on.map_or_else(String::new, |day| format!(", sent back {}", words::day(day)));
    let credit = match (claim.credit, claim.credited_on) {
        (Some(credit), Some(day)) => format!(", {credit} credited {}", words::day(day)),
        _ => ", no credit yet".to_owned(),
    };
    format!(" Claimed: {}{number}{back}{credit}.", claim.part)
}
