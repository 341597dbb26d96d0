//! Puts the invented fleet into the database: the same checks and the same statements as for
//! what users send.

mod asking;
mod money;
mod notes;
mod parts;
mod reports;
mod service;
mod stock;

pub use reports::live_on;

use super::invent::late::Late;
use super::invent::meters::MeterPlan;
use super::invent::money::CURRENCY;
use super::invent::names::{CUSTOMERS, MODELS, coordinates, model, region, roofed};
use super::invent::oddity::Oddity;
use super::invent::parts as planned_parts;
use super::invent::plan::{UnitPlan, label};
use super::{Fleet, Size};
use crate::auth::Scope;
use crate::db::gate::NewDealer;
use crate::db::{
    Db, DbError, Tx, customer, exchange, measures, meter, meter_known, placement, reading, site, spell, unit,
    unit_model,
};
use crate::jobs::night_run::NightRunError;
use crate::readings::batch::group;
use crate::readings::{ROWS_MAX, Row};
use chrono::{DateTime, Utc};
use domain::country::Country;
use domain::customer::{Customer, UnitSystem};
use domain::ids::{CustomerId, DealerId, MeterId, ModelId, SiteId, UnitId};
use domain::measures::volume_event::{Happened, VolumeEvent};
use domain::meter::{Attachment, Measured, Meter, MeterExchange};
use domain::metering::meter::{AccuracyClass, MeterFacts};
use domain::metering::step::Exchange;
use domain::metering::stream::ReadBy;
use domain::placement::{Handover, NewPlacement, RegisterThen, Terms};
use domain::reading::Source;
use domain::site::{Fallback, Site};
use domain::span::Span;
use domain::spell::Spell;
use domain::unit::{Unit, UnitModel};
use domain::units::Litres;
use domain::water::storage::VolumeEventKind;
use parts::Swap;
use uuid::Uuid;

/// Why the demo could not be loaded.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The database.
    #[error("the demo could not be stored")]
    Database(#[from] DbError),
    /// An invented reading was refused: a defect of the demo.
    #[error("an invented reading was refused: {0}")]
    Refused(String),
    /// The night run.
    #[error("the night run stopped")]
    NightRun(#[from] NightRunError),
}

/// What was loaded.
#[derive(Debug, Clone)]
pub struct Made {
    /// The dealer.
    pub dealer: DealerId,
    /// A customer with a fully metered unit.
    pub customer: CustomerId,
    /// Readings stored.
    pub readings: usize,
    /// Readings that came late: the meter, when in seconds since 1970, and the register.
    late: Vec<(MeterId, i64, f64)>,
}

/// Name of the dealer.
const DEALER: &str = "Millrace Water Reuse";

/// Invents a fleet up to `now` and loads it; `progress` is told readings stored and in all.
///
/// # Errors
/// When the database fails.
pub async fn load(db: &Db, size: Size, now: DateTime<Utc>, progress: &dyn Fn(usize, usize)) -> Result<Made, DemoError> {
    let fleet = Fleet::invent(size, now);
    let new =
        NewDealer { name: DEALER.to_owned(), time_zone: "Europe/Lisbon".to_owned(), currency: CURRENCY.to_owned() };
    let dealer = db.add_dealer(&new).await?;
    let loader = Loader { db, scope: Scope::of_job(dealer), now };
    let ground = db.write(&loader.scope, now, async |tx| lay_ground(tx).await).await?;
    let metered = loader.add_units(&ground, &fleet).await?;
    let stored = loader.store_all(&fleet, &metered, progress).await?;
    loader.add_records(&ground, &fleet, &metered).await?;
    let late = |late: &Late| {
        let meter = metered.get(late.unit)?.meters.first()?;
        Some((*meter, late.at_s, late.register))
    };
    // The first unit is a fully metered one.
    let customer = ground.sites.first().map(|place| place.customer).ok_or(DbError::NotFound)?;
    Ok(Made { dealer, customer, readings: stored, late: fleet.late.iter().filter_map(late).collect() })
}

/// A unit as it is stored.
struct Metered {
    unit: UnitId,
    meters: Vec<MeterId>,
    swaps: Vec<Swap>,
}

struct Loader<'a> {
    db: &'a Db,
    scope: Scope,
    now: DateTime<Utc>,
}

