//! `/customers`: who uses units, with their sites; added, changed and retired.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::html_for;
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, choice, months, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::writing::{self, Retired, Written};
use super::agreement_lines::{self, Agreements};
use super::recipients::{self, Reader};
use crate::auth::{Caller, Permission, perm};
use crate::db::customer::Extent;
use crate::db::page::{After, PAGE_MAX};
use crate::db::unit::{self, Placed};
use crate::db::{Db, DbError, Revision, Stored, Tx, customer, site};
use crate::http::customers::CustomerInput;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono_tz::Tz;
use domain::customer::Customer;
use domain::ids::{CustomerId, SiteId};
use domain::site::Site;
use std::collections::HashMap;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(customers)
        .service(begin)
        .service(add)
        .route("/customers/{id}/edit", web::get().to(writing::show::<Edit>))
        .route("/customers/{id}", web::post().to(writing::take::<Edit>))
        .route("/customers/{id}/retire", web::post().to(writing::retire::<Edit>))
        .service(shown);
}

#[derive(Template)]
#[template(path = "customers.html")]
struct List {
    rows: Vec<Row>,
    retired: Vec<(Uuid, String)>,
    may_write: bool,
}

struct Row {
    id: Uuid,
    name: String,
    own_number: String,
    sites: i64,
    units: i64,
}

#[get("/customers")]
async fn customers(visitor: Visitor<perm::ReadCustomers>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let known = db.read(caller.scope(), caller.now(), async |tx| all(tx).await).await?;
    let may_write = perm::WriteCustomers::ROLES.contains(&caller.role());
    Ok(html_for(&caller, StatusCode::OK, &List::of(known, may_write))?)
}

/// All customers, and how many sites and units each has.
type All = (Vec<Stored<CustomerId, Customer>>, HashMap<CustomerId, Extent>);

async fn all(tx: &Tx<'_>) -> Result<All, DbError> {
    let filter = customer::Filter { retired: true, ..customer::Filter::default() };
    let found = customer::list(tx, &filter, &After::first(PAGE_MAX)).await?;
    let ids: Vec<Uuid> = found.iter().map(|one| one.id.0).collect();
    let extents = customer::extents(tx, &ids).await?;
    Ok((found, extents))
}

impl List {
    fn of((found, extents): All, may_write: bool) -> Self {
        let (running, gone): (Vec<_>, Vec<_>) = found.into_iter().partition(|one| one.ended_at.is_none());
        let row = |one: Stored<CustomerId, Customer>| Row {
            sites: extents.get(&one.id).map_or(0, |extent| extent.sites),
            units: extents.get(&one.id).map_or(0, |extent| extent.units),
            id: one.id.0,
            name: one.value.name,
            own_number: one.value.own_number.unwrap_or_default(),
        };
        Self {
            rows: running.into_iter().map(row).collect(),
            retired: gone.into_iter().map(|one| (one.id.0, one.value.name)).collect(),
            may_write,
        }
    }
}

#[derive(Template)]
#[template(path = "customer.html")]
struct Page {
    id: Uuid,
    name: String,
    retired: bool,
    sites: Vec<SiteRow>,
    may_write: bool,
    may_invite: bool,
    reports: bool,
    /// Who gets its reports by mail; none for whoever may not see that.
    readers: Option<Vec<Reader>>,
    agreements: Agreements,
    by_mail: bool,
}

struct SiteRow {
    id: Uuid,
    name: String,
    address: String,
    retired: bool,
    units: Vec<(Uuid, String)>,
}

fn site_row(site: Stored<SiteId, Site>, units: &[Placed]) -> SiteRow {
    let there = units.iter().filter(|unit| unit.present.as_ref().is_some_and(|there| there.site_id == site.id));
    SiteRow {
        id: site.id.0,
        units: there.map(|unit| (unit.unit.id.0, unit.unit.value.label.clone())).collect(),
        name: site.value.name,
        address: site.value.address.unwrap_or_default(),
        retired: site.ended_at.is_some(),
    }
}

/// A customer with its sites and the units that stand there.
type One = (Stored<CustomerId, Customer>, Vec<Stored<SiteId, Site>>, Vec<Placed>);

async fn with_sites(tx: &Tx<'_>, id: CustomerId) -> Result<One, DbError> {
    let page = After::first(PAGE_MAX);
    let sites =
        site::list(tx, &site::Filter { customer: Some(id), retired: true, ..site::Filter::default() }, &page).await?;
    let filter = unit::Filter { customer: Some(id), ..unit::Filter::default() };
    Ok((customer::get(tx, id).await?, sites, unit::list(tx, &filter, &page).await?))
}

