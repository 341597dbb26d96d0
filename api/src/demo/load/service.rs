//! Work at units: agreements and covers, visits made and planned, call-outs, upsets, samples.

use super::parts::Swap;
use super::{Ground, Place, instant};
use crate::db::measures::sample::Judged;
use crate::db::service::call_out::Call;
use crate::db::service::{agreement, call_out, cover, event, upset, visit};
use crate::db::{DbError, Tx, measures};
use crate::demo::Fleet;
use crate::demo::invent::money::utility;
use crate::demo::invent::names::region;
use crate::demo::invent::oddity::{Metering, Oddity};
use crate::demo::invent::plan::{DAY_S, HOUR_S, UnitPlan};
use chrono::{DateTime, Datelike, Days, Duration, Months, NaiveDate, NaiveTime, Utc, Weekday};
use domain::component::OutWhy;
use domain::ids::UnitId;
use domain::measures::calibration::{Calibration, Limits, Point, Probe};
use domain::measures::sample::{Quantity, Sample, SampleUnit};
use domain::money::Currency;
use domain::service::agreement::{Agreement, Price, PriceFor, Renewal};
use domain::service::call_out::{Bay, Step};
use domain::service::cover::{Claim, Cover, Covered, GivenBy};
use domain::service::details::{self, Details};
use domain::service::event::{Line, LineKind, LineUnit, ServiceEvent};
use domain::service::failure::{Cause, Mechanism, Mode, Symptom};
use domain::service::response::Response;
use domain::service::upset::{ProcessUpset, UpsetKind};
use domain::service::visit::{Visit, VisitState, When};
use domain::zone::local_date;
use rust_decimal::Decimal;

/// A unit that nothing odd befell, and where it stands.
struct Stood<'a> {
    unit: UnitId,
    plan: &'a UnitPlan,
    place: &'a Place,
    site: usize,
}

/// Adds the work at all units.
pub(super) async fn add(
    tx: &Tx<'_>,
    ground: &Ground,
    fleet: &Fleet,
    units: &[UnitId],
    swaps: &[Swap],
) -> Result<(), DbError> {
    let plain: Vec<Stood<'_>> = fleet
        .units
        .iter()
        .zip(units)
        .filter(|((plan, _), _)| plan.oddity.is_none())
        .filter_map(|((plan, _), unit)| {
            let site = plan.stays.first()?.site;
            Some(Stood { unit: *unit, plan, place: ground.sites.get(site)?, site })
        })
        .collect();
    for (number, place) in ground.sites.iter().enumerate().filter(|(number, _)| number % 7 != 6) {
        promise(tx, number, place, fleet).await?;
    }
    for (n, one) in plain.iter().enumerate() {
        one.cover(tx, n).await?;
        one.visited(tx, n).await?;
    }
    let served: Vec<&Stood<'_>> = plain.iter().filter(|one| one.site % 7 != 6).collect();
    calls(tx, &served).await?;
    upsets(tx, &served).await?;
    coming_week(tx, &served).await?;
    probes(tx, &served).await?;
    if let Some(one) = served.iter().rev().find(|one| one.plan.metering == Metering::Hand) {
        one.clean_out(tx).await?;
    }
    let moved = fleet.units.iter().zip(units).find(|((plan, _), _)| plan.oddity == Some(Oddity::Moved));
    let stayed = |swap: &&Swap| moved.is_none_or(|(_, unit)| *unit != swap.unit);
    for swap in swaps.iter().filter(stayed).filter(|swap| swap.why == OutWhy::Failed).take(FAILURES) {
        failed(tx, swap).await?;
    }
    Ok(())
}

/// Failures that a service event tells of.
const FAILURES: usize = 12;

