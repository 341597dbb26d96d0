//! The queue of mails, and the reminders that go into it. Inside `serve` it is worked off every
//! few seconds; several instances share it without sending anything twice.

use super::{monthly_file_mail, people_mail, report_mail};
use crate::auth::Scope;
use crate::db::asking::request::{self, ASK, Asking, REMIND};
use crate::db::asking::{due, reminder_rule};
use crate::db::job::{self, Job};
use crate::db::people::invitation::INVITE;
use crate::db::report::recipient::SEND;
use crate::db::{Db, DbError, Stored, Tx, dealer, monthly_file};
use crate::mail::{Letter, Mailer, Post, SendError};
use crate::problem::chain;
use crate::signing_in::account::RESET;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::asking::reminder::Asked;
use domain::asking::request::RequestState;
use domain::ids::{DealerId, ReadingRequestId};
use domain::report::display;
use domain::zone::local_date;
use serde::Deserialize;
use std::time::Instant;
use tokio::sync::watch;
use uuid::Uuid;

/// How often to look for mails to send.
const LOOK_EVERY: std::time::Duration = std::time::Duration::from_secs(10);
/// Mails taken up in one go: each has the whole of its lease.
const AT_ONCE: i64 = 1;

/// What became of the mails that were due.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Drained {
    /// Taken by the mail server.
    pub sent: usize,
    /// Not taken, to be tried again.
    pub put_off: usize,
    /// Not taken, and not to be tried again.
    pub given_up: usize,
    /// No longer wanted.
    pub moot: usize,
}

/// Runs until `stop` changes.
pub async fn run(db: Db, post: Post, mut stop: watch::Receiver<()>) {
    loop {
        if let Err(error) = drain(&db, &post, Utc::now()).await {
            tracing::warn!(error = %chain(&error), "the mails could not be looked after");
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_EVERY) => {}
            _ = stop.changed() => return,
        }
    }
}

/// Puts the reminders that are due into the queue of every dealer, and sends what is due of it.
/// Without a mail server nothing happens: what waits goes on waiting.
///
/// # Errors
/// When the database fails; what was sent until then stays sent.
pub async fn drain(db: &Db, post: &Post, now: DateTime<Utc>) -> Result<Drained, DbError> {
    let mut drained = Drained::default();
    let Some(mailer) = &post.mailer else { return Ok(drained) };
    let begun = Instant::now();
    for dealer in db.dealers().await? {
        let scope = Scope::of_job(DealerId(dealer.id));
        db.write(&scope, now, async |tx| remind(tx).await).await?;
        loop {
            // A long drain must not hand out leases that are over already.
            let now = now + begun.elapsed();
            let jobs = db.write(&scope, now, async |tx| job::take_up(tx, AT_ONCE).await).await?;
            if jobs.is_empty() {
                break;
            }
            for job in jobs {
                work(db, &scope, post, mailer, now, &job, &mut drained).await?;
            }
        }
    }
    Ok(drained)
}

async fn remind(tx: &Tx<'_>) -> Result<(), DbError> {
    let waiting = request::waiting(tx).await?;
    if waiting.is_empty() {
        return Ok(());
    }
    let (rule, _) = reminder_rule::get(tx).await?;
    for one in waiting {
        let zone: Tz = one.time_zone.parse().unwrap_or(Tz::UTC);
        let asked = Asked {
            due_on: one.due_on,
            mailed_on: local_date(zone, one.mailed_at),
            reminders: u8::try_from(one.reminders).unwrap_or(u8::MAX),
        };
        if rule.reminds(asked, local_date(zone, tx.now())) {
            request::remind(tx, &one).await?;
        }
    }
    Ok(())
}

