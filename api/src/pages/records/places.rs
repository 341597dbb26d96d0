//! `/stock/places/new` and `/stock/places/{id}`: where stock stands: warehouses, vans, sites.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::writing::{self, Retired, Written};
use super::site_choices;
use crate::auth::{Caller, Permission, perm};
use crate::db::stock::place::{self, StoredPlace};
use crate::db::{Db, DbError, Revision, Tx};
use crate::http::stock::places::PlaceInput;
use crate::problem::Problem;
use actix_web::web::{self, Data, Form, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono_tz::Tz;
use domain::ids::PlaceId;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(begin)
        .service(add)
        .route("/stock/places/{id}", web::get().to(writing::show::<Edit>))
        .route("/stock/places/{id}", web::post().to(writing::take::<Edit>))
        .route("/stock/places/{id}/retire", web::post().to(writing::retire::<Edit>));
}

/// The fields, with the sites at which stock may stand.
async fn specs(tx: &Tx<'_>) -> Result<Vec<Spec>, DbError> {
    let kinds = choice([("warehouse", "a warehouse"), ("van", "a van"), ("site", "a customer\u{2019}s site")]);
    Ok(vec![
        spec("name", "What it is called", Takes::Text).needed(),
        spec("kind", "It is; that stays", kinds).needed(),
        spec("site_id", "Which site, where it is one", Takes::OneOf(site_choices(tx).await?)),
    ])
}

async fn offered<P: Permission>(caller: &Caller<P>, db: &Db) -> Result<Vec<Spec>, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| specs(tx).await).await?)
}

fn new_sheet(specs: &[Spec], typed: &Typed, faults: &[(String, String)]) -> Sheet {
    let about = About {
        title: "Add a place".to_owned(),
        lead: "Where stock stands.".to_owned(),
        action: "/stock/places".to_owned(),
        button: "Add it",
        revision: None,
        back: ("/stock".to_owned(), "Back to the stock".to_owned()),
        end: None,
        specs,
    };
    Sheet::of(about, &Filled::Typed(typed), faults)
}

#[get("/stock/places/new")]
async fn begin(visitor: Visitor<perm::WriteItems>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let specs = offered(&caller, &db).await?;
    sheet::fresh(&caller, &new_sheet(&specs, &Typed::new(), &[]))
}

#[post("/stock/places")]
async fn add(sender: Sender<perm::WriteItems>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let specs = offered(&caller, &db).await?;
    let added = added(&caller, &db, &specs, &typed).await;
    sheet::answer(&caller, added, async |faults| Ok(new_sheet(&specs, &typed, &faults))).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, specs: &[Spec], typed: &Typed) -> Result<String, Problem> {
    let new = sheet::made::<PlaceInput>(specs, typed, Tz::UTC)?.parse()?;
    let create = async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(place::create(tx, &new).await?.id.0)).await;
    let id = db.write(caller.scope(), caller.now(), create).await?;
    Ok(format!("/stock?place={id}"))
}

async fn stored<P: Permission>(caller: &Caller<P>, db: &Db, id: PlaceId) -> Result<StoredPlace, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| place::get(tx, id).await).await?)
}

/// The form that changes a place.
struct Edit;

impl Written for Edit {
    type May = perm::WriteItems;
    type Id = PlaceId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: PlaceId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (stored, specs) = (stored(caller, db, id).await?, offered(caller, db).await?);
        let end = End {
            action: format!("/stock/places/{id}/retire"),
            words: "It goes from the lists; it has to be empty. What moved there stays.",
            button: "Retire it",
        };
        let about = About {
            title: format!("Change {}", stored.value.name),
            lead: String::new(),
            action: format!("/stock/places/{id}"),
            button: "Keep it so",
            revision: Some(stored.revision),
            back: (format!("/stock?place={id}"), format!("Back to {}", stored.value.name)),
            end: stored.ended_at.is_none().then_some(end),
            specs: &specs,
        };
        let record = Filled::of(&PlaceInput::from(&stored.value), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: PlaceId, typed: &Typed) -> Result<String, Problem> {
        let (stored, specs) = (stored(caller, db, id).await?, offered(caller, db).await?);
        let new = sheet::changed(&specs, typed, Tz::UTC, &PlaceInput::from(&stored.value))?.parse()?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| place::update_at(tx, id, at, &new).await).await?;
        Ok(format!("/stock?place={id}"))
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: PlaceId, at: Revision) -> Result<String, Problem> {
        db.write(caller.scope(), caller.now(), async |tx| place::retire(tx, id, at).await).await?;
        Ok("/stock".to_owned())
    }
}
