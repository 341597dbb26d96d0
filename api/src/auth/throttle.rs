//! How long somebody has to wait after tries that did not end in a sign-in. Counted are three
//! things: tries at one account from one place (its network, or a browser that the account knows), all
//! tries at an account from places its owner never signed in from, and all tries of a network. An account under attack from elsewhere so
//! stays open to its owner's own places, and guessing gets slow for everybody else.

use chrono::Duration;
use sha2::{Digest, Sha256};

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Counted {
    /// Tries at one account from one place.
    Pair,
    /// Tries at one account from places that are strange to it.
    Account,
    /// Tries of one network at whatever account.
    Network,
}

impl Counted {
    /// Tries without a pause.
    fn free(self) -> u32 {
        match self {
            Self::Pair => 5,
            Self::Account => 20,
            Self::Network => 60,
        }
    }

    /// The first pause, doubled with each further try, and the longest.
    fn pauses(self) -> (Duration, Duration) {
        match self {
            Self::Pair => (Duration::seconds(2), Duration::minutes(15)),
            Self::Account => (Duration::seconds(5), Duration::minutes(10)),
            Self::Network => (Duration::seconds(2), Duration::minutes(5)),
        }
    }

    /// After how long without a try all is forgotten.
    #[must_use]
    pub fn forgotten_after(self) -> Duration {
        match self {
            Self::Pair | Self::Account => Duration::hours(24),
            Self::Network => Duration::hours(1),
        }
    }

    /// How long to wait after so many tries in a row.
    #[must_use]
    pub fn pause(self, tries: u32) -> Duration {
        let (first, longest) = self.pauses();
        let Some(doublings) = tries.checked_sub(self.free()) else { return Duration::zero() };
        first.checked_mul(1 << doublings.min(16)).map_or(longest, |pause| pause.min(longest))
    }

    /// Under which key it is kept: a hash, so that the table tells nothing of who was tried.
    #[must_use]
    pub fn key(self, account: &str, place: &str) -> Vec<u8> {
        let parts = match self {
            Self::Pair => ["pair", account, place],
            Self::Account => ["account", account, ""],
            Self::Network => ["network", "", place],
        };
        Sha256::digest(parts.join("\0")).to_vec()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_from_the_first_try_too_many() {
        let seconds = |counted: Counted, tries: u32| counted.pause(tries).num_seconds();
        let pair: Vec<_> = [1, 4, 5, 6, 7, 13, 14, 400].map(|tries| seconds(Counted::Pair, tries)).into();
        assert_eq!(pair, [0, 0, 2, 4, 8, 512, 900, 900]);
        assert_eq!((seconds(Counted::Account, 19), seconds(Counted::Account, 20)), (0, 5));
        assert_eq!((seconds(Counted::Account, u32::MAX), seconds(Counted::Network, 100)), (600, 300));
    }

    /// NIST SP 800-63B-4, section 3.2.2: at most 100 wrong tries in a row are to be possible before
    /// something more than a pause stands in the way; here a day of guessing yields few more.
    #[test]
    fn a_day_of_guessing_is_short() {
        let day = |counted: Counted| {
            let (mut spent, mut tries) = (Duration::zero(), 0);
            while spent < Duration::hours(24) {
                tries += 1;
                spent += counted.pause(tries);
            }
            tries
        };
        assert!(day(Counted::Pair) <= 110, "{}", day(Counted::Pair));
        assert!(day(Counted::Account) <= 175, "{}", day(Counted::Account));
    }

    #[test]
    fn keys_are_apart() {
        let keys = [Counted::Pair, Counted::Account, Counted::Network].map(|counted| counted.key("a", "b"));
        assert!(keys[0] != keys[1] && keys[1] != keys[2] && keys[0] != keys[2]);
        assert_ne!(Counted::Pair.key("a", "bc"), Counted::Pair.key("ab", "c"));
    }
}