impl Loader<'_> {
    /// Adds the units, each at the time when it was put in, with what became of it since.
    async fn add_units(&self, ground: &Ground, fleet: &Fleet) -> Result<Vec<Metered>, DbError> {
        let mut added = Vec::new();
        for (plan, meters) in &fleet.units {
            let put_in = instant(plan.from_s);
            let unit = self.db.write(&self.scope, put_in, async |tx| add_unit(tx, ground, plan).await).await?;
            let parts = planned_parts::of(plan, self.now.timestamp());
            let one = self.db.write(&self.scope, self.now, async |tx| {
                let meters = settle(tx, ground, (unit, plan), meters).await?;
                let swaps = parts::wear(tx, unit, &parts).await?;
                Ok(Metered { unit, meters, swaps })
            });
            added.push(one.await?);
        }
        Ok(added)
    }

    /// Stores all readings; how many.
    async fn store_all(
        &self,
        fleet: &Fleet,
        metered: &[Metered],
        progress: &dyn Fn(usize, usize),
    ) -> Result<usize, DemoError> {
        let mut rows = Vec::with_capacity(ROWS_MAX);
        let total = fleet.readings();
        let mut stored = 0;
        for ((_, meters), Metered { meters: ids, .. }) in fleet.units.iter().zip(metered) {
            for (id, meter) in ids.iter().zip(meters) {
                let source = if meter.read_by == ReadBy::Telemetry { Source::TELEMETRY } else { Source::HAND };
                for &(at, register) in &meter.readings {
                    rows.push(Row { index: rows.len(), meter: id.0, at, register, source });
                    if rows.len() == ROWS_MAX {
                        stored += self.store(&rows).await?;
                        rows.clear();
                        progress(stored, total);
                    }
                }
            }
        }
        stored += self.store(&rows).await?;
        progress(stored, total);
        Ok(stored)
    }

    /// Adds what people write down beside the readings.
    async fn add_records(&self, ground: &Ground, fleet: &Fleet, metered: &[Metered]) -> Result<(), DbError> {
        let (db, scope, now) = (self.db, &self.scope, self.now);
        let plans = || fleet.units.iter().map(|(plan, _)| plan);
        for (plan, one) in plans().zip(metered) {
            db.write(scope, now, async |tx| parts::work(tx, one.unit, plan).await).await?;
        }
        let units: Vec<UnitId> = metered.iter().map(|one| one.unit).collect();
        let swaps: Vec<Swap> = metered.iter().flat_map(|one| one.swaps.iter().copied()).collect();
        db.write(scope, now, async |tx| money::add(tx, ground, fleet).await).await?;
        db.write(scope, now, async |tx| notes::add(tx, ground, fleet, metered).await).await?;
        db.write(scope, now, async |tx| service::add(tx, ground, fleet, &units, &swaps).await).await?;
        let items = stock::add(self, fleet, &units).await?;
        db.write(scope, now, async |tx| notes::dose(tx, fleet, &units, &items).await).await?;
        db.write(scope, now, async |tx| {
            asking::add(tx, ground, plans().zip(metered)).await?;
            reports::set_rule(tx).await
        })
        .await
    }

    /// Stores a batch as `POST /v1/readings` does.
    async fn store(&self, rows: &[Row]) -> Result<usize, DemoError> {
        let mut ids: Vec<Uuid> = rows.iter().map(|row| row.meter).collect();
        ids.dedup();
        let at = |seconds: Option<i64>| instant(seconds.unwrap_or_default());
        let (from, to) = (at(rows.iter().map(|row| row.at).min()), at(rows.iter().map(|row| row.at).max()));
        let known =
            self.db.read(&self.scope, self.now, async |tx| meter_known::by_ids(tx, &ids, from, to).await).await?;
        let mut rejected = Vec::new();
        let sheets = group(rows, &known, self.now, &mut rejected);
        self.db.ensure_months(&self.scope, self.now, &sheets.day).await?;
        let taken = self.db.write(&self.scope, self.now, async |tx| reading::store(tx, &sheets).await).await?;
        match rejected.first().or(taken.rejected.first()) {
            Some(bad) => Err(DemoError::Refused(bad.detail.clone())),
            None => Ok(taken.accepted),
        }
    }
}

