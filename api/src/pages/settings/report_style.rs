//! `/settings/report-style`: how the dealer's reports look, to be tried on a report before it is kept.

use super::super::fault::Fault;
use super::super::form::{Typed, field};
use super::super::html_for;
use super::super::sent::Sent;
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, choice, numbered, spec};
use super::super::visitor::{Sender, Visitor};
use super::letterhead;
use crate::auth::{Caller, perm};
use crate::db::file::{self, NewFile};
use crate::db::page::After;
use crate::db::report::style::{self, StoredStyle};
use crate::db::report::{self, StoredReport};
use crate::db::{Db, DbError, Tx, dealer};
use crate::extract::from_json;
use crate::http::savings_reports::forms;
use crate::http::savings_reports::style::{ReportStyleInput, tried};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::file::MediaType;
use domain::measures::sample::{Quantity, SampleUnit};
use domain::report::style::{Logo, ReportStyle};
use serde_json::{Map, Value, json};
use weirbook_paper::Logo as Picture;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(shown).service(keep).service(try_out);
}

/// Empty rows for limits beside those that there are.
const ROWS_MORE: usize = 2;
/// Limits of one dealer, at most.
const LIMITS_MOST: usize = 40;

fn specs(has_logo: bool, limits: usize) -> Vec<Spec> {
    let logo = spec("logo_file", "Logo: a PNG, JPEG or WebP picture", Takes::Picture);
    let mut all = vec![
        spec("address", "Address under your name, four lines at most", Takes::Lines),
        if has_logo { logo.hint("Left empty, the one above stays.") } else { logo },
        spec("words", "What the logo shows, for who can\u{2019}t see it", Takes::Text),
        spec("accent", "Colour of headings and rules", Takes::Colour)
            .needed()
            .hint("Dark enough to be read on white paper."),
        spec("language", "Language", choice([("en", "English"), ("de", "German")])),
        spec(
            "numbers",
            "Numbers",
            choice([
                ("space_point", "1\u{202f}234.5"),
                ("space_comma", "1\u{202f}234,5"),
                ("comma_point", "1,234.5"),
                ("point_comma", "1.234,5"),
            ]),
        )
        .hint("What stays empty here and below follows the language and the customer\u{2019}s units."),
        spec(
            "dates",
            "Dates",
            choice([("day_first", "14 January 2026"), ("month_first", "January 14, 2026"), ("iso", "2026-01-14")]),
        ),
        spec("paper", "Paper", choice([("a4", "A4"), ("letter", "US Letter")])),
        spec(
            "counted",
            "Water is shown",
            choice([("month", "by the month"), ("readings", "from one reading to the next too, as water bills do")]),
        ),
    ];
    if has_logo {
        all.push(spec("no_logo", "Without a logo from now on", Takes::Tick));
    }
    all.extend((1..=limits).flat_map(limit_specs));
    all
}

/// The fields of a limit that samples are held against.
fn limit_specs(n: usize) -> [Spec; 4] {
    let of = |name: &str, label: &str, takes: Takes| {
        numbered(format!("limit_{name}_{n}"), label.to_owned(), takes).under("Limits of samples").more()
    };
    let measured = |what: &Quantity| {
        let of_unit = |unit: &SampleUnit| {
            let (what, unit) = (what.as_str(), unit.as_str());
            (format!("{what} {unit}"), format!("{}, {}", what.replace('_', " "), unit.replace('_', "/")))
        };
        what.units().iter().map(of_unit).collect::<Vec<_>>()
    };
    [
        of("what", "What is measured", Takes::OneOf(Quantity::ALL.iter().flat_map(measured).collect())),
        of("source", "Who sets the limit", Takes::Text),
        of("least", "At least", Takes::Number),
        of("most", "At most", Takes::Number),
    ]
}

