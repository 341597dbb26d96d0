//! `/v1/changes`: what changed, in one order that misses nothing.

use super::answer::Problems;
use crate::auth::{Caller, Reach, perm};
use crate::db::Db;
use crate::db::changes::Line;
use crate::db::changes::feed::{self, From, Part};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_changes);
}

/// From where to go on, and how.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskChanges {
    /// `next_after` of the answer before; `newest` to begin at the present; the beginning when left
    /// out.
    #[param(example = "newest")]
    after: Option<String>,
    /// Kinds of record, separated by commas; all when left out.
    #[param(example = "savings_report,water_figures")]
    records: Option<String>,
    /// How many at most, 1 to 1,000.
    #[param(minimum = 1, maximum = 1000, default = 500)]
    limit: Option<i64>,
    /// Seconds to wait for a change when there is none, 0 to 20.
    #[param(minimum = 0, maximum = 20, default = 0)]
    wait_s: Option<u64>,
}

struct Asked {
    from: From,
    records: Vec<String>,
    limit: i64,
    wait: Duration,
}

/// Most changes in one answer.
const LIMIT_MAX: i64 = 1000;
/// The longest wait: a service that is told to stop lets requests end within this time.
const WAIT_MAX_S: u64 = 20;

impl AskChanges {
    fn parse(&self) -> Result<Asked, Problem> {
        let from = match self.after.as_deref() {
            None | Some("") => From::Beginning,
            Some("newest") => From::Newest,
            Some(id) => From::After(id.parse().map_err(|_not_ours| unknown_cursor())?),
        };
        let limit = self.limit.unwrap_or(LIMIT_MAX / 2);
        if !(1..=LIMIT_MAX).contains(&limit) {
            return Err(Problem::at(Kind::Invalid, "/limit", "out_of_range", "Give a limit from 1 to 1,000."));
        }
        let wait_s = self.wait_s.unwrap_or(0);
        if wait_s > WAIT_MAX_S {
            return Err(Problem::at(
                Kind::Invalid,
                "/wait_s",
                "out_of_range",
                "Wait at most 20 seconds; then ask again.",
            ));
        }
        let names = self.records.as_deref().unwrap_or_default().split(',');
        let records = names.map(|name| name.trim().to_owned()).filter(|name| !name.is_empty()).collect();
        Ok(Asked { from, records, limit, wait: Duration::from_secs(wait_s) })
    }
}

fn unknown_cursor() -> Problem {
    let words = "Send back next_after as it was given, or leave it out to begin anew.";
    Problem::at(Kind::Invalid, "/after", "unknown_cursor", words)
}

/// Something that changed.
#[derive(Serialize, ToSchema)]
pub struct ChangeView {
    /// Its id: the same in webhooks, and the place to go on after.
    id: Uuid,
    /// When it was asked for or computed. The order is that of the list, not of these instants.
    at: DateTime<Utc>,
    /// The kind of record: `customer`, `site`, `unit`, `meter`, `readings`, `savings_report`,
    /// `water_figures` (days and months computed anew) and so on.
    #[schema(example = "savings_report")]
    record: String,
    /// Which one: mostly its id.
    #[schema(example = "0198c0de-0000-7000-8000-000000000001")]
    record_id: String,
    /// Its revision since then, where it has revisions.
    #[schema(example = 2)]
    revision: Option<i32>,
    /// `created`, `updated`, `retired` (it no longer counts), `added`, `computed`, `opened`, `closed`,
    /// `asked`.
    #[schema(example = "updated")]
    verb: String,
    /// The customer whose record it was then.
    customer_id: Option<Uuid>,
    /// What else is said of it, such as which days; by kind of record.
    #[schema(value_type = Object, example = json!({"deed": "issued", "by": "rule"}))]
    detail: Value,
}

impl std::convert::From<Line> for ChangeView {
    fn from(line: Line) -> Self {
        Self {
            id: line.id,
            at: line.at,
            record: line.record,
            record_id: line.record_id,
            revision: line.revision,
            verb: line.verb,
            customer_id: line.customer_id,
            detail: line.detail,
        }
    }
}

