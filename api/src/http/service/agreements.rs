//! `/v1/agreements`.

use super::{Asked, KeptView, view};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::service::{self, Kept, agreement, place};
use crate::db::{Db, Tx, dealer};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind as Column, Tabled, listed};
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{Days, NaiveDate};
use domain::ids::{CustomerId, SiteId, UnitId};
use domain::money::{Currency, Money};
use domain::service::agreement::{Agreement, Included, Price, PriceFor, Renewal, YearlyRise};
use domain::service::response::Response;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_agreement)
        .service(list_agreements)
        .service(get_agreement)
        .service(update_agreement)
        .service(used_of_agreement);
}

super::shape! {
    /// What a customer is promised, and for how much.
    #[schema(as = Agreement)]
    AgreementBody = Agreement {
        /// With whom.
        #[schema(value_type = Uuid)]
        customer_id: CustomerId,
        /// For this site; null for all of the customer's.
        #[serde(default)]
        #[schema(value_type = Option<Uuid>)]
        site_id: Option<SiteId>,
        /// For this unit; null for all at the site.
        #[serde(default)]
        #[schema(value_type = Option<Uuid>)]
        unit_id: Option<UnitId>,
        /// The first day.
        #[schema(example = "2026-03-01")]
        from: NaiveDate,
        /// The day after the last of its first term; null while nobody ends it.
        #[serde(default)]
        #[schema(example = "2027-03-01")]
        to: Option<NaiveDate>,
        /// How it goes on then, and with how much notice it ends; null when it ends by itself.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!({ "months": 12, "notice_days": 90 }))]
        renewal: Option<Renewal>,
        /// When notice was given.
        #[serde(default)]
        #[schema(example = json!(null))]
        notice_on: Option<NaiveDate>,
        /// `fee` for service, or `rent` of the unit with it.
        #[schema(value_type = String, example = "fee")]
        price_for: PriceFor,
        /// ISO 4217 code of every price in it.
        #[schema(value_type = String, example = "EUR", pattern = "^[A-Z]{3}$")]
        currency: Currency,
        /// Prices a month, each from a day on.
        #[schema(value_type = Vec<Object>, example = json!([{ "from": "2026-03-01", "per_month": "120.00" }]))]
        prices: Vec<Price>,
        /// A rise on the first of a month every year, in per cent of the price before.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!({ "month": 1, "percent": "3" }))]
        rise: Option<YearlyRise>,
        /// The months, 1 to 12, in which it is served; empty for all.
        #[serde(default)]
        #[schema(example = json!([4, 5, 6, 7, 8, 9, 10]))]
        season_months: Vec<u8>,
        /// Visits a year that are included.
        #[serde(default)]
        #[schema(example = 4)]
        visits_a_year: u16,
        /// Call-outs a year that are included; null for any number.
        #[serde(default)]
        #[schema(example = 2)]
        call_outs_a_year: Option<u16>,
        /// Consumables a year that are included, as the lines of service events name them.
        #[serde(default)]
        #[schema(value_type = Vec<Object>, example = json!([{ "what": "Coagulant", "quantity": "40", "unit": "l" }]))]
        consumables: Vec<Included>,
        /// The response promised to a call: minutes that count while the office is open, on no
        /// holiday, in the season, by the clock of the site.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!({ "within_min": 240, "holidays": ["2026-12-25"],
            "office": { "weekdays": ["monday", "tuesday"], "opens": "08:00:00", "closes": "16:00:00" } }))]
        response: Option<Response>,
    }
}

/// An agreement, and when it ends.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = AgreementWithTerm)]
pub struct AgreementView {
    #[serde(flatten)]
    kept: KeptView<AgreementBody>,
    /// The day after its last, as far as that is settled today; one that renews itself goes on then
    /// unless notice is given. Null while nobody ends it.
    #[schema(example = "2027-03-01")]
    ends_on: Option<NaiveDate>,
    /// The last day to give notice. Null where it ends by itself, or where notice was given.
    #[schema(example = "2026-12-01")]
    notice_by: Option<NaiveDate>,
}

impl AgreementView {
    fn of(kept: Kept<Agreement>, today: NaiveDate) -> Self {
        let term = kept.stored.value.term(today);
        Self {
            kept: view(kept),
            ends_on: term.map(|term| term.ends_on),
            notice_by: term.and_then(|term| term.notice_by),
        }
    }
}

