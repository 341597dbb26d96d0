//! `/sites/{id}`: where units stand, with what measures them; added, changed and retired.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::html_for;
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::words;
use super::super::writing::{self, Retired, Written};
use super::Of;
use crate::auth::{Caller, Permission, perm};
use crate::db::asking::due::{self, Held};
use crate::db::page::{After, PAGE_MAX};
use crate::db::unit::{self, Placed};
use crate::db::{Db, DbError, Revision, Stored, Tx, customer, dealer, site};
use crate::http::sites::SiteInput;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, Path, Query, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono_tz::{TZ_VARIANTS, Tz};
use domain::ids::{CustomerId, SiteId};
use domain::site::Site;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(begin)
        .service(add)
        .route("/sites/{id}/edit", web::get().to(writing::show::<Edit>))
        .route("/sites/{id}", web::post().to(writing::take::<Edit>))
        .route("/sites/{id}/retire", web::post().to(writing::retire::<Edit>))
        .service(shown);
}

#[derive(Template)]
#[template(path = "site.html")]
struct Page {
    id: Uuid,
    name: String,
    customer: (Uuid, String),
    address: String,
    facts: Vec<String>,
    retired: bool,
    units: Vec<(Uuid, String, String)>,
    meters: Vec<Meter>,
    may: May,
}

/// What the visitor may do there.
#[derive(Clone, Copy)]
struct May {
    change: bool,
    units: bool,
    meters: bool,
    read: bool,
    customers: bool,
    accounts: bool,
}

struct Meter {
    id: Uuid,
    label: String,
    measures: String,
    of: String,
    last: String,
}

impl May {
    fn of<P: Permission>(caller: &Caller<P>) -> Self {
        let role = caller.role();
        Self {
            change: perm::WriteSites::ROLES.contains(&role),
            units: perm::WriteUnits::ROLES.contains(&role),
            meters: perm::WriteMeters::ROLES.contains(&role),
            read: perm::WriteReadings::ROLES.contains(&role),
            customers: perm::WriteCustomers::ROLES.contains(&role),
            accounts: perm::WriteAccounts::ROLES.contains(&role),
        }
    }
}

/// What a site's page is made of.
struct Known {
    site: Stored<SiteId, Site>,
    customer: String,
    units: Vec<Placed>,
    held: Vec<Held>,
}

async fn known(tx: &Tx<'_>, id: SiteId) -> Result<Known, DbError> {
    let site = site::get(tx, id).await?;
    let filter = unit::Filter { site: Some(id), ..unit::Filter::default() };
    let at = due::Filter { sites: vec![id], ..due::Filter::default() };
    Ok(Known {
        customer: customer::get(tx, site.value.customer_id).await?.value.name,
        units: unit::list(tx, &filter, &After::first(PAGE_MAX)).await?,
        held: due::held(tx, &at, tx.now()).await?,
        site,
    })
}

#[get("/sites/{id}")]
async fn shown(visitor: Visitor<perm::ReadSites>, id: Path<SiteId>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, *id).await).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(known, May::of(&caller)))?)
}

impl Page {
    fn of(known: Known, may: May) -> Self {
        let Known { site, customer, units, held } = known;
        let unit = |placed: Placed| {
            let unit = placed.unit.value;
            (placed.unit.id.0, unit.label, unit.serial_number)
        };
        Self {
            id: site.id.0,
            facts: facts(&site.value),
            name: site.value.name,
            customer: (site.value.customer_id.0, customer),
            address: site.value.address.unwrap_or_default(),
            retired: site.ended_at.is_some(),
            units: units.into_iter().map(unit).collect(),
            meters: held.iter().map(meter).collect(),
            may,
        }
    }
}

fn facts(site: &Site) -> Vec<String> {
    let roof = if site.bay_roofed { "The bay has a roof." } else { "The bay is an open pad." };
    let pit = site.pit_volume_l.map(|litres| format!("The pit holds {}\u{a0}L.", words::figure(litres)));
    let clock = format!("Its days begin by the clock of {}.", site.time_zone.name().replace('_', " "));
    [Some(clock), Some(roof.to_owned()), pit].into_iter().flatten().collect()
}

fn meter(held: &Held) -> Meter {
    Meter {
        id: held.meter_id,
        label: held.label.clone(),
        measures: words::stream(Some(held.facts.stream)),
        of: held.unit.clone().unwrap_or_else(|| "the whole site".to_owned()),
        last: super::super::readings_due::last(held),
    }
}

