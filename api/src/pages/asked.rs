//! `/readings-due/ask`: a form by which somebody is asked to read the meters of a site.

use super::fault::Fault;
use super::form;
use super::html_for;
use super::readings_due::last;
use super::visitor::{Sender, Visitor};
use super::words::day;
use crate::auth::{Caller, perm};
use crate::db::asking::due::{self, Filter, Held};
use crate::db::asking::request;
use crate::db::{Db, DbError, site};
use crate::mail::Post;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Form, Query};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, Days, NaiveDate, Utc};
use domain::asking::request::ReadingRequest;
use domain::fault::Faults;
use domain::ids::{MeterId, SiteId};
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "ask.html")]
struct Page {
    key: String,
    site_id: SiteId,
    site: String,
    mails: bool,
    faults: Vec<String>,
    person: String,
    email: String,
    due_on: String,
    meters: Vec<Choice>,
}

/// A meter that may be asked for.
struct Choice {
    id: Uuid,
    label: String,
    unit: String,
    due: String,
    last: String,
    chosen: bool,
}

#[derive(Template)]
#[template(path = "asked.html")]
struct Done {
    person: String,
    site: String,
    due: String,
    /// Where the mail goes; empty when there is none.
    email: String,
    /// The link to hand over; empty when it goes by mail.
    link: String,
}

#[derive(Deserialize)]
pub(super) struct OfSite {
    site: Uuid,
}

#[get("/readings-due/ask")]
pub(super) async fn show(
    visitor: Visitor<perm::AskReadings>,
    asked: Query<OfSite>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let (name, held) = at_site(&db, &caller, SiteId(asked.site)).await?;
    let page = Page::fresh(SiteId(asked.site), name, &held, post.mailer.is_some(), caller.now());
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

#[post("/readings-due/ask")]
pub(super) async fn ask(
    sender: Sender<perm::AskReadings>,
    fields: Form<Vec<(String, String)>>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let new = parse(&fields);
    let (site_id, mails) = (new.as_ref().map_or_else(|wrong| wrong.0, |new| new.site_id), post.mailer.is_some());
    let (name, held) = at_site(&db, &caller, site_id).await?;
    let made = match new {
        Ok(new) => create(&db, &caller, (&new, &fields), &post, &name).await,
        Err((_, faults)) => Err(DbError::Invalid(faults)),
    };
    match made {
        Ok(done) => Ok(html_for(&caller, StatusCode::CREATED, &done)?),
        Err(DbError::Invalid(faults)) => {
            let page = Page::fresh(site_id, name, &held, mails, caller.now()).again(&fields, faults);
            Ok(html_for(&caller, StatusCode::UNPROCESSABLE_ENTITY, &page)?)
        }
        Err(error) => Err(Problem::from(error).into()),
    }
}

async fn at_site<P>(db: &Db, caller: &Caller<P>, id: SiteId) -> Result<(String, Vec<Held>), DbError> {
    let filter = Filter { sites: vec![id], ..Filter::default() };
    db.read(caller.scope(), caller.now(), async |tx| {
        let held = due::held(tx, &filter, tx.now()).await?;
        Ok((site::get(tx, id).await?.value.name, held.into_iter().filter(Held::is_read_by_people).collect()))
    })
    .await
}

/// The request; or, with the site, what can't be read of it.
fn parse(fields: &[(String, String)]) -> Result<ReadingRequest, (SiteId, Faults)> {
    let field = |name: &str| fields.iter().find(|(found, _)| found == name).map_or("", |(_, value)| value.as_str());
    let site_id = SiteId(field("site").parse().unwrap_or_default());
    let meters = fields.iter().filter(|(name, _)| name == "meter").filter_map(|(_, id)| id.parse().ok().map(MeterId));
    let due_on: NaiveDate =
        field("due_on").parse().map_err(|_no_date| (site_id, Faults::one("/due_on", "required", "give a day")))?;
    Ok(ReadingRequest {
        site_id,
        meters: meters.collect(),
        person: field("person").to_owned(),
        email: Some(field("email").to_owned()),
        due_on,
    })
}

/// Makes the request, and its link where no mail carries it.
async fn create<P>(
    db: &Db,
    caller: &Caller<P>,
    (new, fields): (&ReadingRequest, &[(String, String)]),
    post: &Post,
    site: &str,
) -> Result<Done, DbError> {
    db.write(caller.scope(), caller.now(), async |tx| {
        let typed = fields.iter().map(|(name, value)| (name.as_str(), value.as_str()));
        if !form::is_first(tx, typed).await? {
            let detail = "It was sent already, and a link made. Look under the readings due who is asked.";
            return Err(DbError::refused("sent_already", detail));
        }
        let asking = request::create(tx, new, post.mailer.is_some()).await?;
        let email = asking.value.request.email.clone().filter(|_| post.mailer.is_some());
        let link = match email {
            Some(_) => String::new(),
            None => post.reading_link(&request::add_link(tx, asking.id).await?.0),
        };
        Ok(Done {
            person: asking.value.request.person,
            site: site.to_owned(),
            due: day(asking.value.request.due_on),
            email: email.unwrap_or_default(),
            link,
        })
    })
    .await
}

/// Days that somebody is given when the due date is over or near.
const DAYS_GIVEN: u64 = 3;

impl Page {
    /// The form with what is due chosen.
    fn fresh(site_id: SiteId, site: String, held: &[Held], mails: bool, now: DateTime<Utc>) -> Self {
        let today = held.first().map_or(now.date_naive(), |held| held.local(now));
        let soon = today.checked_add_days(Days::new(DAYS_GIVEN)).unwrap_or(today);
        let dues: Vec<_> = held.iter().map(|held| held.due(now)).collect();
        let near = dues.iter().filter(|due| due.is_near(today)).map(|due| due.on).max();
        let choices = held.iter().zip(&dues).map(|(held, due)| Choice {
            id: held.meter_id,
            label: held.label.clone(),
            unit: held.unit.clone().unwrap_or_else(|| "whole site".to_owned()),
            due: day(due.on),
            last: last(held),
            chosen: due.is_near(today) && held.asked.is_none(),
        });
        Self {
            meters: choices.collect(),
            due_on: near.unwrap_or(soon).max(soon).to_string(),
            faults: Vec::new(),
            person: String::new(),
            email: String::new(),
            key: form::key(),
            site_id,
            site,
            mails,
        }
    }

    /// The form as it was sent, with what is wrong.
    fn again(mut self, fields: &[(String, String)], faults: Faults) -> Self {
        let field = |name: &str| fields.iter().find(|(found, _)| found == name).map(|(_, value)| value.clone());
        self.person = field("person").unwrap_or_default();
        self.email = field("email").unwrap_or_default();
        self.due_on = field("due_on").unwrap_or(self.due_on);
        for meter in &mut self.meters {
            meter.chosen = fields.iter().any(|(name, value)| name == "meter" && *value == meter.id.to_string());
        }
        self.faults =
            faults.0.into_iter().map(|fault| format!("{}: {}.", named(&fault.pointer), fault.detail)).collect();
        self
    }
}

/// What a field of the form is called there.
fn named(pointer: &str) -> &'static str {
    match pointer {
        "/person" => "Name",
        "/email" => "E-mail address",
        "/due_on" => "Wanted by",
        _ => "Meters",
    }
}
