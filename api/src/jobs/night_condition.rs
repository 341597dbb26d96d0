//! What is wrong with the units that the night touches: tests on their days, on their hours where
//! meters report by the hour, and on what people noted of pressures, probes and dosing. Chunks of units keep memory bounded; each reading is passed once.

use super::night_closures::{OF_USE, Sparse};
use crate::auth::Scope;
use crate::db::condition::{self, Tested};
use crate::db::condition_inputs::{self as inputs, OwnMeter, RunningDay, Standing};
use crate::db::condition_notes::{self as notes, UnitNotes};
use crate::db::measures::working_days;
use crate::db::night_plan::Subject;
use crate::db::sheet_stream::{SheetView, Wanted};
use crate::db::{Db, DbError, money_inputs};
use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use domain::condition::cost::{CostPerDay, Wasted, cost_per_day};
use domain::condition::days::{Day, Meters, energy_above, falling_flow, starts_above};
use domain::condition::dose::dose_off;
use domain::condition::drift::drifting;
use domain::condition::hours::{Hours, Idle, idle};
use domain::condition::pressure::pressure_above;
use domain::condition::steady::{Charts, Found, charts};
use domain::condition::test::{Kind, Outcome, WhyNot};
use domain::condition::valve::passing;
use domain::ids::SiteId;
use domain::measures::calibration::Probe;
use domain::metering::stream::Stream;
use domain::zone::local_date;
use serde_json::json;
use std::collections::{HashMap, HashSet};
use uuid::Uuid;

/// Units tested in one go.
const UNITS_A_CHUNK: usize = 32;
/// Days looked back on: the months of the year before and what was usual at their begin.
const DAYS_BACK: u64 = 550;
/// Days that tell how much water a site uses lately.
const DAYS_OF_USE: u64 = 30;
/// Days looked back on by the hour.
const HOURS_BACK_DAYS: u64 = 120;
/// What is open keeps this many days before it in view, so that it does not become usual.
const DAYS_BEFORE_FINDING: u64 = 120;
/// No open finding has more days than these read.
const DAYS_BACK_MAX: u64 = 800;

/// Tests the units of these subjects that stand where they stood, and those of which something was
/// noted that they are tested on.
pub(super) async fn test(db: &Db, scope: &Scope, as_of: DateTime<Utc>, subjects: &[Subject]) -> Result<(), DbError> {
    let Some(charts) = charts() else { return Ok(()) };
    let (taken_on, noted) = db.read(scope, as_of, async |tx| notes::taken_on(tx).await).await?;
    let touched = subjects.iter().filter(|subject| subject.unit_id.is_some()).map(|subject| subject.id);
    let mut placements: Vec<Uuid> = touched.chain(noted).collect();
    placements.sort_unstable();
    placements.dedup();
    for chunk in placements.chunks(UNITS_A_CHUNK) {
        let tested = test_chunk(db, scope, as_of, chunk, &charts).await?;
        if !tested.is_empty() {
            db.write(scope, as_of, async |tx| condition::keep(tx, &tested).await).await?;
        }
    }
    db.write(scope, as_of, async |tx| {
        notes::forget(tx, &taken_on).await?;
        condition::close_moved(tx).await
    })
    .await
}

