//! `/units/{id}/replacement`: a part was replaced: the old one is taken out, another of its kind is
//! fitted, and the item leaves stock, in one form.

use super::at_unit::{self, Ground, Head, Photos};
use super::call_outs::Choice;
use super::fault::Fault;
use super::form::{self, Typed, field};
use super::sent::Sent;
use super::visitor::{Sender, Visitor};
use super::{html_for, parts, visit_goods};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::service::event;
use crate::db::stock::balance::{self, Balance};
use crate::db::stock::item::{self, StoredItem};
use crate::db::stock::place::{self, StoredPlace};
use crate::db::wear::Seen;
use crate::db::{Db, DbError, Tx, component};
use crate::problem::Problem;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, Utc};
use domain::component::{Component, OutWhy};
use domain::fault::Faults;
use domain::ids::{ComponentId, ItemId, LotId, PlaceId, UnitId};
use domain::routine::caution::AT_PARTS;
use domain::service::details::{Details, Replacement};
use domain::service::event::{Line, LineKind, LineUnit, ServiceEvent};
use domain::stock::movement::Payer;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "replacement.html")]
struct Page {
    head: Head,
    key: String,
    parts: Vec<Choice>,
    whys: Vec<(&'static str, &'static str, bool)>,
    serial: String,
    items: Vec<Choice>,
    places: Vec<Choice>,
    /// What stands by lot of the items that are kept so, each with its place.
    lots: Vec<LotChoice>,
    quantity: String,
    payers: Vec<(&'static str, &'static str, bool)>,
    customer_note: String,
    internal_note: String,
    hours: String,
    km: String,
}

/// A lot at a place: both are chosen at once.
struct LotChoice {
    value: String,
    name: String,
    chosen: bool,
}

/// What the form is made of.
struct Known {
    ground: Ground,
    parts: Vec<Seen>,
    items: Vec<StoredItem>,
    places: Vec<StoredPlace>,
    lots: Vec<Balance>,
}

async fn known(tx: &Tx<'_>, id: UnitId) -> Result<Known, DbError> {
    let all = After::first(PAGE_MAX);
    let items: Vec<StoredItem> = item::list(tx, false, &all).await?.into_iter().filter(is_spare).collect();
    let by_lot: Vec<ItemId> = items.iter().filter(|item| item.value.item.by_lot).map(|item| item.id).collect();
    let lots = balance::lots(tx, &by_lot).await?;
    Ok(Known {
        ground: at_unit::ground(tx, id).await?,
        parts: parts::fitted(tx, id).await?,
        items,
        places: place::list(tx, false, &all).await?,
        lots,
    })
}

/// Why a part goes, in the words of the form.
pub(super) fn why_words(why: OutWhy) -> &'static str {
    match why {
        OutWhy::Failed => "it failed",
        OutWhy::WornOutFound => "it was found worn out",
        OutWhy::Preventive => "in good order, before it could fail",
        OutWhy::Upgrade => "for a better one",
        OutWhy::External => "frost, a wrong chemical, an accident",
        OutWhy::FaultyNew => "it was faulty when new",
        OutWhy::Unknown => "nobody knows",
    }
}

/// Whether an item can be a part of a replacement.
fn is_spare(item: &StoredItem) -> bool {
    let item = &item.value.item;
    let unit = LineUnit::from_name(item.unit.as_str());
    unit.is_some_and(|unit| LineKind::Part.units().contains(&unit))
}

#[get("/units/{id}/replacement")]
pub(super) async fn empty(
    visitor: Visitor<perm::WriteService>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let page = page(&visitor.0, &db, UnitId(*id), &Typed::new(), Vec::new()).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

#[post("/units/{id}/replacement")]
pub(super) async fn record(
    sender: Sender<perm::WriteService>,
    id: Path<Uuid>,
    sent: Sent,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    match keep(&caller, &db, UnitId(*id), &sent).await {
        Ok(()) => Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/units/{id}"))).finish()),
        Err(problem) => {
            let status = problem.kind().status();
            let page = page(&caller, &db, UnitId(*id), &sent.typed(), form::words(problem)?).await?;
            Ok(html_for(&caller, status, &page)?)
        }
    }
}

async fn page<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: UnitId,
    typed: &Typed,
    faults: Vec<String>,
) -> Result<Page, Problem> {
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?;
    let part = |seen: &Seen| {
        let shown = parts::Part::of(seen, known.ground.zone);
        let plate = if shown.plate.is_empty() { String::new() } else { format!(", {}", shown.plate) };
        let name = format!("{}{plate}, fitted {}", shown.name, shown.fitted);
        Choice::of(typed, "part", seen.part.id.0, name)
    };
    let item = |item: &StoredItem| Choice::of(typed, "item", item.id.0, item.value.item.name.clone());
    let place = |place: &StoredPlace| Choice::of(typed, "place", place.id.0, place.value.name.clone());
    let lot = |balance: &Balance| {
        let (value, lot) = (lot_value(balance)?, visit_goods::of_lot(balance));
        let chosen = field(typed, "lot") == Some(value.as_str());
        Some(LotChoice { value, name: format!("{}, {}, {lot}", balance.item, balance.place), chosen })
    };
    let why = |why: &OutWhy| (why.as_str(), why_words(*why), field(typed, "why") == Some(why.as_str()));
    Ok(Page {
        head: Head::of((id, &known.ground), (typed, faults), caller.now(), AT_PARTS),
        key: form::key(),
        parts: known.parts.iter().map(part).collect(),
        whys: OutWhy::ALL.iter().map(why).collect(),
        serial: at_unit::again(typed, "serial"),
        items: known.items.iter().map(item).collect(),
        places: known.places.iter().map(place).collect(),
        lots: known.lots.iter().filter_map(lot).collect(),
        quantity: field(typed, "quantity").unwrap_or("1").to_owned(),
        payers: visit_goods::payers(typed),
        customer_note: at_unit::again(typed, "customer_note"),
        internal_note: at_unit::again(typed, "internal_note"),
        hours: at_unit::again(typed, "hours"),
        km: at_unit::again(typed, "km"),
    })
}