async fn promise(tx: &Tx<'_>, number: usize, place: &Place, fleet: &Fleet) -> Result<(), DbError> {
    let from_s = fleet.units.iter().map(|(plan, _)| plan.from_s).min().unwrap_or_default();
    let from = local_date(region(number).zone, instant(from_s));
    let utility = utility(number);
    let new = Agreement {
        customer_id: place.customer,
        site_id: Some(place.site),
        unit_id: None,
        from,
        to: from.checked_add_months(Months::new(24)),
        renewal: Some(Renewal { months: 12, notice_days: 90 }),
        notice_on: None,
        price_for: PriceFor::Fee,
        currency: Currency::parse(utility.currency)?,
        prices: vec![Price { from, per_month: Decimal::new(utility.fee, 2) }],
        rise: None,
        season_months: Vec::new(),
        visits_a_year: 4,
        call_outs_a_year: Some(2),
        consumables: Vec::new(),
        response: Some(Response { within_min: 480, office: None, holidays: Vec::new() }),
    };
    agreement::create(tx, &new.checked()?).await?;
    Ok(())
}

impl Stood<'_> {
    fn zone(&self) -> chrono_tz::Tz {
        region(self.site).zone
    }

    /// Ten in the morning at the site, so many days before an instant.
    fn ten_o_clock(&self, now: DateTime<Utc>, days: u64) -> DateTime<Utc> {
        let day = local_date(self.zone(), now).checked_sub_days(Days::new(days)).unwrap_or_default();
        domain::zone::day_start(self.zone(), day) + Duration::hours(10)
    }

    /// The dealer's warranty; at each sixth unit the supplier's too, with a claim.
    async fn cover(&self, tx: &Tx<'_>, n: usize) -> Result<(), DbError> {
        let from = local_date(self.zone(), instant(self.plan.from_s));
        let years = |years: u32| {
            Some(Covered::days(from, from.checked_add_months(Months::new(12 * years)).unwrap_or(NaiveDate::MAX)))
        };
        let dealers = Cover {
            unit_id: self.unit,
            given_by: GivenBy::Dealer,
            component_id: None,
            parts: years(2),
            labour: years(1),
            travel: years(1),
            consumables: None,
            long_stop: None,
            exclusions: vec!["frost".to_owned(), "wash chemicals that are not accepted".to_owned()],
            claims: Vec::new(),
        };
        cover::create(tx, &dealers.clone().checked()?).await?;
        if n.is_multiple_of(6) {
            let part = "Blower diaphragm set".to_owned();
            let returned_on = local_date(self.zone(), tx.now()).checked_sub_days(Days::new(25));
            let claim = Claim {
                part,
                number: Some(format!("RMA-{:03}", 410 + n)),
                returned_on,
                credited_on: None,
                credit: None,
            };
            let suppliers =
                Cover { given_by: GivenBy::Supplier, labour: None, travel: None, claims: vec![claim], ..dealers };
            cover::create(tx, &suppliers.checked()?).await?;
        }
        Ok(())
    }

    /// Whether it stood there by then: short demos do not reach as far back as some of the work.
    fn had_come(&self, at: DateTime<Utc>) -> bool {
        at.timestamp() > self.plan.from_s + DAY_S
    }

    /// Two visits and an inspection, at other days at each unit.
    async fn visited(&self, tx: &Tx<'_>, n: usize) -> Result<(), DbError> {
        let days = 9 + u64::try_from(n * 11 % 60).unwrap_or(0);
        let looked =
            |what: &str, found| details::Looked { what: what.to_owned(), component_id: None, found, note: None };
        let found = if n.is_multiple_of(5) { details::Found::Watch } else { details::Found::Good };
        let visit =
            |what: &str| Details::Visit(details::Visit { purpose: vec![what.to_owned()], looked_at: Vec::new() });
        let inspection =
            details::Inspection { looked_at: vec![looked("Diffusers", found), looked("Floats", details::Found::Good)] };
        let done = [
            (days, visit("Bag filter and probes")),
            (days + 62, Details::Inspection(inspection)),
            (days + 121, visit("Bag filter")),
        ];
        for (days, details) in done {
            let at = self.ten_o_clock(tx.now(), days);
            if self.had_come(at) {
                record(tx, self.unit, at, details).await?;
            }
        }
        Ok(())
    }

    async fn clean_out(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let done = details::CleanOut {
            hauler: "Grindle Vacuum Services".to_owned(),
            ticket: "GV-20417".to_owned(),
            waste_class: "Oily sludge".to_owned(),
            volume_l: 1800.0,
            destination: "County treatment works".to_owned(),
            refill_l: None,
            refill_metered: false,
            keep_papers_years: 5,
        };
        record(tx, self.unit, self.ten_o_clock(tx.now(), 33), Details::CleanOut(done)).await
    }

    async fn call(
        &self,
        tx: &Tx<'_>,
        ago_min: i64,
        told: &str,
        bay: Bay,
        steps: &[(Step, i64)],
    ) -> Result<(), DbError> {
        let called_at = tx.now() - Duration::minutes(ago_min);
        let (unit_id, symptom) = (Some(self.unit), told.to_owned());
        let call = Call { unit_id, site_id: None, called_at, symptom, bay, order_number: None };
        let mut call = call_out::open(tx, &call).await?.kept.stored;
        for (step, after_min) in steps {
            let at = called_at + Duration::minutes(*after_min);
            call = call_out::step(tx, call.id, call.revision, (*step, at)).await?.kept.stored;
        }
        Ok(())
    }
}