async fn test_chunk(
    db: &Db,
    scope: &Scope,
    as_of: DateTime<Utc>,
    placements: &[Uuid],
    charts: &Charts,
) -> Result<Vec<Tested>, DbError> {
    let today = as_of.date_naive();
    let (standing, meters, days, notes, calendars) = db
        .read(scope, as_of, async |tx| {
            let standing = inputs::standing(tx, placements).await?;
            let units: Vec<Uuid> = standing.iter().map(|unit| unit.unit_id).collect();
            let since = |unit: &Standing| from(unit, today, DAYS_BACK);
            let wanted: Vec<_> = standing.iter().map(|unit| (unit.placement_id, since(unit))).collect();
            let noted: Vec<_> = standing.iter().map(|unit| (unit.unit_id, since(unit))).collect();
            let days = inputs::days(tx, &wanted).await?;
            let sites: Vec<Uuid> = standing.iter().map(|unit| unit.site_id).collect();
            let calendars = working_days::calendars(tx, &sites).await?;
            Ok((standing, inputs::meters(tx, &units).await?, days, notes::of_units(tx, &noted).await?, calendars))
        })
        .await?;
    let mut registers = Registers::new(&standing, &meters, today);
    // A site without a working pattern has no closures.
    let may_tell = |unit: &Standing, own: &[&OwnMeter]| calendars.contains_key(&unit.site_id) && hourly(own).is_err();
    let mut sparse = Sparse::new(&standing, &meters, today, may_tell, |unit| from(unit, today, DAYS_BACK));
    let wanted: Vec<Wanted> = registers.wanted.iter().chain(&sparse.wanted).copied().collect();
    let each = |sheet: &SheetView| {
        registers.push(sheet, as_of);
        sparse.push(sheet, as_of);
    };
    db.each_sheet(scope, &wanted, each).await?;
    let mut by_placement: HashMap<Uuid, Vec<RunningDay>> = HashMap::new();
    for day in days {
        by_placement.entry(day.placement_id).or_default().push(day);
    }
    let (nothing, mut tested) = (UnitNotes::default(), Vec::new());
    for unit in &standing {
        let days = by_placement.get(&unit.placement_id).map_or(&[][..], Vec::as_slice);
        let own: Vec<&OwnMeter> = meters.iter().filter(|meter| meter.unit_id == unit.unit_id).collect();
        let clean: HashSet<NaiveDate> = days.iter().map(|day| day.day.day).collect();
        let valve = match registers.nights(unit, &own, &clean) {
            Ok(nights) => passing(&nights),
            // Where hours do not tell, closures may.
            Err(_no_hours) => sparse.passing(unit, &own, calendars.get(&unit.site_id), &clean),
        };
        let on = TestedOn { days, own: &own, notes: notes.get(&unit.unit_id).unwrap_or(&nothing) };
        tested.extend(on.all(unit.unit_id, valve, charts));
    }
    price(db, scope, as_of, &standing, &mut tested).await?;
    Ok(tested)
}

/// Says of each finding what it costs a day.
async fn price(
    db: &Db,
    scope: &Scope,
    as_of: DateTime<Utc>,
    standing: &[Standing],
    tested: &mut [Tested],
) -> Result<(), DbError> {
    let wasted = |one: &Tested| one.finding.map(|found| one.kind.wasted(found.size));
    let of_unit: HashMap<Uuid, &Standing> = standing.iter().map(|unit| (unit.unit_id, unit)).collect();
    let priced = tested.iter().filter(|one| !matches!(wasted(one), None | Some(Wasted::Unpriced(_))));
    let units: Vec<&Standing> = priced.filter_map(|one| of_unit.get(&one.unit_id).copied()).collect();
    let mut sites: Vec<Uuid> = units.iter().map(|unit| unit.site_id).collect();
    sites.sort_unstable();
    sites.dedup();
    let (mut money, mut used) = (HashMap::new(), HashMap::new());
    if !sites.is_empty() {
        let found = db.read(scope, as_of, async |tx| money_inputs::of_sites(tx, &sites).await).await?;
        money.extend(found.into_iter().map(|site| (site.site_id, site)));
        let since = as_of.date_naive().checked_sub_days(Days::new(DAYS_OF_USE)).unwrap_or_default();
        used = db.read(scope, as_of, async |tx| notes::used(tx, &sites, since).await).await?;
    }
    for one in tested {
        let Some(wasted) = wasted(one) else { continue };
        let cost = |unit: &Standing| -> Result<CostPerDay, String> {
            if let Wasted::Unpriced(why) = wasted {
                return Err(why.to_owned());
            }
            let site = money.get(&SiteId(unit.site_id)).ok_or("the site has no water account")?;
            let today = local_date(unit.zone, as_of);
            cost_per_day(wasted, site, used.get(&unit.site_id).copied(), today).map_err(|why| why.to_string())
        };
        one.cost = of_unit.get(&one.unit_id).map(|unit| cost(unit));
    }
    Ok(())
}

