//! `/v1/audit`: who did what to which record, when and from where.

use super::answer::{Page, Paging, Problems, chosen_fields};
use super::table::{Cell, Column, Kind, Media, Row, of_fields, streamed};
use crate::auth::{Caller, Scope, perm};
use crate::db::changes::audit::{self, Filter, Sealed};
use crate::db::{Db, DbError, Tx};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use futures_util::Stream;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeSet;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_audit);
}

/// Which lines.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskAudit {
    /// Of this person or program.
    account_id: Option<Uuid>,
    /// To this kind of record; `sign_in` for sign-ins.
    #[param(example = "savings_report")]
    record: Option<String>,
    /// To this record.
    #[param(example = "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10")]
    record_id: Option<String>,
    /// Only this deed.
    #[param(example = "updated")]
    verb: Option<String>,
    /// About this customer.
    customer_id: Option<Uuid>,
    /// From this instant on.
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// Up to, not including, this instant.
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
}

/// A line of the audit.
#[derive(Serialize, ToSchema)]
pub struct AuditLine {
    /// Its place in the dealer's log, from 1 without gaps.
    #[schema(example = 1042)]
    seq: i64,
    /// When.
    at: DateTime<Utc>,
    /// Who; null for the service itself, such as its night run.
    account_id: Option<Uuid>,
    /// That person's or program's name.
    #[schema(example = "Mia Berger")]
    name: Option<String>,
    /// From which IP address.
    #[schema(example = "203.0.113.5")]
    address: Option<String>,
    /// In which request: the answer's `x-request-id`.
    request_id: Option<Uuid>,
    /// What was done.
    #[schema(example = "updated")]
    verb: String,
    /// To what kind of record.
    #[schema(example = "customer")]
    record: String,
    /// To which one.
    #[schema(example = "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10")]
    record_id: String,
    /// Its revision since then.
    #[schema(example = 2)]
    revision: Option<i32>,
    /// The customer whose record it was then.
    customer_id: Option<Uuid>,
    /// What else is said of it.
    #[schema(value_type = Object)]
    detail: Value,
    /// SHA-256, in hexadecimal, of the bytes of the hash at the place before (32 zero bytes before the
    /// first) and of `sealed`.
    #[schema(example = "5f48c9dd2e8606729502dfc9839db382d4bfda6a758077fce6051249bb9b4950")]
    hash: String,
    /// The line's text as it was sealed.
    #[schema(
        example = r#"["0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c20", "2026-03-02T07:30:00.000000Z", "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c12", "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c21", "203.0.113.5", "customer", "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10", 2, "updated", "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10", {"name": "Harbour Haulage"}]"#
    )]
    sealed: String,
}

impl AuditLine {
    fn of(sealed: Sealed, name: Option<String>) -> Self {
        let Sealed { line, hash, sealed } = sealed;
        Self {
            seq: line.seq,
            at: line.at,
            account_id: line.account_id,
            name,
            address: line.address,
            request_id: line.request_id,
            verb: line.verb,
            record: line.record,
            record_id: line.record_id,
            revision: line.revision,
            customer_id: line.customer_id,
            detail: line.detail,
            hash: hex(&hash),
            sealed,
        }
    }
}

/// Bytes in hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The columns of an export.
fn columns() -> Vec<Column> {
    let text = ["account_id", "name", "address", "request_id", "verb", "record", "record_id"];
    let mut columns = vec![Column::new("seq", Kind::Whole), Column::new("at", Kind::Instant)];
    columns.extend(text.map(|name| Column::new(name, Kind::Text)));
    columns.push(Column::new("revision", Kind::Whole));
    columns.extend(["customer_id", "detail", "hash", "sealed"].map(|name| Column::new(name, Kind::Text)));
    columns
}