/// A style as its form shows it.
fn typed_of(style: &ReportStyle) -> Typed {
    let mut typed = Typed::new();
    let mut set = |name: &str, value: Option<String>| {
        typed.extend(value.map(|value| (name.to_owned(), value)));
    };
    set("address", Some(style.address.join("\n")));
    set("words", style.logo.as_ref().map(|logo| logo.words.clone()));
    set("accent", Some(style.accent().to_owned()));
    set("language", style.language.map(|one| one.as_str().to_owned()));
    set("numbers", style.numbers.map(|one| one.as_str().to_owned()));
    set("dates", style.dates.map(|one| one.as_str().to_owned()));
    set("paper", style.paper.map(|one| one.as_str().to_owned()));
    set("counted", style.counted.map(|one| one.as_str().to_owned()));
    for (n, limit) in (1..).zip(&style.limits) {
        set(&format!("limit_what_{n}"), Some(format!("{} {}", limit.what.as_str(), limit.unit.as_str())));
        set(&format!("limit_source_{n}"), Some(limit.source.clone()));
        set(&format!("limit_least_{n}"), limit.least.map(|least| least.to_string()));
        set(&format!("limit_most_{n}"), limit.most.map(|most| most.to_string()));
    }
    typed
}

/// The style with whose it is, and the newest report to try one on.
struct Ground {
    dealer: String,
    stored: StoredStyle,
    newest: Option<StoredReport>,
}

async fn ground(tx: &Tx<'_>) -> Result<Ground, DbError> {
    Ok(Ground {
        dealer: dealer::get(tx).await?.name,
        stored: style::get(tx).await?,
        newest: report::list(tx, &report::Filter::default(), &After::first(1)).await?.into_iter().next(),
    })
}

type Issuer = Caller<perm::IssueReports>;

async fn look(caller: &Issuer, db: &Db) -> Result<Ground, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| ground(tx).await).await?)
}

fn sheet_of(ground: &Ground, typed: Option<&Typed>, faults: &[(String, String)]) -> Sheet {
    let style = &ground.stored.style;
    let rows = (style.limits.len() + ROWS_MORE).min(LIMITS_MOST);
    let about = About {
        title: "How your reports look".to_owned(),
        lead: "Drafts follow it with the next night run; what was issued stays as it was issued.".to_owned(),
        action: ADDRESS.to_owned(),
        button: "Keep it so",
        revision: Some(ground.stored.revision),
        back: ("/settings".to_owned(), "Back to the settings".to_owned()),
        end: None,
        specs: &specs(style.logo.is_some(), rows),
    };
    let own = typed_of(style);
    let also = ground.newest.as_ref().map(|_| (format!("{ADDRESS}/try"), "Try it on your newest report"));
    Sheet::of(about, &Filled::Typed(&own).with_typed(typed), faults)
        .with_sample(letterhead::drawn(&ground.dealer, style))
        .with_also(also)
}

const ADDRESS: &str = "/settings/report-style";

#[get("/settings/report-style")]
async fn shown(visitor: Visitor<perm::IssueReports>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &sheet_of(&look(&visitor.0, &db).await?, None, &[]))
}

/// What was sent: the style, and the picture that is to be its logo.
struct Wanted {
    style: ReportStyle,
    picture: Option<NewFile>,
}

async fn wanted(sent: &Sent, now: &ReportStyle) -> Result<Wanted, Problem> {
    let typed = sent.typed();
    let picture = picture(sent)?;
    // Limits are read by rows.
    let mut read = sheet::read(&specs(false, 0), &typed, Tz::UTC)?;
    read.retain(|name, value| name != "words" && !value.is_null());
    let address = read.get("address").and_then(Value::as_str).unwrap_or_default();
    let address: Vec<&str> = address.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let address = json!(address);
    read.extend([("address".to_owned(), address), ("limits".to_owned(), limits(&typed)?)]);
    read.extend(logo(&typed, picture.as_ref(), now).map(|logo| ("logo".to_owned(), json!(logo))));
    let style = from_json::<ReportStyleInput>(Value::Object(read).to_string().as_bytes())?.parse()?;
    if let Some(picture) = &picture {
        tried(picture.bytes.clone()).await?;
    }
    Ok(Wanted { style, picture })
}

fn picture(sent: &Sent) -> Result<Option<NewFile>, Faults> {
    let Some(bytes) = sent.file("logo_file") else { return Ok(None) };
    let media = MediaType::sniffed_photo(bytes)
        .map_err(|error| Faults::one("/logo_file", error.code(), format!("{error}.")))?;
    Ok(Some(NewFile { media, bytes: bytes.to_vec() }))
}