/// A site and whose it is.
struct Place {
    site: SiteId,
    customer: CustomerId,
}

/// What the units need.
struct Ground {
    sites: Vec<Place>,
    models: Vec<ModelId>,
}

async fn lay_ground(tx: &Tx<'_>) -> Result<Ground, DbError> {
    let mut ground = Ground { sites: Vec::new(), models: Vec::new() };
    for model in &MODELS {
        let new = UnitModel {
            name: model.name.to_owned(),
            rated_flow_l_per_h: model.flow_l_per_h,
            working_volume_l: model.volume_l,
            float_band_l: model.band_l,
            template: planned_parts::template(model),
        };
        ground.models.push(unit_model::create(tx, &new.checked()?).await?.id);
    }
    for (number, name) in CUSTOMERS.iter().enumerate() {
        ground.sites.push(add_customer(tx, number, name).await?);
    }
    Ok(ground)
}

async fn add_customer(tx: &Tx<'_>, number: usize, name: &str) -> Result<Place, DbError> {
    let region = region(number);
    let new = Customer {
        name: name.to_owned(),
        own_number: Some(format!("C-{:03}", number + 1)),
        fiscal_year_start: if region.southern { 7 } else { 1 },
        unit_system: Some(if region.gallons { UnitSystem::Us } else { UnitSystem::Metric }),
    };
    let customer = customer::create(tx, &new.checked()?).await?.id;
    let new = Site {
        customer_id: customer,
        name: format!("{name}, wash bay"),
        time_zone: region.zone,
        country: Country::parse(region.country)?,
        address: None,
        coordinates: Some(coordinates(number)),
        own_number: None,
        cost_centre: None,
        bay_roofed: roofed(number),
        catchment_m2: (!roofed(number)).then_some(50.0),
        runoff_coefficient: None,
        initial_loss_mm: None,
        rain_diverter: true,
        pit_volume_l: Some(6000.0),
        fallback: Fallback::TownWater,
        soil_class: None,
    };
    Ok(Place { site: site::create(tx, &new.checked()?).await?.id, customer })
}

/// A unit with the parts and the work of its model, at its first site.
async fn add_unit(tx: &Tx<'_>, ground: &Ground, plan: &UnitPlan) -> Result<UnitId, DbError> {
    let new = Unit {
        model_id: ground.models.get(plan.number % MODELS.len()).copied(),
        serial_number: format!("MR-{:05}", 20_100 + plan.number * 7),
        label: label(plan.number),
        rated_flow_l_per_h: None,
        working_volume_l: None,
        asset_number: None,
    };
    let unit = unit::create(tx, &new.checked()?).await?.unit.id;
    place(tx, ground, unit, plan, &Handover::default(), true).await?;
    Ok(unit)
}

/// The unit's states, meters and moves since.
async fn settle(
    tx: &Tx<'_>,
    ground: &Ground,
    (unit, plan): (UnitId, &UnitPlan),
    meters: &[MeterPlan],
) -> Result<Vec<MeterId>, DbError> {
    for turn in &plan.turns {
        let span = Span::parse(instant(turn.from_s), None)?;
        let new = Spell { state: turn.state, reason: turn.reason.map(str::to_owned), span };
        spell::create(tx, unit, &new.checked()?).await?;
    }
    if plan.oddity == Some(Oddity::CleanedOut) {
        clean_out(tx, unit, plan).await?;
    }
    let mut ids: Vec<MeterId> = Vec::new();
    for planned in meters {
        let dial = if planned.pulses { ids.first().copied() } else { None };
        ids.push(add_meter(tx, ground, (unit, plan), planned, dial).await?);
    }
    move_on(tx, ground, (unit, plan), &ids, meters).await?;
    Ok(ids)
}

