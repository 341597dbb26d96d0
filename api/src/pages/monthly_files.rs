//! `/customers/{id}/monthly-files`: the addresses to which a customer's figures go by mail each month; for
//! the dealer, and for the customer's own people.

use super::fault::Fault;
use super::form::{self, Typed};
use super::html_for;
use super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, spec};
use super::visitor::Visitor;
use super::writing::{self, Retired, Written};
use crate::auth::{Caller, perm};
use crate::db::monthly_file::{self, Filter, StoredFile};
use crate::db::page::{After, PAGE_MAX};
use crate::db::{Db, Revision, Tx, customer};
use crate::http::monthly_files::MonthlyFileInput;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Path, ServiceConfig};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono_tz::Tz;
use domain::ids::{CustomerId, MonthlyFileId};
use domain::monthly_file::DAY_LAST;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(monthly_files)
        .route("/customers/{id}/monthly-files/new", web::get().to(writing::show::<New>))
        .route("/customers/{id}/monthly-files", web::post().to(writing::take::<New>))
        .route("/monthly-files/{id}", web::get().to(writing::show::<Edit>))
        .route("/monthly-files/{id}", web::post().to(writing::take::<Edit>))
        .route("/monthly-files/{id}/retire", web::post().to(writing::retire::<Edit>));
}

#[derive(Template)]
#[template(path = "monthly_files.html")]
struct List {
    customer: (Uuid, String),
    rows: Vec<Row>,
}

struct Row {
    id: Uuid,
    email: String,
    day: i16,
    /// Why nothing goes there any more; empty while it does.
    ended: &'static str,
}

fn row(stored: StoredFile) -> Row {
    let ended = match (stored.ended_at, stored.value.unsubscribed) {
        (None, _) => "",
        (Some(_), true) => "wants no more",
        (Some(_), false) => "ended",
    };
    Row { id: stored.id.0, email: stored.value.file.email, day: stored.value.file.day_of_month, ended }
}

#[get("/customers/{id}/monthly-files")]
async fn monthly_files(
    visitor: Visitor<perm::ReadMonthlyFiles>,
    id: Path<CustomerId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let filter = Filter { customer: Some(*id), retired: true };
    let known = async |tx: &Tx<'_>| {
        let name = customer::get(tx, *id).await?.value.name;
        Ok((name, monthly_file::list(tx, filter, &After::first(PAGE_MAX)).await?))
    };
    let (name, files) = db.read(caller.scope(), caller.now(), known).await?;
    let page = List { customer: (id.0, name), rows: files.into_iter().map(row).collect() };
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

fn specs() -> Vec<Spec> {
    let days = (1..=DAY_LAST).map(|day| (day.to_string(), day.to_string())).collect();
    vec![
        spec("email", "E-mail address", Takes::Text).needed(),
        spec("day_of_month", "Day of the next month", Takes::NumberOf(days))
            .needed()
            .hint("It goes with the night\u{2019}s figures, that day at the earliest. Later readings are not in it."),
    ]
}

fn place(customer: CustomerId) -> String {
    format!("/customers/{customer}/monthly-files")
}

fn back(customer: CustomerId) -> (String, String) {
    (place(customer), "Back to the addresses".to_owned())
}

/// The form that adds an address to a customer.
struct New;

impl Written for New {
    type May = perm::WriteMonthlyFiles;
    type Id = CustomerId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: CustomerId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let name = db.read(caller.scope(), caller.now(), async |tx| customer::get(tx, id).await).await?.value.name;
        let about = About {
            title: "Add an address".to_owned(),
            lead: format!("The figures of {name} go there once a month, first those of the last whole month."),
            action: place(id),
            button: "Add it",
            revision: None,
            back: back(id),
            end: None,
            specs: &specs(),
        };
        let empty = Filled::of(&MonthlyFileInput::of(id), Tz::UTC);
        Ok(Sheet::of(about, &typed.map_or(empty, Filled::Typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: CustomerId, typed: &Typed) -> Result<String, Problem> {
        let new = sheet::changed(&specs(), typed, Tz::UTC, &MonthlyFileInput::of(id))?.parse()?;
        let create =
            async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(monthly_file::create(tx, &new).await?.id.0)).await;
        db.write(caller.scope(), caller.now(), create).await?;
        Ok(place(id))
    }
}

/// The form that changes an address.
struct Edit;

impl Written for Edit {
    type May = perm::WriteMonthlyFiles;
    type Id = MonthlyFileId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: MonthlyFileId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let stored = db.read(caller.scope(), caller.now(), async |tx| monthly_file::get(tx, id).await).await?;
        let end = End {
            action: format!("/monthly-files/{id}/retire"),
            words: "Nothing goes there any more.",
            button: "End it",
        };
        let about = About {
            title: "Change an address".to_owned(),
            lead: String::new(),
            action: format!("/monthly-files/{id}"),
            button: "Keep it so",
            revision: Some(stored.revision),
            back: back(stored.value.file.customer_id),
            end: stored.ended_at.is_none().then_some(end),
            specs: &specs(),
        };
        let record = Filled::of(&MonthlyFileInput::from(&stored.value.file), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: MonthlyFileId, typed: &Typed) -> Result<String, Problem> {
        let current = db.read(caller.scope(), caller.now(), async |tx| monthly_file::get(tx, id).await).await?;
        let record = MonthlyFileInput::from(&current.value.file);
        let new = sheet::changed(&specs(), typed, Tz::UTC, &record)?.parse()?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| monthly_file::update_at(tx, id, at, &new).await).await?;
        Ok(place(new.customer_id))
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: MonthlyFileId, at: Revision) -> Result<String, Problem> {
        let retire = async |tx: &Tx<'_>| monthly_file::retire(tx, id, at).await;
        let retired = db.write(caller.scope(), caller.now(), retire).await?;
        Ok(place(retired.value.file.customer_id))
    }
}