/// A lot at a place, as the form sends it back.
fn lot_value(balance: &Balance) -> Option<String> {
    Some(format!("{} {}", balance.lot_id()?, balance.place_id))
}

/// Keeps all of a form in one transaction.
async fn keep(caller: &Caller<perm::WriteService>, db: &Db, id: UnitId, sent: &Sent) -> Result<(), Problem> {
    let (scope, now, typed) = (caller.scope(), caller.now(), sent.typed());
    // Sent again, the part is out already, so that nothing is read before the form's key is looked at.
    let write = async |tx: &Tx<'_>| {
        form::once(tx, &typed, async || {
            let (event, photos) = read(id, &known(tx, id).await?, sent, now)?;
            store(tx, &event, &photos, field(&typed, "serial")).await
        })
        .await
    };
    Ok(db.write(scope, now, write).await?)
}

async fn store(tx: &Tx<'_>, event: &ServiceEvent, photos: &Photos, serial: Option<&str>) -> Result<(), DbError> {
    let recorded = event::create(tx, event).await?;
    photos.keep(tx, recorded.id).await?;
    let (Some(serial), Details::Replacement(done)) = (serial, &recorded.value.details) else { return Ok(()) };
    let Some(fitted) = done.in_component_id else { return Ok(()) };
    let part = component::get(tx, fitted).await?;
    let named = Component { serial_number: Some(serial.to_owned()), ..part.value };
    component::update_at(tx, fitted, part.revision, &named).await?;
    Ok(())
}

fn read(id: UnitId, known: &Known, sent: &Sent, now: DateTime<Utc>) -> Result<(ServiceEvent, Photos), Faults> {
    let (mut faults, typed) = (Faults::default(), sent.typed());
    let chosen = field(&typed, "part").and_then(|text| text.parse().ok()).map(ComponentId);
    let part = known.parts.iter().find(|seen| Some(seen.part.id) == chosen);
    if part.is_none() {
        faults.add("/part", "required", "choose the part that was replaced");
    }
    let why = faults.take("/why", OutWhy::parse(field(&typed, "why").unwrap_or_default()));
    let mut lines = at_unit::effort(&mut faults, &typed, "Replacement");
    lines.extend(from_stock(&mut faults, &typed, known));
    let replacement = Replacement {
        part: part.map_or_else(String::new, |seen| parts::Part::of(seen, known.ground.zone).name),
        why: why.unwrap_or(OutWhy::Unknown),
        out_component_id: chosen,
        in_component_id: None,
    };
    let event = ServiceEvent {
        samples: Vec::new(),
        gauges: Vec::new(),
        unit_id: id,
        at: at_unit::instant(&mut faults, &typed, known.ground.zone, now),
        order_number: None,
        details: Details::Replacement(replacement),
        customer_note: field(&typed, "customer_note").map(str::to_owned),
        internal_note: field(&typed, "internal_note").map(str::to_owned),
        signature: None,
        lines,
    };
    let photos = at_unit::photos(&mut faults, sent);
    if part.is_none() {
        return Err(faults);
    }
    Ok((faults.and(event.checked(now))?, photos))
}

/// What was taken from stock, as a line of the event; nothing where no item was chosen.
fn from_stock(faults: &mut Faults, typed: &Typed, known: &Known) -> Option<Line> {
    let chosen = field(typed, "item")?.parse().ok().map(ItemId)?;
    let item = &known.items.iter().find(|item| item.id == chosen)?.value.item;
    let (place, lot) = shelf(faults, typed, known, (chosen, item.by_lot));
    let quantity = faults.take("/quantity", form::decimal(field(typed, "quantity").unwrap_or("1")));
    Some(Line {
        kind: LineKind::Part,
        what: item.name.clone(),
        item_id: Some(chosen.0),
        quantity: quantity.unwrap_or_default(),
        unit: LineUnit::from_name(item.unit.as_str())?,
        payer: Some(field(typed, "payer").and_then(Payer::from_name).unwrap_or(Payer::Included)),
        from_place_id: Some(place?),
        lot_id: lot,
        overdraw_reason: None,
    })
}

/// From where an item was taken: the place that was chosen, or the lot with its place where the item is
/// kept by lot.
fn shelf(
    faults: &mut Faults,
    typed: &Typed,
    known: &Known,
    (item, by_lot): (ItemId, bool),
) -> (Option<PlaceId>, Option<LotId>) {
    let place = field(typed, "place").and_then(|text| text.parse().ok()).map(PlaceId);
    if !by_lot {
        if place.is_none() {
            faults.add("/place", "required", "choose the place that it was taken from");
        }
        return (place, None);
    }
    let sent = field(typed, "lot");
    let own = |balance: &&Balance| balance.item_id == item.0 && lot_value(balance).as_deref() == sent;
    let chosen = known.lots.iter().find(own);
    if chosen.is_none() {
        faults.add("/lot", "required", "the item is kept by lot: choose the lot that it was taken from");
    }
    let from = chosen.map(|balance| PlaceId(balance.place_id));
    if from.zip(place).is_some_and(|(from, place)| from != place) {
        faults.add("/place", "other_place", "the lot stands elsewhere: choose its place, or none");
    }
    (from, chosen.and_then(Balance::lot_id))
}
