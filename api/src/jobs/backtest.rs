//! Past nights forecast again with what was known then, and scored by what is known now.
//!
//! Rewound are: which parts were written down, fitted and out, when units were retired, where
//! they stood, and months that were not yet over. What can't be rewound: a record set right later
//! counts as it is now, a part counts as out from the day it was out even when that was written
//! down later, and months are those of today's readings.

use super::night_risk;
use crate::auth::Scope;
use crate::db::risk::fleet::{self, Records};
use crate::db::{Db, DbError};
use chrono::{DateTime, Utc};
use domain::ids::{ComponentId, DealerId};
use domain::risk::HORIZONS_DAYS;
use domain::risk::fleet::Part;
use domain::risk::night::{Night, PartForecast};
use domain::risk::outcome::{State, outcome};
use domain::risk::scores::{Judged, Scores, scores};
use serde::Serialize;
use std::collections::HashMap;

/// How the forecasts of one horizon would have turned out.
#[derive(Debug, Serialize)]
pub struct Backtested {
    /// Days ahead.
    pub horizon_days: u16,
    /// Forecasts whose horizon lies ahead.
    pub pending: usize,
    /// Forecasts that will never be scored.
    pub unknown: usize,
    /// The scores; null without a forecast that can be scored.
    pub scores: Option<Scores>,
}

/// Forecasts each of the nights, in order, and scores them as of `now`.
///
/// # Errors
/// When the database fails.
pub async fn run(
    db: &Db,
    dealer: DealerId,
    nights: &[DateTime<Utc>],
    records: Records,
    now: DateTime<Utc>,
    progress: super::night_run::Progress<'_>,
) -> Result<Vec<Backtested>, DbError> {
    let scope = Scope::of_job(dealer);
    let fleet = db.read(&scope, now, async |tx| fleet::fleet(tx, Records::FittedByThen).await).await?;
    let known: HashMap<ComponentId, &Part> = fleet.parts.iter().map(|part| (part.id, part)).collect();
    let mut tallies = HORIZONS_DAYS.map(|_| Tally::default());
    for (done, night) in nights.iter().enumerate() {
        progress(done, nights.len());
        let computed = night_risk::computed(db, &scope, *night, records).await?;
        for (at, (tally, days)) in tallies.iter_mut().zip(HORIZONS_DAYS).enumerate() {
            tally.add(&computed, (at, days), *night, &known, now);
        }
    }
    progress(nights.len(), nights.len());
    let backtested = tallies.into_iter().zip(HORIZONS_DAYS).map(|(tally, horizon_days)| Backtested {
        horizon_days,
        pending: tally.pending,
        unknown: tally.unknown,
        scores: scores(&tally.judged),
    });
    Ok(backtested.collect())
}

/// The forecasts of one horizon over the nights.
#[derive(Default)]
struct Tally {
    judged: Vec<Judged>,
    pending: usize,
    unknown: usize,
}

impl Tally {
    fn add(
        &mut self,
        computed: &Night,
        (at, days): (usize, u16),
        made_at: DateTime<Utc>,
        known: &HashMap<ComponentId, &Part>,
        now: DateTime<Utc>,
    ) {
        for part in &computed.parts {
            let Some(now_known) = known.get(&part.component) else { continue };
            match outcome(made_at, days, now_known.component.last_good_at, now_known.ended(), now) {
                None => self.pending += 1,
                Some(found) if found.state == State::Unknown => self.unknown += 1,
                Some(found) => self.judged.extend(judged(part, at, found.state == State::Failed, found.after_days)),
            }
        }
    }
}

fn judged(part: &PartForecast, at: usize, failed: bool, after_days: f64) -> Option<Judged> {
    let ahead = part.ahead.get(at)?;
    Some(Judged {
        probability: ahead.chance?.p,
        failed,
        after_days,
        age: part.age.value,
        use_: ahead.use_,
        rated_life: part.rated_life,
        by_constant_rate: ahead.by_constant_rate,
    })
}
