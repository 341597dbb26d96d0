//! Past nights forecast again with what was known then, and scored by what is known now.
//!
//! Rewound are: which parts, samples, gauges, calibrations, service events, chemicals, standstills and
//! upsets were written down and not yet withdrawn, which parts were fitted and out, when units were retired,
//! where they stood, and months that were not yet over. A part is out once that was written down. What can't
//! be rewound: a record set right later counts as it is now, and months are those of today's readings. Counts that other dealers lend are not kept by
//! night, so none is used.

use super::night_risk;
use crate::auth::Scope;
use crate::db::risk::fleet::{self, Records};
use crate::db::risk::lent::LentLives;
use crate::db::{Db, DbError};
use chrono::{DateTime, Duration, Utc};
use domain::ids::{ComponentId, DealerId, UnitId};
use domain::risk::HORIZONS_DAYS;
use domain::risk::fleet::{Fleet, Part};
use domain::risk::night::{Night, PartForecast, UnitRisk};
use domain::risk::outcome::{Outcome, State, of_unit, outcome};
use domain::risk::scores::{Judged, Scores, scores};
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};

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
    /// How the forecasts of units would have.
    pub units: BacktestedUnits,
}

/// How forecasts of units would have turned out: whether one of their parts failed, or the process upset.
#[derive(Debug, Serialize)]
pub struct BacktestedUnits {
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
    let fleet = fleet::fleet(db, &scope, now, Records::FittedByThen).await?;
    let parts: HashMap<ComponentId, &Part> = fleet.parts.iter().map(|part| (part.id, part)).collect();
    let known = Known { fleet: &fleet, parts, now };
    let mut tallies = HORIZONS_DAYS.map(|_| Tally::default());
    for (done, night) in nights.iter().enumerate() {
        progress(done, nights.len());
        let computed = night_risk::computed(db, &scope, *night, records, LentLives::new()).await?;
        for (at, (tally, days)) in tallies.iter_mut().zip(HORIZONS_DAYS).enumerate() {
            tally.add(&computed, (at, days), *night, &known);
        }
    }
    progress(nights.len(), nights.len());
    let backtested = tallies.into_iter().zip(HORIZONS_DAYS).map(|(tally, horizon_days)| Backtested {
        horizon_days,
        pending: tally.parts.pending,
        unknown: tally.parts.unknown,
        scores: scores(&tally.parts.judged),
        units: BacktestedUnits {
            pending: tally.units.pending,
            unknown: tally.units.unknown,
            scores: scores(&tally.units.judged),
        },
    });
    Ok(backtested.collect())
}

/// What is known now.
struct Known<'a> {
    fleet: &'a Fleet,
    parts: HashMap<ComponentId, &'a Part>,
    now: DateTime<Utc>,
}

/// The forecasts of one horizon over the nights.
#[derive(Default)]
struct Tally {
    parts: Turned,
    units: Turned,
}

#[derive(Default)]
struct Turned {
    judged: Vec<Judged>,
    pending: usize,
    unknown: usize,
}

impl Turned {
    fn add(&mut self, outcome: Option<Outcome>, judge: impl FnOnce(bool, f64) -> Option<Judged>) {
        match outcome {
            None => self.pending += 1,
            Some(Outcome { state: State::Unknown, .. }) => self.unknown += 1,
            Some(Outcome { state, after_days }) => self.judged.extend(judge(state == State::Failed, after_days)),
        }
    }
}

impl Tally {
    fn add(&mut self, computed: &Night, (at, days): (usize, u16), made_at: DateTime<Utc>, known: &Known<'_>) {
        // Of a night whose horizon lies ahead the failures alone would be known.
        let passed = made_at + Duration::days(days.into()) <= known.now;
        let mut of_units: BTreeMap<UnitId, Vec<Outcome>> = BTreeMap::new();
        for part in computed.parts.iter().filter(|part| part.ahead.get(at).is_some_and(|ahead| ahead.chance.is_some()))
        {
            let Some(later) = known.parts.get(&part.component).filter(|_| passed) else {
                self.parts.add(None, |_, _| None);
                continue;
            };
            let found = outcome(made_at, days, later.component.last_good_at, later.ended(), known.now);
            of_units.entry(part.unit).or_default().extend(found);
            self.parts.add(found, |failed, after_days| judged(part, at, failed, after_days));
        }
        for unit in &computed.units {
            let upsets = known.fleet.units.get(&unit.unit).into_iter().flat_map(|unit| &unit.history.upsets);
            let upset = upsets.filter(|upset| **upset > made_at).min();
            let upset = upset.map(|upset| (*upset - made_at).as_seconds_f64() / 86_400.0);
            match of_units.get(&unit.unit) {
                Some(parts) => {
                    let found = of_unit(days, parts.iter().copied(), upset);
                    self.units.add(Some(found), |failed, after_days| judged_unit(unit, at, failed, after_days));
                }
                None if !passed => self.units.add(None, |_, _| None),
                // None of its parts was forecast.
                None => {}
            }
        }
    }
}

/// As a part of one rated life, of which so much will have been used.
fn judged_unit(unit: &UnitRisk, at: usize, failed: bool, after_days: f64) -> Option<Judged> {
    let worn = *unit.worn.get(at)?;
    Some(Judged {
        of: unit.unit.0,
        probability: *unit.chances.get(at)?,
        failed,
        after_days,
        age: worn.unwrap_or(0.0),
        use_: 0.0,
        rated_life: worn.map(|_| 1.0),
        by_constant_rate: *unit.by_constant_rate.get(at)?,
    })
}

fn judged(part: &PartForecast, at: usize, failed: bool, after_days: f64) -> Option<Judged> {
    let ahead = part.ahead.get(at)?;
    Some(Judged {
        of: part.component.0,
        probability: ahead.chance?.p,
        failed,
        after_days,
        age: part.age.value,
        use_: ahead.use_,
        rated_life: part.rated_life,
        by_constant_rate: ahead.by_constant_rate,
    })
}
