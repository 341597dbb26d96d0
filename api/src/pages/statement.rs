//! `/savings-reports/{id}`: the statement at one of its revisions. It shows the stored figures and
//! computes none.

use super::fault::Fault;
use super::report_life::{Life, Loaded};
use super::visitor::Visitor;
use super::words::{self, NONE};
use super::{figure, html_for};
use crate::auth::perm;
use crate::db::Db;
use crate::db::report::StoredReport;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono_tz::Tz;
use domain::customer::UnitSystem;
use domain::ids::ReportId;
use domain::report::SavingsReport;
use domain::report::display;
use domain::report::figure::{Figure, Line, Printed};
use domain::report::model::{SpellRow, UnitRow};
use domain::water::grade::Grade;
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "statement.html")]
struct Page<'a> {
    r: &'a SavingsReport,
    month: String,
    standing: String,
    lines: Vec<Reckoned>,
    charts: Vec<figure::Figure>,
    life: Life,
    units: Vec<Unit>,
    meters: Vec<Meter>,
}

struct Reckoned {
    label: String,
    amount: String,
    basis: String,
}

struct Unit {
    id: Uuid,
    label: String,
    serial_number: String,
    site: String,
    stay: String,
    fresh: String,
    recycled: String,
    spells: Vec<String>,
}

struct Meter {
    of: String,
    label: String,
    measures: String,
    last_read: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    /// An earlier revision than the newest.
    revision: Option<i32>,
}

#[get("/savings-reports/{id}")]
pub(super) async fn savings_report(
    visitor: Visitor<perm::ReadReports>,
    id: Path<String>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let id = id.parse().map(ReportId).or(Err(Problem::not_found()))?;
    let work = async |tx: &crate::db::Tx<'_>| Loaded::of(tx, id, asked.revision).await;
    let loaded = db.read(caller.scope(), caller.now(), work).await?;
    let life = Life::of(&loaded, caller.role());
    Ok(html_for(&caller, StatusCode::OK, &Page::of(&loaded.stored, life))?)
}

impl<'a> Page<'a> {
    fn of(stored: &'a StoredReport, life: Life) -> Self {
        let r = &stored.figures;
        let system = r.unit_system;
        let zone = zone(r);
        let days = r.by_day.iter().map(|days| figure::by_day(&days.points, system));
        let meter = |meter: &domain::report::model::MeterRow| Meter {
            of: meter.of.clone(),
            label: meter.label.clone(),
            measures: words::stream(Some(meter.stream)),
            last_read: meter.last_read_at.map_or("never".to_owned(), |at| words::instant(zone, at)),
        };
        Self {
            r,
            month: display::month(r.month),
            standing: standing(stored, zone),
            lines: r.reckoning.iter().map(|line| reckoned(line, system)).collect(),
            charts: days.chain([figure::by_month(&r.by_month, system)]).collect(),
            life,
            units: r.units.iter().map(|row| unit(row, system)).collect(),
            meters: r.made.meters.iter().map(meter).collect(),
        }
    }
}

/// The zone of the report's first site, by whose clock instants are shown.
pub(super) fn zone(report: &SavingsReport) -> Tz {
    report.time_zones.first().and_then(|name| name.parse().ok()).unwrap_or(Tz::UTC)
}

fn standing(stored: &StoredReport, zone: Tz) -> String {
    let Some(issued) = &stored.issued else {
        let made = words::instant(zone, stored.made_at);
        return format!("Draft: it follows the readings until it is issued. Made {made}.");
    };
    let (n, at, dealer) = (stored.revision, words::instant(zone, issued.at), &stored.figures.dealer);
    let by = if issued.how == "rule" { "by the rule of" } else { "by a person of" };
    let reason = issued.reason.as_ref().map(|reason| format!(" Reason: {reason}")).unwrap_or_default();
    format!("Issued {at} {by} {dealer}; revision {n}.{reason}")
}

fn reckoned(line: &Line, system: UnitSystem) -> Reckoned {
    let (amount, mut basis) = match &line.figure {
        Figure::Printed(printed) => (with_uncertainty(printed, system), basis(printed)),
        Figure::Withheld(withheld) => ("not printed".to_owned(), withheld.words.clone()),
    };
    if !line.note.is_empty() {
        basis = format!("{basis} {}", line.note);
    }
    Reckoned { label: line.label.clone(), amount, basis }
}

fn with_uncertainty(printed: &Printed, system: UnitSystem) -> String {
    let figure = display::figure(printed, system);
    match display::uncertainty(printed, system) {
        Some(expanded) => format!("{figure} \u{b1}\u{a0}{expanded}"),
        None => figure,
    }
}

fn basis(printed: &Printed) -> String {
    let meters = match printed.grade {
        Grade::Measured => "wash and make-up metered",
        Grade::PartMeasured => "make-up metered, wash derived",
        Grade::MakeupOnly => "make-up metered",
        Grade::NotMeasured => "not metered",
    };
    let mut text = format!(
        "{} of {} units, {meters}; read for {}",
        printed.units_covered,
        printed.units,
        display::coverage(printed.coverage)
    );
    if printed.estimated_share > 0.0 {
        text.push_str(&format!(", spread between readings far apart: {}", display::percent(printed.estimated_share)));
    }
    text + "."
}

fn unit(row: &UnitRow, system: UnitSystem) -> Unit {
    let shown = |figure: &Figure| figure.printed().map_or(NONE.to_owned(), |printed| display::figure(printed, system));
    let zone = row.time_zone.parse().unwrap_or(Tz::UTC);
    let stay = match row.left_on {
        Some(left) => format!("{} to {}", display::date(row.placed_on), display::date(left)),
        None => format!("since {}", display::date(row.placed_on)),
    };
    Unit {
        id: row.unit_id,
        label: row.label.clone(),
        serial_number: row.serial_number.clone(),
        site: row.site.clone(),
        stay,
        fresh: shown(&row.fresh_used),
        recycled: shown(&row.recycled),
        spells: row.spells.iter().map(|spell| spell_words(spell, zone)).collect(),
    }
}

fn spell_words(spell: &SpellRow, zone: Tz) -> String {
    let state = words::state(Some(spell.state));
    let reason = spell.reason.as_deref().map(|reason| format!(" ({reason})")).unwrap_or_default();
    format!("{state}{reason}: {} to {}", words::instant(zone, spell.from), words::instant(zone, spell.to))
}
