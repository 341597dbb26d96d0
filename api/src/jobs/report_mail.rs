//! The letter by which an issued report reaches its readers: a text, the same as HTML, and the PDF.

use crate::auth::Scope;
use crate::db::job::{self, Job};
use crate::db::report::recipient::{self, Sending, StoredRecipient};
use crate::db::report::{self, StoredReport, style};
use crate::db::{Db, DbError, Tx};
use crate::mail::{Attached, Letter, More, Post};
use crate::report::{Wanted, Words, print, statement};
use askama::Template;
use chrono::{DateTime, Utc};
use domain::ids::ReportId;
use weirbook_paper::Logo;
use weirbook_paper::document::{Block, Document, Row, Section, Table};

#[derive(Template)]
#[template(path = "report_mail.html")]
struct Page<'a> {
    dealer: &'a str,
    doc: &'a Document,
    figures: &'a [(String, String)],
    attached: String,
    read: (String, String),
    stop: (String, String),
}

/// What a letter is made of.
struct Known {
    stored: StoredReport,
    /// Whether an earlier revision was issued.
    revised: bool,
    recipient: StoredRecipient,
    logo: Option<Logo>,
    unsubscribe: String,
}

/// The letter of a job; none when its reader wants no more or a later revision took its place. It is
/// set outside of any transaction.
///
/// # Errors
/// When the database fails or the report can't be printed.
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
    let name = print::file_name(&known.stored, "pdf");
    let bytes = print::in_turn(known.stored.clone(), known.logo.clone(), Wanted::default()).await.map_err(internal)?;
    composed(&known, post, job, Attached { name, media: "application/pdf", bytes }).map(Some)
}

fn internal(error: impl std::error::Error + Send + Sync + 'static) -> DbError {
    DbError::Internal(Box::new(error))
}

async fn known(tx: &Tx<'_>, post: &Post, sending: &Sending) -> Result<Option<Known>, DbError> {
    let recipient = recipient::get(tx, sending.recipient_id).await?;
    let all = report::revisions(tx, sending.report_id).await?;
    let mut issued = all.into_iter().filter(|one| one.issued.is_some());
    let newest = issued.next().filter(|one| one.revision == sending.revision && recipient.ended_at.is_none());
    let Some(stored) = newest else { return Ok(None) };
    let revised = issued.next().is_some();
    let logo = style::logo(tx, &stored.figures.style).await?.map(|bytes| Logo { bytes });
    let token = recipient::add_unsubscribe(tx, recipient.id).await?;
    Ok(Some(Known { stored, revised, recipient, logo, unsubscribe: post.unsubscribe_link(&token) }))
}

fn composed(known: &Known, post: &Post, job: &Job, document: Attached) -> Result<Letter, DbError> {
    let stored = &known.stored;
    let words = Words::of(&stored.figures, None);
    let doc = statement(stored, Wanted::default()).document;
    let figures = printed(&doc);
    let read = post.report_link(ReportId(stored.id));
    let page = Page {
        dealer: &stored.figures.dealer,
        doc: &doc,
        figures: &figures,
        attached: words.say("mail-attached"),
        read: (read.clone(), words.say("mail-link")),
        stop: (known.unsubscribe.clone(), words.say("mail-stop-link")),
    };
    let lines: String = figures.iter().map(|(label, amount)| format!("{label}: {amount}\n")).collect();
    let text = format!(
        "{}\n\n{lines}\n{}\n{}\n\n{}\n\n{}\n{}\n",
        doc.lead,
        words.say("mail-attached"),
        words.with("mail-read", &[("url", &read)]),
        doc.standing,
        doc.from.join("\n"),
        words.with("mail-stop", &[("url", &known.unsubscribe)])
    );
    let subject = if known.revised { "mail-subject-revised" } else { "mail-subject" };
    let month = words.month(stored.month);
    let named: [(&str, &str); 2] = [("customer", &stored.figures.customer), ("month", &month)];
    Ok(Letter {
        id: job.id.to_string(),
        sender: stored.figures.dealer.clone(),
        to: known.recipient.email.clone(),
        subject: plain(&words.with(subject, &named)),
        text: plain(&text),
        more: Some(More {
            html: Some(page.render().map_err(internal)?),
            document,
            unsubscribe: known.unsubscribe.clone(),
        }),
    })
}

/// What the first reckoning prints, as the report has it; where it has several tables, each under its
/// own caption.
fn printed(doc: &Document) -> Vec<(String, String)> {
    let tables = doc.sections.iter().map(tables).find(|tables| !tables.is_empty()).unwrap_or_default();
    let several = tables.len() > 1;
    let line = |table: &Table, row: &Row| match row.cells.as_slice() {
        [label, amount, ..] if !amount.withheld => {
            let of = if several { format!("{}: ", table.caption) } else { String::new() };
            Some((format!("{of}{}", label.text), amount.text.clone()))
        }
        _ => None,
    };
    tables.iter().flat_map(|table| table.rows.iter().filter_map(|row| line(table, row))).collect()
}

fn tables(section: &Section) -> Vec<&Table> {
    let tables = section.blocks.iter().filter_map(|block| match block {
        Block::Table(table) => Some(table),
        _ => None,
    });
    tables.collect()
}

/// As plain mail shows it: spaces that do not break look like gaps or question marks in old readers.
pub(super) fn plain(text: &str) -> String {
    text.replace(['\u{a0}', '\u{202f}'], " ")
}
