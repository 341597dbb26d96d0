//! `/meters/{id}`: a register with what was read of it; added where it measures, changed and retired.

use super::super::fault::Fault;
use super::super::form::{self, LOCAL, Typed};
use super::super::html_for;
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::words;
use super::super::writing::{self, Retired, Written};
use super::Of;
use super::meter_changes::{self, Exchanged};
use super::meter_place::{self, Place};
use crate::auth::{Caller, Permission, Role, perm};
use crate::db::exchange::{self, StoredExchange};
use crate::db::meter::{self, Attached};
use crate::db::reading::{self, Reading};
use crate::db::{Db, DbError, Revision, Tx, placement, site, unit};
use crate::extract::from_json;
use crate::http::meters::{MeterInput, NewMeter};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, Path, Query, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;
use domain::ids::{MeterId, SiteId, UnitId};
use domain::meter::Measured;
use domain::metering::stream::Stream;
use domain::units::{Dimension, RegisterUnit};
use serde_json::json;
use uuid::Uuid;

/// How far back readings are listed.
const DAYS_BACK: i64 = 400;
/// Readings listed at most, the last ones.
const READINGS_MOST: usize = 60;
/// Readings looked at for them: an hourly meter's year.
const READINGS_SEEN: usize = 10_000;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(begin)
        .service(add)
        .route("/meters/{id}/edit", web::get().to(writing::show::<Edit>))
        .route("/meters/{id}", web::post().to(writing::take::<Edit>))
        .route("/meters/{id}/retire", web::post().to(writing::retire::<Edit>))
        .service(shown);
}

#[derive(Template)]
#[template(path = "meter.html")]
struct Page {
    id: Uuid,
    label: String,
    measures: String,
    place: (String, String),
    facts: Vec<String>,
    /// What it measured and measures, with when; for whoever may change that.
    measured: Vec<((String, String), String)>,
    exchanges: Vec<Exchanged>,
    readings: Vec<(String, String, &'static str)>,
    retired: bool,
    may_change: bool,
    may_read: bool,
    site: Uuid,
}

/// What a meter's page is made of.
pub(super) struct Known {
    pub(super) meter: Attached,
    /// What it measures.
    pub(super) place: Place,
    pub(super) zone: Tz,
    pub(super) exchanges: Vec<StoredExchange>,
    /// The last ones, the oldest first.
    pub(super) readings: Vec<Reading>,
}

/// A meter with what it measures now and the clock there.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(super) async fn standing(tx: &Tx<'_>, id: MeterId) -> Result<(Attached, Place, Tz), DbError> {
    let meter = meter::get(tx, id).await?;
    let place = match meter.present.as_ref().map(|present| present.measured) {
        Some(measured) => meter_place::place(tx, measured).await?,
        None => Place { page: ("/".to_owned(), "nothing now".to_owned()), site: None },
    };
    let zone = meter_place::zone(tx, place.site).await?;
    Ok((meter, place, zone))
}

/// The same with its exchanges and its last readings.
///
/// # Errors
/// As [`standing`].
pub(super) async fn known(tx: &Tx<'_>, id: MeterId) -> Result<Known, DbError> {
    let (meter, place, zone) = standing(tx, id).await?;
    let mut readings = Vec::new();
    // Of a meter that is read by the minute some days are enough, and as much as is read at once.
    for days in [6, DAYS_BACK] {
        let span = (tx.now() - Duration::days(days), tx.now() + Duration::days(1));
        readings = reading::between(tx, meter.no.0, span, READINGS_SEEN).await?;
        if readings.len() >= READINGS_MOST {
            break;
        }
    }
    Ok(Known { meter, place, zone, exchanges: exchange::list(tx, id).await?, readings })
}

#[get("/meters/{id}")]
async fn shown(visitor: Visitor<perm::ReadMeters>, id: Path<MeterId>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let may_change = perm::WriteMeters::ROLES.contains(&caller.role());
    let look = async |tx: &Tx<'_>| {
        let known = known(tx, *id).await?;
        let measured = if may_change { meter_changes::measured(tx, *id, known.zone).await? } else { Vec::new() };
        Ok((known, measured))
    };
    let (known, measured) = db.read(caller.scope(), caller.now(), look).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(*id, known, measured, caller.role()))?)
}

impl Page {
    fn of(id: MeterId, known: Known, measured: Vec<((String, String), String)>, role: Role) -> Self {
        let facts = &known.meter.meter.value.facts;
        let row = |reading: &Reading| {
            let source = words::source(reading.source);
            (words::instant(known.zone, reading.at), words::register_in(reading.register, facts), source)
        };
        Self {
            id: id.0,
            label: known.meter.meter.value.label.clone(),
            measures: words::stream(Some(facts.stream)),
            facts: plate(&known.meter),
            readings: known.readings.iter().rev().take(READINGS_MOST).map(row).collect(),
            retired: known.meter.meter.ended_at.is_some(),
            exchanges: meter_changes::exchanges(&known),
            measured,
            may_change: perm::WriteMeters::ROLES.contains(&role),
            may_read: perm::WriteReadings::ROLES.contains(&role) && known.place.site.is_some(),
            site: known.place.site.map_or(Uuid::nil(), |site| site.0),
            place: known.place.page,
        }
    }
}

