//! Bills of a water account as they came: typed in, listed on the account's page, and reconciled with
//! what the tariff asks and with the bill before.

use super::super::fault::Fault;
use super::super::form::{self, Typed, field};
use super::super::html_for;
use super::super::sheet::{self, About, Filled, Sheet};
use super::super::visitor::{Sender, Visitor};
use super::super::words::{self, money};
use super::super::writing::{self, Written};
use super::bill_form;
use crate::auth::{Caller, Permission, perm};
use crate::db::accounts::water_bill::{self, StoredBill};
use crate::db::accounts::{tariff, water_account};
use crate::db::{Db, DbError, Tx, dealer};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use domain::accounts::bill::{Evidence, Explained, NotExplained, SiteBill};
use domain::customer::UnitSystem;
use domain::ids::{BillId, WaterAccountId};
use domain::money::{Currency, Money};
use domain::report::actual_bills::BillCause;
use domain::report::display;
use domain::tariff::Tariff;
use domain::units::RegisterUnit;
use rust_decimal::Decimal;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/settings/accounts/{id}/bills/new", web::get().to(writing::show::<New>))
        .route("/settings/accounts/{id}/bills", web::post().to(writing::take::<New>))
        .service(shown)
        .service(withdraw);
}

/// The bills of an account, as its page shows them.
pub(super) struct Bills {
    /// The latest first, withdrawn ones too.
    pub(super) rows: Vec<Row>,
    /// The latest that counts, reconciled.
    pub(super) latest: Option<Reckoned>,
}

pub(super) struct Row {
    pub(super) id: Uuid,
    pub(super) days: String,
    pub(super) metered: String,
    pub(super) total: String,
    pub(super) withdrawn: bool,
}

/// A bill beside what the tariff asks, and beside the bill before.
pub(super) struct Reckoned {
    pub(super) days: String,
    /// What the tariff asks, in a sentence.
    pub(super) asked: String,
    /// By what the bill is other than that.
    pub(super) other_by: Vec<Share>,
    /// How it changed, in a sentence.
    pub(super) fell: String,
    /// By what.
    pub(super) fell_by: Vec<Share>,
}

/// Digits of a bill's volume: what a supplier's meter shows.
const DIGITS: i32 = 9;

/// A part of a difference, in words.
pub(super) type Share = (&'static str, String);

/// The bills of an account for its page.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(super) async fn of(tx: &Tx<'_>, account: WaterAccountId) -> Result<Bills, DbError> {
    let (bills, tariff) = (water_bill::list(tx, account).await?, tariff::whole(tx, account).await?);
    let latest = match bills.iter().rfind(|bill| bill.withdrawn.is_none()) {
        Some(bill) => Some(water_bill::with_evidence(tx, account, bill.id).await?),
        None => None,
    };
    Ok(Bills {
        rows: bills.iter().rev().map(|bill| Row::of(bill, tariff.as_ref())).collect(),
        latest: latest.map(|(bill, evidence)| Reckoned::of(&bill.value, &evidence)),
    })
}

impl Row {
    fn of(stored: &StoredBill, tariff: Option<&Tariff>) -> Self {
        Self {
            id: stored.id.0,
            days: days(&stored.value),
            metered: metered(&stored.value, tariff),
            total: money(stored.value.bill.total),
            withdrawn: stored.withdrawn.is_some(),
        }
    }
}

fn days(bill: &SiteBill) -> String {
    let last = bill.period.to.pred_opt().unwrap_or(bill.period.to);
    format!("{} to {}", words::day(bill.period.from), words::day(last))
}

/// The unit that the supplier prints volumes in.
fn unit(tariff: Option<&Tariff>) -> RegisterUnit {
    tariff.and_then(|tariff| tariff.versions.last()).map_or(RegisterUnit::M3, |version| version.unit)
}

/// All bills of an account are shown in one unit.
fn metered(bill: &SiteBill, tariff: Option<&Tariff>) -> String {
    let system = match unit(tariff) {
        RegisterUnit::UsGal | RegisterUnit::Ft3 | RegisterUnit::Ccf | RegisterUnit::Kgal => UnitSystem::Us,
        _ => UnitSystem::Metric,
    };
    bill.metered_l.map_or("not typed in".to_owned(), |litres| display::volume(litres.0, system, DIGITS))
}

