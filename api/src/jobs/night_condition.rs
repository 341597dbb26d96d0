//! What is wrong with the units that the night touches: tests on their days, and on their hours
//! where meters report by the hour. Chunks of units keep memory bounded; each reading is passed once.

use crate::auth::Scope;
use crate::db::condition::{self, Tested};
use crate::db::condition_inputs::{self as inputs, OwnMeter, RunningDay, Standing};
use crate::db::night_plan::Subject;
use crate::db::sheet_stream::{SheetView, Wanted};
use crate::db::{Db, DbError};
use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use domain::condition::chart::Cusum;
use domain::condition::days::{Day, Meters, energy_above, falling_flow, starts_above};
use domain::condition::hours::{Hours, Idle, idle};
use domain::condition::steady;
use domain::condition::test::{Kind, Outcome, WhyNot};
use domain::condition::valve::passing;
use domain::metering::stream::Stream;
use serde_json::json;
use std::collections::{HashMap, HashSet};
use uuid::Uuid;

/// Units tested in one go.
const UNITS_A_CHUNK: usize = 32;
/// Days looked back on.
const DAYS_BACK: u64 = 400;
/// Days looked back on by the hour.
const HOURS_BACK_DAYS: u64 = 120;
/// What is open keeps this many days before it in view, so that it does not become usual.
const DAYS_BEFORE_FINDING: u64 = 120;
/// No open finding has more days than these read.
const DAYS_BACK_MAX: u64 = 800;

/// Tests the units of these subjects that stand where they stood.
pub(super) async fn test(db: &Db, scope: &Scope, as_of: DateTime<Utc>, subjects: &[Subject]) -> Result<(), DbError> {
    let Some(chart) = steady::chart() else { return Ok(()) };
    let placements: Vec<Uuid> =
        subjects.iter().filter(|subject| subject.unit_id.is_some()).map(|subject| subject.id).collect();
    for chunk in placements.chunks(UNITS_A_CHUNK) {
        let tested = test_chunk(db, scope, as_of, chunk, chart).await?;
        if !tested.is_empty() {
            db.write(scope, as_of, async |tx| condition::keep(tx, &tested).await).await?;
        }
    }
    db.write(scope, as_of, async |tx| condition::close_moved(tx).await).await
}

async fn test_chunk(
    db: &Db,
    scope: &Scope,
    as_of: DateTime<Utc>,
    placements: &[Uuid],
    chart: Cusum,
) -> Result<Vec<Tested>, DbError> {
    let today = as_of.date_naive();
    let (standing, meters, days) = db
        .read(scope, as_of, async |tx| {
            let standing = inputs::standing(tx, placements).await?;
            let units: Vec<Uuid> = standing.iter().map(|unit| unit.unit_id).collect();
            let wanted: Vec<_> =
                standing.iter().map(|unit| (unit.placement_id, from(unit, today, DAYS_BACK))).collect();
            Ok((standing, inputs::meters(tx, &units).await?, inputs::days(tx, &wanted).await?))
        })
        .await?;
    let mut registers = Registers::new(&standing, &meters, today);
    let wanted = registers.wanted.clone();
    db.each_sheet(scope, &wanted, |sheet| registers.push(sheet, as_of)).await?;
    let mut by_placement: HashMap<Uuid, Vec<RunningDay>> = HashMap::new();
    for day in days {
        by_placement.entry(day.placement_id).or_default().push(day);
    }
    let tested = standing.iter().flat_map(|unit| {
        let days = by_placement.get(&unit.placement_id).map_or(&[][..], Vec::as_slice);
        let own: Vec<&OwnMeter> = meters.iter().filter(|meter| meter.unit_id == unit.unit_id).collect();
        let nights = registers.nights(unit, &own, days);
        of_unit(unit.unit_id, days, &own, nights, chart)
    });
    Ok(tested.collect())
}

/// The first day looked at.
fn from(unit: &Standing, today: NaiveDate, back: u64) -> NaiveDate {
    let before = |day: NaiveDate, days| day.checked_sub_days(Days::new(days)).unwrap_or(day);
    let found = unit.found_since.map_or(today, |since| before(since, DAYS_BEFORE_FINDING));
    before(today, back).min(found).max(before(today, DAYS_BACK_MAX)).max(unit.from.date_naive())
}

fn of_unit(
    unit_id: Uuid,
    days: &[RunningDay],
    own: &[&OwnMeter],
    nights: Result<Vec<Idle>, WhyNot>,
    chart: Cusum,
) -> Vec<Tested> {
    let days: Vec<Day> = days.iter().filter(|day| day.complete).map(|day| day.day).collect();
    let count = |stream| own.iter().filter(|meter| meter.stream == stream).count();
    let meters = Meters {
        wash: count(Stream::Wash),
        run_hours: count(Stream::RunHours),
        energy: count(Stream::Energy),
        starts: count(Stream::Starts),
    };
    let outcomes = [
        (Kind::PassingFillValve, nights.and_then(|nights| passing(&nights))),
        (Kind::FallingFlow, falling_flow(&days, meters, chart)),
        (Kind::EnergyAbove, energy_above(&days, meters, chart)),
        (Kind::StartsAbove, starts_above(&days, meters, chart)),
    ];
    outcomes.into_iter().map(|(kind, outcome)| tested(unit_id, kind, outcome)).collect()
}

fn tested(unit_id: Uuid, kind: Kind, outcome: Outcome) -> Tested {
    match outcome {
        Ok(ran) => {
            let chart = json!({ "unit": ran.unit, "usual": ran.usual, "limit": ran.limit, "points": ran.points });
            Tested { unit_id, kind, finding: ran.finding, chart: Ok(chart) }
        }
        Err(why) => Tested { unit_id, kind, finding: None, chart: Err(why.to_string()) },
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

/// What runs while somebody washes.
const OF_USE: [Stream; 4] = [Stream::Wash, Stream::Bypass, Stream::Rinse, Stream::WashCount];

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
    fn nights(&self, unit: &Standing, own: &[&OwnMeter], days: &[RunningDay]) -> Result<Vec<Idle>, WhyNot> {
        let (makeup, of_use) = hourly(own)?;
        let clean: HashSet<NaiveDate> = days.iter().map(|day| day.day.day).collect();
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
