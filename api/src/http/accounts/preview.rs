//! `/v1/water-accounts/{id}/bill-preview`.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::accounts::{tariff, water_account};
use crate::extract::Body;
use crate::http::answer::Problems;
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, post};
use chrono::NaiveDate;
use domain::fault::Faults;
use domain::ids::WaterAccountId;
use domain::money::Money;
use domain::tariff::{Bill, BillError, Cycle, Tariff, WaterAccount, WaterUse, bill};
use domain::units::Litres;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(preview_bill);
}

/// What a bill is asked for.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BillPreviewInput {
    /// Its first day.
    #[schema(example = "2026-03-15")]
    from: NaiveDate,
    /// The day after its last.
    #[schema(example = "2026-04-15")]
    to: NaiveDate,
    /// All water used on the account in these days.
    #[schema(example = 960_000.0, minimum = 0)]
    water_l: f64,
    /// Water used in an average month of the winter before, where sewer is billed by that.
    #[serde(default)]
    #[schema(example = 90_000.0, minimum = 0)]
    winter_l_per_month: Option<f64>,
    /// What the discharge meter counted, where sewer is billed by that.
    #[serde(default)]
    #[schema(example = 720_000.0, minimum = 0)]
    discharge_l: Option<f64>,
}

/// A sum of money.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Money)]
pub struct MoneyView {
    /// In major units.
    #[schema(example = "1204.50")]
    amount: String,
    /// ISO 4217 code.
    #[schema(example = "USD")]
    currency: String,
}

impl From<Money> for MoneyView {
    fn from(money: Money) -> Self {
        let money = money.in_minor_units();
        Self { amount: money.amount.to_string(), currency: money.currency.code().to_owned() }
    }
}

/// A bill as a tariff asks it.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ComputedBill)]
pub struct BillView {
    /// Its first day.
    from: NaiveDate,
    /// The day after its last.
    to: NaiveDate,
    /// Its lines; where prices change within its days, those of each version.
    lines: Vec<LineView>,
    /// Their sum.
    total: MoneyView,
}

/// A line of a bill.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ComputedLine)]
pub struct LineView {
    /// Which charge.
    #[schema(example = "water_use_2")]
    code: String,
    /// What it is called.
    #[schema(example = "Water above 100 m3")]
    words: String,
    /// The first day it is for.
    from: NaiveDate,
    /// The day after the last.
    to: NaiveDate,
    /// How much.
    #[schema(example = "860")]
    quantity: String,
    /// Of what.
    #[schema(example = "m3")]
    unit: String,
    /// Price of one unit.
    #[schema(example = "1.85")]
    price: String,
    /// Quantity times price, rounded.
    #[schema(example = "1591.00")]
    amount: String,
}

impl From<Bill> for BillView {
    fn from(bill: Bill) -> Self {
        let line = |line: domain::tariff::Line| LineView {
            code: line.code.to_string(),
            words: line.words.to_string(),
            from: line.from,
            to: line.to,
            quantity: line.quantity.to_string(),
            unit: line.unit.to_string(),
            price: line.price.to_string(),
            amount: line.amount.to_string(),
        };
        let currency = bill.total.currency.to_string();
        Self {
            from: bill.cycle.from,
            to: bill.cycle.to,
            lines: bill.lines.into_iter().map(line).collect(),
            total: MoneyView { amount: bill.total.amount.to_string(), currency },
        }
    }
}

impl BillPreviewInput {
    fn bill(&self, account: &WaterAccount, tariff: Option<&Tariff>) -> Result<Bill, Faults> {
        let fix = "the account has no tariff; add the version that holds for these days";
        let tariff = tariff.ok_or_else(|| Faults::one("/from", "no_tariff", fix))?;
        let used = WaterUse {
            water_l: Litres(self.water_l),
            winter_l_per_month: self.winter_l_per_month.map(Litres),
            discharge_l: self.discharge_l.map(Litres),
        };
        bill(account, tariff, Cycle { from: self.from, to: self.to }, &used).map_err(refused)
    }
}

/// A bill that can't be computed, as a fault of the field that is to change.
fn refused(error: BillError) -> Faults {
    let (pointer, code) = match &error {
        BillError::Faults(faults) => return faults.clone(),
        BillError::EmptyCycle => ("/to", "not_after_from"),
        BillError::CycleTooLong { .. } => ("/to", "cycle_too_long"),
        BillError::NoPrices { .. } => ("/from", "no_prices"),
        BillError::NoWinterAverage | BillError::NoWinterMonth(_) => ("/winter_l_per_month", "required"),
        BillError::NoDischarge => ("/discharge_l", "required"),
        BillError::UseOutOfRange => ("/water_l", "out_of_range"),
        _ => ("", "no_bill"),
    };
    Faults::one(pointer, code, error.to_string())
}

/// Preview a bill
///
/// What the account's tariff asks for so much water in one billing cycle, line by line. Nothing
/// is stored.
#[utoipa::path(tag = "water accounts", request_body = BillPreviewInput,
    params(("id" = Uuid, Path, description = "The water account's id")),
    responses((status = 200, description = "The bill", body = BillView), Problems))]
#[post("/water-accounts/{id}/bill-preview")]
async fn preview_bill(
    caller: Caller<perm::ReadAccounts>,
    id: Path<WaterAccountId>,
    input: Body<BillPreviewInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let asked = db.read(caller.scope(), caller.now(), async |tx| {
        Ok((water_account::get(tx, *id).await?, tariff::whole(tx, *id).await?))
    });
    let (account, tariff) = asked.await?;
    let bill = input.0.bill(&account.value.account, tariff.as_ref())?;
    Ok(HttpResponse::Ok().json(BillView::from(bill)))
}
