//! Letters to people about their sign-in: invitations, and links to set a password anew. The secret in a
//! link is made as the letter is written; the database keeps its hash.

use crate::auth::{Scope, secret};
use crate::db::job::{self, Job};
use crate::db::people::invitation::{self, INVITE, InvitationState};
use crate::db::{Db, DbError, customer, dealer};
use crate::mail::{Letter, Post};
use chrono::{DateTime, Utc};
use domain::ids::{AccountId, InvitationId};
use serde::Deserialize;

#[derive(Deserialize)]
struct OfInvitation {
    invitation_id: InvitationId,
}

#[derive(Deserialize)]
struct OfReset {
    account_id: AccountId,
}

/// The letter of a job; none when it is no longer wanted.
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
    if job.kind == INVITE { invite(db, scope, post, now, job).await } else { reset(db, scope, post, now, job).await }
}

async fn invite(db: &Db, scope: &Scope, post: &Post, now: DateTime<Utc>, job: &Job) -> Result<Option<Letter>, DbError> {
    let OfInvitation { invitation_id } = job::payload(job)?;
    db.write(scope, now, async |tx| {
        if invitation::get(tx, invitation_id).await?.state(tx.now()) != InvitationState::Open {
            return Ok(None);
        }
        let (token, invited) = invitation::add_link(tx, invitation_id).await?;
        let dealer = dealer::get(tx).await?.name;
        let whose = match invited.value.customer {
            Some(customer) => format!(" for {}", customer::get(tx, customer).await?.value.name),
            None => String::new(),
        };
        let text = format!(
            "Dear {},\n\n{dealer} invites you to Weirbook{whose}, where its water recycling units are looked after. \
             Open this address within seven days to accept:\n\n{}\n\nThe address is for you alone and works once. If \
             you did not expect this mail, leave it be.\n\n{dealer}\n",
            invited.value.person.name,
            post.invitation_link(&token)
        );
        let subject = format!("{dealer} invites you to Weirbook");
        let to = invited.value.person.email;
        Ok(Some(Letter { id: job.id.to_string(), sender: dealer, to, subject, text, more: None }))
    })
    .await
}

async fn reset(db: &Db, scope: &Scope, post: &Post, now: DateTime<Utc>, job: &Job) -> Result<Option<Letter>, DbError> {
    let OfReset { account_id } = job::payload(job)?;
    let account = match db.account(account_id).await {
        Ok(account) => account,
        Err(DbError::NotFound) => return Ok(None),
        Err(error) => return Err(error),
    };
    let dealer = db.read(scope, now, async |tx| dealer::get(tx).await).await?.name;
    let (text, hash) = secret::random();
    db.add_reset(account.id, &hash, now).await?;
    let text = format!(
        "Dear {},\n\nsomebody asked to set the password of your Weirbook account anew. If it was you, open this \
         address within an hour:\n\n{}\n\nIf it was not, leave this mail be: your password stays as it is.\n\n\
         {dealer}\n",
        account.name,
        post.reset_link(&text)
    );
    let subject = "Set your Weirbook password anew".to_owned();
    Ok(Some(Letter { id: job.id.to_string(), sender: dealer, to: account.email, subject, text, more: None }))
}
