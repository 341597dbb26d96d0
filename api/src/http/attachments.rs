//! `/v1/meters/{id}/attachments` and `/v1/meters/{id}/exchanges`.

use super::answer::{self, Arranging, ChangedSince, Page, Problems, SpanView};
use super::measures::Withdrawal;
use super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::attachment::{self, StoredAttachment};
use crate::db::exchange::{self, StoredExchange};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, instant, optional_instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{ComponentId, MeterId, SiteId, UnitId};
use domain::meter::{Attachment, Measured, MeterExchange};
use domain::metering::step::Exchange;
use domain::span::Span;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_attachment)
        .service(list_attachments)
        .service(create_exchange)
        .service(list_exchanges)
        .service(withdraw_exchange);
}

/// Neither an attachment nor an exchange is changed through its own address: written once.
const WRITTEN_ONCE: i32 = 1;

/// What is sent to attach a meter: just one of `unit_id`, `site_id` and `component_id`.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AttachmentInput {
    /// The unit it measures.
    #[serde(default)]
    unit_id: Option<Uuid>,
    /// The site it measures, with all its units.
    #[serde(default)]
    #[schema(example = json!(null))]
    site_id: Option<Uuid>,
    /// The part it measures.
    #[serde(default)]
    #[schema(example = json!(null))]
    component_id: Option<Uuid>,
    /// From when; what it measures until then ends there.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-01-12T09:30:00Z")]
    from: DateTime<Utc>,
    /// Until when, where that is known.
    #[serde(default, deserialize_with = "optional_instant")]
    #[schema(example = json!(null))]
    to: Option<DateTime<Utc>>,
    /// The declared part of what passes that belongs to it; figures from a part are marked.
    #[serde(default = "all_of_it")]
    #[schema(example = 1.0, default = 1.0)]
    share: f64,
    /// Standard uncertainty of that part: how far the true part may well lie from it.
    #[serde(default)]
    #[schema(example = 0.0, default = 0.0, minimum = 0, maximum = 1)]
    share_u: f64,
}

fn all_of_it() -> f64 {
    1.0
}

impl AttachmentInput {
    pub(crate) fn parse(&self) -> Result<Attachment, Faults> {
        let mut faults = Faults::default();
        let measured =
            Measured::parse(self.unit_id.map(UnitId), self.site_id.map(SiteId), self.component_id.map(ComponentId));
        let attachment = Attachment {
            measured: faults.take_or("", measured, Measured::Unit(UnitId(Uuid::nil()))),
            span: faults.take_or("", Span::parse(self.from, self.to), Span::EVER),
            share: self.share,
            share_u: self.share_u,
        };
        faults.and(attachment.checked())
    }
}

/// What a meter measures from when until when.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Attachment)]
pub struct AttachmentView {
    /// The unit it measures, if that is what it measures.
    unit_id: Option<Uuid>,
    /// The site.
    site_id: Option<Uuid>,
    /// The part.
    component_id: Option<Uuid>,
    #[serde(flatten)]
    span: SpanView,
    /// The declared part of what passes that belongs to it.
    #[schema(example = 1.0)]
    share: f64,
    /// Standard uncertainty of that part.
    #[schema(example = 0.0)]
    share_u: f64,
}

impl From<Attachment> for AttachmentView {
    fn from(value: Attachment) -> Self {
        let (unit_id, site_id, component_id) = match value.measured {
            Measured::Unit(unit) => (Some(unit.0), None, None),
            Measured::Site(site) => (None, Some(site.0), None),
            Measured::Component(component) => (None, None, Some(component.0)),
        };
        Self { unit_id, site_id, component_id, span: value.span.into(), share: value.share, share_u: value.share_u }
    }
}

/// What a meter measures from when until when, and when that was noted down.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = NotedAttachment)]
pub struct NotedAttachmentView {
    #[serde(flatten)]
    attachment: AttachmentView,
    /// When it was noted down.
    created_at: DateTime<Utc>,
    /// When it was last written: its end noted since; otherwise when it was noted down.
    changed_at: DateTime<Utc>,
}

impl From<StoredAttachment> for NotedAttachmentView {
    fn from(stored: StoredAttachment) -> Self {
        let StoredAttachment { attachment, created_at, changed_at } = stored;
        Self { attachment: attachment.into(), created_at, changed_at }
    }
}

/// What is sent of an exchange.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ExchangeInput {
    /// When the register was exchanged.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T11:15:00Z")]
    at: DateTime<Utc>,
    /// Last value of the old register, in counts.
    #[schema(example = 48210.0, minimum = 0)]
    old_final: f64,
    /// First value of the new register, in counts.
    #[schema(example = 0.0, minimum = 0)]
    new_start: f64,
    /// Why.
    #[serde(default)]
    #[schema(example = "Glass cracked by frost", max_length = 500)]
    note: Option<String>,
}

impl ExchangeInput {
    pub(crate) fn unchecked(&self) -> MeterExchange {
        MeterExchange {
            registers: Exchange { at: self.at, old_final: self.old_final, new_start: self.new_start },
            note: self.note.clone(),
        }
    }
}

