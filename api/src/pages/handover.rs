//! `/units/{id}/handover`: the handover of a unit to its customer on the telephone: registers, levels,
//! first samples, the flow of each gun by bucket and watch, settings, training, the fallback, and the
//! signature. Registers become readings, levels and samples what they are, and bucket tests flow tests of
//! the site, in one transaction.

use super::at_unit::{self, Ground, Head, MeasuredInput, Photos, RegisterInput};
use super::fault::Fault;
use super::form::{self, Typed, field, number};
use super::html_for;
use super::sent::Sent;
use super::visitor::{Sender, Visitor};
use crate::auth::{Caller, Permission, perm};
use crate::db::service::event;
use crate::db::{Db, DbError, Tx};
use crate::problem::Problem;
use crate::readings::parse::Parsed;
use crate::readings::{Row, intake};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{MeterId, UnitId};
use domain::placement::{Handover as Registers, LevelThen, RegisterThen};
use domain::routine::caution::AT_A_HANDOVER;
use domain::service::details::{Details, GunTest, HandoverDone, Setting, SettingKind};
use domain::service::event::ServiceEvent;
use uuid::Uuid;

/// Rows of guns and of settings that the form has.
const ROWS: usize = 4;
/// Rows of levels.
const LEVELS: usize = 2;

#[derive(Template)]
#[template(path = "handover.html")]
struct Page {
    head: Head,
    key: String,
    point: String,
    samples: Vec<MeasuredInput>,
    meters: Vec<RegisterInput>,
    levels: Vec<Fields>,
    guns: Vec<Fields>,
    settings: Vec<SettingRow>,
    training: String,
    fallback_tried: bool,
    long_stop: String,
    signed_by: String,
    customer_note: String,
    internal_note: String,
    hours: String,
    km: String,
}

/// The fields of one row, as they were typed.
struct Fields {
    n: usize,
    name: String,
    first: String,
    second: String,
}

impl Fields {
    fn of(typed: &Typed, (name, first, second): (&str, &str, &str), n: usize) -> Self {
        let text = |field: &str| at_unit::again(typed, &format!("{field}_{n}"));
        Self { n, name: text(name), first: text(first), second: text(second) }
    }
}

struct SettingRow {
    fields: Fields,
    kinds: Vec<(&'static str, &'static str, bool)>,
}

/// What can be set, in the words of the form.
pub(super) fn kind_words(kind: SettingKind) -> &'static str {
    match kind {
        SettingKind::SetPoint => "set point of a controller",
        SettingKind::Stroke => "stroke of a dosing pump",
        SettingKind::Timer => "timer",
        SettingKind::OzoneOutput => "ozone output",
        SettingKind::FloatHeight => "height of a float",
        SettingKind::Aeration => "air to the biology",
    }
}

#[get("/units/{id}/handover")]
pub(super) async fn empty(
    visitor: Visitor<perm::WriteService>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let page = page(&visitor.0, &db, UnitId(*id), &Typed::new(), Vec::new()).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

#[post("/units/{id}/handover")]
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
    let ground = db.read(caller.scope(), caller.now(), async |tx| at_unit::ground(tx, id).await).await?;
    let setting = |n| SettingRow {
        fields: Fields::of(typed, ("setting_place", "setting_value", "setting_unit"), n),
        kinds: kinds(typed, n),
    };
    Ok(Page {
        head: Head::of((id, &ground), (typed, faults), caller.now(), AT_A_HANDOVER),
        key: form::key(),
        point: at_unit::point(typed),
        samples: at_unit::sample_inputs(typed),
        meters: at_unit::meter_inputs(typed, &ground, caller.now()),
        levels: (1..=LEVELS).map(|n| Fields::of(typed, ("level", "level_l", ""), n)).collect(),
        guns: (1..=ROWS).map(|n| Fields::of(typed, ("gun", "gun_l", "gun_s"), n)).collect(),
        settings: (1..=ROWS).map(setting).collect(),
        training: at_unit::again(typed, "training"),
        fallback_tried: field(typed, "fallback_tried").is_some(),
        long_stop: at_unit::again(typed, "long_stop"),
        signed_by: at_unit::again(typed, "signed_by"),
        customer_note: at_unit::again(typed, "customer_note"),
        internal_note: at_unit::again(typed, "internal_note"),
        hours: at_unit::again(typed, "hours"),
        km: at_unit::again(typed, "km"),
    })
}

fn kinds(typed: &Typed, n: usize) -> Vec<(&'static str, &'static str, bool)> {
    let chosen = field(typed, &format!("setting_{n}"));
    SettingKind::ALL.iter().map(|kind| (kind.as_str(), kind_words(*kind), chosen == Some(kind.as_str()))).collect()
}

