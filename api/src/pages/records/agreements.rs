//! `/customers/{id}/agreements/new` and `/agreements/{id}`: what a customer is promised and for how much, and what
//! was used of it.

use super::super::form::{self, Typed};
use super::super::sheet::{self, About, Filled, Sheet, Spec};
use super::super::words;
use super::super::writing::{self, Written};
use super::agreement_form;
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, CHOICES_MOST};
use crate::db::service::agreement::{self, Used};
use crate::db::service::{self, Kept};
use crate::db::{Db, DbError, Tx, customer, dealer, site};
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::NaiveDate;
use domain::ids::CustomerId;
use domain::money::Currency;
use domain::service::agreement::{Agreement, PriceFor};
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/customers/{id}/agreements/new", web::get().to(writing::show::<New>))
        .route("/customers/{id}/agreements", web::post().to(writing::take::<New>))
        .route("/agreements/{id}", web::get().to(writing::show::<Edit>))
        .route("/agreements/{id}", web::post().to(writing::take::<Edit>));
}

/// A customer's sites in use, and what an agreement with it begins with.
struct Ground {
    customer: String,
    sites: Vec<(String, String)>,
    begun: Agreement,
}

async fn ground(tx: &Tx<'_>, id: CustomerId) -> Result<Ground, DbError> {
    let filter = site::Filter { customer: Some(id), ..site::Filter::default() };
    let sites = site::list(tx, &filter, &After::first(CHOICES_MOST)).await?;
    let currency = Currency::parse(&dealer::get(tx).await?.currency)?;
    Ok(Ground {
        customer: customer::get(tx, id).await?.value.name,
        sites: sites.into_iter().map(|site| (site.id.to_string(), site.value.name)).collect(),
        begun: begun(id, dealer::today(tx).await?, currency),
    })
}

/// An agreement that says nothing yet.
fn begun(customer_id: CustomerId, from: NaiveDate, currency: Currency) -> Agreement {
    Agreement {
        customer_id,
        site_id: None,
        unit_id: None,
        from,
        to: None,
        renewal: None,
        notice_on: None,
        price_for: PriceFor::Fee,
        currency,
        prices: Vec::new(),
        rise: None,
        season_months: Vec::new(),
        visits_a_year: 0,
        call_outs_a_year: None,
        consumables: Vec::new(),
        response: None,
    }
}

fn back(id: CustomerId, name: &str) -> (String, String) {
    (format!("/customers/{id}"), format!("Back to {name}"))
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: CustomerId) -> Result<Ground, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| ground(tx, id).await).await?)
}

/// The form that adds an agreement with a customer.
struct New;

impl Written for New {
    type May = perm::WriteAgreements;
    type Id = CustomerId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: CustomerId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let Ground { customer, sites, begun } = look(caller, db, id).await?;
        let about = About {
            title: format!("Add an agreement with {customer}"),
            lead: "Its price stands in the cost of washing, and its response is promised to every call.".to_owned(),
            action: format!("/customers/{id}/agreements"),
            button: "Add it",
            revision: None,
            back: back(id, &customer),
            end: None,
            specs: &agreement_form::specs(sites),
        };
        let empty = agreement_form::typed(&begun);
        Ok(Sheet::of(about, &Filled::Typed(typed.unwrap_or(&empty)), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: CustomerId, typed: &Typed) -> Result<String, Problem> {
        let new = agreement_form::read(&look(caller, db, id).await?.begun, typed)?;
        let create =
            async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(agreement::create(tx, &new).await?.stored.id)).await;
        db.write(caller.scope(), caller.now(), create).await?;
        Ok(format!("/customers/{id}"))
    }
}

/// The form that changes an agreement, beside what was used of it.
struct Edit;

/// An agreement with what is known beside it.
async fn known<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: Uuid,
) -> Result<(Kept<Agreement>, Ground, Used), Problem> {
    let known = async |tx: &Tx<'_>| {
        let kept = service::get::<Agreement>(tx, id).await?;
        let used = agreement::used(tx, &kept.stored.value, dealer::today(tx).await?).await?;
        let ground = ground(tx, kept.stored.value.customer_id).await?;
        Ok((kept, ground, used))
    };
    Ok(db.read(caller.scope(), caller.now(), known).await?)
}

/// What was used of an agreement in its year, against what is included.
fn used_words(agreement: &Agreement, used: &Used) -> String {
    let calls = agreement.call_outs_a_year.map_or_else(String::new, |most| format!(" of {most}"));
    let goods = agreement.consumables.iter().zip(&used.consumables).map(|(included, used)| {
        let (used, unit) = (used.normalize(), included.unit.as_str());
        format!("; {} {used} of {}", included.what, words::quantity(included.quantity, unit))
    });
    format!(
        "Used from {} up to {}: visits {} of {}; call-outs {}{calls}{}.",
        words::day(used.from),
        words::day(used.to),
        used.visits,
        agreement.visits_a_year,
        used.call_outs,
        goods.collect::<String>()
    )
}

impl Written for Edit {
    type May = perm::WriteAgreements;
    type Id = Uuid;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: Uuid,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (kept, Ground { customer, sites, .. }, used) = known(caller, db, id).await?;
        let agreement = kept.stored.value;
        let specs: Vec<Spec> = agreement_form::specs(sites);
        let about = About {
            title: format!("Agreement with {customer}"),
            lead: used_words(&agreement, &used),
            action: format!("/agreements/{id}"),
            button: "Keep it so",
            revision: Some(kept.stored.revision),
            back: back(agreement.customer_id, &customer),
            end: None,
            specs: &specs,
        };
        let present = agreement_form::typed(&agreement);
        Ok(Sheet::of(about, &Filled::Typed(&present).with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: Uuid, typed: &Typed) -> Result<String, Problem> {
        let get = async |tx: &Tx<'_>| service::get::<Agreement>(tx, id).await;
        let was = db.read(caller.scope(), caller.now(), get).await?.stored.value;
        let (new, at) = (agreement_form::read(&was, typed)?, sheet::revision(typed));
        db.write(caller.scope(), caller.now(), async |tx| agreement::update(tx, id, at, &new).await).await?;
        Ok(format!("/customers/{}", new.customer_id))
    }
}