/// Which of them.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Near {
    /// Those alone of which notice has to be given, or that end by themselves, within so many days
    /// from today on.
    #[param(example = 60, maximum = 3660)]
    within_days: Option<u16>,
}

/// Longest time ahead that is looked at, in days.
const WITHIN_DAYS_MAX: u16 = 3660;

impl Near {
    fn parse(&self) -> Result<Option<Days>, Problem> {
        if self.within_days.is_some_and(|days| days > WITHIN_DAYS_MAX) {
            let fix = format!("Give at most {WITHIN_DAYS_MAX} days.");
            return Err(Problem::at(Kind::Invalid, "/within_days", "out_of_range", fix));
        }
        Ok(self.within_days.map(|days| Days::new(u64::from(days))))
    }
}

/// Add an agreement
#[utoipa::path(tag = "agreements", request_body = AgreementBody,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The agreement", body = AgreementView), Problems))]
#[post("/agreements")]
async fn create_agreement(
    caller: Caller<perm::WriteAgreements>,
    key: IdempotencyKey,
    input: Body<AgreementBody>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = Agreement::from(input.0.clone()).checked()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let kept = agreement::create(tx, &new).await?;
        Ok((kept.stored.revision, AgreementView::of(kept, dealer::today(tx).await?)))
    })
    .await
}

/// List agreements by their first day
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "agreements", params(AskOf, Asked, Near, Sorting, Paging),
    responses((status = 200, description = "A page of agreements", content(
        (Page<AgreementView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/agreements")]
async fn list_agreements(
    request: HttpRequest,
    caller: Caller<perm::ReadAgreements>,
    (of, asked, near): (Query<AskOf>, Query<Asked>, Query<Near>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, near, after) = (asked.parse(&of)?, near.parse()?, paging.sorted(&sorting, "first_day")?);
    let read = async move |tx: &Tx<'_>, after: &After| {
        let today = dealer::today(tx).await?;
        let rows = match near {
            Some(days) => agreement::near(tx, &filter, (today, today + days), after).await?,
            None => service::list::<Agreement>(tx, &filter, after).await?,
        };
        Ok(rows.into_iter().map(|kept| (kept, today)).collect::<Vec<_>>())
    };
    let key = |after: &After, (kept, _): &(Kept<Agreement>, NaiveDate)| place(after, kept);
    let view = |(kept, today)| AgreementView::of(kept, today);
    listed(&request, &caller, (&db, &rates), after, read, (key, view)).await
}

impl Tabled for AgreementView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("customer_id", Column::Text),
        ("site_id", Column::Text),
        ("unit_id", Column::Text),
        ("from", Column::Day),
        ("to", Column::Day),
        ("renewal", Column::Text),
        ("notice_on", Column::Day),
        ("price_for", Column::Text),
        ("currency", Column::Text),
        ("prices", Column::Text),
        ("rise", Column::Text),
        ("season_months", Column::Text),
        ("visits_a_year", Column::Whole),
        ("call_outs_a_year", Column::Whole),
        ("consumables", Column::Text),
        ("response", Column::Text),
        ("ends_on", Column::Day),
        ("notice_by", Column::Day),
        ("revision", Column::Whole),
        ("created_at", Column::Instant),
        ("changed_at", Column::Instant),
        ("ended_at", Column::Instant),
    ];
}

/// Get an agreement
#[utoipa::path(tag = "agreements", params(("id" = Uuid, Path, description = "The agreement's id")),
    responses((status = 200, description = "The agreement", body = AgreementView), Problems))]
#[get("/agreements/{id}")]
async fn get_agreement(
    caller: Caller<perm::ReadAgreements>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let get = async |tx: &Tx<'_>| Ok((service::get::<Agreement>(tx, *id).await?, dealer::today(tx).await?));
    let (kept, today) = db.read(caller.scope(), caller.now(), get).await?;
    Ok(answer::record(StatusCode::OK, kept.stored.revision, &AgreementView::of(kept, today)))
}

