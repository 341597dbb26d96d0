//! The letter by which a month's figures reach an address: a text, and the figures as CSV.

use super::report_mail::plain;
use crate::auth::Scope;
use crate::db::job::{self, Job};
use crate::db::monthly_file::{self, Sending};
use crate::db::report::style;
use crate::db::{Db, DbError, Tx, customer, dealer, fleet};
use crate::http::series::month_file;
use crate::mail::{Attached, Letter, More, Post};
use crate::report::Words;
use chrono::{DateTime, Utc};
use domain::customer::UnitSystem;

/// What a letter is made of.
struct Known {
    dealer: String,
    customer: String,
    units: UnitSystem,
    words: Words,
    unsubscribe: String,
}

/// The letter of a job; none when its address was retired or changed since it was wanted.
///
/// # Errors
/// When the database fails.
pub(super) async fn letter(
    db: &Db,
    scope: &Scope,
    post: &Post,
    now: DateTime<Utc>,
    job: &Job,
) -> Result<Option<Letter>, DbError> {
    let sending: Sending = job::payload(job)?;
    let Some(known) = db.write(scope, now, async |tx| known(tx, post, &sending).await).await? else {
        return Ok(None);
    };
    // Read as the customer's own people see it, so that nothing else can be in it.
    let own = Scope::of_job_for(scope.dealer(), sending.customer_id);
    let of = (sending.customer_id, sending.month);
    let bytes = db.read(&own, now, async |tx| month_file::file(tx, of, known.units).await).await?;
    let name = format!("water-figures-{}.csv", sending.month);
    let document = Attached { name, media: "text/csv; charset=utf-8", bytes };
    Ok(Some(composed(&known, &sending, post, job, document)))
}

async fn known(tx: &Tx<'_>, post: &Post, sending: &Sending) -> Result<Option<Known>, DbError> {
    let id = sending.customer_id;
    let Some(stored) = monthly_file::going_to(tx, id, &sending.email).await? else { return Ok(None) };
    let units = fleet::unit_system(tx, id).await?;
    let token = monthly_file::add_unsubscribe(tx, stored.id).await?;
    Ok(Some(Known {
        dealer: dealer::get(tx).await?.name,
        customer: customer::get(tx, id).await?.value.name,
        units,
        words: Words::of_style(&style::get(tx).await?.style, units),
        unsubscribe: post.unsubscribe_link(&token),
    }))
}

fn composed(known: &Known, sending: &Sending, post: &Post, job: &Job, document: Attached) -> Letter {
    let (words, month) = (&known.words, known.words.month(sending.month));
    let text = format!(
        "{}\n{}\n\n{}\n{}\n\n{}\n\n{}\n",
        words.with("file-attached", &[("month", &month)]),
        words.one_of("file-units", known.units.as_str()),
        words.say("file-live"),
        words.with("file-columns", &[("url", &post.document_link())]),
        known.dealer,
        words.with("file-stop", &[("url", &known.unsubscribe)])
    );
    Letter {
        id: job.id.to_string(),
        sender: known.dealer.clone(),
        to: sending.email.clone(),
        subject: plain(&words.with("file-subject", &[("customer", &known.customer), ("month", &month)])),
        text: plain(&text),
        more: Some(More { html: None, document, unsubscribe: known.unsubscribe.clone() }),
    }
}
