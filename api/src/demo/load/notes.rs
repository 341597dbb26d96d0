//! What people note down at sites and units beside the money and the work: rain, wash chemicals, losses, guns and
//! their washes, dosing pumps.

use super::{Ground, Metered, instant};
use crate::db::measures::dosing::{DosingSetting, PumpTest};
use crate::db::measures::{self, rain};
use crate::db::{DbError, Tx};
use crate::demo::Fleet;
use crate::demo::invent::names::{model, region, roofed};
use crate::demo::invent::oddity::{Metering, Oddity};
use crate::demo::invent::plan::UnitPlan;
use crate::demo::invent::rain::depths;
use crate::demo::invent::stock::{ACID, HYPOCHLORITE};
use chrono::{Datelike, Days, Duration, NaiveDate};
use domain::dosing::draw_down::DrawDown;
use domain::dosing::pump::{Control, DosingPump, Setting};
use domain::fault::Faults;
use domain::ids::{ItemId, MeterId, SiteId, UnitId};
use domain::measures::days::Days as Stretch;
use domain::measures::guns::{FlowTest, GunHours, WashDerivation};
use domain::measures::loss_coefficient::{Loss, LossCoefficient};
use domain::measures::rain::{RainDay, RainIntake, RainSource};
use domain::measures::wash_sessions::WashSessions;
use domain::metering::stream::Stream;
use domain::service::chemical::{Standing, WashChemical};
use domain::span::Span;
use domain::water::losses::Coefficient;
use domain::water::wash::BucketTest;
use domain::zone::{day_start, local_date, next_day};

/// Days of rain that are noted, up to yesterday.
const RAIN_DAYS: u8 = 45;
/// Depth from which on somebody notes when the diverter led to the pit, in millimetres.
const NOTED_MM: f64 = 1.0;

/// The bay of a unit, where people note something down.
struct Bay<'a> {
    plan: &'a UnitPlan,
    site: SiteId,
    /// The local day on which the unit was put in.
    first_day: NaiveDate,
    meters: Vec<(Stream, MeterId)>,
}

/// Adds what was noted at sites.
pub(super) async fn add(tx: &Tx<'_>, ground: &Ground, fleet: &Fleet, metered: &[Metered]) -> Result<(), DbError> {
    let bay = |is: fn(&UnitPlan) -> bool| Bay::find(ground, fleet, metered, is);
    if let Some(bay) = bay(|plan| plan.oddity == Some(Oddity::LosingFlow)) {
        bay.lose(tx).await?;
        bay.wash_with(tx).await?;
        bay.tell_washes_apart(tx).await?;
    }
    if let Some(bay) = bay(|plan| plan.oddity.is_none() && plan.metering == Metering::Telemetry) {
        bay.test_guns(tx).await?;
    }
    add_rain(tx, ground, fleet).await
}

impl<'a> Bay<'a> {
    /// That of the first unit that is such.
    fn find(ground: &Ground, fleet: &'a Fleet, metered: &[Metered], is: fn(&UnitPlan) -> bool) -> Option<Self> {
        let ((plan, planned), one) = fleet.units.iter().zip(metered).find(|((plan, _), _)| is(plan))?;
        let number = plan.stays.first()?.site;
        let first_day = local_date(region(number).zone, instant(plan.from_s));
        let meters = planned.iter().map(|meter| meter.stream).zip(one.meters.iter().copied()).collect();
        Some(Self { plan, site: ground.sites.get(number)?.site, first_day, meters })
    }

    fn meter(&self, stream: Stream) -> Option<MeterId> {
        self.meters.iter().find(|(of, _)| *of == stream).map(|(_, id)| *id)
    }

    /// What machines carry off and what evaporates, of about the size that the bay loses.
    async fn lose(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let share = (self.plan.build.carry_off * 100.0).round() / 100.0;
        for (loss, coefficient, source) in [
            (Loss::CarryOff, Coefficient::ShareOfFlow { share }, "Buses weighed before and after washing"),
            (Loss::Evaporation, Coefficient::EachWash { l_per_wash: 3.5 }, "A pan beside the pit, for a fortnight"),
        ] {
            let days = Stretch::since(self.first_day);
            let new = LossCoefficient { days, loss, coefficient, u_share: 0.25, source: source.to_owned() };
            measures::create(tx, self.site, &new.checked()?).await?;
        }
        Ok(())
    }

    /// One product that the unit takes, and one that nobody has tried before.
    async fn wash_with(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let lately = local_date(zone_of(self.plan), tx.now()).checked_sub_days(Days::new(5));
        for (product, standing, from, note) in [
            ("Truck foam, alkaline", Standing::Accepted, self.first_day, "Breaks down within two days"),
            ("Brightener, citrus", Standing::Untested, lately.unwrap_or(self.first_day), "A can is kept for a test"),
        ] {
            let (days, note) = (Stretch::since(from), Some(note.to_owned()));
            let new = WashChemical { days, product: product.to_owned(), standing, note };
            measures::create(tx, self.site, &new.checked()?).await?;
        }
        Ok(())
    }