/// The pit is drained past every meter in the morning and filled again the evening after,
/// through the make-up.
async fn clean_out(tx: &Tx<'_>, unit: UnitId, plan: &UnitPlan) -> Result<(), DbError> {
    let events = [(VolumeEventKind::Drain, 2, false), (VolumeEventKind::Refill, 26, true)];
    for (kind, hours, passed_a_meter) in events {
        let event = VolumeEvent {
            at: instant(plan.odd_s + hours * 3600),
            happened: Happened::InPlace(kind),
            volume: Litres(model(plan.number).volume_l),
            u_share: 0.1,
            passed_a_meter,
            note: Some("Pit cleaned out".to_owned()),
        };
        measures::create(tx, unit, &event.checked(tx.now())?).await?;
    }
    Ok(())
}

async fn place(
    tx: &Tx<'_>,
    ground: &Ground,
    unit: UnitId,
    plan: &UnitPlan,
    at_start: &Handover,
    first: bool,
) -> Result<(), DbError> {
    let stay = if first { plan.stays.first() } else { plan.stays.get(1) };
    let Some((stay, place)) = stay.and_then(|stay| Some((stay, ground.sites.get(stay.site)?))) else { return Ok(()) };
    let new = NewPlacement {
        site_id: place.site,
        span: Span::parse(instant(stay.from_s), None)?,
        terms: if plan.oddity == Some(Oddity::Moved) { Terms::Rented } else { Terms::Sold },
        at_start: at_start.clone().checked()?,
    };
    placement::create(tx, unit, &new).await?;
    Ok(())
}

/// Ends the first stay with what was read then, and begins the second.
async fn move_on(
    tx: &Tx<'_>,
    ground: &Ground,
    (unit, plan): (UnitId, &UnitPlan),
    ids: &[MeterId],
    meters: &[MeterPlan],
) -> Result<(), DbError> {
    let Some(to_s) = plan.stays.first().and_then(|stay| stay.to_s) else { return Ok(()) };
    let read = |(id, meter): (&MeterId, &MeterPlan)| {
        let (_, register) = meter.readings.iter().find(|(at_s, _)| *at_s == to_s)?;
        Some(RegisterThen { meter_id: *id, register: *register })
    };
    let registers = ids.iter().zip(meters).filter_map(read).collect();
    let handover = Handover { registers, levels: Vec::new() }.checked()?;
    for stay in placement::list(tx, unit).await? {
        placement::end(tx, (unit, stay.id), stay.revision, instant(to_s), &handover).await?;
    }
    place(tx, ground, unit, plan, &handover, false).await
}

async fn add_meter(
    tx: &Tx<'_>,
    ground: &Ground,
    (unit, plan): (UnitId, &UnitPlan),
    planned: &MeterPlan,
    dial: Option<MeterId>,
) -> Result<MeterId, DbError> {
    let register = &planned.register;
    let new = Meter {
        label: planned.label.clone(),
        facts: MeterFacts {
            digits: Some(register.digits),
            resolution: Some(1.0 / register.steps),
            max_flow_per_h: planned.max_per_h,
            flows: planned.flows,
            class: planned.flows.q3_l_per_h.map(|_q3| AccuracyClass::Two),
            read_by: planned.read_by,
            read_every_h: Some(planned.read_every_h),
            ..MeterFacts::plain(planned.stream, register.unit)
        },
        position: None,
        serial_number: None,
        dial_id: dial,
    };
    let site = plan.stays.first().and_then(|stay| ground.sites.get(stay.site)).map(|place| place.site);
    let measured = match site {
        Some(site) if planned.of_site => Measured::Site(site),
        _ => Measured::Unit(unit),
    };
    let first = Attachment { measured, span: Span::parse(instant(plan.from_s), None)?, share: 1.0, share_u: 0.0 };
    let id = meter::create(tx, &new.checked()?, &first.checked()?).await?.meter.id;
    if let Some((at_s, old_final)) = planned.exchange {
        let registers = Exchange { at: instant(at_s), old_final, new_start: 0.0 };
        let new = MeterExchange { registers, note: Some("glass broken".to_owned()) };
        exchange::create(tx, id, &new).await?;
    }
    Ok(id)
}

fn instant(at_s: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(at_s, 0).unwrap_or_default()
}
