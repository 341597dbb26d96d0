//! `/units/{id}`: one unit.

use super::fault::Fault;
use super::stages::Treatment;
use super::unit_ahead::Ahead;
use super::visitor::Visitor;
use super::words::{self, NONE};
use super::{html_for, parts, points, to_decide, unit_history};
use crate::auth::{Permission, Role, perm};
use crate::db::fact::{self, Of, StoredDay, StoredMonth, Whose};
use crate::db::fleet::{self, MeterRead, OpenStep};
use crate::db::risk::view as risk;
use crate::db::treatment::{self, Stages};
use crate::db::unit::Placed;
use crate::db::wear::Seen;
use crate::db::{Db, DbError, Stored, Tx, condition, placement, site, spell};
use crate::problem::Problem;
use crate::report::{Words, charts};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use domain::customer::UnitSystem;
use domain::ids::{PlacementId, SpellId, UnitId};
use domain::metering::stream::{ReadBy, Stream};
use domain::placement::Placement;
use domain::spell::Spell;
use domain::zone::{Month, local_date};
use std::collections::BTreeMap;
use uuid::Uuid;
use weirbook_paper::document::Chart;

/// Days that the chart by day shows.
const DAYS: u64 = 60;
/// Months that the chart by month shows.
const MONTHS: usize = 13;

#[derive(Template)]
#[template(path = "unit.html")]
struct Page {
    id: Uuid,
    label: String,
    standing: String,
    plate: String,
    /// The unit's own address, for whoever may record what is done at it.
    work: Option<String>,
    /// Its steps to decide on, with their forms, for whoever may.
    decide: Vec<to_decide::Step>,
    /// The same in words, for whoever may not.
    exceptions: Vec<String>,
    /// Whether the visitor may place, change and retire it, add meters to it, and type readings in.
    may: May,
    /// The site at which it stands.
    site: Option<Uuid>,
    /// What was done at it.
    history: unit_history::History,
    /// What comes up at it.
    ahead: Ahead,
    /// What is wrong with it now; none for whoever may not see that.
    findings: Option<Vec<String>>,
    /// Whether it gets worse; none for whoever may not see that.
    course: Option<String>,
    charts: Vec<Chart>,
    meters: Vec<Meter>,
    /// Its stages; none for whoever may not see them, or where its model names none.
    treatment: Option<Treatment>,
    parts: Vec<parts::Part>,
    placements: Vec<String>,
    spells: Vec<String>,
}

/// What the visitor may do with a unit.
#[derive(Default)]
struct May {
    change: bool,
    meters: bool,
    read: bool,
}

struct Meter {
    id: Uuid,
    label: String,
    /// What it measures, where that is not the whole unit.
    of: String,
    measures: String,
    read_by: &'static str,
    register: String,
    last_read: String,
}

/// What the page is made of.
struct Known {
    unit: Placed,
    placements: Vec<Stored<PlacementId, Placement>>,
    spells: Vec<Stored<SpellId, Spell>>,
    /// The sites it stood at, with their zones.
    sites: BTreeMap<Uuid, (String, Tz)>,
    system: UnitSystem,
    meters: Vec<MeterRead>,
    /// Its stages; none for whoever may not see them.
    treatment: Option<Stages>,
    parts: Vec<Seen>,
    steps: Vec<OpenStep>,
    findings: Vec<String>,
    course: Option<String>,
    /// The local day at the site at which it stood last.
    today: Option<NaiveDate>,
    days: Vec<StoredDay>,
    months: Vec<StoredMonth>,
}

