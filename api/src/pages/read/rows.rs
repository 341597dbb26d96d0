//! The meters of a request as the page shows them.

use super::Opened;
use crate::db::asking::due::{self, Filter, Held};
use crate::db::asking::taken::{self, Wanted};
use crate::db::{Db, DbError, dealer, site};
use crate::pages::words;
use chrono::{DateTime, Utc};

/// What the page is made of.
pub(super) struct Sheet {
    pub(super) dealer: String,
    pub(super) site: String,
    pub(super) meters: Vec<(Wanted, Held)>,
}

/// One meter of the page.
#[derive(Default)]
pub(super) struct Row {
    pub(super) n: i16,
    pub(super) label: String,
    /// The unit it measures and where it sits.
    pub(super) place: String,
    pub(super) last: String,
    pub(super) expected: String,
    /// What one count of the register is.
    pub(super) counts: String,
    /// Whether zeros are painted beside the digits, and not to be typed.
    pub(super) painted_zeros: bool,
    pub(super) typed: String,
    /// What is wrong, or what to confirm.
    pub(super) say: String,
    /// The value to be confirmed; empty when nothing is to be.
    pub(super) sure: String,
    pub(super) has_photo: bool,
    /// What was taken; empty while it is open.
    pub(super) taken: String,
}

/// The request's meters that its customer still has there, as whoever holds the link may see.
pub(super) async fn sheet(db: &Db, opened: &Opened) -> Result<Sheet, DbError> {
    let (id, site_id) = (opened.asking.id, opened.asking.value.request.site_id);
    db.read(&opened.scope, opened.now, async |tx| {
        let wanted = taken::wanted(tx, id).await?;
        let numbers = wanted.iter().map(|row| row.meter_no).collect();
        let mut held = due::held(tx, &Filter { sites: vec![site_id], numbers, ..Filter::default() }, tx.now()).await?;
        let mut of = |no: i32| held.iter().position(|held| held.meter_no == no).map(|place| held.swap_remove(place));
        let meters = wanted.into_iter().filter_map(|row| of(row.meter_no).map(|held| (row, held))).collect();
        let (dealer, site) = (dealer::get(tx).await?.name, site::get(tx, site_id).await?.value.name);
        Ok(Sheet { dealer, site, meters })
    })
    .await
}

impl Sheet {
    /// The rows before anything was typed.
    pub(super) fn rows(&self, now: DateTime<Utc>) -> Vec<Row> {
        self.meters.iter().map(|(wanted, held)| Row::of(wanted, held, now)).collect()
    }
}

impl Row {
    pub(super) fn of(wanted: &Wanted, held: &Held, now: DateTime<Utc>) -> Self {
        let facts = &held.facts;
        let place = [held.unit.as_deref(), held.position.as_deref()];
        let last = held.last.map(|last| {
            let day = last.at.with_timezone(&held.zone).format("%-d\u{a0}%B\u{a0}%Y");
            format!("{} on {day}", words::register_in(last.register, facts))
        });
        let taken = wanted.taken_at.map(|at| format!("Sent {}.", words::instant(held.zone, at)));
        Self {
            n: wanted.n,
            label: held.label.clone(),
            place: place.into_iter().flatten().collect::<Vec<_>>().join(", "),
            last: last.unwrap_or_else(|| "never read before".to_owned()),
            expected: held.expected(now).map(|range| words::expected(Some(range), facts)).unwrap_or_default(),
            counts: words::counts(facts),
            painted_zeros: facts.multiplier > 1.0,
            has_photo: wanted.has_photo,
            taken: taken.unwrap_or_default(),
            ..Self::default()
        }
    }
}