fn plate(meter: &Attached) -> Vec<String> {
    let (value, facts) = (&meter.meter.value, &meter.meter.value.facts);
    let counts = format!("Counts {}", words::counts(facts));
    let digits = facts.digits.map(|digits| format!("{digits} digits"));
    let read = format!("read by {}", words::read_by(Some(facts.read_by)));
    let every = value.read_every_h().map(|hours| format!("every {} hours", words::figure(f64::from(hours))));
    let serial = value.serial_number.as_ref().map(|serial| format!("serial number {serial}"));
    let all = [Some(counts), digits, Some(read), every, value.position.clone(), serial];
    all.into_iter().flatten().collect()
}

fn specs() -> Vec<Spec> {
    let streams = Stream::ALL.iter().map(|one| (one.as_str().to_owned(), words::stream(Some(*one)))).collect();
    let units = RegisterUnit::ALL.iter().map(|unit| (unit.as_str().to_owned(), unit_words(*unit))).collect();
    let zeros = ["1", "10", "100", "1000"].map(|n| (n.to_owned(), n.to_owned())).into();
    let readers = choice([
        ("technician", "your own people"),
        ("customer", "the customer"),
        ("telemetry", "a program, by the hour or so"),
        ("never", "nobody"),
    ]);
    vec![
        spec("label", "What your people call it", Takes::Text).needed(),
        spec("stream", "Measures", Takes::OneOf(streams)).needed(),
        spec("unit", "One count of the register is", Takes::OneOf(units)).needed(),
        spec("multiplier", "Times", Takes::NumberOf(zeros))
            .needed()
            .hint("Painted zeros: 10 for one, 100 for two. They are not typed in."),
        spec("digits", "Digits of the register", Takes::Number)
            .hint("As they are typed in. After the last it begins again at zero."),
        spec("read_by", "Read by", readers).needed(),
        spec("read_every_h", "Hours between two readings", Takes::Number)
            .hint("720 for once a month, 168 for once a week, 1 for a program."),
        spec("position", "Where it sits, and what else passes it", Takes::Text),
        spec("serial_number", "Serial number", Takes::Text).more(),
        spec("resolution", "Smallest change it shows, in counts", Takes::Number).more(),
        spec("accuracy_class", "Accuracy class on its plate, 1 or 2", Takes::Number).more(),
        spec("flow_q1_l_per_h", "Q1 on its plate, in litres an hour", Takes::Number).more(),
        spec("flow_q2_l_per_h", "Q2", Takes::Number).more(),
        spec("flow_q3_l_per_h", "Q3", Takes::Number).more(),
        spec("flow_q4_l_per_h", "Q4", Takes::Number).more(),
        spec("max_flow_per_h", "Most that can pass in an hour, in litres, kWh, hours or events", Takes::Number)
            .more()
            .hint("Where its plate does not say. A reading that would need more is held back until somebody decides."),
    ]
}

fn unit_words(unit: RegisterUnit) -> String {
    match (unit.dimension(), unit) {
        (_, RegisterUnit::Count) => "one start, or one wash".to_owned(),
        (Dimension::Duration, _) => "one hour".to_owned(),
        (_, unit) => words::register_unit(unit.as_str()).to_owned(),
    }
}

/// What the form of a new meter is about.
struct Ground {
    /// What it may measure, by name and in words.
    measures: Vec<(String, String)>,
    since: DateTime<Utc>,
    zone: Tz,
    back: (String, String),
}

async fn ground(tx: &Tx<'_>, of: &Of) -> Result<Ground, DbError> {
    let mut since = tx.now();
    let (site_id, back) = match (of.site, of.unit) {
        (Some(id), _) => (SiteId(id), (format!("/sites/{id}"), "Back to the site".to_owned())),
        (None, Some(id)) => {
            let last = placement::list(tx, UnitId(id)).await?.pop().ok_or(DbError::NotFound)?.value;
            since = last.span.from();
            (last.site_id, (format!("/units/{id}"), "Back to the unit".to_owned()))
        }
        (None, None) => return Err(DbError::NotFound),
    };
    let site = site::get(tx, site_id).await?.value;
    let mut units = Vec::new();
    for placed in placement::at_site(tx, site_id).await?.iter().filter(|placed| placed.value.span.to().is_none()) {
        let label = unit::get(tx, placed.value.unit_id).await?.unit.value.label;
        units.push((placed.value.unit_id, label));
        if of.unit.is_none() {
            since = since.min(placed.value.span.from());
        }
    }
    let mut measures = meter_place::with_parts(tx, &units).await?;
    measures.push((meter_place::name(Measured::Site(site_id)), format!("all of {}", site.name)));
    Ok(Ground { measures, since, zone: site.time_zone, back })
}

