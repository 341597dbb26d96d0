//! The parts of a unit with what was replaced, and the recurring work that was done.

use super::instant;
use crate::db::file::{self, NewFile};
use crate::db::page::After;
use crate::db::series::Of;
use crate::db::{DbError, Revision, Tx, component, routine, routine_done};
use crate::demo::invent::certificate;
use crate::demo::invent::names::region;
use crate::demo::invent::parts::{self, PartPlan};
use crate::demo::invent::plan::{UnitPlan, label};
use chrono::NaiveDate;
use domain::component::{Component, OutWhy, TakenOut};
use domain::file::MediaType;
use domain::ids::{ComponentId, UnitId};
use domain::routine::done::{Certified, Done, TestResult};
use domain::zone::local_date;

/// A part that took another's place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Swap {
    pub(super) unit: UnitId,
    pub(super) kind: &'static str,
    pub(super) at_s: i64,
    pub(super) why: OutWhy,
    pub(super) out: ComponentId,
    pub(super) fitted: ComponentId,
}

/// Ages of second-hand parts, and what was replaced since.
pub(super) async fn wear(tx: &Tx<'_>, unit: UnitId, planned: &[PartPlan]) -> Result<Vec<Swap>, DbError> {
    let filter = component::Filter { of: Of::of_unit(unit), ..component::Filter::default() };
    let fitted = component::list(tx, &filter, &After::first(100)).await?;
    let mut swaps = Vec::new();
    for plan in planned {
        let Some(part) = fitted.iter().find(|part| part.value.kind == plan.kind) else { continue };
        let mut last: (ComponentId, Revision, Component) = (part.id, part.revision, part.value.clone());
        if plan.used > 0.0 {
            let age_at_fitting = (plan.used * last.2.rated_life.unwrap_or_default()).floor();
            let aged = component::update_at(tx, last.0, last.1, &Component { age_at_fitting, ..last.2 }).await?;
            last = (aged.id, aged.revision, aged.value);
        }
        for &(at_s, why) in &plan.swaps {
            let at = instant(at_s);
            let next = component::replace(tx, last.0, last.1, TakenOut { at, why }, &last.2.successor(at)).await?;
            swaps.push(Swap { unit, kind: plan.kind, at_s, why, out: last.0, fitted: next.id });
            last = (next.id, next.revision, next.value);
        }
    }
    Ok(swaps)
}

/// Notes the rounds of recurring work that were made.
pub(super) async fn work(tx: &Tx<'_>, unit: UnitId, plan: &UnitPlan) -> Result<(), DbError> {
    let zone = plan.stays.first().map_or(chrono_tz::Tz::UTC, |stay| region(stay.site).zone);
    let filter = routine::Filter { of: Of::of_unit(unit), ..routine::Filter::default() };
    for kept in routine::list(tx, &filter, &After::first(100)).await? {
        let plan_of = &kept.routine.value.plan;
        let rounds = parts::rounds(plan, &plan_of.name, tx.now().timestamp());
        for (at_s, n) in rounds.into_iter().zip(1..) {
            let on = local_date(zone, instant(at_s));
            let certified = match plan_of.certificate {
                Some(_kind) => Some(certified(tx, plan, on).await?),
                None => None,
            };
            let done = Done { n, on, checked: (0..plan_of.checklist.len()).collect(), note: None, certified };
            routine_done::create(tx, kept.routine.id, &done).await?;
        }
    }
    Ok(())
}

/// A test that was passed, with the tester's page about it.
async fn certified(tx: &Tx<'_>, plan: &UnitPlan, on: NaiveDate) -> Result<Certified, DbError> {
    let (number, tester, licence) = (format!("BT-{:04}", 2300 + 7 * plan.number), "Keld Ormsby", "T-1188");
    let lines = [
        format!("Test of a backflow preventer, no. {number}"),
        format!("Unit {}", label(plan.number)),
        format!("Tested on {on}: passed"),
        format!("{tester}, licence {licence}"),
    ];
    let kept = file::keep(tx, &NewFile { media: MediaType::Pdf, bytes: certificate::page(&lines) }).await?;
    Ok(Certified {
        number,
        tester: tester.to_owned(),
        licence: Some(licence.to_owned()),
        on,
        result: TestResult::Passed,
        sha256: Some(kept.hash.to_string()),
    })
}