/// Sends one mail and notes what became of it. Between the mail server's word and the note lies a
/// moment in which this process may end; the mail is then sent again under the same Message-ID.
async fn work(
    db: &Db,
    scope: &Scope,
    post: &Post,
    mailer: &Mailer,
    now: DateTime<Utc>,
    job: &Job,
    drained: &mut Drained,
) -> Result<(), DbError> {
    let written = match job.kind.as_str() {
        INVITE | RESET => people_mail::letter(db, scope, post, now, job).await,
        SEND => report_mail::letter(db, scope, post, now, job).await,
        monthly_file::SEND => monthly_file_mail::letter(db, scope, post, now, job).await,
        _ => db.write(scope, now, async |tx| letter(tx, post, job).await).await,
    };
    let letter = match written {
        Ok(letter) => letter,
        // What can't be written down today may be tomorrow, by a later version.
        Err(DbError::Internal(error)) => {
            drained.put_off += 1;
            return note_failed(db, scope, now, job, &chain(error.as_ref()), false).await;
        }
        Err(error) => return Err(error),
    };
    let Some(letter) = letter else {
        drained.moot += 1;
        return note_failed(db, scope, now, job, "no longer wanted", true).await;
    };
    match mailer.send(&letter).await {
        Ok(()) => {
            drained.sent += 1;
            tracing::info!(job = %job.id, kind = job.kind, dealer = %scope.dealer(), "mail sent");
            db.write(scope, now, async |tx| job::done(tx, job).await).await
        }
        Err(error) => {
            let again = put_off(db, scope, now, job, &error).await?;
            drained.put_off += usize::from(again);
            drained.given_up += usize::from(!again);
            Ok(())
        }
    }
}

async fn put_off(db: &Db, scope: &Scope, now: DateTime<Utc>, job: &Job, error: &SendError) -> Result<bool, DbError> {
    let (words, hopeless) = (error.to_string(), error.is_hopeless());
    let again = db.write(scope, now, async |tx| job::failed(tx, job, &words, hopeless).await).await?;
    tracing::warn!(job = %job.id, kind = job.kind, error = words, again = ?again, "mail not sent");
    Ok(again.is_some())
}

async fn note_failed(
    db: &Db,
    scope: &Scope,
    now: DateTime<Utc>,
    job: &Job,
    words: &str,
    hopeless: bool,
) -> Result<(), DbError> {
    tracing::warn!(job = %job.id, kind = job.kind, error = words, "mail not written");
    db.write(scope, now, async |tx| job::failed(tx, job, words, hopeless).await.map(drop)).await
}

#[derive(Deserialize)]
struct OfRequest {
    request_id: Uuid,
}

/// The letter of a job, with a link of its own; none when it is no longer wanted.
async fn letter(tx: &Tx<'_>, post: &Post, job: &Job) -> Result<Option<Letter>, DbError> {
    let reminds = match job.kind.as_str() {
        ASK => false,
        REMIND => true,
        other => return Err(job::unknown(other)),
    };
    let OfRequest { request_id } = job::payload(job)?;
    let id = ReadingRequestId(request_id);
    let asking = request::get(tx, id).await?;
    let Some(to) = asking.value.request.email.clone().filter(|_| asking.state(tx.now()) == RequestState::Open) else {
        return Ok(None);
    };
    let (token, asking) = request::add_link(tx, id).await?;
    let dealer = dealer::get(tx).await?.name;
    let (site, meters) = place(tx, &asking).await?;
    let due = display::date(asking.value.request.due_on).replace('\u{a0}', " ");
    let subject = match reminds {
        false => format!("Please read the water meters at {site} by {due}"),
        true => format!("Reminder: the water meters at {site} were to be read by {due}"),
    };
    let text = format!(
        "Dear {},\n\nplease read at {site} by {due}:\n\n{meters}\nOpen this address on your phone, type in what each \
         register shows and send it:\n\n{}\n\nYou need no password. The address is for you alone and stops working \
         once all readings are in.\n\nThank you\n{dealer}\n",
        asking.value.request.person,
        post.reading_link(&token)
    );
    Ok(Some(Letter { id: job.id.to_string(), sender: dealer, to, subject, text, more: None }))
}

/// The site's name and the meters still to be read, a line each.
async fn place(tx: &Tx<'_>, asking: &Stored<ReadingRequestId, Asking>) -> Result<(String, String), DbError> {
    let Asking { request, taken, .. } = &asking.value;
    let filter = due::Filter { sites: vec![request.site_id], ..due::Filter::default() };
    let held = due::held(tx, &filter, tx.now()).await?;
    let wanted = request.meters.iter().filter(|meter| !taken.contains(meter));
    let named = wanted.filter_map(|meter| held.iter().find(|held| held.meter_id == meter.0));
    let line = |held: &due::Held| match &held.unit {
        Some(unit) => format!("- {} ({unit})\n", held.label),
        None => format!("- {}\n", held.label),
    };
    let site = crate::db::site::get(tx, request.site_id).await?.value.name;
    Ok((site, named.map(line).collect()))
}
