//! The volume of one fill of units and sites, between the floats: a reuse ratio takes at least as much
//! make-up water.

use super::range::{self, Range};
use super::schema::{placement, site, unit, unit_model};
use super::{DbError, Tx};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::span::Span;
use domain::trace::Window;
use domain::units::Litres;
use domain::zone::parse_zone;
use std::collections::HashMap;
use uuid::Uuid;

/// What one fill takes of the units of placements and sites, each while it stood there.
#[derive(Debug, Default)]
pub struct Fills(HashMap<Uuid, Vec<Stay>>);

/// A unit while it stood at a site.
#[derive(Debug, Clone, Copy)]
struct Stay {
    span: Span,
    /// Of the site: a unit that comes as the next month begins there has no part in this one.
    zone: Tz,
    /// What lies between its floats, in litres; `None` where its model is not known.
    band_l: Option<f64>,
}

impl Stay {
    fn reaches(&self, window: Window) -> bool {
        let (from, to) = window.bounds(self.zone);
        Span::parse(from, Some(to)).is_ok_and(|time| self.span.within(time).is_some())
    }
}

impl Fills {
    /// Of the units of a placement or site in some time, as far as it is known of them: one fill of all takes at
    /// least that. `None` where it is known of none.
    #[must_use]
    pub fn at(&self, subject: Uuid, window: Window) -> Option<Litres> {
        let there = self.0.get(&subject)?.iter().filter(|stay| stay.reaches(window));
        there.filter_map(|stay| stay.band_l).map(Litres).reduce(|one, other| one + other)
    }
}

/// The fills of placements and sites.
///
/// # Errors
/// When the database fails.
pub async fn of(tx: &Tx<'_>, subjects: &[Uuid]) -> Result<Fills, DbError> {
    let rows: Vec<(Uuid, Uuid, Range, String, Option<f64>)> = placement::table
        .inner_join(unit::table.on(unit::dealer_id.eq(placement::dealer_id).and(unit::id.eq(placement::unit_id))))
        .inner_join(site::table.on(site::dealer_id.eq(placement::dealer_id).and(site::id.eq(placement::site_id))))
        .left_join(
            unit_model::table
                .on(unit_model::dealer_id.eq(unit::dealer_id).and(unit_model::id.nullable().eq(unit::model_id))),
        )
        .filter(placement::id.eq_any(subjects).or(placement::site_id.eq_any(subjects)))
        .select((
            placement::id,
            placement::site_id,
            placement::valid,
            site::time_zone,
            unit_model::float_band_l.nullable(),
        ))
        .order(placement::valid)
        .load(&mut tx.conn())
        .await?;
    let mut found = Fills::default();
    for (placement, site, valid, zone, band_l) in rows {
        let stay = Stay { span: range::to_span(valid)?, zone: parse_zone(&zone)?, band_l };
        for subject in [placement, site] {
            found.0.entry(subject).or_default().push(stay);
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::zone::Month;

    const SITE: Uuid = Uuid::from_u128(7);

    fn stay(from: &str, to: Option<&str>, band_l: Option<f64>) -> Stay {
        let span = Span::parse(from.parse().unwrap(), to.map(|to| to.parse().unwrap())).unwrap();
        Stay { span, zone: parse_zone("Europe/Vienna").unwrap(), band_l }
    }

    fn of(stays: &[Stay], month: &str) -> Option<Litres> {
        let fills = Fills(HashMap::from([(SITE, stays.to_vec())]));
        fills.at(SITE, Window::Month(Month::parse(month).unwrap()))
    }

    /// The first unit left as February ended in Vienna, an hour before it did in UTC, when the second came.
    #[test]
    fn units_count_in_the_months_in_which_they_stood_there() {
        let turn = "2026-02-28T23:00:00Z";
        let stays = [stay("2025-06-01T00:00:00Z", Some(turn), Some(400.0)), stay(turn, None, Some(700.0))];
        assert_eq!((of(&stays, "2026-02"), of(&stays, "2026-03")), (Some(Litres(400.0)), Some(Litres(700.0))));
        let both = [stays[0], stay("2026-02-10T00:00:00Z", None, Some(700.0))];
        assert_eq!((of(&both, "2026-02"), of(&both, "2025-05")), (Some(Litres(1100.0)), None));
    }

    #[test]
    fn what_is_known_of_some_is_the_least_of_all() {
        let known = stay("2025-06-01T00:00:00Z", None, Some(400.0));
        let unknown = stay("2025-06-01T00:00:00Z", Some("2026-02-01T00:00:00Z"), None);
        let stays = [known, unknown, stay("2025-06-01T00:00:00Z", None, Some(700.0))];
        assert_eq!((of(&stays, "2026-01"), of(&stays, "2026-03")), (Some(Litres(1100.0)), Some(Litres(1100.0))));
        assert_eq!((of(&stays[..2], "2026-01"), of(&[unknown], "2026-01")), (Some(Litres(400.0)), None));
    }
}