fn specs() -> Vec<Spec> {
    let zones = TZ_VARIANTS.iter().map(|zone| zone.name().to_owned()).collect();
    let fallbacks = choice([
        ("town_water", "town water from the hose"),
        ("second_unit", "another unit there"),
        ("none", "nothing: the bay stops"),
    ]);
    vec![
        spec("name", "Name", Takes::Text).needed(),
        spec("country", "Country", Takes::Text).needed().hint("Two capital letters after ISO 3166, such as AT or US."),
        spec("time_zone", "Time zone", Takes::Suggested(zones))
            .needed()
            .hint("Its days and months begin by this clock."),
        spec("address", "Address", Takes::Lines),
        spec("fallback", "When its unit stands, the bay washes with", fallbacks).needed(),
        spec("bay_roofed", "The bay has a roof", Takes::Tick),
        spec("pit_volume_l", "Volume of the pit, in litres", Takes::Number),
        spec("catchment_m2", "Area that drains into the pit, in square metres", Takes::Number).more(),
        spec("runoff_coefficient", "Part of the rain on it that runs off, 0 to 1", Takes::Number).more(),
        spec("initial_loss_mm", "Rain that wets it before anything runs, in millimetres a day", Takes::Number).more(),
        spec("rain_diverter", "A diverter can keep rain out of the pit", Takes::Tick).more(),
        spec("latitude", "Degrees north", Takes::Number).more(),
        spec("longitude", "Degrees east", Takes::Number).more(),
        spec("own_number", "Number in the customer\u{2019}s books", Takes::Text).more(),
        spec("cost_centre", "Cost centre in the customer\u{2019}s books", Takes::Text).more(),
    ]
}

/// What a new site begins with: as the customer's last one, or by the dealer's own clock.
async fn begun(tx: &Tx<'_>, customer: CustomerId) -> Result<(String, Typed), DbError> {
    let name = customer::get(tx, customer).await?.value.name;
    let zone = dealer::zone(tx).await?;
    let all = site::list(tx, &site::Filter::default(), &After::first(PAGE_MAX)).await?;
    let like = all.iter().find(|site| site.value.customer_id == customer).or(all.first());
    let values = [
        ("time_zone", like.map_or(zone, |site| site.value.time_zone).name().to_owned()),
        ("country", like.map(|site| site.value.country.to_string()).unwrap_or_default()),
        ("fallback", "town_water".to_owned()),
        ("bay_roofed", "yes".to_owned()),
    ];
    Ok((name, values.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()))
}

async fn new_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    customer: CustomerId,
    typed: Option<&Typed>,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let (name, begun) = db.read(caller.scope(), caller.now(), async |tx| begun(tx, customer).await).await?;
    let about = About {
        title: format!("Add a site of {name}"),
        lead: "A wash bay, or several that one unit serves.".to_owned(),
        action: format!("/sites?customer={customer}"),
        button: "Add it",
        revision: None,
        back: (format!("/customers/{customer}"), format!("Back to {name}")),
        end: None,
        specs: &specs(),
    };
    Ok(Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults))
}

fn customer_of(of: &Of) -> Result<CustomerId, Problem> {
    of.customer.map(CustomerId).ok_or_else(Problem::not_found)
}

#[get("/sites/new")]
async fn begin(visitor: Visitor<perm::WriteSites>, of: Query<Of>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let page = new_sheet(&visitor.0, &db, customer_of(&of)?, None, &[]).await?;
    sheet::fresh(&visitor.0, &page)
}

#[post("/sites")]
async fn add(
    sender: Sender<perm::WriteSites>,
    of: Query<Of>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let customer = customer_of(&of)?;
    let added = added(&caller, &db, customer, &typed).await;
    let again = async |faults: Vec<_>| new_sheet(&caller, &db, customer, Some(&typed), &faults).await;
    sheet::answer(&caller, added, again).await
}

async fn added<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    customer: CustomerId,
    typed: &Typed,
) -> Result<String, Problem> {
    let mut with = typed.clone();
    with.insert("customer_id".to_owned(), customer.to_string());
    let of = [spec("customer_id", "", Takes::Text)];
    let new = sheet::made::<SiteInput>(&super::together(&[&specs(), &of]), &with, Tz::UTC)?.parse()?;
    let create = async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(site::create(tx, &new).await?.id.0)).await;
    let id = db.write(caller.scope(), caller.now(), create).await?;
    Ok(format!("/sites/{id}"))
}

/// The form that changes a site.
struct Edit;

impl Written for Edit {
    type May = perm::WriteSites;
    type Id = SiteId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: SiteId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let site = db.read(caller.scope(), caller.now(), async |tx| site::get(tx, id).await).await?;
        let end = End {
            action: format!("/sites/{id}/retire"),
            words: "It goes from the lists, once no unit stands there. What was written down of it stays.",
            button: "Retire it",
        };
        let about = About {
            title: format!("Change {}", site.value.name),
            lead: String::new(),
            action: format!("/sites/{id}"),
            button: "Keep it so",
            revision: Some(site.revision),
            back: (format!("/sites/{id}"), format!("Back to {}", site.value.name)),
            end: site.ended_at.is_none().then_some(end),
            specs: &specs(),
        };
        let record = Filled::of(&SiteInput::from(&site.value), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: SiteId, typed: &Typed) -> Result<String, Problem> {
        let current = db.read(caller.scope(), caller.now(), async |tx| site::get(tx, id).await).await?;
        let new = sheet::changed(&specs(), typed, Tz::UTC, &SiteInput::from(&current.value))?.parse()?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| site::update_at(tx, id, at, &new).await).await?;
        Ok(format!("/sites/{id}"))
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: SiteId, at: Revision) -> Result<String, Problem> {
        let ended = db.write(caller.scope(), caller.now(), async |tx| site::retire(tx, id, at).await).await?;
        Ok(format!("/customers/{}", ended.value.customer_id))
    }
}
