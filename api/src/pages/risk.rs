//! `/risk`: units at risk, and how past forecasts turned out.

use super::calibration::Calibration;
use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use super::words::{NONE, money};
use crate::auth::{Permission, perm};
use crate::db::condition::{self, StoredFinding};
use crate::db::page::{After, PAGE_DEFAULT};
use crate::db::risk::bring::{self, ToBring};
use crate::db::risk::followed::{self, Weight};
use crate::db::risk::life_figures;
use crate::db::risk::outcomes::Unscored;
use crate::db::risk::view::{self, PartAtRisk, UnitAtRisk};
use crate::db::series::Of;
use crate::db::{Db, DbError, Tx};
use crate::http::risk::scores;
use crate::http::risk::units::{NAMED_PARTS, worth_bringing};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use domain::money::Money;
use domain::report::display;
use domain::risk::scores::Scores;
use domain::risk::words;
use rust_decimal::Decimal;
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "risk.html")]
struct Page {
    made_on: Option<String>,
    rows: Vec<Row>,
    next: Option<String>,
    /// On the first page.
    turned_out: Vec<TurnedOut>,
    /// What of the lives that ended says little of wear; on the first page.
    ends: Option<String>,
}

struct Row {
    unit_id: Uuid,
    unit: String,
    site: String,
    customer: String,
    within_30: String,
    within_90: String,
    loss: String,
    parts: Vec<Part>,
    /// Why the process may upset.
    upset: Option<String>,
    /// What is wrong with it now.
    findings: Vec<String>,
    /// What that changes about the chances of its parts.
    weights: Vec<String>,
    not_forecast: i32,
}

/// A part that may fail, in words.
pub(super) struct Part {
    pub(super) reason: String,
    pub(super) chance: String,
    pub(super) advice: String,
    /// What to bring; empty unless it is worth it.
    pub(super) bring: String,
    /// That the chances rest on a model that does not fit.
    pub(super) warning: Option<String>,
}

struct TurnedOut {
    days: u16,
    sentence: String,
    /// How the forecasts of whole units turned out.
    units: String,
    rules: Vec<String>,
    calibration: Option<Calibration>,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    cursor: Option<String>,
}

