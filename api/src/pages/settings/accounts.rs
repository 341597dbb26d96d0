//! `/settings/accounts`: each site's accounts with its suppliers of water and sewer, and what those charge.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::writing::{self, Retired, Written};
use super::super::{html_for, words};
use super::{bills, tariffs};
use crate::auth::{Caller, Permission, perm};
use crate::db::accounts::tariff::{self, StoredTariff};
use crate::db::accounts::water_account::{self, StoredAccount};
use crate::db::page::{After, PAGE_MAX};
use crate::db::{Db, DbError, Revision, Tx, site};
use crate::http::accounts::water_accounts::WaterAccountInput;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, Path, Query, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::ids::{SiteId, WaterAccountId};
use domain::zone::local_date;
use rust_decimal::Decimal;
use serde::Deserialize;
use serde_json::{Map, Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(accounts)
        .service(begin)
        .service(add)
        .service(shown)
        .route("/settings/accounts/{id}/edit", web::get().to(writing::show::<Edit>))
        .route("/settings/accounts/{id}", web::post().to(writing::take::<Edit>))
        .route("/settings/accounts/{id}/retire", web::post().to(writing::retire::<Edit>));
}

#[derive(Template)]
#[template(path = "water_accounts.html")]
struct List {
    sites: Vec<Site>,
}

struct Site {
    id: Uuid,
    name: String,
    accounts: Vec<(Uuid, String, String)>,
}

#[get("/settings/accounts")]
async fn accounts(visitor: Visitor<perm::WriteAccounts>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let all = After::first(PAGE_MAX);
    let known = async |tx: &Tx<'_>| {
        let sites = site::list(tx, &site::Filter::default(), &all).await?;
        Ok((sites, water_account::list(tx, &water_account::Filter::default(), &all).await?))
    };
    let (sites, accounts) = db.read(caller.scope(), caller.now(), known).await?;
    let mut of_site: HashMap<SiteId, Vec<(Uuid, String, String)>> = HashMap::new();
    for account in accounts {
        let row = (account.id.0, account.value.account.name, account.value.supplier);
        of_site.entry(account.value.site_id).or_default().push(row);
    }
    let row = |site: crate::db::Stored<SiteId, domain::site::Site>| Site {
        accounts: of_site.remove(&site.id).unwrap_or_default(),
        id: site.id.0,
        name: site.value.name,
    };
    Ok(html_for(&caller, StatusCode::OK, &List { sites: sites.into_iter().map(row).collect() })?)
}

fn specs() -> Vec<Spec> {
    let cycles = ["1", "2", "3"].map(|n| (n.to_owned(), n.to_owned())).into();
    vec![
        spec("name", "What your people call it", Takes::Text).needed(),
        spec("supplier", "Supplier of water and sewer", Takes::Text).needed(),
        spec("cycle_months", "Months of a billing cycle", Takes::NumberOf(cycles)).needed(),
        spec("cycle_anchor", "A day on which a billing cycle began", Takes::Day).needed(),
        spec("charged_from", "Since when the units\u{2019} water is charged to it", Takes::Day)
            .hint("One account of a site is charged at a time. Without it no money is reckoned."),
        spec("charged_until", "The day after the last", Takes::Day).hint("Left empty, it goes on."),
        spec("account_number", "The supplier\u{2019}s number of it", Takes::Text).more(),
        spec("meter_size", "Size of its meter, as the tariff names it", Takes::Text).more(),
        spec("strengths", "What its sewage carries, as the supplier rates it", Takes::Lines)
            .hint("A line each, in milligrams a litre: bod 300.")
            .more(),
    ]
}

/// What else is used on it, in bounds.
fn other_specs() -> Vec<Spec> {
    vec![
        spec("other_least", "Other water on the account: at least so many litres a month", Takes::Number)
            .hint("Toilets, kitchens, other bays. Unknown, money saved is a range."),
        spec("other_most", "At most so many", Takes::Number),
    ]
}

/// What an account's sewage carries, as it is typed.
fn strength_lines(account: &StoredAccount) -> String {
    let line = |(of, amount): (&String, &Decimal)| format!("{of} {amount}");
    account.value.account.strengths_mg_per_l.iter().map(line).collect::<Vec<_>>().join("\n")
}