/// Whether what somebody else may do is shown to the caller.
fn may<P: Permission>(caller: &Caller<perm::ReadCustomers>) -> bool {
    P::ROLES.contains(&caller.role())
}

#[get("/customers/{id}")]
async fn shown(
    visitor: Visitor<perm::ReadCustomers>,
    id: Path<CustomerId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let known = async |tx: &Tx<'_>| {
        let readers = if may::<perm::IssueReports>(&caller) { Some(recipients::of(tx, *id).await?) } else { None };
        Ok((with_sites(tx, *id).await?, readers, agreement_lines::of(tx, *id, caller.role()).await?))
    };
    let ((customer, sites, units), readers, agreements) = db.read(caller.scope(), caller.now(), known).await?;
    let page = Page {
        id: id.0,
        name: customer.value.name,
        retired: customer.ended_at.is_some(),
        sites: sites.into_iter().map(|site| site_row(site, &units)).collect(),
        may_write: may::<perm::WriteSites>(&caller),
        may_invite: may::<perm::WritePeople>(&caller),
        reports: may::<perm::ReadReports>(&caller),
        readers,
        agreements,
        by_mail: may::<perm::ReadMonthlyFiles>(&caller),
    };
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

fn specs() -> Vec<Spec> {
    let systems = choice([("metric", "litres and cubic metres"), ("us", "US gallons")]);
    vec![
        spec("name", "Name", Takes::Text).needed(),
        spec("unit_system", "Units of its figures", systems).hint("Left empty, figures come in your own units."),
        spec("own_number", "Number in its own books", Takes::Text).more(),
        spec("fiscal_year_start", "Its year begins in", Takes::NumberOf(months())).needed().more(),
    ]
}

fn new_sheet(filled: &Filled<'_>, faults: &[(String, String)]) -> Sheet {
    let about = About {
        title: "Add a customer".to_owned(),
        lead: "Who uses your units. Its sites come next.".to_owned(),
        action: "/customers".to_owned(),
        button: "Add it",
        revision: None,
        back: ("/customers".to_owned(), "Back to the customers".to_owned()),
        end: None,
        specs: &specs(),
    };
    Sheet::of(about, filled, faults)
}

#[get("/customers/new")]
async fn begin(visitor: Visitor<perm::WriteCustomers>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&Filled::Typed(&Typed::new()), &[]))
}

#[post("/customers")]
async fn add(sender: Sender<perm::WriteCustomers>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, &typed).await;
    sheet::answer(&caller, added, async |faults| Ok(new_sheet(&Filled::Typed(&typed), &faults))).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, typed: &Typed) -> Result<String, Problem> {
    let new = sheet::made::<CustomerInput>(&specs(), typed, Tz::UTC)?.parse()?;
    let create = async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(customer::create(tx, &new).await?.id.0)).await;
    let id = db.write(caller.scope(), caller.now(), create).await?;
    Ok(format!("/customers/{id}"))
}

/// The form that changes a customer.
struct Edit;

impl Written for Edit {
    type May = perm::WriteCustomers;
    type Id = CustomerId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: CustomerId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let customer = db.read(caller.scope(), caller.now(), async |tx| customer::get(tx, id).await).await?;
        let end = End {
            action: format!("/customers/{id}/retire"),
            words: "It goes from the lists. What was written down of it stays, and so do its issued reports.",
            button: "Retire it",
        };
        let about = About {
            title: format!("Change {}", customer.value.name),
            lead: String::new(),
            action: format!("/customers/{id}"),
            button: "Keep it so",
            revision: Some(customer.revision),
            back: (format!("/customers/{id}"), format!("Back to {}", customer.value.name)),
            end: customer.ended_at.is_none().then_some(end),
            specs: &specs(),
        };
        let record = Filled::of(&CustomerInput::from(&customer.value), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: CustomerId, typed: &Typed) -> Result<String, Problem> {
        let current = db.read(caller.scope(), caller.now(), async |tx| customer::get(tx, id).await).await?;
        let new = sheet::changed(&specs(), typed, Tz::UTC, &CustomerInput::from(&current.value))?.parse()?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| customer::update_at(tx, id, at, &new).await).await?;
        Ok(format!("/customers/{id}"))
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: CustomerId, at: Revision) -> Result<String, Problem> {
        db.write(caller.scope(), caller.now(), async |tx| customer::retire(tx, id, at).await).await?;
        Ok("/customers".to_owned())
    }
}