#[get("/risk")]
pub(super) async fn units_at_risk(
    visitor: Visitor<perm::ReadRisk>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let after = After::parse(asked.cursor.as_deref(), PAGE_DEFAULT).ok_or_else(Problem::not_found)?;
    let prices = perm::ReadPrices::ROLES.contains(&caller.role());
    let mut page = db.read(caller.scope(), caller.now(), async |tx| Page::of(tx, &after, prices).await).await?;
    if asked.cursor.is_none() {
        let ends = db.read(caller.scope(), caller.now(), async |tx| life_figures::fleet_ends(tx).await).await?;
        page.ends = ends.as_ref().and_then(words::ends);
        page.turned_out = scores::turned_out(&db, &caller).await?.into_iter().map(TurnedOut::from).collect();
    }
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

impl Page {
    async fn of(tx: &Tx<'_>, after: &After, prices: bool) -> Result<Self, DbError> {
        let mut units = view::units(tx, &Of::default(), after).await?;
        let more = after.cut_off(&mut units);
        let next = units.last().filter(|_| more).map(|last| After::cursor(&last.rank.to_string(), last.unit_id));
        let ids: Vec<Uuid> = units.iter().map(|unit| unit.unit_id).collect();
        let parts = view::parts(tx, &ids, NAMED_PARTS).await?;
        let made_on = units.first().map(|unit| display::date(unit.night));
        let kits = kits_for(tx, &parts, prices).await?;
        let (findings, weights) = (condition::open_of(tx, &ids).await?, followed::weights(tx, &ids).await?);
        let found = Found { findings, weights, kits };
        let rows: Result<Vec<Row>, DbError> = units.into_iter().map(|unit| Row::of(unit, &parts, &found)).collect();
        Ok(Self { made_on, rows: rows?, next, turned_out: Vec::new(), ends: None })
    }
}

/// What the parts that are worth bringing are replaced with, with its prices for who may see them.
///
/// # Errors
/// When the database fails.
pub(super) async fn kits_for(tx: &Tx<'_>, parts: &[PartAtRisk], prices: bool) -> Result<Vec<ToBring>, DbError> {
    let worth: Vec<_> = parts.iter().filter(|part| worth_bringing(part)).map(PartAtRisk::alike).collect();
    let mut kits = bring::kits(tx, &worth).await?;
    for item in kits.iter_mut().filter(|_| !prices) {
        item.selling = None;
    }
    Ok(kits)
}

/// What is found wrong with units, what it changes, and what their parts are replaced with.
struct Found {
    findings: Vec<StoredFinding>,
    weights: Vec<Weight>,
    kits: Vec<ToBring>,
}

impl Row {
    fn of(unit: UnitAtRisk, parts: &[PartAtRisk], found: &Found) -> Result<Self, DbError> {
        let part = |part: &PartAtRisk| Part::of(part, &found.kits);
        let wrong = found.findings.iter().filter(|finding| finding.unit_id == unit.unit_id);
        let weights = found.weights.iter().filter(|weight| weight.unit_id == unit.unit_id);
        let own = parts.iter().filter(|part| part.unit_id == unit.unit_id && part.p_30.is_some());
        let loss = unit.expected_loss.and_then(|loss| serde_json::from_value::<Money>(loss).ok());
        Ok(Self {
            unit_id: unit.unit_id,
            unit: unit.label,
            site: unit.site.unwrap_or_else(|| "nowhere".to_owned()),
            customer: unit.customer.unwrap_or_default(),
            within_30: words::chance(unit.p_30),
            within_90: words::chance(unit.p_90),
            loss: loss.map_or_else(|| NONE.to_owned(), money),
            parts: own.map(part).collect::<Result<Vec<_>, _>>()?,
            upset: unit.upset,
            findings: wrong.map(super::words::finding).collect::<Result<_, _>>()?,
            weights: weights.map(Weight::words).collect::<Result<_, _>>()?,
            not_forecast: unit.not_forecast,
        })
    }
}

impl Part {
    /// # Errors
    /// [`DbError::Internal`] for what this version does not know.
    pub(super) fn of(part: &PartAtRisk, kits: &[ToBring]) -> Result<Self, DbError> {
        let (basis, age) = (part.run_basis()?, part.age()?.value);
        Ok(Self {
            reason: words::reason(&part.told()?),
            chance: part.p_30.map_or_else(|| NONE.to_owned(), words::chance),
            advice: part.plan().map_or_else(String::new, |plan| words::plan(plan, basis, age)),
            warning: part.life_figures()?.standing.and_then(|standing| standing.misfit).map(words::misfit),
            bring: if worth_bringing(part) { to_bring(part, kits) } else { String::new() },
        })
    }
}

/// The part, and the kit that it is replaced with: what is in it, what it sells at, and what is at hand.
fn to_bring(part: &PartAtRisk, kits: &[ToBring]) -> String {
    let (kind, model) = part.alike();
    let part = words::bring(kind, model);
    let items: Vec<&ToBring> = kits.iter().filter(|one| one.is_for(kind, model)).collect();
    let Some(first) = items.first() else { return part };
    let item = |one: &&ToBring| {
        let ToBring { item, unit, quantity, in_vans, in_warehouses, .. } = one;
        let (quantity, in_vans, in_warehouses) = (said(*quantity), said(*in_vans), said(*in_warehouses));
        let sells =
            one.selling.map_or_else(String::new, |price| format!(", sells at {} {} each", said(price), one.currency));
        format!("{quantity} {unit} {item} ({in_vans} in vans, {in_warehouses} in warehouses{sells})")
    };
    let items: Vec<String> = items.iter().map(item).collect();
    format!("{part}; kit \u{201c}{}\u{201d}: {}", first.kit, items.join(", "))
}

impl From<scores::TurnedOut> for TurnedOut {
    fn from(horizon: scores::TurnedOut) -> Self {
        let (days, Unscored { pending, unknown }) = (horizon.days, horizon.unscored);
        let waiting = format!("{} wait for their day, {} can never be scored.", said(pending), said(unknown));
        let units = of_units(&horizon.units);
        let Some(found) = horizon.scores else {
            return Self {
                days,
                sentence: format!("None can be scored yet: {waiting}"),
                units,
                rules: vec![],
                calibration: None,
            };
        };
        let score = &found.score;
        let expected = score.bins.iter().map(|bin| bin.forecast * count(bin.count)).sum::<f64>();
        let sentence = format!(
            "Of {} forecasts {} were expected to come true, and {} did; {waiting}",
            said(score.count),
            display::said(expected, 1),
            said(score.failed)
        );
        let beside = |name: &str, brier: f64, own: f64| {
            let word = if own < brier { "better than" } else { "no better than" };
            format!("{word} {name} (squared error {own:.4} beside {brier:.4})")
        };
        let life = found.rated_life.map(|rival| {
            beside("\u{201c}it fails when its rated life is over\u{201d}", rival.brier, rival.brier_of_forecasts)
        });
        let rate = found.constant_rate.map(|rival| {
            beside("\u{201c}all parts alike fail at one rate\u{201d}", rival.brier, rival.brier_of_forecasts)
        });
        let ranked = found.concordance.map(|index| {
            format!("of two parts, the one at higher risk failed first in {} of pairs", display::percent(index))
        });
        let rules = [life, rate, ranked].into_iter().flatten().collect();
        Self { days, sentence, units, rules, calibration: Some(Calibration::of(days, &score.bins)) }
    }
}

/// How forecasts of whole units turned out.
fn of_units((pending, unknown, scores): &(i64, usize, Option<Scores>)) -> String {
    let waiting = format!("{} wait for their day, {} can never be scored.", said(*pending), said(*unknown));
    let Some(Scores { score, .. }) = scores else { return format!("Of whole units none can be scored yet: {waiting}") };
    let expected = score.bins.iter().map(|bin| bin.forecast * count(bin.count)).sum::<f64>();
    format!(
        "Of {} units forecast {} were expected to let their customer down, and {} did; {waiting}",
        said(score.count),
        display::said(expected, 1),
        said(score.failed)
    )
}

#[expect(clippy::cast_precision_loss, reason = "far fewer forecasts than a double has whole numbers")]
fn count(number: usize) -> f64 {
    number as f64
}

fn said(number: impl Into<Decimal>) -> String {
    display::said_exactly(number.into().normalize())
}