/// The same as it was typed; what the account had before and is not typed is null.
fn strengths(text: &str, before: Option<&StoredAccount>) -> Result<Value, Faults> {
    let gone = before.into_iter().flat_map(|account| account.value.account.strengths_mg_per_l.keys());
    let mut all: Map<String, Value> = gone.map(|of| (of.clone(), Value::Null)).collect();
    for line in text.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let (of, amount) = form::with_number(line).ok_or_else(|| {
            let fix = "write a name and a number without spaces in it, such as bod 300 or bod 1300";
            Faults::one("/strengths", "not_a_strength", format!("{fix}: {line}"))
        })?;
        all.insert(of.to_owned(), json!(amount.to_string()));
    }
    Ok(Value::Object(all))
}

/// What was typed, as the API takes it; null where other use is not known.
fn patch(typed: &Typed, before: Option<&StoredAccount>) -> Result<Value, Problem> {
    let mut read = sheet::read(&specs(), typed, Tz::UTC)?;
    let carried = read.remove("strengths");
    let carried = strengths(carried.as_ref().and_then(Value::as_str).unwrap_or_default(), before)?;
    read.insert("strengths_mg_per_l".to_owned(), carried);
    let other = sheet::read(&other_specs(), typed, Tz::UTC)?;
    let least = other.get("other_least").filter(|least| !least.is_null());
    if least.is_none() && other.get("other_most").is_some_and(|most| !most.is_null()) {
        return Err(Faults::one("/other_least", "required", "type 0 where nothing is sure").into());
    }
    let other_use =
        least.map(|least| json!({ "least_l_per_month": least, "most_l_per_month": other.get("other_most") }));
    read.insert("other_use".to_owned(), other_use.unwrap_or(Value::Null));
    Ok(Value::Object(read))
}

/// The field of the form that a pointer of the record is about, where they are called otherwise.
fn field_at(pointer: &str) -> Option<String> {
    let mut parts = pointer.split('/').skip(1);
    let name = match (parts.next()?, parts.next()) {
        ("other_use", Some("most_l_per_month")) => "other_most",
        ("other_use", _) => "other_least",
        ("strengths_mg_per_l", _) => "strengths",
        _ => return None,
    };
    Some(name.to_owned())
}

#[derive(Deserialize)]
struct OfSite {
    site: Uuid,
}

async fn new_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: SiteId,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let site = db.read(caller.scope(), caller.now(), async |tx| site::get(tx, id).await).await?.value;
    let today = local_date(site.time_zone, caller.now()).to_string();
    let filled = form::begun(typed, [("cycle_anchor", today)]);
    let about = About {
        title: format!("Add a water account of {}", site.name),
        lead: "As it stands on the supplier\u{2019}s bill.".to_owned(),
        action: format!("/settings/accounts?site={id}"),
        button: "Add it",
        revision: None,
        back: ("/settings/accounts".to_owned(), "Back to the accounts".to_owned()),
        end: None,
        specs: &[specs(), other_specs()].concat(),
    };
    Ok(Sheet::of(about, &Filled::Typed(&filled), faults))
}

#[get("/settings/accounts/new")]
async fn begin(visitor: Visitor<perm::WriteAccounts>, of: Query<OfSite>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&visitor.0, &db, SiteId(of.site), &Typed::new(), &[]).await?)
}

#[post("/settings/accounts")]
async fn add(
    sender: Sender<perm::WriteAccounts>,
    of: Query<OfSite>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), site) = (sender, SiteId(of.site));
    let added = added(&caller, &db, site, &typed).await.map_err(|problem| sheet::renamed(problem, field_at));
    sheet::answer(&caller, added, async |faults: Vec<_>| new_sheet(&caller, &db, site, &typed, &faults).await).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, site: SiteId, typed: &Typed) -> Result<String, Problem> {
    let mut input = patch(typed, None)?;
    if let Some(record) = input.as_object_mut() {
        record.insert("site_id".to_owned(), json!(site.0));
        record.retain(|_, value| !value.is_null());
    }
    let new = crate::extract::from_json::<WaterAccountInput>(input.to_string().as_bytes())?.parse()?;
    let create =
        async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(water_account::create(tx, &new).await?.id.0)).await;
    let id = db.write(caller.scope(), caller.now(), create).await?;
    Ok(format!("/settings/accounts/{id}"))
}

#[derive(Template)]
#[template(path = "water_account.html")]
struct Page {
    id: Uuid,
    name: String,
    supplier: String,
    site: (Uuid, String),
    charged: String,
    /// Each with its id, in words, and when it holds.
    tariffs: Vec<(Uuid, String, String)>,
    bills: bills::Bills,
}

/// An account with what its supplier charged when, and its bills.
struct Known {
    account: StoredAccount,
    site: String,
    tariffs: Vec<StoredTariff>,
    bills: bills::Bills,
}