/// The first day looked at.
fn from(unit: &Standing, today: NaiveDate, back: u64) -> NaiveDate {
    let before = |day: NaiveDate, days| day.checked_sub_days(Days::new(days)).unwrap_or(day);
    let found = unit.found_since.map_or(today, |since| before(since, DAYS_BEFORE_FINDING));
    before(today, back).min(found).max(before(today, DAYS_BACK_MAX)).max(unit.from.date_naive())
}

/// What one unit is tested on.
struct TestedOn<'a> {
    days: &'a [RunningDay],
    own: &'a [&'a OwnMeter],
    notes: &'a UnitNotes,
}

const PROBES: [(Kind, Probe); 3] = [
    (Kind::PhProbeDrifts, Probe::Ph),
    (Kind::OrpProbeDrifts, Probe::Orp),
    (Kind::OxygenProbeDrifts, Probe::DissolvedOxygen),
];

impl TestedOn<'_> {
    fn all(&self, unit_id: Uuid, valve: Outcome, charts: &Charts) -> Vec<Tested> {
        let outcomes = self.by_meters(valve, charts).into_iter().chain(self.by_notes(charts));
        outcomes.map(|(kind, outcome)| tested(unit_id, kind, outcome)).collect()
    }

    fn by_meters(&self, valve: Outcome, charts: &Charts) -> [(Kind, Outcome); 4] {
        let days: Vec<Day> = self.days.iter().filter(|day| day.complete).map(|day| day.day).collect();
        let count = |stream| self.own.iter().filter(|meter| meter.stream == stream).count();
        let meters = Meters {
            wash: count(Stream::Wash),
            run_hours: count(Stream::RunHours),
            energy: count(Stream::Energy),
            starts: count(Stream::Starts),
        };
        let (chart, found) = (charts.daily, |kind| self.found(kind));
        [
            (Kind::PassingFillValve, valve),
            (Kind::FallingFlow, falling_flow(&days, meters, chart, &found(Kind::FallingFlow))),
            (Kind::EnergyAbove, energy_above(&days, meters, chart, &found(Kind::EnergyAbove))),
            (Kind::StartsAbove, starts_above(&days, meters, chart, &found(Kind::StartsAbove))),
        ]
    }

    /// Tests on notes, where there is any of theirs or something was found by one that may be gone.
    fn by_notes(&self, charts: &Charts) -> Vec<(Kind, Outcome)> {
        let UnitNotes { pressures, calibrations, draw_downs, settings, .. } = self.notes;
        let wanted = |kind, noted: bool| noted || self.found(kind).iter().any(|found| found.until.is_none());
        let mut outcomes = Vec::new();
        if wanted(Kind::PressureAbove, !pressures.is_empty()) {
            let found = self.found(Kind::PressureAbove);
            outcomes.push((Kind::PressureAbove, pressure_above(pressures, charts, &found)));
        }
        for (kind, probe) in PROBES {
            let of_probe: Vec<_> = calibrations.iter().filter(|(_, one)| one.probe == probe).cloned().collect();
            if wanted(kind, !of_probe.is_empty()) {
                outcomes.push((kind, drifting(&of_probe)));
            }
        }
        if wanted(Kind::DoseOff, !draw_downs.is_empty()) {
            outcomes.push((Kind::DoseOff, dose_off(draw_downs, settings)));
        }
        outcomes
    }

    fn found(&self, kind: Kind) -> Vec<Found> {
        self.notes.found.iter().filter(|(of, _)| *of == kind).map(|(_, found)| *found).collect()
    }
}

fn tested(unit_id: Uuid, kind: Kind, outcome: Outcome) -> Tested {
    match outcome {
        Ok(ran) => {
            let chart = json!({ "unit": ran.unit, "usual": ran.usual, "limit": ran.limit, "points": ran.points });
            let ends = ran.finding.is_none();
            Tested { unit_id, kind, finding: ran.finding, chart: Ok(chart), about: ran.about, cost: None, ends }
        }
        Err(why) => {
            let ends = why.ends_what_was_found(kind);
            Tested { unit_id, kind, finding: None, chart: Err(why.to_string()), about: None, cost: None, ends }
        }
    }
}

