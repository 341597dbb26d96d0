//! `/units`: the installed units by site, found, filtered and in an order of one's choice; lists that a
//! person keeps; and the same as CSV.

use super::fault::Fault;
use super::form::{self, Typed, field};
use super::sheet;
use super::visitor::{Sender, Visitor};
use super::words::{self, NONE};
use super::{fleet_map, fleet_row, html_for};
use crate::auth::{Caller, Permission, perm};
use crate::db::fleet::{self, Ahead, UNITS_MOST, Wanted};
use crate::db::unit_list::{self, StoredList};
use crate::db::{Db, DbError, Tx, dealer};
use crate::problem::Problem;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path, Query, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::NaiveDate;
use domain::fault::Faults;
use domain::report::display;
use domain::spell::SpellState;
use domain::unit_list::{UnitList, UnitOrder};
use domain::zone::Month;
use fleet_row::Row;
use serde::Deserialize;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(installed_units).service(fleet_map::map).service(as_csv).service(keep_list).service(end_list);
}

#[derive(Template)]
#[template(path = "fleet.html")]
struct Page {
    summary: String,
    find: String,
    /// By name and in words, and whether it is chosen.
    states: Vec<(&'static str, &'static str, bool)>,
    orders: Vec<(&'static str, &'static str, bool)>,
    lists: Vec<List>,
    query: String,
    this_month: String,
    rows: Vec<Row>,
    may: May,
}

/// A list that the visitor keeps.
struct List {
    id: Uuid,
    name: String,
    query: String,
}

/// What the visitor may see and do.
struct May {
    risk: bool,
    ahead: bool,
    add: bool,
    lists: bool,
}

/// What is asked of the list.
#[derive(Deserialize, Default)]
pub(super) struct Asked {
    #[serde(default)]
    find: String,
    #[serde(default)]
    state: String,
    #[serde(default)]
    sort: String,
}

/// The choice that an address or a form makes; what can't be read is left out.
pub(super) struct Choice {
    find: String,
    state: Option<SpellState>,
    sort: UnitOrder,
}

impl Choice {
    pub(super) fn of(asked: &Asked) -> Self {
        let find: String = asked.find.chars().filter(|c| !c.is_control()).take(100).collect();
        Self {
            find: find.trim().to_owned(),
            state: SpellState::from_name(&asked.state),
            sort: UnitOrder::from_name(&asked.sort).unwrap_or(UnitOrder::Site),
        }
    }

    pub(super) fn query(&self) -> String {
        let state = self.state.map_or("", SpellState::as_str);
        format!("find={}&state={state}&sort={}", super::fault::url_part(&self.find), self.sort.as_str())
    }
}

impl List {
    fn of(stored: StoredList) -> Self {
        let UnitList { name, find, state, sort } = stored.list;
        Self { id: stored.id, name, query: Choice { find, state, sort }.query() }
    }
}

impl May {
    fn of<P: Permission>(caller: &Caller<P>) -> Self {
        let role = caller.role();
        Self {
            risk: perm::ReadRisk::ROLES.contains(&role),
            ahead: perm::ReadRoutines::ROLES.contains(&role),
            add: perm::WriteUnits::ROLES.contains(&role),
            lists: perm::KeepLists::ROLES.contains(&role),
        }
    }
}

/// The units of a choice, as of the local day.
pub(super) struct Found {
    month: Month,
    today: NaiveDate,
    pub(super) units: Vec<Ahead>,
}

/// Looks for the units of a choice, in its order: for the first of them, or all.
///
/// # Errors
/// When the database fails.
pub(super) async fn found(tx: &Tx<'_>, choice: &Choice, first: bool) -> Result<Found, DbError> {
    let today = dealer::today(tx).await?;
    let month = Month::of(today);
    let wanted = Wanted { find: &choice.find, state: choice.state, order: choice.sort, first };
    Ok(Found { month, today, units: fleet::ahead(tx, wanted, month).await? })
}

