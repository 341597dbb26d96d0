//! The part of a report's page that is about its life: revisions, what is proposed, questions.

use super::form;
use super::words;
use crate::auth::{Permission, Role, perm};
use crate::db::report::question::{self, StoredQuestion};
use crate::db::report::recipient::{self, ReportMail};
use crate::db::report::standing::{self, StoredStanding};
use crate::db::report::{self, StoredReport};
use crate::db::{DbError, Revision, Tx};
use crate::report::zone;
use chrono_tz::Tz;
use domain::ids::ReportId;
use domain::report::changes::changes;
use domain::report::figure::Name;
use domain::report::rule::NotIssuable;
use uuid::Uuid;

/// All that the page shows.
pub(super) struct Loaded {
    pub(super) stored: StoredReport,
    revisions: Vec<StoredReport>,
    questions: Vec<StoredQuestion>,
    standing: Option<StoredStanding>,
    /// For those alone who issue reports.
    mails: Vec<ReportMail>,
}

impl Loaded {
    /// A report at a revision, or at its newest, with what `role` may see.
    pub(super) async fn of(tx: &Tx<'_>, id: ReportId, n: Option<Revision>, role: Role) -> Result<Self, DbError> {
        let stored = match n {
            Some(n) => report::revision(tx, id, n).await?,
            None => report::get(tx, id).await?,
        };
        let issues = perm::IssueReports::ROLES.contains(&role);
        Ok(Self {
            mails: if issues { recipient::mails(tx, &stored).await? } else { Vec::new() },
            stored,
            revisions: report::revisions(tx, id).await?,
            questions: question::list(tx, id).await?,
            standing: standing::find(tx, id).await?,
        })
    }
}

/// A report's life.
pub(super) struct Life {
    pub(super) id: Uuid,
    pub(super) superseded: bool,
    /// The key of the form that asks.
    pub(super) key: String,
    pub(super) revisions: Vec<RevisionLine>,
    pub(super) questions: Vec<Question>,
    /// What is for those alone who issue reports.
    pub(super) office: Option<Office>,
}

pub(super) struct RevisionLine {
    pub(super) n: Revision,
    pub(super) words: String,
}

pub(super) struct Question {
    pub(super) id: Uuid,
    pub(super) figure: &'static str,
    pub(super) words: String,
    pub(super) asked: String,
    pub(super) answer: Option<Answer>,
}

pub(super) struct Answer {
    pub(super) words: String,
    pub(super) said: String,
}

#[derive(Default)]
pub(super) struct Office {
    pub(super) draft: Option<Draft>,
    /// The customer, on whose page those are who get reports by mail.
    pub(super) customer: Uuid,
    /// Who gets it by mail, and how far that is.
    pub(super) mails: Vec<(String, String)>,
    /// Whether somebody who gets reports was not sent this one.
    pub(super) unsent: bool,
    /// The lines that differ from what was issued.
    pub(super) changes: Vec<String>,
    pub(super) proposal: Option<Proposal>,
    /// That a revision was declined; empty when none was.
    pub(super) declined: String,
}

pub(super) struct Draft {
    pub(super) at: Revision,
    /// Why it can't be issued; empty when it can.
    pub(super) refused: String,
    pub(super) reason_required: bool,
}

pub(super) struct Proposal {
    pub(super) at: Revision,
    pub(super) why: String,
}

impl Life {
    pub(super) fn of(loaded: &Loaded, role: Role) -> Self {
        let stored = &loaded.stored;
        let zone = zone(&stored.figures);
        let newest = loaded.revisions.first().is_none_or(|newest| newest.revision == stored.revision);
        let issues = perm::IssueReports::ROLES.contains(&role) && newest;
        Self {
            id: stored.id,
            key: form::key(),
            superseded: !newest,
            revisions: loaded.revisions.iter().filter_map(|one| revision(one, zone)).collect(),
            questions: loaded.questions.iter().map(|one| asked(one, zone)).collect(),
            office: issues.then(|| Office::of(loaded, zone)),
        }
    }
}

fn revision(one: &StoredReport, zone: Tz) -> Option<RevisionLine> {
    let issued = one.issued.as_ref()?;
    let by = if issued.how == "rule" { "by the rule" } else { "by a person" };
    let reason = issued.reason.as_ref().map(|reason| format!(": {reason}")).unwrap_or_default();
    Some(RevisionLine { n: one.revision, words: format!("issued {} {by}{reason}", words::instant(zone, issued.at)) })
}

fn asked(one: &StoredQuestion, zone: Tz) -> Question {
    let by = if one.by_customer { "the customer" } else { "the dealer" };
    let answer = one.answer.clone().zip(one.answered_at);
    Question {
        id: one.id,
        figure: Name::from_name(&one.figure).map_or("The report", Name::label),
        words: one.words.clone(),
        asked: format!("Asked by {by} {}", words::instant(zone, one.asked_at)),
        answer: answer.map(|(words, at)| Answer { words, said: format!("Answered {}", words::instant(zone, at)) }),
    }
}

impl Office {
    fn of(loaded: &Loaded, zone: Tz) -> Self {
        let issued = loaded.stored.issued.is_some();
        let by_mail = Self {
            customer: loaded.stored.customer_id,
            mails: loaded.mails.iter().map(|mail| (mail.email.clone(), mail_words(mail, issued, zone))).collect(),
            unsent: issued && loaded.mails.iter().any(|mail| !mail.wanted),
            ..Self::default()
        };
        let Some(standing) = &loaded.standing else {
            return Self { draft: Some(draft(&loaded.stored)), ..by_mail };
        };
        let now = standing.now.as_ref();
        let lines = now.map(|now| changes(&loaded.stored.figures, now)).unwrap_or_default();
        let proposal = standing.proposed.as_ref().map(|proposed| Proposal {
            at: standing.version,
            why: match &proposed.why {
                Some(why) => format!("A person says that the report is wrong: {why}"),
                None => "The difference is above the tolerance of your rule, so a person decides.".to_owned(),
            },
        });
        let declined = standing.declined.as_ref();
        Self {
            draft: None,
            changes: lines.into_iter().map(|line| line.words).collect(),
            proposal,
            declined: declined
                .map(|one| format!("A revision was declined {}: {}", words::instant(zone, one.at), one.why))
                .unwrap_or_default(),
            ..by_mail
        }
    }
}

fn mail_words(mail: &ReportMail, issued: bool, zone: Tz) -> String {
    match (mail.sent_at, mail.given_up, mail.wanted) {
        (Some(at), ..) => format!("sent {}", words::instant(zone, at)),
        (None, true, _) => "could not be delivered".to_owned(),
        (None, false, true) => "on its way".to_owned(),
        (None, false, false) if issued => "not sent: added after it was issued".to_owned(),
        (None, false, false) => "once it is issued".to_owned(),
    }
}

fn draft(stored: &StoredReport) -> Draft {
    let refused = match stored.figures.issuable(true) {
        Ok(()) => String::new(),
        Err(NotIssuable::MonthRuns) => {
            "It can be issued once the month is over and a night run has made it anew.".to_owned()
        }
        Err(other) => other.to_string(),
    };
    Draft { at: stored.revision, refused, reason_required: stored.figures.issuable(false).is_err() }
}
