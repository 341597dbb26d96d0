//! `/` for a customer's people: their sites and units, what is wanted of them, their call-outs and the
//! reports of each month.

use super::call_outs::{CallRow, open_calls};
use super::fault::Fault;
use super::fleet_row::{self, Amount};
use super::{html_for, words};
use crate::auth::{Caller, Permission, Reach, perm};
use crate::db::asking::due::{self, Filter};
use crate::db::fleet::{self, Installed};
use crate::db::page::After;
use crate::db::report::{self, StoredReport};
use crate::db::{Db, DbError, Tx, dealer};
use actix_web::HttpResponse;
use actix_web::http::StatusCode;
use askama::Template;
use domain::ids::CustomerId;
use domain::report::display;
use domain::spell::SpellState;
use domain::zone::Month;
use uuid::Uuid;

/// One more report than this is asked for, and shown.
const REPORTS: i64 = 5;

#[derive(Template)]
#[template(path = "customer_home.html")]
struct Page {
    lead: String,
    this_month: String,
    last_month: String,
    sites: Vec<Site>,
    wanted: Vec<Wanted>,
    calls: Vec<CallRow>,
    reports: Vec<(Uuid, String, &'static str)>,
    may_read: bool,
    may_call: bool,
    may_reports: bool,
    /// Whose people look.
    own: Option<CustomerId>,
}

/// A site with its units.
struct Site {
    id: Uuid,
    name: String,
    units: Vec<Unit>,
}

struct Unit {
    id: Uuid,
    label: String,
    state: &'static str,
    fresh: Amount,
    fresh_before: Amount,
    recycled: Amount,
    last_read: String,
}

/// A reading that is wanted.
struct Wanted {
    site_id: Uuid,
    site: String,
    meter: String,
    due: String,
}

/// What the page is made of.
struct Known {
    month: Month,
    units: Vec<Installed>,
    wanted: Vec<Wanted>,
    calls: Vec<CallRow>,
    reports: Vec<StoredReport>,
}

async fn known(tx: &Tx<'_>, reads: bool, reports: bool) -> Result<Known, DbError> {
    let month = Month::of(dealer::today(tx).await?);
    let due = if reads { due::due_now(tx, &Filter::default(), false).await? } else { Vec::new() };
    let by_customer = |held: &due::Held| held.facts.read_by == domain::metering::stream::ReadBy::Customer;
    let wanted = due.iter().filter(|(held, _)| by_customer(held)).map(|(held, due)| Wanted {
        site_id: held.site_id,
        site: held.site.clone(),
        meter: held.label.clone(),
        due: words::due(due.on, held.local(tx.now())),
    });
    Ok(Known {
        month,
        units: fleet::installed(tx, month).await?,
        wanted: wanted.collect(),
        calls: open_calls(tx).await?,
        reports: if reports {
            report::list(tx, &report::Filter::default(), &After::first(REPORTS)).await?
        } else {
            Vec::new()
        },
    })
}

/// The page.
///
/// # Errors
/// When the database fails.
pub(super) async fn page<P: Permission>(caller: &Caller<P>, db: &Db) -> Result<HttpResponse, Fault> {
    let role = caller.role();
    let reads = perm::WriteReadings::ROLES.contains(&role);
    let reports = perm::ReadReports::ROLES.contains(&role);
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, reads, reports).await).await?;
    let own = match caller.scope().reach() {
        Reach::Customer(own) => Some(own),
        Reach::Dealer => None,
    };
    let page = Page {
        lead: lead(&known),
        this_month: display::month(known.month),
        last_month: display::month(known.month.previous()),
        sites: sites(&known.units, known.month),
        wanted: known.wanted,
        calls: known.calls,
        reports: known.reports.iter().map(report_line).collect(),
        may_read: reads,
        may_call: perm::OpenCallOuts::ROLES.contains(&role),
        may_reports: reports,
        own,
    };
    Ok(html_for(caller, StatusCode::OK, &page)?)
}

fn report_line(stored: &StoredReport) -> (Uuid, String, &'static str) {
    let state = if stored.issued.is_some() { "issued" } else { "not issued yet" };
    (stored.id, display::month(stored.month), state)
}

fn lead(known: &Known) -> String {
    let units = match known.units.len() {
        0 => "No unit stands at your sites now.".to_owned(),
        1 => "One unit stands at your sites.".to_owned(),
        n => format!("{n} units stand at your sites."),
    };
    match known.wanted.len() {
        0 => units,
        1 => format!("{units} One reading is wanted of you."),
        n => format!("{units} {n} readings are wanted of you."),
    }
}

fn sites(units: &[Installed], month: Month) -> Vec<Site> {
    let of_site = |units: &[Installed]| {
        let first = units.first();
        Site {
            id: first.map(|unit| unit.site_id).unwrap_or_default(),
            name: first.map(|unit| unit.site.clone()).unwrap_or_default(),
            units: units.iter().map(|unit| row(unit, month)).collect(),
        }
    };
    units.chunk_by(|one, other| one.site_id == other.site_id).map(of_site).collect()
}

fn row(unit: &Installed, month: Month) -> Unit {
    let zone = unit.time_zone.parse().unwrap_or(chrono_tz::Tz::UTC);
    let (fresh_before, recycled) = fleet_row::before(unit, month);
    Unit {
        id: unit.unit_id,
        label: unit.label.clone(),
        state: words::state(unit.state.as_deref().and_then(SpellState::from_name)),
        fresh: fleet_row::fresh(unit, month),
        fresh_before,
        recycled,
        last_read: unit.last_read_at.map_or("never".to_owned(), |at| words::instant(zone, at)),
    }
}
