//! `/meters/{id}/measures` and `/meters/{id}/exchange`: what a meter measures from an instant on, and a new
//! register behind the same connection.

use super::super::fault::Fault;
use super::super::form::{self, LOCAL, Typed, field};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::words;
use super::meter_place;
use super::meters::{Known, known, standing};
use crate::auth::{Caller, Permission, perm};
use crate::db::exchange::{self, StoredExchange};
use crate::db::{Db, DbError, Tx, attachment};
use crate::extract::from_json;
use crate::http::attachments::{AttachmentInput, ExchangeInput};
use crate::problem::Problem;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono_tz::Tz;
use domain::ids::MeterId;
use domain::meter::Attachment;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(show_measures).service(attach).service(show_exchange).service(note_exchange).service(withdraw);
}

/// What a meter measured and measures, the newest first, by the clock of its present site.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(super) async fn measured(tx: &Tx<'_>, id: MeterId, zone: Tz) -> Result<Vec<((String, String), String)>, DbError> {
    let mut lines = Vec::new();
    for attached in attachment::list(tx, id, None).await?.iter().rev().map(|stored| stored.attachment) {
        let page = meter_place::place(tx, attached.measured).await?.page;
        lines.push((page, format!("{}{}", words::stretch(zone, attached.span), share(&attached))));
    }
    Ok(lines)
}

fn share(attached: &Attachment) -> String {
    if attached.share < 1.0 { format!(", {} of what passes", attached.share) } else { String::new() }
}

/// A register that was exchanged, as the meter's page shows it.
pub(super) struct Exchanged {
    pub(super) id: Uuid,
    pub(super) words: String,
    /// Why it counts no more; empty while it counts.
    pub(super) withdrawn: String,
}

/// The exchanges of a meter's register, the newest first.
pub(super) fn exchanges(known: &Known) -> Vec<Exchanged> {
    let line = |stored: &StoredExchange| {
        let of = &stored.exchange;
        let note = of.note.as_deref().map(|note| format!(" {note}")).unwrap_or_default();
        let counts = |register| words::register_in(register, &known.meter.meter.value.facts);
        Exchanged {
            id: stored.id,
            words: format!(
                "{}: the old register ended at {}, the new one began at {}.{note}",
                words::instant(known.zone, of.registers.at),
                counts(of.registers.old_final),
                counts(of.registers.new_start)
            ),
            withdrawn: stored.withdrawn.as_ref().map(|(_, why)| why.clone()).unwrap_or_default(),
        }
    };
    known.exchanges.iter().rev().map(line).collect()
}

fn about<'a>(
    (id, label): (MeterId, &str),
    (title, lead, what): (String, String, &str),
    specs: &'a [Spec],
) -> About<'a> {
    About {
        title,
        lead,
        action: format!("/meters/{id}/{what}"),
        button: "Write it down",
        revision: None,
        back: (format!("/meters/{id}"), format!("Back to {label}")),
        end: None,
        specs,
    }
}

fn measures_specs(places: Vec<(String, String)>) -> Vec<Spec> {
    vec![
        spec("measures", "It measures", Takes::OneOf(places)).needed(),
        spec("from", "From then on, by the clock of where it is now", Takes::Instant).needed(),
        spec("to", "Until then, where that is known", Takes::Instant).more(),
        spec("share", "Part of what passes that belongs to it, 0 to 1", Takes::Number)
            .hint("Left empty, all of it. Figures from a part are marked.")
            .more(),
        spec("share_u", "How far the true part may well lie from that, 0 to 1", Takes::Number).more(),
    ]
}

async fn measures_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: MeterId,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let look = async |tx: &Tx<'_>| {
        let (meter, place, zone) = standing(tx, id).await?;
        let places = meter_place::anywhere(tx, place.site).await?;
        Ok((meter, place, zone, places))
    };
    let (meter, place, zone, places) = db.read(caller.scope(), caller.now(), look).await?;
    let lead = format!(
        "It measures {} now. That ends where this begins, and what was read until then stays with it. Type in its register first.",
        place.page.1
    );
    let now = caller.now().with_timezone(&zone).format(LOCAL).to_string();
    let present = meter.present.map(|present| meter_place::name(present.measured)).unwrap_or_default();
    let filled = form::begun(typed, [("from", now), ("measures", present)]);
    let label = &meter.meter.value.label;
    let title = format!("What {label} measures");
    let specs = measures_specs(places);
    Ok(Sheet::of(about((id, label), (title, lead, "measures"), &specs), &Filled::Typed(&filled), faults))
}