    /// Its wash meter serves a single gun. Read by the hour, it does not tell pauses of minutes: its washes are
    /// counted.
    async fn tell_washes_apart(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let Some(meter_id) = self.meter(Stream::Wash) else { return Ok(()) };
        let (days, source) = (Stretch::since(self.first_day), "Pauses between buses, watched for a shift".to_owned());
        let new = WashSessions { days, meter_id, pause_min: 15, source };
        measures::create(tx, self.site, &new.checked()?).await?;
        Ok(())
    }

    /// Two guns that share what the pump gives, and are both pulled nearly all the time that it runs.
    async fn test_guns(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let Some(meter_id) = self.meter(Stream::RunHours) else { return Ok(()) };
        let guns = ["Gun 1", "Gun 2"];
        let litres = 20.0;
        let seconds = (litres * 3600.0 * 2.0 / model(self.plan.number).flow_l_per_h).round();
        for gun in guns.map(str::to_owned) {
            let test = BucketTest { on: self.first_day, litres, seconds, u_share: 0.03 };
            let test = FlowTest { gun: gun.clone(), test, tested_by: Some("Keld Ormsby".to_owned()) };
            measures::create(tx, self.site, &test.checked()?).await?;
            let (days, source) = (Stretch::since(self.first_day), "Both guns watched for two shifts".to_owned());
            let hours = GunHours::ShareOfPump { share: 0.98, u_share: 0.02 };
            let new = WashDerivation { days, gun, meter_id, hours, source };
            measures::create(tx, self.site, &new.checked()?).await?;
        }
        Ok(())
    }
}

fn zone_of(plan: &UnitPlan) -> chrono_tz::Tz {
    plan.stays.first().map_or(chrono_tz::Tz::UTC, |stay| region(stay.site).zone)
}

/// Rain of the last weeks at a bay that lies open. When the diverter led to the pit is noted where one unit's make-up
/// is metered: of several nobody knows whose loop the rain ran into.
async fn add_rain(tx: &Tx<'_>, ground: &Ground, fleet: &Fleet) -> Result<(), DbError> {
    let made_up = |site: usize| {
        let plans = fleet.units.iter().map(|(plan, _)| plan).filter(|plan| plan.metering != Metering::Without);
        plans.filter(|plan| plan.stays.iter().any(|stay| stay.site == site)).count()
    };
    let open = || (0..ground.sites.len()).filter(|site| !roofed(*site));
    let alone = open().find(|site| made_up(*site) == 1);
    let Some(number) = alone.or_else(|| open().next()) else { return Ok(()) };
    let Some(site) = ground.sites.get(number).map(|place| place.site) else { return Ok(()) };
    let zone = region(number).zone;
    let today = local_date(zone, tx.now());
    let first = today.checked_sub_days(Days::new(RAIN_DAYS.into())).unwrap_or(today);
    let days = std::iter::successors(Some(first), |day| Some(next_day(*day)));
    let rained = days.zip(depths(number, RAIN_DAYS.into()));
    let of_station = |(day, depth_mm)| RainDay { day, depth_mm, source: RainSource::Station }.checked();
    let days: Vec<RainDay> = rained.map(of_station).collect::<Result<_, Faults>>()?;
    rain::add(tx, site, &days).await?;
    let weekday = |rain: &&RainDay| rain.day.weekday().num_days_from_monday() < 5;
    for rain in days.iter().filter(weekday).filter(|rain| alone.is_some() && rain.depth_mm >= NOTED_MM) {
        let midnight = day_start(zone, rain.day);
        let while_open = Span::parse(midnight + Duration::hours(7), Some(midnight + Duration::hours(18)))?;
        measures::create(tx, site, &RainIntake(while_open)).await?;
    }
    Ok(())
}

/// How the dosing pumps of two units were left, one of each unit led by pH, and what the others gave since.
pub(super) async fn dose(tx: &Tx<'_>, fleet: &Fleet, units: &[UnitId], items: &[ItemId]) -> Result<(), DbError> {
    let item = |number: usize| items.get(number).copied().ok_or(DbError::NotFound);
    let (acid, hypochlorite) = (item(ACID)?, item(HYPOCHLORITE)?);
    let by_knobs = Control::Fixed(Setting { stroke_share: 0.5, speed_share: 0.4 });
    let (left_at, tested_at) = (tx.now() - Duration::days(40), tx.now() - Duration::days(12));
    let sound = |plan: &UnitPlan| plan.oddity.is_none() && plan.metering != Metering::Without;
    let of_sound = fleet.units.iter().zip(units).filter(|((plan, _), _)| sound(plan)).map(|(_, unit)| *unit);
    for (unit, taken_ml) in of_sound.zip([11.8, 12.3]) {
        for (item_id, full_ml_per_min, control, run_share) in
            [(hypochlorite, 12.0, by_knobs, 0.02), (acid, 20.0, Control::ByPh, 0.05)]
        {
            let pump = DosingPump { full_ml_per_min, control }.checked()?;
            measures::create(tx, unit, &DosingSetting { item_id, at: left_at, pump, run_share }).await?;
        }
        let test = DrawDown { taken_ml, run_s: 300.0, division_ml: 0.5 }.checked()?;
        measures::create(tx, unit, &PumpTest { item_id: hypochlorite, at: tested_at, test }).await?;
    }
    Ok(())
}