/// The logo: the one that was sent, or the present one in other words, unless none is wanted.
fn logo(typed: &Typed, picture: Option<&NewFile>, now: &ReportStyle) -> Option<Logo> {
    let words = field(typed, "words").unwrap_or_default().to_owned();
    let sent = picture.map(|picture| file::FileHash::of(&picture.bytes).to_string());
    let kept = || now.logo.as_ref().filter(|_| field(typed, "no_logo").is_none()).map(|logo| logo.sha256.clone());
    Some(Logo { sha256: sent.or_else(kept)?, words })
}

fn limits(typed: &Typed) -> Result<Value, Faults> {
    let (mut faults, mut all) = (Faults::default(), Vec::new());
    for n in 1..=LIMITS_MOST {
        let at = |name: &str| format!("limit_{name}_{n}");
        let mut own = Map::new();
        for spec in ["least", "most"] {
            let read = super::super::form::number(&mut faults, typed, &at(spec));
            own.extend(read.map(|number| (spec.to_owned(), json!(number))));
        }
        let source = field(typed, &at("source"));
        match field(typed, &at("what")).and_then(|what| what.split_once(' ')) {
            Some((what, unit)) => {
                own.extend(
                    [("what", what), ("unit", unit), ("source", source.unwrap_or_default())]
                        .map(|(name, value)| (name.to_owned(), json!(value))),
                );
                all.push(Value::Object(own));
            }
            None if source.is_some() || !own.is_empty() => {
                faults.add(format!("/{}", at("what")), "required", "choose what is measured, or empty the row");
            }
            None => {}
        }
    }
    faults.or(Value::Array(all))
}

/// The field of the form that a pointer of the record is about.
fn field_at(typed: &Typed, pointer: &str) -> Option<String> {
    let parts: Vec<&str> = pointer.split('/').skip(1).collect();
    match parts.as_slice() {
        ["address", ..] => Some("address".to_owned()),
        ["logo", "sha256"] => Some("logo_file".to_owned()),
        ["limits", place, rest @ ..] => {
            let filled = |n: &usize| field(typed, &format!("limit_what_{n}")).is_some();
            let n = (1..=LIMITS_MOST).filter(filled).nth(place.parse().ok()?)?;
            let what = rest.first().filter(|name| ["least", "most", "source"].contains(name)).unwrap_or(&"what");
            Some(format!("limit_{what}_{n}"))
        }
        _ => None,
    }
}

#[post("/settings/report-style")]
async fn keep(sender: Sender<perm::IssueReports>, sent: Sent, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let ground = look(&caller, &db).await?;
    let kept = kept(&caller, &db, &ground, &sent).await;
    let kept = kept.map_err(|problem| sheet::renamed(problem, |pointer| field_at(&sent.typed(), pointer)));
    sheet::answer(&caller, kept, async |faults: Vec<_>| Ok(sheet_of(&ground, Some(&sent.typed()), &faults))).await
}

async fn kept(caller: &Issuer, db: &Db, ground: &Ground, sent: &Sent) -> Result<String, Problem> {
    let Wanted { style: wanted, picture } = wanted(sent, &ground.stored.style).await?;
    let at = sheet::revision(&sent.typed());
    let write = async |tx: &Tx<'_>| {
        if let Some(picture) = &picture {
            file::keep(tx, picture).await?;
        }
        style::set(tx, at, &wanted).await
    };
    db.write(caller.scope(), caller.now(), write).await?;
    Ok(ADDRESS.to_owned())
}

/// The newest report as it would be in a style that is not kept.
#[post("/settings/report-style/try")]
async fn try_out(sender: Sender<perm::IssueReports>, sent: Sent, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let ground = look(&caller, &db).await?;
    match wanted(&sent, &ground.stored.style).await {
        Ok(wanted) => {
            let mut report = ground.newest.ok_or_else(Problem::not_found)?;
            report.figures.style = wanted.style;
            let logo = wanted.picture.map(|picture| Picture { bytes: picture.bytes });
            Ok(forms::pdf_with(&db, &caller, report, logo).await?)
        }
        Err(problem) => {
            let problem = sheet::renamed(problem, |pointer| field_at(&sent.typed(), pointer));
            let page = sheet_of(&ground, Some(&sent.typed()), &sheet::faults_of(problem)?);
            Ok(html_for(&caller, StatusCode::UNPROCESSABLE_ENTITY, &page)?)
        }
    }
}