/// Change an agreement
///
/// An RFC 7396 merge patch; lists are sent whole.
#[utoipa::path(tag = "agreements", request_body = AgreementBody,
    params(("id" = Uuid, Path, description = "The agreement's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The agreement as it is now", body = AgreementView), Problems))]
#[patch("/agreements/{id}")]
async fn update_agreement(
    caller: Caller<perm::WriteAgreements>,
    id: Path<Uuid>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let get = async |tx: &Tx<'_>| service::get::<Agreement>(tx, *id).await;
    let current = db.read(caller.scope(), caller.now(), get).await?;
    let new = answer::patched(&AgreementBody::from(current.stored.value), &patch.0)?;
    let new = Agreement::from(new).checked()?;
    let update = async |tx: &Tx<'_>| Ok((agreement::update(tx, *id, at.0, &new).await?, dealer::today(tx).await?));
    let (kept, today) = db.write(caller.scope(), caller.now(), update).await?;
    Ok(answer::record(StatusCode::OK, kept.stored.revision, &AgreementView::of(kept, today)))
}

/// In which year.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct YearAsked {
    /// The year of the agreement that this day lies in; today's when left out.
    #[param(example = "2026-06-01")]
    on: Option<NaiveDate>,
}

/// What was used of an agreement, against what it includes.
#[derive(Debug, Serialize, ToSchema)]
pub struct AgreementUsed {
    /// The first day of its year.
    #[schema(example = "2026-03-01")]
    from: NaiveDate,
    /// The day after the last.
    #[schema(example = "2027-03-01")]
    to: NaiveDate,
    /// The price a month on the day asked for.
    #[schema(value_type = Option<Object>, example = json!({ "amount": "120.00", "currency": "EUR" }))]
    price_per_month: Option<Money>,
    /// Visits: service events of that kind.
    visits: UsedOf,
    /// Call-outs.
    call_outs: UsedOf,
    /// Consumables.
    consumables: Vec<ConsumableUsed>,
}

/// How much was used of how much.
#[derive(Debug, Serialize, ToSchema)]
pub struct UsedOf {
    /// So much was used.
    #[schema(example = 1)]
    used: i64,
    /// So much is included; null for any number.
    #[schema(example = 4)]
    included: Option<i64>,
}

/// The same of a consumable.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConsumableUsed {
    /// Which.
    #[schema(example = "Coagulant")]
    what: String,
    /// In what.
    #[schema(example = "l")]
    unit: &'static str,
    /// So much was used.
    #[schema(value_type = String, example = "12.5")]
    used: Decimal,
    /// So much is included.
    #[schema(value_type = String, example = "40")]
    included: Decimal,
}

/// Say what was used of an agreement
///
/// In one of its years, against what it includes.
#[utoipa::path(tag = "agreements", params(("id" = Uuid, Path, description = "The agreement's id"), YearAsked),
    responses((status = 200, description = "What was used", body = AgreementUsed), Problems))]
#[get("/agreements/{id}/used")]
async fn used_of_agreement(
    caller: Caller<perm::WriteAgreements>,
    id: Path<Uuid>,
    asked: Query<YearAsked>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let used = async |tx: &Tx<'_>| {
        let day = match asked.on {
            Some(day) => day,
            None => dealer::today(tx).await?,
        };
        let agreement = service::get::<Agreement>(tx, *id).await?.stored.value;
        let used = agreement::used(tx, &agreement, day).await?;
        Ok(against(&agreement, used, agreement.price_on(day)))
    };
    Ok(HttpResponse::Ok().json(db.read(caller.scope(), caller.now(), used).await?))
}

fn against(agreement: &Agreement, used: agreement::Used, price_per_month: Option<Money>) -> AgreementUsed {
    let consumable = |(row, used): (&Included, Decimal)| ConsumableUsed {
        what: row.what.clone(),
        unit: row.unit.as_str(),
        used,
        included: row.quantity,
    };
    AgreementUsed {
        from: used.from,
        to: used.to,
        price_per_month,
        visits: UsedOf { used: used.visits, included: Some(i64::from(agreement.visits_a_year)) },
        call_outs: UsedOf { used: used.call_outs, included: agreement.call_outs_a_year.map(i64::from) },
        consumables: agreement.consumables.iter().zip(used.consumables).map(consumable).collect(),
    }
}