async fn known(tx: &Tx<'_>, id: WaterAccountId) -> Result<Known, DbError> {
    let account = water_account::get(tx, id).await?;
    let site = site::get(tx, account.value.site_id).await?.value.name;
    Ok(Known { account, site, tariffs: tariff::list(tx, id).await?, bills: bills::of(tx, id).await? })
}

#[get("/settings/accounts/{id}")]
async fn shown(
    visitor: Visitor<perm::WriteAccounts>,
    id: Path<WaterAccountId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let Known { account, site, tariffs, bills } =
        db.read(caller.scope(), caller.now(), async |tx| known(tx, *id).await).await?;
    let charged = account.value.charged.map_or("The units\u{2019} water is not charged to it.".to_owned(), |charged| {
        let until = charged.until.map(|day| format!(" until {}", words::day(day))).unwrap_or_default();
        format!("The units\u{2019} water is charged to it from {}{until}.", words::day(charged.from))
    });
    let page = Page {
        id: id.0,
        name: account.value.account.name,
        supplier: account.value.supplier,
        site: (account.value.site_id.0, site),
        charged,
        tariffs: tariffs.iter().rev().map(tariff_line).collect(),
        bills,
    };
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

fn tariff_line(stored: &StoredTariff) -> (Uuid, String, String) {
    let words = format!("{}, in {}", stored.value.name, stored.value.currency);
    (stored.id.0, words, tariffs::days(stored))
}

/// An account as it is, by the fields of its form.
fn record(stored: &StoredAccount) -> Value {
    let mut record = serde_json::to_value(WaterAccountInput::from(&stored.value)).unwrap_or_default();
    let other = |end: &str| record.pointer(&format!("/other_use/{end}")).cloned().unwrap_or_default();
    let (least, most) = (other("least_l_per_month"), other("most_l_per_month"));
    if let Some(fields) = record.as_object_mut() {
        fields.extend([("other_least".to_owned(), least), ("other_most".to_owned(), most)]);
        fields.insert("strengths".to_owned(), json!(strength_lines(stored)));
    }
    record
}

/// The form that changes an account.
struct Edit;

impl Written for Edit {
    type May = perm::WriteAccounts;
    type Id = WaterAccountId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: WaterAccountId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let stored = db.read(caller.scope(), caller.now(), async |tx| water_account::get(tx, id).await).await?;
        let end = End {
            action: format!("/settings/accounts/{id}/retire"),
            words: "It goes from the lists. Its bills and tariffs stay.",
            button: "Retire it",
        };
        let about = About {
            title: format!("Change {}", stored.value.account.name),
            lead: String::new(),
            action: format!("/settings/accounts/{id}"),
            button: "Keep it so",
            revision: Some(stored.revision),
            back: (format!("/settings/accounts/{id}"), "Back to the account".to_owned()),
            end: stored.ended_at.is_none().then_some(end),
            specs: &[specs(), other_specs()].concat(),
        };
        Ok(Sheet::of(about, &Filled::Record(record(&stored), Tz::UTC).with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: WaterAccountId, typed: &Typed) -> Result<String, Problem> {
        changed(caller, db, id, typed).await.map_err(|problem| sheet::renamed(problem, field_at))?;
        Ok(format!("/settings/accounts/{id}"))
    }
}

async fn changed<P: Permission>(caller: &Caller<P>, db: &Db, id: WaterAccountId, typed: &Typed) -> Result<(), Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| water_account::get(tx, id).await).await?;
    let input = WaterAccountInput::from(&current.value);
    let new = crate::http::answer::patched(&input, &patch(typed, Some(&current))?)?.parse()?;
    let at = sheet::revision(typed);
    db.write(caller.scope(), caller.now(), async |tx| water_account::update_at(tx, id, at, &new).await).await?;
    Ok(())
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: WaterAccountId, at: Revision) -> Result<String, Problem> {
        db.write(caller.scope(), caller.now(), async |tx| water_account::retire(tx, id, at).await).await?;
        Ok("/settings/accounts".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strength_in_thousands_is_asked_again_and_a_pointer_leads_to_its_field() {
        assert_eq!(strengths("bod 300\ntss: 250,5\n", None).unwrap(), json!({ "bod": "300", "tss": "250.5" }));
        assert!(strengths("bod 1 300", None).is_err(), "not 300 of something called bod 1");
        let all = ["/other_use/most_l_per_month", "/other_use/least_l_per_month", "/strengths_mg_per_l/bod", "/name"];
        let fields = ["other_most", "other_least", "strengths"].map(|name| Some(name.to_owned()));
        assert_eq!(all.map(field_at), [&fields[..], &[None]].concat()[..]);
    }
}
