//! What people noted that bears on the balances of subjects, for the night run: one query a kind
//! of note for a whole chunk of subjects.

use super::error::known;
use super::measures::Note;
use super::measures::owner::Owner;
use super::measures::working_days;
use super::night_plan::Subject;
use super::range::{self, Range};
use super::schema::{meter, placement, site, spell, unit, unit_model};
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::measures::gauge::{Gauge, GaugeReading, GaugeUnit};
use domain::measures::guns::{FlowTest, WashDerivation};
use domain::measures::loss_coefficient::LossCoefficient;
use domain::measures::rain::{RainDay, RainIntake};
use domain::measures::volume_event::VolumeEvent;
use domain::measures::wash_sessions::WashSessions;
use domain::measures::wash_tally::WashTally;
use domain::metering::sessions::SessionRule;
use domain::metering::spread::WorkingCalendar;
use domain::span::Span;
use domain::spell::{Spell, SpellState};
use domain::units::Litres;
use domain::water::assembly::Notes;
use domain::water::losses::Catchment;
use std::collections::HashMap;
use uuid::Uuid;

/// A subject's notes.
#[derive(Debug)]
pub(crate) struct Noted {
    /// What bears on its balance.
    pub notes: Notes,
    /// Washes tallied at its site.
    pub tallies: Vec<WashTally>,
    /// When its site works.
    pub working: WorkingCalendar,
    /// Meters that serve a single gun, by number, and which pause tells washes apart there.
    pub sessions: Vec<(i32, SessionRule)>,
}

/// Runoff of a paved pad, where the site's is not known: the middle of 0.70 to 0.95 (rational
/// method; range from memory), with a tenth of it as its standard uncertainty.
const RUNOFF: f64 = 0.8;
const RAIN_U_SHARE: f64 = 0.1;

/// The notes of each subject, by its id.
///
/// # Errors
/// When the database fails.
pub(crate) async fn of(tx: &Tx<'_>, subjects: &[Subject]) -> Result<HashMap<Uuid, Noted>, DbError> {
    let sites: Vec<Uuid> = subjects.iter().map(|subject| subject.site_id).collect();
    let stays = stays(tx, &sites).await?;
    let units: Vec<Uuid> = stays.iter().map(|stay| stay.unit_id).collect();
    let loaded = Loaded {
        grounds: grounds(tx, &sites).await?,
        intakes: all::<RainIntake>(tx, &sites).await?,
        rain: all::<RainDay>(tx, &sites).await?,
        tests: all::<FlowTest>(tx, &sites).await?,
        derivations: derivations(tx, &sites).await?,
        losses: all::<LossCoefficient>(tx, &sites).await?,
        tallies: all::<WashTally>(tx, &sites).await?,
        working: working_days::calendars(tx, &sites).await?,
        sessions: session_rules(tx, &sites).await?,
        events: all::<VolumeEvent>(tx, &units).await?,
        gauges: all::<GaugeReading>(tx, &units).await?,
        spells: spells(tx, &units).await?,
        stays,
    };
    Ok(subjects.iter().map(|subject| (subject.id, loaded.of(subject))).collect())
}

/// A unit at a site, with what its model says.
struct Stay {
    placement_id: Uuid,
    unit_id: Uuid,
    site_id: Uuid,
    span: Span,
    band: Option<f64>,
    working_volume: Option<f64>,
}

/// What is known of the ground that rain falls on.
#[derive(Queryable, Selectable)]
#[diesel(table_name = site)]
struct Ground {
    id: Uuid,
    bay_roofed: bool,
    catchment_m2: Option<f64>,
    runoff_coefficient: Option<f64>,
    initial_loss_mm: Option<f64>,
    rain_diverter: bool,
}

struct Loaded {
    grounds: HashMap<Uuid, Ground>,
    intakes: HashMap<Uuid, Vec<RainIntake>>,
    rain: HashMap<Uuid, Vec<RainDay>>,
    tests: HashMap<Uuid, Vec<FlowTest>>,
    derivations: HashMap<Uuid, Vec<(WashDerivation, String)>>,
    losses: HashMap<Uuid, Vec<LossCoefficient>>,
    tallies: HashMap<Uuid, Vec<WashTally>>,
    working: HashMap<Uuid, WorkingCalendar>,
    sessions: HashMap<Uuid, Vec<(i32, SessionRule)>>,
    events: HashMap<Uuid, Vec<VolumeEvent>>,
    gauges: HashMap<Uuid, Vec<GaugeReading>>,
    spells: HashMap<Uuid, Vec<Spell>>,
    stays: Vec<Stay>,
}