/// A part of what changed.
#[derive(Serialize, ToSchema)]
pub struct Changes {
    /// The changes, in their order.
    items: Vec<ChangeView>,
    /// Send it as `after` for what comes then; null only while nothing has ever changed.
    next_after: Option<Uuid>,
    /// Whether there are more already: ask again at once. A part of a long log may hold none of the kinds
    /// asked for, and says so here.
    #[schema(example = false)]
    more: bool,
}

/// Follow what changes
///
/// Every write and every figure computed anew, in one order. The order is given once a change is
/// committed, so going on from `next_after` misses nothing and repeats nothing; revisions of a record
/// come in their order. Records are retired or withdrawn, never deleted, and that is a change too. The
/// log is kept without limit: any `next_after` may be used at any later time. A customer's people get
/// what is theirs. To come into step: ask with `after=newest`, read the lists, then go on from that
/// answer's `next_after`. Who is limited to chosen sites is refused (403): a change does not say at which
/// site it is; lists take `changed_since`. What is about people and their sign-ins stands in `/v1/audit` alone.
#[utoipa::path(tag = "changes", params(AskChanges),
    responses((status = 200, description = "What changed", body = Changes), Problems))]
#[get("/changes")]
async fn list_changes(
    caller: Caller<perm::ReadChanges>,
    asked: Query<AskChanges>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let asked = asked.parse()?;
    unlimited(&db, &caller).await?;
    let part = followed(&db, &caller, asked).await?;
    let items = part.lines.into_iter().map(ChangeView::from).collect();
    Ok(HttpResponse::Ok().json(Changes { items, next_after: part.last, more: part.more }))
}

/// Refuses who is limited to chosen sites: an empty feed would say that nothing changes.
async fn unlimited<P>(db: &Db, caller: &Caller<P>) -> Result<(), Problem> {
    if caller.scope().reach() == Reach::Dealer {
        return Ok(());
    }
    let is_limited = db.read(caller.scope(), caller.now(), async |tx| feed::is_limited(tx).await).await?;
    let words =
        "You are limited to chosen sites, and a change does not say at which site it is: ask lists by changed_since.";
    if is_limited { Err(Problem::new(Kind::NotAllowed, words)) } else { Ok(()) }
}

/// What there is; waits for it as long as is asked for.
async fn followed<P>(db: &Db, caller: &Caller<P>, mut asked: Asked) -> Result<Part, Problem> {
    let ends = Instant::now() + asked.wait;
    let mut told = db.written().of(caller.scope().dealer());
    let mut woken = Woken::ByWriter;
    loop {
        told.mark_unchanged();
        if woken == Woken::ByWriter {
            db.sequence(caller.scope().dealer()).await?;
        }
        let part = part(db, caller, &asked).await?;
        if part.lines.is_empty()
            && !part.more
            && let Some(by) = wait(&mut told, ends).await
        {
            woken = by;
            asked.from = part.last.map_or(asked.from, From::After);
            continue;
        }
        return Ok(part);
    }
}

/// What there is and has its place by now.
async fn part<P>(db: &Db, caller: &Caller<P>, asked: &Asked) -> Result<Part, Problem> {
    let read = async |tx: &crate::db::Tx<'_>| feed::after(tx, asked.from, &asked.records, asked.limit).await;
    db.read(caller.scope(), caller.now(), read).await?.ok_or_else(unknown_cursor)
}

/// How long what is written is gathered before it is looked at.
const GATHER: Duration = Duration::from_millis(50);
/// How often to look for what others put in order.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// What ended a wait.
#[derive(PartialEq)]
enum Woken {
    /// Something was written here, and has to be put in order.
    ByWriter,
    /// It was time to look.
    ByClock,
}

/// Waits until something may have changed; none when the time is over.
async fn wait(told: &mut watch::Receiver<()>, ends: Instant) -> Option<Woken> {
    let left = ends.saturating_duration_since(Instant::now());
    if left.is_zero() {
        return None;
    }
    tokio::select! {
        _ = told.changed() => {
            tokio::time::sleep(GATHER.min(left)).await;
            Some(Woken::ByWriter)
        }
        () = tokio::time::sleep(LOOK_EVERY.min(left)) => Some(Woken::ByClock),
    }
}