fn place_specs(measures: Vec<(String, String)>) -> Vec<Spec> {
    vec![
        spec("measures", "Of", Takes::OneOf(measures)).needed(),
        spec("from", "Since when, by the clock of the site", Takes::Instant).needed(),
    ]
}

async fn new_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    of: &Of,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let ground = db.read(caller.scope(), caller.now(), async |tx| ground(tx, of).await).await?;
    let since = ground.since.with_timezone(&ground.zone).format(LOCAL).to_string();
    let own = of.unit.map(|unit| format!("unit {unit}")).unwrap_or_default();
    let begun = [
        ("from", since),
        ("measures", own),
        ("stream", "makeup".to_owned()),
        ("unit", "m3".to_owned()),
        ("read_every_h", "720".to_owned()),
    ];
    let filled = form::begun(typed, begun);
    let query =
        [("site", of.site), ("unit", of.unit)].into_iter().find_map(|(name, id)| Some(format!("{name}={}", id?)));
    let about = About {
        title: "Add a meter".to_owned(),
        lead: "The dial on the fresh water into the loop comes first; with one on the water to the washers too, what is recycled is measured.".to_owned(),
        action: format!("/meters?{}", query.unwrap_or_default()),
        button: "Add it",
        revision: None,
        back: ground.back,
        end: None,
        specs: &super::together(&[&place_specs(ground.measures), &specs()]),
    };
    Ok(Sheet::of(about, &Filled::Typed(&filled), faults))
}

#[get("/meters/new")]
async fn begin(visitor: Visitor<perm::WriteMeters>, of: Query<Of>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&visitor.0, &db, &of, &Typed::new(), &[]).await?)
}

#[post("/meters")]
async fn add(
    sender: Sender<perm::WriteMeters>,
    of: Query<Of>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, &of, &typed).await;
    sheet::answer(&caller, added, async |faults: Vec<_>| new_sheet(&caller, &db, &of, &typed, &faults).await).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, of: &Of, typed: &Typed) -> Result<String, Problem> {
    let ground = db.read(caller.scope(), caller.now(), async |tx| ground(tx, of).await).await?;
    let (meter, first) = new_meter(typed, &ground)?.parse()?;
    let create = async |tx: &Tx<'_>| {
        form::made(tx, typed, async || Ok(meter::create(tx, &meter, &first).await?.meter.id.0)).await
    };
    let id = db.write(caller.scope(), caller.now(), create).await?;
    Ok(format!("/meters/{id}"))
}

/// What was typed, as it is sent to the API.
fn new_meter(typed: &Typed, ground: &Ground) -> Result<NewMeter, Problem> {
    let mut meter = sheet::read(&specs(), typed, ground.zone)?;
    meter.retain(|_, value| !value.is_null());
    let place = sheet::read(&place_specs(Vec::new()), typed, ground.zone)?;
    let mut attachment = meter_place::sent(meter_place::chosen(typed));
    if let Some(fields) = attachment.as_object_mut() {
        fields.extend(place.get("from").map(|from| ("from".to_owned(), from.clone())));
    }
    from_json(json!({ "meter": meter, "attachment": attachment }).to_string().as_bytes())
}

/// The form that changes a meter.
struct Edit;

impl Written for Edit {
    type May = perm::WriteMeters;
    type Id = MeterId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: MeterId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let meter = db.read(caller.scope(), caller.now(), async |tx| meter::get(tx, id).await).await?.meter;
        let end = End {
            action: format!("/meters/{id}/retire"),
            words: "It goes from the lists and measures nothing from now on. Its readings stay.",
            button: "Retire it",
        };
        let about = About {
            title: format!("Change {}", meter.value.label),
            lead: "The figures that this changes are counted again by the next night run.".to_owned(),
            action: format!("/meters/{id}"),
            button: "Keep it so",
            revision: Some(meter.revision),
            back: (format!("/meters/{id}"), format!("Back to {}", meter.value.label)),
            end: meter.ended_at.is_none().then_some(end),
            specs: &specs(),
        };
        let record = Filled::of(&MeterInput::from(&meter.value), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: MeterId, typed: &Typed) -> Result<String, Problem> {
        let current = db.read(caller.scope(), caller.now(), async |tx| meter::get(tx, id).await).await?;
        let new = sheet::changed(&specs(), typed, Tz::UTC, &MeterInput::from(&current.meter.value))?.parse()?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| meter::update_at(tx, id, at, &new).await).await?;
        Ok(format!("/meters/{id}"))
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: MeterId, at: Revision) -> Result<String, Problem> {
        db.write(caller.scope(), caller.now(), async |tx| meter::retire(tx, id, at).await).await?;
        Ok("/".to_owned())
    }
}
