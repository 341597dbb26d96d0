//! `/v1/routines-due`: what is late and what falls due.

use super::answer::{Page, Paging, Problems};
use super::series::AskOf;
use super::table::{Kind as Column, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::due::{self, Listed};
use crate::db::page::After;
use crate::db::{Db, Tx};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_routines_due);
}

/// Days ahead when nothing is said.
pub const WITHIN_D: i32 = 30;
/// Days ahead at most.
const WITHIN_D_MAX: i32 = 1000;

/// Which dues.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListDues {
    /// Only this technician's, by account.
    technician_id: Option<Uuid>,
    /// Those that fall due within so many days; late ones always.
    #[param(minimum = 0, maximum = 1000, default = 30)]
    within_days: Option<i32>,
}

impl ListDues {
    fn filter(&self, of: &AskOf) -> Result<due::Filter, Problem> {
        let within_d = self.within_days.unwrap_or(WITHIN_D);
        if !(0..=WITHIN_D_MAX).contains(&within_d) {
            return Err(Problem::at(Kind::Invalid, "/within_days", "out_of_range", "Give 0 to 1000 days."));
        }
        Ok(due::Filter { of: of.parse()?, technician: self.technician_id, within_d })
    }
}

/// A due.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RoutineDue)]
pub struct DueView {
    /// The routine.
    routine_id: Uuid,
    /// What it is called.
    #[schema(example = "Renew the dosing tube")]
    name: String,
    /// The unit.
    unit_id: Uuid,
    /// What the unit is called.
    #[schema(example = "Harbour bay 2")]
    unit: String,
    /// The site at which the unit stands; null where it stands nowhere.
    site_id: Option<Uuid>,
    /// What the site is called.
    #[schema(example = "Harbour")]
    site: Option<String>,
    /// Who does it.
    technician_id: Option<Uuid>,
    /// The certificate without which it isn't done.
    #[schema(example = json!(null))]
    certificate: Option<String>,
    /// The local day on which it is due.
    #[schema(example = "2026-11-20")]
    due_on: NaiveDate,
    /// By what.
    #[schema(example = "hours")]
    due_by: String,
    /// Days by which it is late; negative ahead of its day.
    #[schema(example = 3)]
    late_days: i64,
    /// When it was last done.
    last_done_on: Option<NaiveDate>,
    /// Which due of the routine this is.
    #[schema(example = 1)]
    n: i32,
}

impl From<Listed> for DueView {
    fn from(row: Listed) -> Self {
        Self {
            late_days: (row.today - row.due_on).num_days(),
            routine_id: row.id,
            name: row.name,
            unit_id: row.unit_id,
            unit: row.unit,
            site_id: row.site_id,
            site: row.site,
            technician_id: row.technician_id,
            certificate: row.certificate,
            due_on: row.due_on,
            due_by: row.due_by,
            last_done_on: row.last_done_on,
            n: row.next_n,
        }
    }
}

/// List what is due
///
/// The longest late first, as the last night run projected it. Those of a customer or site are of units that
/// stand there now. As a table (`Accept`), all of them.
#[utoipa::path(tag = "routines", params(ListDues, AskOf, Paging),
    responses((status = 200, description = "A page of dues", content(
        (Page<DueView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/routines-due")]
async fn list_routines_due(
    request: HttpRequest,
    caller: Caller<perm::ReadRoutines>,
    (query, of): (Query<ListDues>, Query<AskOf>),
    paging: Query<Paging>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (query.filter(&of)?, paging.parse()?);
    let read = async move |tx: &Tx<'_>, after: &After| due::list(tx, &filter, after).await;
    let key = |_: &After, row: &Listed| (row.due_on.to_string(), row.id);
    listed(&request, &caller, (&db, &rates), after, read, (key, DueView::from)).await
}

impl Tabled for DueView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("routine_id", Column::Text),
        ("name", Column::Text),
        ("unit_id", Column::Text),
        ("unit", Column::Text),
        ("site_id", Column::Text),
        ("site", Column::Text),
        ("technician_id", Column::Text),
        ("certificate", Column::Text),
        ("due_on", Column::Day),
        ("due_by", Column::Text),
        ("late_days", Column::Whole),
        ("last_done_on", Column::Day),
        ("n", Column::Whole),
    ];
}