#[get("/meters/{id}/measures")]
async fn show_measures(
    visitor: Visitor<perm::WriteMeters>,
    id: Path<MeterId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &measures_sheet(&visitor.0, &db, *id, &Typed::new(), &[]).await?)
}

#[post("/meters/{id}/measures")]
async fn attach(
    sender: Sender<perm::WriteMeters>,
    id: Path<MeterId>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let attached = attached(&caller, &db, *id, &typed).await.map(|()| format!("/meters/{id}"));
    let again = async |faults: Vec<_>| measures_sheet(&caller, &db, *id, &typed, &faults).await;
    sheet::answer(&caller, attached, again).await
}

async fn attached<P: Permission>(caller: &Caller<P>, db: &Db, id: MeterId, typed: &Typed) -> Result<(), Problem> {
    let chosen = meter_place::chosen(typed);
    let (_, _, zone) = db.read(caller.scope(), caller.now(), async |tx| standing(tx, id).await).await?;
    let mut input = sheet::read(&measures_specs(Vec::new()), typed, zone)?;
    input.retain(|name, value| name != "measures" && !value.is_null());
    input.extend(meter_place::sent(chosen).as_object().cloned().unwrap_or_default());
    let new = from_json::<AttachmentInput>(serde_json::Value::Object(input).to_string().as_bytes())?.parse()?;
    let write =
        async |tx: &Tx<'_>| form::once(tx, typed, async || attachment::create(tx, id, &new).await.map(drop)).await;
    Ok(db.write(caller.scope(), caller.now(), write).await?)
}

fn exchange_specs() -> Vec<Spec> {
    vec![
        spec("at", "When, by the clock of the site", Takes::Instant).needed(),
        spec("old_final", "Last value of the old register", Takes::Number).needed(),
        spec("new_start", "First value of the new register", Takes::Number).needed(),
        spec("note", "Why", Takes::Text),
    ]
}

async fn exchange_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: MeterId,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?;
    let facts = &known.meter.meter.value.facts;
    let last = known.readings.last().map(|last| {
        let (register, at) = (words::register_in(last.register, facts), words::instant(known.zone, last.at));
        format!(" It last showed {register}, on {at}.")
    });
    let lead = format!(
        "A new register in the same place: type both in without painted zeros.{} One that counts in other units, or has another number of digits, is another meter: retire this one and add it.",
        last.unwrap_or_default()
    );
    let now = caller.now().with_timezone(&known.zone).format(LOCAL).to_string();
    let filled = form::begun(typed, [("at", now), ("new_start", "0".to_owned())]);
    let label = &known.meter.meter.value.label;
    let title = format!("The register of {label} was exchanged");
    let specs = exchange_specs();
    Ok(Sheet::of(about((id, label), (title, lead, "exchange"), &specs), &Filled::Typed(&filled), faults))
}

#[get("/meters/{id}/exchange")]
async fn show_exchange(
    visitor: Visitor<perm::WriteMeters>,
    id: Path<MeterId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &exchange_sheet(&visitor.0, &db, *id, &Typed::new(), &[]).await?)
}

#[post("/meters/{id}/exchange")]
async fn note_exchange(
    sender: Sender<perm::WriteMeters>,
    id: Path<MeterId>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let exchanged = exchanged(&caller, &db, *id, &typed).await.map(|()| format!("/meters/{id}"));
    let again = async |faults: Vec<_>| exchange_sheet(&caller, &db, *id, &typed, &faults).await;
    sheet::answer(&caller, exchanged, again).await
}

async fn exchanged<P: Permission>(caller: &Caller<P>, db: &Db, id: MeterId, typed: &Typed) -> Result<(), Problem> {
    let (_, _, zone) = db.read(caller.scope(), caller.now(), async |tx| standing(tx, id).await).await?;
    let new = sheet::made::<ExchangeInput>(&exchange_specs(), typed, zone)?.unchecked();
    let write =
        async |tx: &Tx<'_>| form::once(tx, typed, async || exchange::create(tx, id, &new).await.map(drop)).await;
    Ok(db.write(caller.scope(), caller.now(), write).await?)
}

#[post("/meters/{id}/exchanges/{exchange_id}/withdraw")]
async fn withdraw(
    sender: Sender<perm::WriteMeters>,
    path: Path<(MeterId, Uuid)>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), (id, of)) = (sender, path.into_inner());
    let why = domain::measures::reason(field(&typed, "reason").unwrap_or_default()).map_err(Problem::from)?;
    db.write(caller.scope(), caller.now(), async |tx| exchange::withdraw(tx, id, of, &why).await).await?;
    Ok(sheet::to(&format!("/meters/{id}")))
}
