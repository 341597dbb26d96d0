//! What people noted that bears on the balances of subjects, for the night run: one query a kind
//! of note for a whole chunk of subjects.

use super::makeup_held::{self, Held};
use super::measures::Note;
use super::measures::owner::Owner;
use super::measures::working_days;
use super::night_plan::Subject;
use super::range::{self, Range};
use super::schema::{component, meter, meter_attachment, placement, site, unit, unit_model};
use super::{DbError, Tx, spell};
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
use domain::spell::Spell;
use domain::units::Litres;
use domain::water::assembly::Notes;
use domain::water::beside::Beside;
use domain::water::level::Level;
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
        spells: spell::of_units(tx, &units).await?,
        makeup: makeup_held::at(tx, &sites).await?,
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
    derivations: HashMap<Uuid, Vec<Derived>>,
    losses: HashMap<Uuid, Vec<LossCoefficient>>,
    tallies: HashMap<Uuid, Vec<WashTally>>,
    working: HashMap<Uuid, WorkingCalendar>,
    sessions: HashMap<Uuid, Vec<(i32, SessionRule)>>,
    events: HashMap<Uuid, Vec<VolumeEvent>>,
    gauges: HashMap<Uuid, Vec<GaugeReading>>,
    spells: HashMap<Uuid, Vec<Spell>>,
    makeup: HashMap<Uuid, Vec<Held>>,
    stays: Vec<Stay>,
}

/// A wash derivation with the meter that counts its hours.
#[derive(Clone)]
struct Derived {
    derivation: WashDerivation,
    meter: String,
    /// The units that the meter or its part belonged to, at any time.
    units: Vec<Uuid>,
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
            tests: self.tests_of(subject),
            derivations: self.derivations_of(subject).map(|one| (one.derivation.clone(), one.meter.clone())).collect(),
            losses: listed(&self.losses, site),
            beside: self.beside(subject),
            spells: stays.iter().map(|stay| self.spells_of(stay)).collect(),
        };
        let tallies = self.tallies_of(subject, &stays);
        let working = self.working.get(&site).cloned().unwrap_or_default();
        Noted { notes, tallies, working, sessions: listed(&self.sessions, site) }
    }

    /// The derivations at the site, but for those by a meter of another unit alone.
    fn derivations_of(&self, subject: &Subject) -> impl Iterator<Item = &Derived> {
        let unit = subject.unit_id;
        let its = move |one: &&Derived| one.units.is_empty() || unit.is_none_or(|unit| one.units.contains(&unit));
        self.derivations.get(&subject.site_id).into_iter().flatten().filter(its)
    }

    /// The bucket tests at the site, but for those of guns that only other units feed.
    fn tests_of(&self, subject: &Subject) -> Vec<FlowTest> {
        let site = subject.site_id;
        let names = |one: &Derived, gun: &str| one.derivation.gun == gun;
        let of_others = |gun: &str| {
            let mut all = self.derivations.get(&site).into_iter().flatten();
            all.any(|one| names(one, gun)) && !self.derivations_of(subject).any(|one| names(one, gun))
        };
        listed(&self.tests, site).into_iter().filter(|test| !of_others(&test.gun)).collect()
    }

    /// When others at the site had a meter of make-up water. The site's own serves them all.
    fn beside(&self, subject: &Subject) -> Vec<Beside> {
        if subject.unit_id.is_none() {
            return Vec::new();
        }
        let held = self.makeup.get(&subject.site_id).map(Vec::as_slice).unwrap_or_default();
        let (own, others): (Vec<&Held>, Vec<&Held>) = held.iter().partition(|one| one.subject_id == subject.id);
        let spans = |held: Vec<&Held>| held.into_iter().map(|one| one.span).collect::<Vec<_>>();
        Beside::of(&spans(own), &spans(others))
    }

    /// A site's tally can't tell its units apart: it is a unit's where no other stood there on its days.
    fn tallies_of(&self, subject: &Subject, stays: &[&Stay]) -> Vec<WashTally> {
        let tallies = listed(&self.tallies, subject.site_id);
        let (Some(_), [own]) = (subject.unit_id, stays) else { return tallies };
        let others = || {
            let at_site = self.stays.iter().filter(|stay| stay.site_id == subject.site_id);
            at_site.filter(|stay| stay.placement_id != subject.id).filter_map(|stay| stay.span.within(own.span))
        };
        let alone = |tally: &WashTally| {
            let days = tally.days.span(subject.zone);
            !others().any(|both| both.within(days).is_some())
        };
        tallies.into_iter().filter(alone).collect()
    }

    /// The states of the unit while it stood there.
    fn spells_of(&self, stay: &Stay) -> Vec<Spell> {
        let spells = listed(&self.spells, stay.unit_id).into_iter();
        spells.filter_map(|one| Some(Spell { span: one.span.within(stay.span)?, ..one })).collect()
    }

    fn events_of(&self, stay: &Stay) -> impl Iterator<Item = VolumeEvent> {
        let span = stay.span;
        listed(&self.events, stay.unit_id).into_iter().filter(move |event| span.contains(event.at))
    }

    /// Levels say how the storage changed only where one unit is measured alone: the sum of
    /// several tanks read at different times is no level.
    fn levels(&self, stays: &[&Stay]) -> Vec<Level> {
        let [stay] = stays else { return Vec::new() };
        let levels = listed(&self.gauges, stay.unit_id).into_iter();
        let its = levels
            .filter(|one| one.gauge == Gauge::Level && one.unit == GaugeUnit::L && one.qualifier.is_none())
            .filter(|one| stay.span.contains(one.at));
        Level::of(its.map(|one| (one.at, one.place, one.value)))
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

/// The wash derivations with the names of the meters that count their hours, and of whose units
/// these were.
async fn derivations(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Vec<Derived>>, DbError> {
    let of = all::<WashDerivation>(tx, sites).await?;
    let ids: Vec<Uuid> = of.values().flatten().map(|derivation| derivation.meter_id.0).collect();
    let rows: Vec<(Uuid, i32, String)> = meter::table
        .filter(meter::id.eq_any(ids))
        .select((meter::id, meter::no, meter::label))
        .load(&mut tx.conn())
        .await?;
    let nos: Vec<i32> = rows.iter().map(|(_, no, _)| *no).collect();
    let attached: Vec<(i32, Option<Uuid>, Option<Uuid>)> = meter_attachment::table
        .left_join(
            component::table.on(component::dealer_id
                .eq(meter_attachment::dealer_id)
                .and(component::id.nullable().eq(meter_attachment::component_id))),
        )
        .filter(meter_attachment::meter_no.eq_any(nos))
        .select((meter_attachment::meter_no, meter_attachment::unit_id, component::unit_id.nullable()))
        .load(&mut tx.conn())
        .await?;
    let known: HashMap<Uuid, (i32, String)> =
        rows.into_iter().map(|(id, no, label)| (id, (no, super::night_meters::meter_name(no, &label)))).collect();
    let derived = |derivation: WashDerivation| {
        let (no, meter) = known.get(&derivation.meter_id.0).cloned().unwrap_or_default();
        // A meter that ever served the site itself may count what any of its units feeds.
        let its = || attached.iter().filter(|(of, ..)| *of == no);
        let units: Option<Vec<Uuid>> = its().map(|(_, unit, of_part)| unit.or(*of_part)).collect();
        Derived { derivation, meter, units: units.unwrap_or_default() }
    };
    Ok(of.into_iter().map(|(site, list)| (site, list.into_iter().map(derived).collect())).collect())
}