fn listed<T: Clone>(of: &HashMap<Uuid, Vec<T>>, key: Uuid) -> Vec<T> {
    of.get(&key).cloned().unwrap_or_default()
}

impl Loaded {
    fn of(&self, subject: &Subject) -> Noted {
        let site = subject.site_id;
        let here = |stay: &&Stay| match subject.unit_id {
            Some(_) => stay.placement_id == subject.id,
            None => stay.site_id == site,
        };
        let stays: Vec<&Stay> = self.stays.iter().filter(here).collect();
        let ground = self.grounds.get(&site);
        // Of several units all have to be known.
        let sum = |of: fn(&Stay) -> Option<f64>| {
            let known: Option<Vec<f64>> = stays.iter().map(|stay| of(stay)).collect();
            known.filter(|known| !known.is_empty()).map(|known| Litres(known.iter().sum()))
        };
        let notes = Notes {
            zone: subject.zone,
            catchment: ground.and_then(Ground::catchment),
            diverter: ground.is_some_and(|ground| ground.rain_diverter),
            intakes: listed(&self.intakes, site),
            rain: listed(&self.rain, site),
            events: stays.iter().flat_map(|stay| self.events_of(stay)).collect(),
            levels: self.levels(&stays),
            band: sum(|stay| stay.band),
            working_volume: sum(|stay| stay.working_volume),
            tests: listed(&self.tests, site),
            derivations: listed(&self.derivations, site),
            losses: listed(&self.losses, site),
            spells: stays.iter().map(|stay| listed(&self.spells, stay.unit_id)).collect(),
        };
        // A site's tally can't tell its units apart: it is the subject's where nothing else stands there.
        let alone = self.stays.iter().filter(|stay| stay.site_id == site).count() <= 1;
        let tallies = if alone || subject.unit_id.is_none() { listed(&self.tallies, site) } else { Vec::new() };
        let working = self.working.get(&site).cloned().unwrap_or_default();
        Noted { notes, tallies, working, sessions: listed(&self.sessions, site) }
    }

    fn events_of(&self, stay: &Stay) -> impl Iterator<Item = VolumeEvent> {
        let span = stay.span;
        listed(&self.events, stay.unit_id).into_iter().filter(move |event| span.contains(event.at))
    }

    /// Levels say how the storage changed only where one unit is measured alone: the sum of
    /// several tanks read at different times is no level.
    fn levels(&self, stays: &[&Stay]) -> Vec<(DateTime<Utc>, f64)> {
        let [stay] = stays else { return Vec::new() };
        let levels = listed(&self.gauges, stay.unit_id).into_iter();
        levels
            .filter(|one| one.gauge == Gauge::Level && one.unit == GaugeUnit::L && one.qualifier.is_none())
            .filter(|one| stay.span.contains(one.at))
            .map(|one| (one.at, one.value))
            .collect()
    }
}

impl Ground {
    /// Under a roof no rain counts; an open pad of unknown area leaves it unknown.
    fn catchment(&self) -> Option<Catchment> {
        let open_m2 = if self.bay_roofed { 0.0 } else { self.catchment_m2? };
        Some(Catchment {
            open_m2,
            runoff_coefficient: self.runoff_coefficient.unwrap_or(RUNOFF),
            initial_loss_mm: self.initial_loss_mm.unwrap_or(0.0),
            u_share: RAIN_U_SHARE,
        })
    }
}

async fn grounds(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Ground>, DbError> {
    let rows: Vec<Ground> =
        site::table.filter(site::id.eq_any(sites)).select(Ground::as_select()).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|ground| (ground.id, ground)).collect())
}

