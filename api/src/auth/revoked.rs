//! What was revoked of late. Access tokens are believed without asking the database, so every
//! instance looks every few seconds which sign-ins have ended and which memberships have changed
//! while a token of theirs may still run.

use super::token::{ACCESS_MINUTES, Identity};
use chrono::{DateTime, Duration, Utc};
use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

/// How old what is known may be before it is looked up anew.
const LOOK_AFTER_S: i64 = 5;
/// How old it may be before tokens are no longer believed: a revocation holds within a minute.
const BELIEVED_S: i64 = 60;

/// What was revoked while access tokens of it may still run.
#[derive(Debug, Clone, Default)]
pub struct Recent {
    /// Sign-ins that ended.
    pub sessions: HashSet<Uuid>,
    /// Memberships that changed, with their revision now.
    pub memberships: HashMap<Uuid, i32>,
}

impl Recent {
    /// The instant since when revocations matter at `now`.
    #[must_use]
    pub fn since(now: DateTime<Utc>) -> DateTime<Utc> {
        now - Duration::minutes(ACCESS_MINUTES + 1)
    }
}

#[derive(Default)]
struct Known {
    looked_at: Option<DateTime<Utc>>,
    /// Whether this instance revoked something itself since then.
    again: bool,
    recent: Recent,
}

/// What an instance knows of it.
#[derive(Clone, Default)]
pub struct Revoked(Arc<Mutex<Known>>);

impl Revoked {
    /// Nothing revoked, as of `now`.
    #[must_use]
    pub fn none_at(now: DateTime<Utc>) -> Self {
        let revoked = Self::default();
        revoked.learn(now, Recent::default());
        revoked
    }

    /// Whether it is time to look again.
    #[must_use]
    pub fn is_due(&self, now: DateTime<Utc>) -> bool {
        let known = self.known();
        known.again || known.looked_at.is_none_or(|at| now - at >= Duration::seconds(LOOK_AFTER_S))
    }

    /// Notes what was found at `now`.
    pub fn learn(&self, now: DateTime<Utc>, recent: Recent) {
        *self.known() = Known { looked_at: Some(now), again: false, recent };
    }

    /// Has the next request look again, for what this instance revoked itself.
    pub fn look_again(&self) {
        self.known().again = true;
    }

    /// Whether a token may be believed; none when too little is known to say.
    #[must_use]
    pub fn allows(&self, identity: &Identity, now: DateTime<Utc>) -> Option<bool> {
        let known = self.known();
        known.looked_at.filter(|at| now - *at <= Duration::seconds(BELIEVED_S))?;
        let changed = known.recent.memberships.get(&identity.membership);
        let is_old = changed.is_some_and(|revision| *revision > identity.revision);
        Some(!is_old && !known.recent.sessions.contains(&identity.session))
    }

    fn known(&self) -> std::sync::MutexGuard<'_, Known> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::auth::Role;
    use domain::ids::{AccountId, DealerId};

    #[test]
    fn ended_sign_ins_and_older_revisions_are_refused() {
        let now = Utc::now();
        let identity = Identity {
            account: AccountId(Uuid::nil()),
            dealer: DealerId(1),
            membership: Uuid::from_u128(1),
            revision: 2,
            role: Role::Owner,
            customer: None,
            session: Uuid::from_u128(2),
            grant: None,
        };
        let revoked = Revoked::default();
        assert!(revoked.is_due(now) && revoked.allows(&identity, now).is_none(), "nothing is known yet");
        let at_revision =
            |revision| Recent { memberships: [(identity.membership, revision)].into(), ..Recent::default() };
        revoked.learn(now, at_revision(2));
        assert_eq!((revoked.allows(&identity, now), revoked.is_due(now)), (Some(true), false));
        revoked.look_again();
        assert_eq!((revoked.allows(&identity, now), revoked.is_due(now)), (Some(true), true));
        revoked.learn(now, at_revision(3));
        assert_eq!(revoked.allows(&identity, now), Some(false));
        revoked.learn(now, Recent { sessions: [identity.session].into(), ..Recent::default() });
        assert_eq!(revoked.allows(&identity, now), Some(false));
        let revoked = Revoked::none_at(now);
        assert!(revoked.is_due(now + Duration::seconds(LOOK_AFTER_S)));
        assert_eq!(revoked.allows(&identity, now + Duration::seconds(BELIEVED_S)), Some(true));
        assert_eq!(revoked.allows(&identity, now + Duration::seconds(BELIEVED_S + 1)), None);
    }
}