fn line(kind: LineKind, what: &str, quantity: i64, unit: LineUnit) -> Line {
    Line {
        kind,
        what: what.to_owned(),
        item_id: None,
        quantity: Decimal::new(quantity, 1),
        unit,
        payer: None,
        from_place_id: None,
        lot_id: None,
        overdraw_reason: None,
    }
}

async fn record(tx: &Tx<'_>, unit_id: UnitId, at: DateTime<Utc>, details: Details) -> Result<(), DbError> {
    let new = ServiceEvent {
        unit_id,
        at,
        order_number: None,
        details,
        customer_note: Some("Bay left clean and running.".to_owned()),
        internal_note: None,
        signature: None,
        lines: vec![
            line(LineKind::Labour, "On site", 15, LineUnit::Hours),
            line(LineKind::Travel, "There and back", 640, LineUnit::Kilometres),
        ],
        samples: Vec::new(),
        gauges: Vec::new(),
    };
    event::create(tx, &new.checked(tx.now())?).await?;
    Ok(())
}

/// A part that failed, and the one that took its place within the hour.
async fn failed(tx: &Tx<'_>, swap: &Swap) -> Result<(), DbError> {
    let part = swap.kind.replace('_', " ");
    let failure = details::Failure {
        part: part.clone(),
        component_id: Some(swap.out),
        symptom: Symptom::AlarmShown,
        mode: Mode::LowOutput,
        mechanism: Mechanism::Wear,
        cause: Cause::OrdinaryWear,
    };
    record(tx, swap.unit, instant(swap.at_s - HOUR_S), Details::Failure(failure)).await?;
    let replacement = details::Replacement {
        part,
        why: swap.why,
        out_component_id: Some(swap.out),
        in_component_id: Some(swap.fitted),
    };
    record(tx, swap.unit, instant(swap.at_s), Details::Replacement(replacement)).await
}

/// One done in time, one missed, one that runs.
async fn calls(tx: &Tx<'_>, served: &[&Stood<'_>]) -> Result<(), DbError> {
    let day = 24 * 60;
    let in_time = [(Step::TakenUp, 20), (Step::Arrived, 190), (Step::WaterBack, 260), (Step::Settled, 300)];
    let late = [(Step::TakenUp, 150), (Step::Arrived, 1790), (Step::WaterBack, 1960), (Step::Settled, 2900)];
    for (n, one) in served.iter().enumerate() {
        match n {
            1 => one.call(tx, 41 * day, "No water at the guns since this morning", Bay::Stopped, &in_time).await?,
            4 => one.call(tx, 19 * day, "The water smells and is dark", Bay::OnTownWater, &late).await?,
            7 => one.call(tx, 75, "Alarm lamp is on, washing goes on", Bay::Washing, &[(Step::TakenUp, 15)]).await?,
            _ => {}
        }
    }
    Ok(())
}