#[get("/units/{id}")]
pub(super) async fn one_unit(
    visitor: Visitor<perm::ReadUnits>,
    id: Path<String>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let id = id.parse().map(UnitId).or(Err(Problem::not_found()))?;
    let may_see = perm::ReadFindings::ROLES.contains(&caller.role());
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, id, may_see).await).await?;
    let zone = known.zone();
    let may_record = perm::WriteService::ROLES.contains(&caller.role());
    let work = may_record.then(|| format!("/units/{id}"));
    let (may, rules) = (May::of(caller.role()), perm::RuleReadings::ROLES.contains(&caller.role()));
    let told =
        async |tx: &Tx<'_>| Ok((told(tx, id, zone, rules).await?, Ahead::of(tx, id, zone, caller.role()).await?));
    let ((decide, history), ahead) = db.read(caller.scope(), caller.now(), told).await?;
    let findings = may_see.then_some(known.findings.clone());
    let course = known.course.clone().filter(|_| may_see);
    let treatment = known.treatment.as_ref().and_then(|found| Treatment::of(found, known.system));
    let page = Page { work, decide, history, ahead, may, findings, course, treatment, ..Page::of(&known, zone) };
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

impl May {
    fn of(role: Role) -> Self {
        Self {
            change: perm::WriteUnits::ROLES.contains(&role),
            meters: perm::WriteMeters::ROLES.contains(&role),
            read: perm::WriteReadings::ROLES.contains(&role),
        }
    }
}

/// What is decided on at the unit, for whoever rules, and what was done there.
async fn told(
    tx: &Tx<'_>,
    id: UnitId,
    zone: Tz,
    rules: bool,
) -> Result<(Vec<to_decide::Step>, unit_history::History), DbError> {
    let steps = if rules { to_decide::steps_of(tx, id.0).await? } else { Vec::new() };
    Ok((steps, unit_history::of(tx, id, zone).await?))
}

async fn known(tx: &Tx<'_>, id: UnitId, may_see: bool) -> Result<Known, DbError> {
    let unit = crate::db::unit::get(tx, id).await?;
    let placements = placement::list(tx, id).await?;
    let mut sites = BTreeMap::new();
    for placed in &placements {
        let site = site::get(tx, placed.value.site_id).await?.value;
        sites.insert(placed.value.site_id.0, (site.name, site.time_zone));
    }
    let mut known = Known {
        spells: spell::list(tx, id).await?,
        system: UnitSystem::Metric,
        treatment: if may_see { Some(treatment::stages(tx, id).await?) } else { None },
        meters: fleet::meters(tx, id, unit.present.as_ref().map(|present| present.site_id)).await?,
        parts: parts::fitted(tx, id).await?,
        steps: fleet::open_steps(tx, id).await?,
        findings: condition::open_of(tx, &[id.0]).await?.iter().map(words::finding).collect::<Result<_, _>>()?,
        course: risk::course(tx, id).await?.map(|course| course.words()),
        today: None,
        days: Vec::new(),
        months: Vec::new(),
        unit,
        placements,
        sites,
    };
    let Some(last) = known.placements.last() else { return Ok(known) };
    let today = local_date(known.zone(), tx.now());
    let month = Month::of(today);
    known.today = Some(today);
    let (subject, customer_id) = (last.id.0, last.value.customer_id);
    known.system = fleet::unit_system(tx, customer_id).await?;
    known.days = fact::days(tx, Of::Subject(subject), first_day(today), today).await?;
    known.months = fact::months(tx, Whose::Unit(id.0), first_month(month), month).await?;
    known.months.retain(|month| month.subject_id == subject);
    Ok(known)
}

impl Known {
    /// The zone of the site at which it stood last.
    fn zone(&self) -> Tz {
        let last = self.placements.last().and_then(|last| self.sites.get(&last.value.site_id.0));
        last.map_or(Tz::UTC, |(_, zone)| *zone)
    }

    fn site(&self, placement: &Placement) -> &str {
        self.sites.get(&placement.site_id.0).map_or(NONE, |(name, _)| name)
    }

