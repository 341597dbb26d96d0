//! `/settings/accounts/{id}/tariffs`: the dated versions of what a supplier charges, read and added.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::sheet::{self, About, Filled, Sheet};
use super::super::visitor::Visitor;
use super::super::writing::{self, Written};
use super::super::{html_for, words};
use super::tariff_lines::Line;
use super::{tariff_before, tariff_form, tariff_lines};
use crate::auth::{Caller, Permission, perm};
use crate::db::accounts::tariff::{self, StoredTariff};
use crate::db::accounts::water_account;
use crate::db::{Db, DbError, Tx, dealer, site};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Path, ServiceConfig};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::NaiveDate;
use domain::ids::{TariffId, WaterAccountId};
use domain::zone::local_date;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/settings/accounts/{id}/tariffs/new", web::get().to(writing::show::<New>))
        .route("/settings/accounts/{id}/tariffs", web::post().to(writing::take::<New>))
        .service(shown);
}

/// On which days a version holds.
pub(super) fn days(stored: &StoredTariff) -> String {
    let version = stored.value.versions.first();
    let days = version.map(|version| match version.to {
        // Its end is the first day on which it holds no more.
        Some(to) => format!("from {} to {}", words::day(version.from), words::day(to.pred_opt().unwrap_or(to))),
        None => format!("from {} on", words::day(version.from)),
    });
    days.unwrap_or_default()
}

#[derive(Template)]
#[template(path = "tariff.html")]
struct Page {
    account: (Uuid, String),
    name: String,
    days: String,
    lines: Vec<Line>,
}

#[get("/settings/accounts/{id}/tariffs/{tariff_id}")]
async fn shown(
    visitor: Visitor<perm::WriteAccounts>,
    path: Path<(WaterAccountId, TariffId)>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Visitor(caller), (account, id)) = (visitor, path.into_inner());
    let known = async |tx: &Tx<'_>| {
        let name = water_account::get(tx, account).await?.value.account.name;
        Ok((name, tariff::get(tx, account, id).await?))
    };
    let (name, stored) = db.read(caller.scope(), caller.now(), known).await?;
    let version = stored.value.versions.first();
    let page = Page {
        account: (account.0, name),
        days: days(&stored),
        lines: version.map(|version| tariff_lines::of(version, stored.value.currency)).unwrap_or_default(),
        name: stored.value.name,
    };
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

/// What a form of a new version begins with.
struct Ground {
    currency: String,
    today: NaiveDate,
    /// The form of the last version; none without one, or where a form can't hold it.
    before: Option<Typed>,
    /// Whether there is one before.
    follows: bool,
}

async fn ground(tx: &Tx<'_>, id: WaterAccountId) -> Result<Ground, DbError> {
    let account = water_account::get(tx, id).await?.value;
    let site = site::get(tx, account.site_id).await?.value;
    let last = tariff::list(tx, id).await?.pop();
    let size = account.account.meter_size.as_deref();
    let form = |last: &StoredTariff| tariff_before::form_of(&last.value, last.value.versions.first()?, size);
    Ok(Ground {
        currency: dealer::get(tx).await?.currency,
        today: local_date(site.time_zone, tx.now()),
        before: last.as_ref().and_then(form),
        follows: last.is_some(),
    })
}

/// The form of a new version.
struct New;

impl Written for New {
    type May = perm::WriteAccounts;
    type Id = WaterAccountId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: WaterAccountId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let ground = db.read(caller.scope(), caller.now(), async |tx| ground(tx, id).await).await?;
        let nothing = Typed::new();
        let begun = typed.or(ground.before.as_ref()).unwrap_or(&nothing);
        let about = About {
            title: "Add what the supplier charges".to_owned(),
            lead: lead(&ground).to_owned(),
            action: format!("/settings/accounts/{id}/tariffs"),
            button: "Add it",
            revision: None,
            back: (format!("/settings/accounts/{id}"), "Back to the account".to_owned()),
            end: None,
            specs: &tariff_form::specs(),
        };
        let filled = tariff_form::begun(begun, &ground.currency, ground.today);
        Ok(Sheet::of(about, &Filled::Typed(&filled), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: WaterAccountId, typed: &Typed) -> Result<String, Problem> {
        let added = added(caller, db, id, typed).await;
        added.map_err(|problem| sheet::renamed(problem, |pointer| tariff_form::field_at(typed, pointer)))?;
        Ok(format!("/settings/accounts/{id}"))
    }
}

/// What a form of a new version begins with, in words.
fn lead(ground: &Ground) -> &'static str {
    match (ground.follows, ground.before.is_some()) {
        (true, true) => "It begins with the prices of the version before: type over what changes.",
        (true, false) => {
            "The version before has more lines than this form, or a volume without a price: type it anew, or send it by the API."
        }
        _ => "As the supplier prints it. Where one price holds for all volumes, it is that of block 1.",
    }
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, id: WaterAccountId, typed: &Typed) -> Result<(), Problem> {
    let (new, before) = tariff_form::input(typed)?.parse()?;
    let create =
        async |tx: &Tx<'_>| form::once(tx, typed, async || tariff::create(tx, id, &new, before).await.map(drop)).await;
    Ok(db.write(caller.scope(), caller.now(), create).await?)
}