/// The hours of the meters that tell of make-up and of washing.
struct Registers {
    meters: HashMap<i32, Register>,
    wanted: Vec<Wanted>,
}

struct Register {
    hours: Hours,
    factor: f64,
    exchanges: Vec<DateTime<Utc>>,
    last: Option<(DateTime<Utc>, f64)>,
}

impl Registers {
    /// Those of the units that have one meter of make-up and one of use at least, both reporting.
    fn new(standing: &[Standing], meters: &[OwnMeter], today: NaiveDate) -> Self {
        let mut all = Self { meters: HashMap::new(), wanted: Vec::new() };
        for unit in standing {
            let own: Vec<&OwnMeter> = meters.iter().filter(|meter| meter.unit_id == unit.unit_id).collect();
            let Ok((makeup, of_use)) = hourly(&own) else { continue };
            let first = from(unit, today, HOURS_BACK_DAYS);
            let hours = usize::try_from((today - first).num_days() + 1).unwrap_or(0) * 24;
            let begin = first.and_time(NaiveTime::MIN).and_utc();
            for meter in of_use.into_iter().chain([makeup]) {
                let (factor, exchanges) = (meter.factor, meter.exchanges.clone());
                let register = Register { hours: Hours::new(begin, hours), factor, exchanges, last: None };
                all.meters.insert(meter.no, register);
                let from = first.max(meter.from.date_naive());
                all.wanted.push(Wanted { meter_no: meter.no, from, to: today, to_the_last: false });
            }
        }
        all
    }

    fn push(&mut self, sheet: &SheetView, as_of: DateTime<Utc>) {
        let Some(meter) = self.meters.get_mut(&sheet.meter_no) else { return };
        let midnight = sheet.day.and_time(NaiveTime::MIN).and_utc();
        for (second, register) in sheet.at.iter().zip(&sheet.register) {
            let at = midnight + TimeDelta::seconds(i64::from(*second));
            if at > as_of {
                return;
            }
            if let Some((before, stood)) = meter.last.replace((at, *register)) {
                let exchanged = meter.exchanges.iter().any(|exchange| before < *exchange && *exchange <= at);
                if !exchanged {
                    meter.hours.add(before, at, (register - stood) * meter.factor);
                }
            }
        }
    }

    /// The idle hours of a unit's clean days.
    fn nights(&self, unit: &Standing, own: &[&OwnMeter], clean: &HashSet<NaiveDate>) -> Result<Vec<Idle>, WhyNot> {
        let (makeup, of_use) = hourly(own)?;
        let hours = |meter: &OwnMeter| self.meters.get(&meter.no).map(|register| &register.hours);
        let makeup = hours(makeup).ok_or(WhyNot::Meter(MAKEUP))?;
        let of_use: Vec<&Hours> = of_use.into_iter().filter_map(hours).collect();
        let mut nights = idle(makeup, &of_use, unit.zone);
        nights.retain(|night| clean.contains(&night.day));
        Ok(nights)
    }
}

const MAKEUP: &str = "meter of make-up that reports by the hour";

/// The meter of make-up and those of use.
fn hourly<'a>(own: &[&'a OwnMeter]) -> Result<(&'a OwnMeter, Vec<&'a OwnMeter>), WhyNot> {
    let reporting = || own.iter().copied().filter(|meter| meter.by_telemetry);
    let mut makeup = reporting().filter(|meter| meter.stream == Stream::Makeup);
    let (Some(one), None) = (makeup.next(), makeup.next()) else { return Err(WhyNot::Meter(MAKEUP)) };
    let of_use: Vec<_> = reporting().filter(|meter| OF_USE.contains(&meter.stream)).collect();
    // Rinse water alone does not tell of every wash.
    if of_use.iter().all(|meter| meter.stream == Stream::Rinse) {
        return Err(WhyNot::NoUse);
    }
    Ok((one, of_use))
}