async fn stays(tx: &Tx<'_>, sites: &[Uuid]) -> Result<Vec<Stay>, DbError> {
    type Row = (Uuid, Uuid, Uuid, Range, Option<f64>, Option<f64>, Option<f64>);
    let rows: Vec<Row> = placement::table
        .inner_join(unit::table.on(unit::dealer_id.eq(placement::dealer_id).and(unit::id.eq(placement::unit_id))))
        .left_join(
            unit_model::table
                .on(unit_model::dealer_id.eq(unit::dealer_id).and(unit_model::id.nullable().eq(unit::model_id))),
        )
        .filter(placement::site_id.eq_any(sites))
        .select((
            placement::id,
            placement::unit_id,
            placement::site_id,
            placement::valid,
            unit_model::float_band_l.nullable(),
            unit::working_volume_l,
            unit_model::working_volume_l.nullable(),
        ))
        .order(placement::valid)
        .load(&mut tx.conn())
        .await?;
    let stay = |(placement_id, unit_id, site_id, valid, band, own, of_model): Row| {
        let working_volume = own.or(of_model);
        Ok(Stay { placement_id, unit_id, site_id, span: range::to_span(valid)?, band, working_volume })
    };
    rows.into_iter().map(stay).collect()
}

async fn spells(tx: &Tx<'_>, units: &[Uuid]) -> Result<HashMap<Uuid, Vec<Spell>>, DbError> {
    let rows: Vec<(Uuid, String, Option<String>, Range)> = spell::table
        .filter(spell::unit_id.eq_any(units))
        .select((spell::unit_id, spell::state, spell::reason, spell::valid))
        .order(spell::valid)
        .load(&mut tx.conn())
        .await?;
    let mut of: HashMap<Uuid, Vec<Spell>> = HashMap::new();
    for (unit_id, state, reason, valid) in rows {
        let state = known("state", SpellState::from_name(&state))?;
        of.entry(unit_id).or_default().push(Spell { state, reason, span: range::to_span(valid)? });
    }
    Ok(of)
}

#[derive(QueryableByName)]
struct OwnerRow {
    #[diesel(sql_type = SqlUuid)]
    owner_key: Uuid,
}

/// Every note of a kind that was not withdrawn, by its unit or site, in order of time.
pub(in crate::db) async fn all<N: Note>(tx: &Tx<'_>, owners: &[Uuid]) -> Result<HashMap<Uuid, Vec<N>>, DbError> {
    let (table, time, column) = (N::TABLE, N::TIME, N::Owner::COLUMN);
    let rows: Vec<(OwnerRow, N::Row)> = sql_query(format!(
        "select *, {column} as owner_key from {table}
          where {column} = any ($1) and withdrawn_at is null order by lower({time}), id"
    ))
    .bind::<Array<SqlUuid>, _>(owners)
    .load(&mut tx.conn())
    .await?;
    let mut of: HashMap<Uuid, Vec<N>> = HashMap::new();
    for (owner, row) in rows {
        of.entry(owner.owner_key).or_default().push(row.try_into()?);
    }
    Ok(of)
}

/// Which pause tells washes apart at meters of a single gun, by their numbers.
async fn session_rules(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Vec<(i32, SessionRule)>>, DbError> {
    let of = all::<WashSessions>(tx, sites).await?;
    let ids: Vec<Uuid> = of.values().flatten().map(|one| one.meter_id.0).collect();
    let rows: Vec<(Uuid, i32)> =
        meter::table.filter(meter::id.eq_any(ids)).select((meter::id, meter::no)).load(&mut tx.conn()).await?;
    let numbers: HashMap<Uuid, i32> = rows.into_iter().collect();
    let numbered = |one: WashSessions| Some((*numbers.get(&one.meter_id.0)?, one.rule()));
    Ok(of.into_iter().map(|(site, list)| (site, list.into_iter().filter_map(numbered).collect())).collect())
}

/// The wash derivations with the names of the meters that count their hours.
async fn derivations(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Vec<(WashDerivation, String)>>, DbError> {
    let of = all::<WashDerivation>(tx, sites).await?;
    let ids: Vec<Uuid> = of.values().flatten().map(|derivation| derivation.meter_id.0).collect();
    let rows: Vec<(Uuid, i32, String)> = meter::table
        .filter(meter::id.eq_any(ids))
        .select((meter::id, meter::no, meter::label))
        .load(&mut tx.conn())
        .await?;
    let names: HashMap<Uuid, String> =
        rows.into_iter().map(|(id, no, label)| (id, super::night_meters::meter_name(no, &label))).collect();
    let named = |derivation: WashDerivation| {
        let name = names.get(&derivation.meter_id.0).cloned().unwrap_or_default();
        (derivation, name)
    };
    Ok(of.into_iter().map(|(site, list)| (site, list.into_iter().map(named).collect())).collect())
}
