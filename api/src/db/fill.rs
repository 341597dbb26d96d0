//! The volume of one fill of units and sites, between the floats: a reuse ratio takes at least as much
//! make-up water.

use super::range::{self, Range};
use super::schema::{placement, unit, unit_model};
use super::{DbError, Tx};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::span::Span;
use domain::trace::Window;
use domain::units::Litres;
use std::collections::HashMap;
use uuid::Uuid;

/// What one fill takes of the units of placements and sites, each while it stood there.
#[derive(Debug, Default)]
pub struct Fills(HashMap<Uuid, Vec<(Span, Option<f64>)>>);

impl Fills {
    /// Of all units of a placement or site in some time; `None` where none stood there, or it is not known of
    /// one of them.
    #[must_use]
    pub fn at(&self, subject: Uuid, window: Window) -> Option<Litres> {
        let (from, to) = window.bounds(Tz::UTC);
        let time = Span::parse(from, Some(to)).ok()?;
        let there = self.0.get(&subject)?.iter().filter(|(span, _)| span.within(time).is_some());
        let bands: Option<Vec<f64>> = there.map(|(_, band)| *band).collect();
        bands.filter(|bands| !bands.is_empty()).map(|bands| Litres(bands.iter().sum()))
    }
}

/// The fills of placements and sites.
///
/// # Errors
/// When the database fails.
pub async fn of(tx: &Tx<'_>, subjects: &[Uuid]) -> Result<Fills, DbError> {
    let rows: Vec<(Uuid, Uuid, Range, Option<f64>)> = placement::table
        .inner_join(unit::table.on(unit::dealer_id.eq(placement::dealer_id).and(unit::id.eq(placement::unit_id))))
        .left_join(
            unit_model::table
                .on(unit_model::dealer_id.eq(unit::dealer_id).and(unit_model::id.nullable().eq(unit::model_id))),
        )
        .filter(placement::id.eq_any(subjects).or(placement::site_id.eq_any(subjects)))
        .select((placement::id, placement::site_id, placement::valid, unit_model::float_band_l.nullable()))
        .order(placement::valid)
        .load(&mut tx.conn())
        .await?;
    let mut found = Fills::default();
    for (placement, site, valid, band) in rows {
        let stay = (range::to_span(valid)?, band);
        for subject in [placement, site] {
            found.0.entry(subject).or_default().push(stay);
        }
    }
    Ok(found)
}