impl Reckoned {
    fn of(bill: &SiteBill, evidence: &Evidence) -> Self {
        let currency = bill.bill.total.currency;
        let (asked, other_by) = asked(bill, evidence);
        let (fell, fell_by) = match evidence.explained(bill) {
            Ok(explained) => (fell(&explained), fell_by(&explained)),
            Err(why) => {
                (format!("Why it is other than the bill before can\u{2019}t be said: {}.", in_words(&why)), [].into())
            }
        };
        Self {
            days: days(bill),
            asked,
            other_by: shares(currency, &other_by),
            fell,
            fell_by: shares(currency, &fell_by),
        }
    }
}

/// The parts that are not nothing.
fn shares(currency: Currency, of: &[(&'static str, Decimal)]) -> Vec<Share> {
    let some = of.iter().filter(|(_, amount)| !amount.is_zero());
    some.map(|(words, amount)| (*words, money(Money { amount: *amount, currency }))).collect()
}

/// What the tariff asks for the metered water, and by what the bill is other than that.
fn asked(bill: &SiteBill, evidence: &Evidence) -> (String, Vec<(&'static str, Decimal)>) {
    let computed = match evidence.computed(bill) {
        Ok(computed) => computed,
        Err(why) => return (format!("What the tariff asks can\u{2019}t be said: {}.", in_words(&why)), Vec::new()),
    };
    let difference = computed.difference;
    let asks = computed.bill.total;
    let parts = vec![
        ("by other prices than the tariff\u{2019}s", difference.prices),
        ("by other quantities", difference.quantities),
        ("by charges that the tariff does not know", difference.unknown()),
        ("by rounding", difference.rounding),
        ("not explained", difference.unexplained),
    ];
    let more = difference.total();
    let (by, asks) = (money(Money { amount: more.abs(), currency: asks.currency }), money(asks));
    let says = match more {
        more if more.is_zero() => format!("The tariff asks {asks} for the water on it, and so much was billed."),
        more if more > Decimal::ZERO => format!("The tariff asks {asks} for the water on it; {by} more was billed."),
        _ => format!("The tariff asks {asks} for the water on it; {by} less was billed."),
    };
    (says, parts)
}

fn fell(explained: &Explained) -> String {
    let by = explained.parts.fell_by;
    let so_much = money(Money { amount: by.amount.abs(), ..by });
    let how = match by.amount {
        amount if amount.is_zero() => "It is as high as the bill before.".to_owned(),
        amount if amount > Decimal::ZERO => format!("It is {so_much} lower than the bill before."),
        _ => format!("It is {so_much} higher than the bill before."),
    };
    let assumed = if explained.washing_before_assumed {
        " What was washed then is taken from the baseline, because no meter of the site counted it."
    } else {
        ""
    };
    format!("{how}{assumed}")
}

/// What lowered the bill; what raised it is negative.
fn fell_by(explained: &Explained) -> Vec<(&'static str, Decimal)> {
    let parts = &explained.parts;
    let all = [
        (BillCause::Saving, parts.saving),
        (BillCause::Prices, parts.prices),
        (BillCause::OtherUse, parts.other_use),
        (BillCause::Washing, parts.water),
        (BillCause::UnknownCharges, parts.unknown_charges),
        (BillCause::Rounding, parts.rounding),
        (BillCause::Unexplained, parts.unexplained),
    ];
    all.map(|(cause, amount)| (cause.words(), amount)).to_vec()
}

/// Why something can't be said, for people who type bills in here.
fn in_words(why: &NotExplained) -> String {
    match why {
        NotExplained::NotMetered => "the volume on it was not typed in".to_owned(),
        NotExplained::OtherUse => "what else is used on the account is not known: write it down with the account, or \
                                   type bills in with the volume on them"
            .to_owned(),
        other => other.to_string(),
    }
}

/// The form of a bill that is typed in.
struct New;

impl Written for New {
    type May = perm::WriteAccounts;
    type Id = WaterAccountId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: WaterAccountId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let known = async |tx: &Tx<'_>| {
            let account = water_account::get(tx, id).await?.value;
            let last = water_bill::list(tx, id).await?.into_iter().rfind(|bill| bill.withdrawn.is_none());
            let unit = unit(tariff::whole(tx, id).await?.as_ref());
            Ok((account, last, dealer::get(tx).await?.currency, unit))
        };
        let (account, last, currency, unit) = db.read(caller.scope(), caller.now(), known).await?;
        let from = last.as_ref().map_or(account.cycle_anchor, |last| last.value.period.to);
        let currency = last.as_ref().map_or(currency, |last| last.value.bill.total.currency.code().to_owned());
        let about = About {
            title: format!("Type in a bill of {}", account.supplier),
            lead: "As it came. Its days say better than the account when billing cycles begin.".to_owned(),
            action: format!("/settings/accounts/{id}/bills"),
            button: "Add it",
            revision: None,
            back: (format!("/settings/accounts/{id}"), "Back to the account".to_owned()),
            end: None,
            specs: &bill_form::specs(),
        };
        let filled = bill_form::begun(typed.unwrap_or(&Typed::new()), from, &currency, unit);
        Ok(Sheet::of(about, &Filled::Typed(&filled), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: WaterAccountId, typed: &Typed) -> Result<String, Problem> {
        let added = added(caller, db, id, typed).await;
        added.map_err(|problem| sheet::renamed(problem, bill_form::field_at))
    }
}

async fn added<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: WaterAccountId,
    typed: &Typed,
) -> Result<String, Problem> {
    let read = bill_form::read(typed)?;
    let create = async |tx: &Tx<'_>| {
        form::made(tx, typed, async || {
            let account = water_account::get(tx, id).await?.value;
            let bill = bill_form::coded(read.clone(), &account, tariff::whole(tx, id).await?.as_ref());
            Ok::<_, DbError>(water_bill::create(tx, id, &bill).await?.id.0)
        })
        .await
    };
    let bill = db.write(caller.scope(), caller.now(), create).await?;
    Ok(format!("/settings/accounts/{id}/bills/{bill}"))
}

#[derive(Template)]
#[template(path = "bill.html")]
struct Page {
    account: Uuid,
    supplier: String,
    bill: Row,
    lines: Vec<(String, String)>,
    /// Why it was withdrawn.
    withdrawn: Option<String>,
    reckoned: Reckoned,
}

#[get("/settings/accounts/{id}/bills/{bill_id}")]
async fn shown(
    visitor: Visitor<perm::WriteAccounts>,
    path: Path<(WaterAccountId, BillId)>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Visitor(caller), (account, id)) = (visitor, *path);
    let known = async |tx: &Tx<'_>| water_bill::with_evidence(tx, account, id).await;
    let (stored, evidence) = db.read(caller.scope(), caller.now(), known).await?;
    let bill = &stored.value.bill;
    let line = |words: &str, amount| (words.to_owned(), money(Money { amount, ..bill.total }));
    let page = Page {
        account: account.0,
        supplier: evidence.account.supplier.clone(),
        bill: Row::of(&stored, evidence.tariff.as_ref()),
        lines: bill.lines.iter().map(|of| line(&of.words, of.amount)).collect(),
        withdrawn: stored.withdrawn.as_ref().map(|(_, why)| why.clone()),
        reckoned: Reckoned::of(&stored.value, &evidence),
    };
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

#[post("/settings/accounts/{id}/bills/{bill_id}/withdraw")]
async fn withdraw(
    sender: Sender<perm::WriteAccounts>,
    path: Path<(WaterAccountId, BillId)>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), (account, id)) = (sender, *path);
    let why = domain::measures::reason(field(&typed, "reason").unwrap_or_default()).map_err(Problem::from)?;
    let withdraw = async |tx: &Tx<'_>| water_bill::withdraw(tx, account, id, &why).await;
    db.write(caller.scope(), caller.now(), withdraw).await?;
    Ok(sheet::to(&format!("/settings/accounts/{account}")))
}
