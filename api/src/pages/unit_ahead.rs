//! What comes up at a unit: work that is due, parts likely to fail and why, call-outs, and who pays under
//! warranty. A part of the unit's page, as far as its visitor may see it.

use super::call_outs::{CallRow, calls_of};
use super::risk::{Part, kits_for};
use super::{warranty, words};
use crate::auth::{Permission, Role, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::risk::view;
use crate::db::routine::{self, Filter, Kept};
use crate::db::series::Of;
use crate::db::{DbError, Tx, routine_done};
use chrono_tz::Tz;
use domain::ids::UnitId;
use domain::routine::done::{Certified, TestResult};
use domain::zone::local_date;
use uuid::Uuid;

/// Parts that are named.
const PARTS_MOST: i64 = 4;
/// Work that is named.
const WORK_MOST: usize = 12;

/// What comes up.
#[derive(Default)]
pub(super) struct Ahead {
    /// None for whoever may not see it.
    pub(super) work: Option<Vec<Work>>,
    /// None for whoever may not see it, and before a night run has forecast it.
    pub(super) parts: Option<Vec<Part>>,
    pub(super) calls: Vec<CallRow>,
    /// Whether there were more calls than are shown.
    pub(super) more_calls: bool,
    /// Warranty covers: the id of each, and in words.
    pub(super) warranty: Vec<(Uuid, String)>,
}

/// Work that falls due.
pub(super) struct Work {
    pub(super) id: Uuid,
    pub(super) name: String,
    pub(super) due: String,
    /// Its last certificate in words, and the address of the document.
    pub(super) certificate: Option<(String, String)>,
}

impl Ahead {
    /// What `role` may see of it.
    ///
    /// # Errors
    /// When the database fails.
    pub(super) async fn of(tx: &Tx<'_>, id: UnitId, zone: Tz, role: Role) -> Result<Self, DbError> {
        let (calls, more_calls) = calls_of(tx, id).await?;
        let mut ahead = Self { calls, more_calls, ..Self::default() };
        if perm::ReadCovers::ROLES.contains(&role) {
            ahead.warranty = warranty::of(tx, id).await?;
        }
        if perm::ReadRoutines::ROLES.contains(&role) {
            ahead.work = Some(work(tx, id, zone).await?);
        }
        if perm::ReadRisk::ROLES.contains(&role) && view::unit(tx, id).await?.is_some() {
            let parts = view::parts(tx, &[id.0], PARTS_MOST).await?;
            let kits = kits_for(tx, &parts, perm::ReadPrices::ROLES.contains(&role)).await?;
            let forecast = parts.iter().filter(|part| part.p_30.is_some());
            ahead.parts = Some(forecast.map(|part| Part::of(part, &kits)).collect::<Result<_, _>>()?);
        }
        Ok(ahead)
    }
}

async fn work(tx: &Tx<'_>, id: UnitId, zone: Tz) -> Result<Vec<Work>, DbError> {
    let filter = Filter { of: Of::of_unit(id), retired: false };
    let mut kept = routine::list(tx, &filter, &After::first(PAGE_MAX)).await?;
    kept.retain(|kept| kept.due.is_some());
    kept.sort_by_key(|kept| kept.due.map(|due| due.on));
    kept.truncate(WORK_MOST);
    let certified = kept.iter().filter(|kept| kept.routine.value.plan.certificate.is_some());
    let certified: Vec<Uuid> = certified.map(|kept| kept.routine.id.0).collect();
    let certificates = routine_done::last_certificates(tx, &certified).await?;
    let today = local_date(zone, tx.now());
    let line = |kept: Kept| {
        Some(Work {
            id: kept.routine.id.0,
            due: words::due(kept.due?.on, today),
            certificate: certificates.get(&kept.routine.id.0).and_then(told),
            name: kept.routine.value.plan.name,
        })
    };
    Ok(kept.into_iter().filter_map(line).collect())
}

/// A certificate in words, and the address of its document.
fn told(certificate: &Certified) -> Option<(String, String)> {
    let Certified { number, on, result, sha256, .. } = certificate;
    let failed = if *result == TestResult::Failed { ", failed" } else { "" };
    Some((format!("certificate {number} of {}{failed}", words::day(*on)), format!("/v1/files/{}", sha256.as_ref()?)))
}