    fn charts(&self) -> Vec<Chart> {
        let Some(today) = self.today else { return Vec::new() };
        let days = self.days.iter().map(|day| &day.fact);
        let months = self.months.iter().map(|month| &month.fact);
        let days = points::days(days, first_day(today), today);
        let months = points::months(months, first_month(Month::of(today)), Month::of(today));
        let words = Words::plain(self.system);
        vec![charts::by_day(&days, &words), charts::by_month(&months, &words)]
    }
}

fn first_day(today: NaiveDate) -> NaiveDate {
    today.checked_sub_days(Days::new(DAYS - 1)).unwrap_or(today)
}

fn first_month(month: Month) -> Month {
    std::iter::successors(Some(month), |month| Some(month.previous())).nth(MONTHS - 1).unwrap_or(month)
}

impl Page {
    fn of(known: &Known, zone: Tz) -> Self {
        let unit = &known.unit.unit.value;
        let state = known.spells.iter().rev().find(|spell| spell.value.span.to().is_none());
        let state = words::state(state.map(|spell| spell.value.state));
        let standing = match known.placements.last().filter(|_| known.unit.present.is_some()) {
            Some(last) => format!(
                "It stands at {}, {}. State: {state}.",
                known.site(&last.value),
                words::stretch(zone, last.value.span)
            ),
            None => format!("It stands at no site now. State: {state}."),
        };
        let place = |placed: &Stored<PlacementId, Placement>| {
            let value = &placed.value;
            format!("{}, {} ({})", known.site(value), words::stretch(zone, value.span), value.terms.as_str())
        };
        let spell = |spell: &Stored<SpellId, Spell>| {
            let Spell { state, reason, span } = &spell.value;
            let reason = reason.as_deref().map(|reason| format!(" ({reason})")).unwrap_or_default();
            format!("{}{reason}, {}", words::state(Some(*state)), words::stretch(zone, *span))
        };
        Self {
            id: known.unit.unit.id.0,
            label: unit.label.clone(),
            standing,
            work: None,
            decide: Vec::new(),
            history: unit_history::History::default(),
            ahead: Ahead::default(),
            may: May::default(),
            site: known.unit.present.as_ref().map(|present| present.site_id.0),
            findings: None,
            course: None,
            treatment: None,
            plate: format!("Serial number {}.", unit.serial_number),
            exceptions: known.steps.iter().map(|step| step_words(step, zone)).collect(),
            charts: known.charts(),
            meters: known.meters.iter().map(|meter| meter_row(meter, zone)).collect(),
            parts: known.parts.iter().map(|part| parts::Part::of(part, zone)).collect(),
            placements: known.placements.iter().rev().map(place).collect(),
            spells: known.spells.iter().rev().map(spell).collect(),
        }
    }
}

fn step_words(step: &OpenStep, zone: Tz) -> String {
    let likely = step.likely_register.map(|value| format!(" It may have shown {}.", words::register(value)));
    format!(
        "{}: from {} ({}) to {} ({}). {} {}{}",
        step.meter,
        words::register(step.from_register),
        words::instant(zone, step.from_at),
        words::register(step.to_register),
        words::instant(zone, step.to_at),
        words::exception(&step.kind),
        words::slip(step.slip.as_deref()),
        likely.unwrap_or_default()
    )
}

fn meter_row(meter: &MeterRead, zone: Tz) -> Meter {
    Meter {
        id: meter.id,
        of: match (&meter.part, meter.of_site) {
            (Some(kind), _) => format!("of the part: {}", parts::kind_name(kind)),
            (None, true) => "of the whole site".to_owned(),
            (None, false) => String::new(),
        },
        label: meter.label.clone(),
        measures: words::stream(Stream::from_name(&meter.stream)),
        read_by: words::read_by(ReadBy::from_name(&meter.read_by)),
        register: meter.register.map_or(NONE.to_owned(), |value| {
            format!("{} {}", words::register(value), words::register_unit(&meter.unit))
        }),
        last_read: meter.at.map_or("never".to_owned(), |at| words::instant(zone, at)),
    }
}