impl AuditLine {
    /// The values of those columns.
    fn row(self) -> Row {
        vec![
            Cell::Whole(self.seq),
            Cell::Instant(self.at),
            Cell::of(self.account_id, Cell::Id),
            Cell::of(self.name, Cell::Text),
            Cell::of(self.address, Cell::Text),
            Cell::of(self.request_id, Cell::Id),
            Cell::Text(self.verb),
            Cell::Text(self.record),
            Cell::Text(self.record_id),
            Cell::of(self.revision.map(i64::from), Cell::Whole),
            Cell::of(self.customer_id, Cell::Id),
            Cell::Json(self.detail),
            Cell::Text(self.hash),
            Cell::Text(self.sealed),
        ]
    }
}

/// Who did what
///
/// Every write and every sign-in, the newest first. JSON gives pages; `Accept: text/csv`,
/// `application/x-ndjson` or `application/vnd.apache.parquet` gives all that was asked for. The lines
/// are chained by their hashes, so that nothing can be changed or taken out unnoticed: `weirbook audit
/// verify` walks the chain, and whoever has an export can.
#[utoipa::path(tag = "changes", params(AskAudit, Paging),
    responses((status = 200, description = "The lines", content(
        (Page<AuditLine> = "application/json"), (AuditLine = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/audit")]
async fn list_audit(
    request: HttpRequest,
    caller: Caller<perm::ReadAudit>,
    asked: Query<AskAudit>,
    paging: Query<Paging>,
    db: Data<Db>,
    rates: Data<Rates>,
) -> Result<HttpResponse, Problem> {
    let filter = asked.filter();
    db.sequence(caller.scope().dealer()).await?;
    if Media::of(&request) != Media::Json {
        let export = rates.begin_export(caller.account()?)?;
        let pages = pages(db.get_ref().clone(), caller.scope().clone(), caller.now(), filter);
        let (columns, pages) = of_fields(chosen_fields(&request), columns(), pages);
        return Ok(streamed(&request, columns, pages, export));
    }
    let (before, limit) = paging.numbered()?;
    let mut lines = lines(&db, caller.scope(), caller.now(), &filter, (before, limit + 1)).await?;
    let more = lines.len() > usize::try_from(limit).unwrap_or(usize::MAX);
    lines.truncate(usize::try_from(limit).unwrap_or(usize::MAX));
    let next = lines.last().filter(|_| more).map(|last| last.seq);
    Ok(super::answer::numbered_page(&request, lines, next))
}

impl AskAudit {
    fn filter(&self) -> Filter {
        Filter {
            account: self.account_id,
            record: self.record.clone(),
            record_id: self.record_id.clone(),
            verb: self.verb.clone(),
            customer: self.customer_id,
            from: self.from,
            to: self.to,
        }
    }
}

/// Lines before a place, with the names of who did them.
async fn lines(
    db: &Db,
    scope: &Scope,
    now: DateTime<Utc>,
    filter: &Filter,
    (before, most): (i64, i64),
) -> Result<Vec<AuditLine>, DbError> {
    let read = async |tx: &Tx<'_>| {
        let found = audit::before(tx, filter, before, most).await?;
        let who: BTreeSet<Uuid> = found.iter().filter_map(|sealed| sealed.line.account_id).collect();
        let who: Vec<Uuid> = who.into_iter().collect();
        let programs = audit::programs(tx, &who).await?;
        Ok((found, who, programs))
    };
    let (found, who, mut names) = db.read(scope, now, read).await?;
    names.extend(db.names(&who).await?);
    let named = |sealed: Sealed| {
        let name = sealed.line.account_id.and_then(|id| names.get(&id)).cloned();
        AuditLine::of(sealed, name)
    };
    Ok(found.into_iter().map(named).collect())
}

/// Lines read at once for an export.
const LINES_AT_ONCE: i64 = 2_000;

fn pages(db: Db, scope: Scope, now: DateTime<Utc>, filter: Filter) -> impl Stream<Item = Result<Vec<Row>, DbError>> {
    async_stream::try_stream! {
        let mut before = i64::MAX;
        loop {
            let lines = lines(&db, &scope, now, &filter, (before, LINES_AT_ONCE)).await?;
            let Some(last) = lines.last() else { break };
            before = last.seq;
            yield lines.into_iter().map(AuditLine::row).collect();
        }
    }
}