/// Keeps all of a form in one transaction.
async fn keep(caller: &Caller<perm::WriteService>, db: &Db, id: UnitId, sent: &Sent) -> Result<(), Problem> {
    let (scope, now, typed) = (caller.scope(), caller.now(), sent.typed());
    let ground = db.read(scope, now, async |tx| at_unit::ground(tx, id).await).await?;
    let (event, photos, rows) = read(id, &ground, sent, now)?;
    let (_, rejected) = intake::prepare(db, scope, now, Parsed { rows, rejected: Vec::new() }).await?;
    at_unit::not_taken(&ground, &rejected)?;
    let write = async |tx: &Tx<'_>| form::once(tx, &typed, async || store(tx, (&event, &photos)).await).await;
    Ok(db.write(scope, now, write).await?)
}

/// The event brings about its readings.
async fn store(tx: &Tx<'_>, (event, photos): (&ServiceEvent, &Photos)) -> Result<(), DbError> {
    let recorded = event::create(tx, event).await?;
    photos.keep(tx, recorded.id).await
}

fn read(
    id: UnitId,
    ground: &Ground,
    sent: &Sent,
    now: DateTime<Utc>,
) -> Result<(ServiceEvent, Photos, Vec<Row>), Faults> {
    let (mut faults, typed) = (Faults::default(), sent.typed());
    let at = at_unit::instant(&mut faults, &typed, ground.zone, now);
    let rows = at_unit::registers(&mut faults, &typed, ground, at);
    let registers = rows.iter().map(|row| RegisterThen { meter_id: MeterId(row.meter), register: row.register });
    let done = HandoverDone {
        readings: Registers { registers: registers.collect(), levels: levels(&mut faults, &typed) },
        first_samples: at_unit::samples(&mut faults, &typed, at),
        guns: guns(&mut faults, &typed),
        settings: settings(&mut faults, &typed),
        training: lines(&typed, "training"),
        fallback_tried: field(&typed, "fallback_tried").is_some(),
        warranty_long_stop: form::day(&mut faults, &typed, "long_stop"),
    };
    let event = ServiceEvent {
        unit_id: id,
        at,
        order_number: None,
        details: Details::Handover(Box::new(done)),
        customer_note: field(&typed, "customer_note").map(str::to_owned),
        internal_note: field(&typed, "internal_note").map(str::to_owned),
        signature: at_unit::signature(&typed, now),
        lines: at_unit::effort(&mut faults, &typed, "Handover"),
        samples: Vec::new(),
        gauges: Vec::new(),
    };
    let photos = at_unit::photos(&mut faults, sent);
    let event = faults.and(event.checked(now))?;
    Ok((event, photos, rows))
}

fn lines(typed: &Typed, name: &str) -> Vec<String> {
    let text = field(typed, name).unwrap_or_default();
    text.lines().map(str::trim).filter(|line| !line.is_empty()).map(str::to_owned).collect()
}

/// A number of a row of which something else was typed.
fn needed(faults: &mut Faults, typed: &Typed, name: &str) -> f64 {
    let before = faults.0.len();
    let value = number(faults, typed, name);
    if value.is_none() && faults.0.len() == before {
        faults.add(format!("/{name}"), "required", "type a number");
    }
    value.unwrap_or_default()
}

/// The name of a row; a fault where something else of the row was typed.
fn named(faults: &mut Faults, typed: &Typed, (name, rest): (&str, &[&str]), n: usize) -> Option<String> {
    let name = format!("{name}_{n}");
    let found = field(typed, &name).map(str::to_owned);
    if found.is_none() && rest.iter().any(|one| field(typed, &format!("{one}_{n}")).is_some()) {
        faults.add(format!("/{name}"), "required", "say which it is, or leave the row empty");
    }
    found
}

fn levels(faults: &mut Faults, typed: &Typed) -> Vec<LevelThen> {
    let mut levels = Vec::new();
    for n in 1..=LEVELS {
        let Some(place) = named(faults, typed, ("level", &["level_l"]), n) else { continue };
        let volume_l = needed(faults, typed, &format!("level_l_{n}"));
        levels.push(LevelThen { place, volume_l });
    }
    levels
}

fn guns(faults: &mut Faults, typed: &Typed) -> Vec<GunTest> {
    let mut guns = Vec::new();
    for n in 1..=ROWS {
        let Some(gun) = named(faults, typed, ("gun", &["gun_l", "gun_s"]), n) else { continue };
        let (litres, seconds) =
            (needed(faults, typed, &format!("gun_l_{n}")), needed(faults, typed, &format!("gun_s_{n}")));
        guns.push(GunTest { gun, litres, seconds, u_share: None });
    }
    guns
}

fn settings(faults: &mut Faults, typed: &Typed) -> Vec<Setting> {
    let mut settings = Vec::new();
    for n in 1..=ROWS {
        let Some(place) = named(faults, typed, ("setting_place", &["setting_value", "setting_unit"]), n) else {
            continue;
        };
        let kind = SettingKind::parse(field(typed, &format!("setting_{n}")).unwrap_or_default());
        let Some(setting) = faults.take(&format!("/setting_{n}"), kind) else { continue };
        let left = needed(faults, typed, &format!("setting_value_{n}"));
        let unit = field(typed, &format!("setting_unit_{n}")).unwrap_or_default().to_owned();
        settings.push(Setting { setting, place, unit, found: left, left });
    }
    settings
}