/// A new register behind the same connection.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = MeterExchange)]
pub struct ExchangeView {
    id: Uuid,
    #[serde(flatten)]
    record: ExchangeInput,
    /// When it was noted down.
    created_at: DateTime<Utc>,
    /// When it was last written: withdrawn; otherwise when it was noted down.
    changed_at: DateTime<Utc>,
    /// When it was withdrawn; null while it counts.
    withdrawn_at: Option<DateTime<Utc>>,
    /// Why it was withdrawn.
    #[schema(example = json!(null))]
    withdrawn_why: Option<String>,
}

impl From<StoredExchange> for ExchangeView {
    fn from(value: StoredExchange) -> Self {
        let MeterExchange { registers: Exchange { at, old_final, new_start }, note } = value.exchange;
        let (withdrawn_at, withdrawn_why) = value.withdrawn.unzip();
        let record = ExchangeInput { at, old_final, new_start, note };
        let (created_at, changed_at) = (value.created_at, value.changed_at);
        Self { id: value.id, record, created_at, changed_at, withdrawn_at, withdrawn_why }
    }
}

/// Attach a meter
///
/// A meter measures one thing at a time. What it measures until then ends where this begins.
#[utoipa::path(tag = "meters", request_body = AttachmentInput,
    params(("id" = Uuid, Path, description = "The meter's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The attachment", body = NotedAttachmentView), Problems))]
#[post("/meters/{id}/attachments")]
async fn create_attachment(
    caller: Caller<perm::WriteMeters>,
    id: Path<MeterId>,
    key: IdempotencyKey,
    input: Body<AttachmentInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = attachment::create(tx, *id, &new).await?;
        Ok((WRITTEN_ONCE, NotedAttachmentView::from(stored)))
    })
    .await
}

/// List what a meter measured and measures
///
/// All of it on one page, oldest first; or as a table (`Accept`).
#[utoipa::path(tag = "meters", params(("id" = Uuid, Path, description = "The meter's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The attachments", content(
        (Page<NotedAttachmentView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/meters/{id}/attachments")]
async fn list_attachments(
    request: HttpRequest,
    caller: Caller<perm::ReadMeters>,
    id: Path<MeterId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows =
        db.read(caller.scope(), caller.now(), async |tx| attachment::list(tx, *id, since.changed_since).await).await?;
    whole(&request, &caller, &rates, rows, NotedAttachmentView::from)
}

impl Tabled for NotedAttachmentView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("unit_id", Kind::Text),
        ("site_id", Kind::Text),
        ("component_id", Kind::Text),
        ("from", Kind::Instant),
        ("to", Kind::Instant),
        ("share", Kind::Number),
        ("share_u", Kind::Number),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
    ];
}

/// Note that a meter's register was exchanged
#[utoipa::path(tag = "meters", request_body = ExchangeInput,
    params(("id" = Uuid, Path, description = "The meter's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The exchange", body = ExchangeView), Problems))]
#[post("/meters/{id}/exchanges")]
async fn create_exchange(
    caller: Caller<perm::WriteMeters>,
    id: Path<MeterId>,
    key: IdempotencyKey,
    input: Body<ExchangeInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.unchecked();
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = exchange::create(tx, *id, &new).await?;
        Ok((WRITTEN_ONCE, ExchangeView::from(stored)))
    })
    .await
}

/// List the exchanges of a meter's register
///
/// All of them on one page, oldest first; or as a table (`Accept`).
#[utoipa::path(tag = "meters", params(("id" = Uuid, Path, description = "The meter's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The exchanges", content(
        (Page<ExchangeView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/meters/{id}/exchanges")]
async fn list_exchanges(
    request: HttpRequest,
    caller: Caller<perm::ReadMeters>,
    id: Path<MeterId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| exchange::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.among(rows, |one| one.changed_at), ExchangeView::from)
}

impl Tabled for ExchangeView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("at", Kind::Instant),
        ("old_final", Kind::Number),
        ("new_start", Kind::Number),
        ("note", Kind::Text),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("withdrawn_at", Kind::Instant),
        ("withdrawn_why", Kind::Text),
    ];
}

/// Withdraw an exchange that was noted wrongly
///
/// Once, with the reason. It stays in the list and counts no more; the right one is noted as a
/// new exchange. The next night run computes the figures that it touches.
#[utoipa::path(tag = "meters", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The meter's id"),
        ("exchange_id" = Uuid, Path, description = "The exchange's id")),
    responses((status = 200, description = "The exchange as it is now", body = ExchangeView), Problems))]
#[post("/meters/{id}/exchanges/{exchange_id}/withdraw")]
async fn withdraw_exchange(
    caller: Caller<perm::WriteMeters>,
    path: Path<(MeterId, Uuid)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (id, exchange_id) = *path;
    let why = domain::measures::reason(&input.0.reason)?;
    let work = async |tx: &Tx<'_>| exchange::withdraw(tx, id, exchange_id, &why).await;
    let stored = db.write(caller.scope(), caller.now(), work).await?;
    Ok(HttpResponse::Ok().json(ExchangeView::from(stored)))
}
