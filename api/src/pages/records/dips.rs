//! `/sites/{id}/dips`: what is left in the drums of a site, as somebody dipped them.

use super::super::fault::Fault;
use super::super::form::{self, LOCAL, Typed, field};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::Sender;
use super::super::words;
use super::super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::chart::escaped;
use crate::db::measures::dip::SiteDip;
use crate::db::measures::{self, Noted, Window};
use crate::db::page::{After, CHOICES_MOST};
use crate::db::stock::item::{self, StoredItem};
use crate::db::{Db, DbError, Tx, site};
use crate::problem::Problem;
use actix_web::web::{self, Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, post};
use chrono::{DateTime, Duration, Utc};
use domain::fault::Faults;
use domain::ids::{NoteId, SiteId};
use domain::site::Site;
use domain::span;
use domain::stock::quantity::Quantity;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/sites/{id}/dips", web::get().to(writing::show::<New>))
        .route("/sites/{id}/dips", web::post().to(writing::take::<New>))
        .service(withdraw);
}

/// How far back dips are shown, in days.
const DAYS_BACK: i64 = 183;
/// Dips that are shown at most, the newest.
const SHOWN_MOST: usize = 20;

/// A site with what may be dipped there, and what was.
struct Known {
    site: Site,
    items: Vec<StoredItem>,
    dips: Vec<Noted<SiteDip>>,
}

async fn known(tx: &Tx<'_>, id: SiteId) -> Result<Known, DbError> {
    let all = After::first(CHOICES_MOST);
    let window = Window { from: Some(tx.now() - Duration::days(DAYS_BACK)), ..Window::default() };
    Ok(Known {
        site: site::get(tx, id).await?.value,
        items: item::list(tx, false, &all).await?,
        dips: measures::list(tx, id, &window, &all).await?,
    })
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: SiteId) -> Result<Known, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?)
}

fn specs(items: &[StoredItem]) -> Vec<Spec> {
    let item = |one: &StoredItem| {
        let item = &one.value.item;
        (one.id.to_string(), format!("{}, in {}", item.name, item.unit.as_str()))
    };
    vec![
        spec("item_id", "Of which item", Takes::OneOf(items.iter().map(item).collect())).needed(),
        spec("at", "When, by the clock of the site", Takes::Instant).needed(),
        spec("open", "Left in the opened drum or bag", Takes::Amount).needed(),
        spec("sealed", "Left in those still sealed, together", Takes::Amount).hint("Empty for none."),
    ]
}

/// What was typed, as a dip.
fn read(known: &Known, typed: &Typed, now: DateTime<Utc>) -> Result<SiteDip, Faults> {
    let zone = known.site.time_zone;
    sheet::read(&specs(&known.items), typed, zone)?;
    let mut faults = Faults::default();
    let at = form::local(&mut faults, typed, "at", zone).unwrap_or(now);
    let at = span::happened(&mut faults, "/at", at, now);
    let mut left = |name: &str| {
        let text = field(typed, name)?;
        faults.take(&format!("/{name}"), form::decimal(text).and_then(Quantity::parse))
    };
    let (open, sealed) = (left("open").unwrap_or_default(), left("sealed").unwrap_or_default());
    let chosen = field(typed, "item_id").unwrap_or_default();
    let Some(item) = known.items.iter().find(|item| item.id.to_string() == chosen) else {
        return Err(Faults::one("/item_id", "unknown_reference", "choose one of the items"));
    };
    faults.or(SiteDip { item_id: item.id, at, open, sealed, unit: Some(item.value.item.unit) })
}

/// The dips so far, the newest first, each with the way to withdraw it, as markup of our own.
fn so_far(site: SiteId, known: &Known) -> String {
    let line = |noted: &Noted<SiteDip>| {
        let SiteDip { item_id, at, open, sealed, .. } = noted.value;
        let item = known.items.iter().find(|item| item.id == item_id).map(|item| &item.value.item);
        let (name, unit) = item.map_or((words::NONE, ""), |item| (item.name.as_str(), item.unit.as_str()));
        let (open, sealed) = (words::quantity(open.get(), unit), words::quantity(sealed.get(), unit));
        let at = words::instant(known.site.time_zone, at);
        let says = escaped(&format!("{name}: {open} opened, {sealed} sealed, {at}"));
        format!("<li>{says}{}</li>\n", way_back(site, noted.id))
    };
    let lines: String = known.dips.iter().rev().take(SHOWN_MOST).map(line).collect();
    if lines.is_empty() { lines } else { format!("<h2>Lately</h2>\n<ul>{lines}</ul>\n<h2>Now</h2>") }
}

/// The form that withdraws a dip.
fn way_back(site: SiteId, dip: NoteId) -> String {
    format!(
        "<details><summary>It is wrong</summary><form method=\"post\" action=\"/sites/{site}/dips/{dip}/withdraw\" \
         class=\"stack\"><label for=\"why-{dip}\">Why</label><input id=\"why-{dip}\" name=\"reason\" required \
         maxlength=\"500\"><button>Withdraw it</button></form></details>"
    )
}

/// The form that notes a dip.
struct New;

impl Written for New {
    type May = perm::WriteMeasures;
    type Id = SiteId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: SiteId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let known = look(caller, db, id).await?;
        let about = About {
            title: format!("What is left in the drums of {}", known.site.name),
            lead:
                "From dip to dip, the use of the site is told by this before anything else. The ledger stays as it is."
                    .to_owned(),
            action: format!("/sites/{id}/dips"),
            button: "Keep it",
            revision: None,
            back: (format!("/sites/{id}"), format!("Back to {}", known.site.name)),
            end: None,
            specs: &specs(&known.items),
        };
        let now = caller.now().with_timezone(&known.site.time_zone).format(LOCAL).to_string();
        let begun = form::begun(&Typed::new(), [("at", now)]);
        let sheet = Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults);
        Ok(sheet.with_sample(so_far(id, &known)))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: SiteId, typed: &Typed) -> Result<String, Problem> {
        let new = read(&look(caller, db, id).await?, typed, caller.now())?;
        let create =
            async |tx: &Tx<'_>| form::once(tx, typed, async || measures::create(tx, id, &new).await.map(drop)).await;
        db.write(caller.scope(), caller.now(), create).await?;
        Ok(format!("/sites/{id}/dips"))
    }
}

#[post("/sites/{id}/dips/{note_id}/withdraw")]
async fn withdraw(
    sender: Sender<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), (id, dip)) = (sender, *path);
    let why = domain::measures::reason(field(&typed, "reason").unwrap_or_default()).map_err(Problem::from)?;
    let withdrawn =
        async |tx: &Tx<'_>| -> Result<Noted<SiteDip>, DbError> { measures::withdraw(tx, id, dip, &why).await };
    db.write(caller.scope(), caller.now(), withdrawn).await?;
    Ok(sheet::to(&format!("/sites/{id}/dips")))
}