/// One that ended, and one that goes on.
async fn upsets(tx: &Tx<'_>, served: &[&Stood<'_>]) -> Result<(), DbError> {
    let told = [
        (4, UpsetKind::Septic, 20, Some(12), "Blower diaphragm torn, no air for two days"),
        (9, UpsetKind::Foam, 3, None, "A new cleaner in use at the site"),
    ];
    for (n, kind, began_d, ended_d, found) in told {
        let Some(one) = served.get(n) else { continue };
        let new = ProcessUpset {
            unit_id: one.unit,
            kind,
            began_at: tx.now() - Duration::days(began_d),
            ended_at: ended_d.map(|days| tx.now() - Duration::days(days)),
            found: Some(found.to_owned()),
            done: Some("Aeration turned up, culture added".to_owned()),
        };
        upset::create(tx, &new.checked(tx.now())?).await?;
    }
    Ok(())
}

async fn coming_week(tx: &Tx<'_>, served: &[&Stood<'_>]) -> Result<(), DbError> {
    let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0);
    for (n, one) in served.iter().step_by(3).take(8).enumerate() {
        let days = u64::try_from(n).unwrap_or(0);
        let mut day = local_date(one.zone(), tx.now()).checked_add_days(Days::new(days)).unwrap_or_default();
        if day.weekday() == Weekday::Sun {
            day = domain::zone::next_day(day);
        }
        let when = if n % 2 == 0 { When { day, from: at(9), to: at(11) } } else { When { day, from: None, to: None } };
        let new = Visit {
            site_id: one.place.site,
            unit_id: Some(one.unit),
            when,
            technician_id: None,
            purpose: vec![if n % 3 == 0 { "Renew the dosing tube" } else { "Change the bag filter" }.to_owned()],
            routine_ids: Vec::new(),
            state: VisitState::Planned,
            moves: Vec::new(),
            event_id: None,
        };
        visit::create(tx, &new.checked()?, None).await?;
    }
    Ok(())
}

/// A pH probe that was good and then was not, so that samples between are in doubt; and another's
/// that stayed good.
async fn probes(tx: &Tx<'_>, served: &[&Stood<'_>]) -> Result<(), DbError> {
    for (one, last_error) in served.iter().zip([0.41, 0.05]) {
        for (days, error) in [(96, 0.04), (8, last_error)] {
            let at = one.ten_o_clock(tx.now(), days);
            if !one.had_come(at) {
                continue;
            }
            let good_until = at.date_naive().checked_add_months(Months::new(6));
            let buffer = |ph: f64, error: f64| Point {
                standard: Some(ph),
                shown: ph + error,
                mv: Some(58.0 * (7.0 - ph - error)),
                lot: Some("B-2207".to_owned()),
                expires_on: good_until,
            };
            let new = Calibration {
                at,
                probe: Probe::Ph,
                component_id: None,
                temperature_c: 21.0,
                pressure_kpa: None,
                found: vec![buffer(4.01, error), buffer(7.0, error)],
                left: Some(vec![buffer(4.01, 0.02), buffer(7.0, 0.01)]),
                limits: Limits::default(),
            };
            measures::create(tx, one.unit, &new.checked(tx.now())?).await?;
        }
        for (days, value) in [(110, 7.3), (82, 7.4), (61, 7.5), (40, 7.6), (19, 7.8), (5, 7.3)] {
            let at = one.ten_o_clock(tx.now(), days) - Duration::hours(1);
            if !one.had_come(at) {
                continue;
            }
            let sample = Sample {
                at,
                point: "Treated water".to_owned(),
                what: Quantity::Ph,
                qualifier: None,
                value,
                unit: SampleUnit::Ph,
                method: None,
                detection_limit: None,
            };
            measures::create(tx, one.unit, &Judged::new(sample.checked(tx.now())?)).await?;
        }
    }
    Ok(())
}