#[get("/units")]
async fn installed_units(
    visitor: Visitor<perm::ReadUnits>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let page = page(&caller, &db, &Choice::of(&asked)).await?;
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

async fn page<P: Permission>(caller: &Caller<P>, db: &Db, choice: &Choice) -> Result<Page, Problem> {
    let may = May::of(caller);
    let known = async |tx: &Tx<'_>| {
        let lists = if may.lists { unit_list::list(tx).await? } else { Vec::new() };
        Ok((found(tx, choice, true).await?, lists))
    };
    let (found, lists) = db.read(caller.scope(), caller.now(), known).await?;
    let states =
        SpellState::ALL.iter().map(|state| (state.as_str(), words::state(Some(*state)), choice.state == Some(*state)));
    let orders = UnitOrder::ALL.iter().filter(|order| offered(**order, &may));
    Ok(Page {
        summary: summary(&found.units, choice),
        find: choice.find.clone(),
        states: states.collect(),
        orders: orders.map(|order| (order.as_str(), order_words(*order), choice.sort == *order)).collect(),
        lists: lists.into_iter().map(List::of).collect(),
        query: choice.query(),
        this_month: display::month(found.month),
        rows: found.units.iter().take(UNITS_MOST).map(|unit| Row::of(unit, found.month, found.today)).collect(),
        may,
    })
}

fn offered(order: UnitOrder, may: &May) -> bool {
    match order {
        UnitOrder::Risk => may.risk,
        UnitOrder::Due | UnitOrder::Order => may.ahead,
        _ => true,
    }
}

fn order_words(order: UnitOrder) -> &'static str {
    match order {
        UnitOrder::Site => "by customer and site",
        UnitOrder::State => "not working first",
        UnitOrder::Water => "most fresh water first",
        UnitOrder::Read => "read longest ago first",
        UnitOrder::Due => "work due first",
        UnitOrder::Order => "to be ordered for first",
        UnitOrder::Risk => "at risk first",
    }
}

fn summary(units: &[Ahead], choice: &Choice) -> String {
    let waiting = units.iter().filter(|unit| unit.unit.open_exceptions > 0).count();
    let unread = units.iter().filter(|unit| unit.unit.last_read_at.is_none()).count();
    let named =
        if choice.find.is_empty() { String::new() } else { format!(" that match \u{201c}{}\u{201d}", choice.find) };
    let of = match choice.state {
        Some(state) => format!("{named}, {}", words::state(Some(state))),
        None => named,
    };
    match units.len() {
        0 => format!("No units{of} stand at a site now."),
        n if n > UNITS_MOST => format!("The first {UNITS_MOST} units{of}; find a customer or site to see the others."),
        n => {
            let units = if n == 1 { "1 unit" } else { &format!("{n} units") };
            format!("{units}{of}. Readings to decide on: at {waiting}. Never read: {unread}.")
        }
    }
}

#[get("/units.csv")]
async fn as_csv(visitor: Visitor<perm::ReadUnits>, asked: Query<Asked>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let (choice, may) = (Choice::of(&asked), May::of(&caller));
    let found = db.read(caller.scope(), caller.now(), async |tx| found(tx, &choice, false).await).await?;
    let day = found.today;
    let named = format!("attachment; filename=\"units-{day}.csv\"");
    Ok(HttpResponse::Ok()
        .content_type("text/csv; charset=utf-8")
        .insert_header((header::CONTENT_DISPOSITION, named))
        .body(fleet_row::csv(&found.units, found.month, may.ahead)))
}

#[post("/units/lists")]
async fn keep_list(sender: Sender<perm::KeepLists>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let text = |name| field(&typed, name).unwrap_or_default();
    let asked = Asked { find: text("find").to_owned(), state: text("state").to_owned(), sort: text("sort").to_owned() };
    let choice = Choice::of(&asked);
    let state = choice.state.map(SpellState::as_str);
    let list: Result<UnitList, Faults> = UnitList::parse(text("name"), &choice.find, state, choice.sort.as_str());
    let list = list.map_err(Problem::from)?;
    let keep = async |tx: &Tx<'_>| form::once(tx, &typed, async || unit_list::keep(tx, &list).await.map(drop)).await;
    db.write(caller.scope(), caller.now(), keep).await?;
    Ok(sheet::to(&format!("/units?{}", choice.query())))
}

#[post("/units/lists/{id}/end")]
async fn end_list(sender: Sender<perm::KeepLists>, id: Path<Uuid>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    db.write(caller.scope(), caller.now(), async |tx| unit_list::end(tx, *id).await).await?;
    Ok(sheet::to("/units"))
}

/// What stands for what is not known.
pub(super) fn or_none(text: Option<String>) -> String {
    text.unwrap_or_else(|| NONE.to_owned())
}
