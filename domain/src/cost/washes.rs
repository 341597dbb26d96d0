//! Washes, by one rule for every figure that stands on them: what people tallied by class of
//! machine, where that covers all days; else a counter's; else sessions at single guns, where the
//! readings tell them apart on every day. They are never guessed.
//!
//! Tallies come first because they alone tell machines apart: so the washes of a statement, of a
//! cost and of a baseline with several classes are the same.
//!
//! How sure they are: tallies and counters are taken as exact, by choice, because how people and
//! counters err is not known. Sessions are at most too few, by an unknown number: washes that follow
//! one another sooner than the pause declared count as one.

use crate::facts::DayFact;
use crate::measures::wash_tally::WashTally;
use crate::metering::stream::Stream;
use crate::named::named;
use crate::uncertainty::quantity::{OneSided, Quantity};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

named! {
    /// How washes are known.
    WashesBy as "washes_by" {
        /// Tallied by class of machine.
        Tally = "tally",
        /// Counted by a counter, which can't tell machines apart.
        Counter = "counter",
        /// Told apart by pauses at single guns.
        Sessions = "sessions",
    }
}

/// What sessions are called where they may be too few.
const BY_SESSIONS: &str = "Washes told apart by pauses";

/// The washes of some days.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum Washes {
    /// Tallied, by machine class.
    Tally {
        /// How many of each class; a part of one where a tally reaches beyond the days.
        by_class: BTreeMap<String, f64>,
    },
    /// A counter.
    Counter {
        /// How many.
        washes: f64,
    },
    /// Sessions at single guns.
    Sessions {
        /// How many.
        washes: f64,
    },
    /// Nobody counts them.
    #[default]
    NotCounted,
}

impl Washes {
    /// The washes on `dates`, which are in order, by the day facts and tallies of a subject or a
    /// site. `counters` says whether its counters count all washes: not where one of several units
    /// has none.
    #[must_use]
    pub fn of<'d>(
        dates: &[NaiveDate],
        days: impl Iterator<Item = &'d DayFact>,
        tallies: &[WashTally],
        counters: bool,
    ) -> Self {
        if let Some(by_class) = tallied(dates, tallies) {
            return Self::Tally { by_class };
        }
        let days: Vec<&DayFact> = days.filter(|day| dates.binary_search(&day.date).is_ok()).collect();
        let counted = days.iter().filter_map(|day| day.amounts.get(Stream::WashCount));
        match counted.reduce(|sum, next| sum + next).filter(|_| counters) {
            Some(washes) => Self::Counter { washes },
            None => sessions(dates, &days).map_or(Self::NotCounted, |washes| Self::Sessions { washes }),
        }
    }

    /// The same washes with those of each day counted for a part of it, 0 to 1, as `part` says; known in
    /// the same way.
    #[must_use]
    pub fn for_parts<'d>(
        &self,
        dates: &[NaiveDate],
        days: impl Iterator<Item = &'d DayFact>,
        tallies: &[WashTally],
        part: impl Fn(NaiveDate) -> f64,
    ) -> Self {
        let days = days.filter(|day| dates.binary_search(&day.date).is_ok());
        match self {
            Self::Tally { .. } => {
                let mut by_class: BTreeMap<String, f64> = BTreeMap::new();
                for date in dates {
                    for (class, washes) in tallied(&[*date], tallies).unwrap_or_default() {
                        *by_class.entry(class).or_default() += washes * part(*date);
                    }
                }
                Self::Tally { by_class }
            }
            Self::Counter { .. } => {
                let of = |day: &DayFact| Some(day.amounts.get(Stream::WashCount)? * part(day.date));
                Self::Counter { washes: days.filter_map(of).sum() }
            }
            Self::Sessions { .. } => {
                let of = |day: &DayFact| day.sessions.map_or(0.0, f64::from) * part(day.date);
                Self::Sessions { washes: days.map(of).sum() }
            }
            Self::NotCounted => Self::NotCounted,
        }
    }

    /// How many; `None` where nobody counts them. Never guessed from volumes.
    #[must_use]
    pub fn count(&self) -> Option<f64> {
        match self {
            Self::Tally { by_class } => Some(by_class.values().sum()),
            Self::Counter { washes } | Self::Sessions { washes } => Some(*washes),
            Self::NotCounted => None,
        }
    }

    /// How many, with what is of known sign in them; `None` where nobody counts them.
    #[must_use]
    pub fn quantity(&self) -> Option<Quantity> {
        Some(self.sure(self.count()?))
    }

    /// So many of these washes, as sure as all of them.
    fn sure(&self, washes: f64) -> Quantity {
        match self {
            Self::Sessions { .. } => Quantity::exact(washes).with_one_sided(OneSided::washes(BY_SESSIONS)),
            Self::Tally { .. } | Self::Counter { .. } | Self::NotCounted => Quantity::exact(washes),
        }
    }

    /// What a reader of a count has to know of its error, a sentence each.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        self.quantity().unwrap_or_default().expanded().one_sided
    }

    /// How they are known; `None` where nobody counts them.
    #[must_use]
    pub fn by(&self) -> Option<WashesBy> {
        match self {
            Self::Tally { .. } => Some(WashesBy::Tally),
            Self::Counter { .. } => Some(WashesBy::Counter),
            Self::Sessions { .. } => Some(WashesBy::Sessions),
            Self::NotCounted => None,
        }
    }

    /// The washes by class, with what is of known sign in them; all are of the class `only` where
    /// nothing tells machines apart.
    #[must_use]
    pub fn by_class(&self, only: &str) -> Option<BTreeMap<String, Quantity>> {
        let sure = |(class, washes): (&str, f64)| (class.to_owned(), self.sure(washes));
        match self {
            Self::Tally { by_class } => Some(by_class.iter().map(|(class, washes)| sure((class, *washes))).collect()),
            Self::Counter { washes } | Self::Sessions { washes } => Some(BTreeMap::from([sure((only, *washes))])),
            Self::NotCounted => None,
        }
    }
}

/// Whether counters count all washes at a site, by its subjects: each with whether it is the site
/// itself, and whether it has a counter. That of a site's own counts all; else every unit needs one.
#[must_use]
pub fn counters_count_all(subjects: impl Iterator<Item = (bool, bool)>) -> bool {
    let (mut of_site, mut of_all, mut any) = (false, true, false);
    for (is_site, has) in subjects {
        of_site |= is_site && has;
        of_all &= is_site || has;
        any |= has;
    }
    of_site || (of_all && any)
}

impl WashesBy {
    /// What a reader of a figure has to know.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Tally => "Washes as people tallied them.",
            Self::Counter => "Washes by a counter.",
            Self::Sessions => {
                "Washes by the pauses between sessions at single guns: too few where one follows the other sooner than \
                 the pause declared."
            }
        }
    }
}

/// Washes by class, where the tallies of each class that was tallied at all cover every day; a
/// tally that reaches further is shared out evenly over its days, as what a dial shows is.
fn tallied(dates: &[NaiveDate], tallies: &[WashTally]) -> Option<BTreeMap<String, f64>> {
    let mut classes: BTreeMap<&str, (usize, f64)> = BTreeMap::new();
    for tally in tallies {
        let (from, Some(to)) = (tally.days.from(), tally.days.to()) else { continue };
        let before = |end: NaiveDate| dates.partition_point(|date| *date < end);
        let within = before(to).saturating_sub(before(from));
        if within > 0 {
            let (days, washes) = classes.entry(&tally.machine_class).or_default();
            *days += within;
            *washes += f64::from(tally.washes) * within as f64 / (to - from).num_days() as f64;
        }
    }
    // Left out, a class tallied in part would count as one that nobody washed.
    let whole = !classes.is_empty() && classes.values().all(|(days, _)| *days == dates.len());
    whole.then(|| classes.into_iter().map(|(class, (_, washes))| (class.to_owned(), washes)).collect())
}

/// Sessions, where all that was measured on each of the dates tells them.
fn sessions(dates: &[NaiveDate], days: &[&DayFact]) -> Option<f64> {
    let seen = |date: &NaiveDate| days.iter().any(|day| day.date == *date);
    if dates.is_empty() || !dates.iter().all(seen) {
        return None;
    }
    days.iter().map(|day| day.sessions.map(f64::from)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Amounts;
    use crate::measures::days::Days;
    use crate::measures::wash_tally::TallySource;
    use proptest::prelude::*;

    fn date(n: u64) -> NaiveDate {
        "2026-06-01".parse::<NaiveDate>().unwrap() + chrono::Days::new(n)
    }

    fn dates(days: u64) -> Vec<NaiveDate> {
        (0..days).map(date).collect()
    }

    fn day(n: u64, counted: Option<f64>, sessions: Option<u32>) -> DayFact {
        let mut amounts = Amounts::default();
        amounts.set(Stream::WashCount, counted);
        DayFact { date: date(n), amounts, coverage: 1.0, estimated_share: 0.0, open_exceptions: 0, sessions }
    }

    fn tally(class: &str, from: u64, to: u64, washes: i32) -> WashTally {
        WashTally {
            days: Days::parse(date(from), Some(date(to))).unwrap(),
            machine_class: class.to_owned(),
            washes,
            source: TallySource::Typed,
        }
    }

    #[test]
    fn tallies_come_first_then_counters_then_sessions() {
        let days: Vec<_> = (0..10).map(|n| day(n, Some(2.0), Some(3))).collect();
        let of =
            |days: &[DayFact], tallies: &[WashTally], counters| Washes::of(&dates(10), days.iter(), tallies, counters);
        let all = of(&days, &[tally("truck", 0, 10, 12)], true);
        assert_eq!((all.by(), all.count()), (Some(WashesBy::Tally), Some(12.0)));
        let counted = of(&days, &[tally("truck", 0, 9, 12)], true);
        assert_eq!((counted.by(), counted.count()), (Some(WashesBy::Counter), Some(20.0)), "a day was not tallied");
        let told_apart = of(&days, &[], false);
        assert_eq!((told_apart.by(), told_apart.count()), (Some(WashesBy::Sessions), Some(30.0)));
        let unseen: Vec<_> = (0..10).map(|n| day(n, None, (n != 4).then_some(3))).collect();
        assert_eq!(of(&unseen, &[], true), Washes::NotCounted);
        assert_eq!(of(&days[..9], &[], false), Washes::NotCounted, "of a day nothing was read");
        assert_eq!(of(&[], &[], true).count(), None);
    }

    /// Twenty days of tallies over the ten: half of 40 trucks and of 20 vans. A class that was tallied
    /// for nine days alone leaves all unknown.
    #[test]
    fn a_tally_is_shared_out_over_its_days() {
        let tallies = [tally("truck", 0, 20, 40), tally("van", 0, 20, 20)];
        let of = |tallies: &[WashTally]| Washes::of(&dates(10), [].iter(), tallies, true);
        let by_class = BTreeMap::from([("truck".to_owned(), 20.0), ("van".to_owned(), 10.0)]);
        assert_eq!(of(&tallies), Washes::Tally { by_class });
        assert_eq!(of(&[tallies.to_vec(), vec![tally("car", 0, 9, 9)]].concat()), Washes::NotCounted);
    }

    /// By hand, of ten days with the last three left out: 7 days of 1 tallied wash, of 2 counted and of 3
    /// told apart.
    #[test]
    fn a_part_of_the_days_counts_for_its_washes_alone() {
        let days: Vec<_> = (0..10).map(|n| day(n, Some(2.0), Some(3))).collect();
        let of = |tallies: &[WashTally], counters| {
            let all = Washes::of(&dates(10), days.iter(), tallies, counters);
            let part = |on: NaiveDate| if on < date(7) { 1.0 } else { 0.0 };
            let found = all.for_parts(&dates(10), days.iter(), tallies, part);
            assert_eq!(found.by(), all.by());
            found.count()
        };
        assert_eq!(of(&[tally("truck", 0, 20, 20)], true), Some(7.0));
        assert_eq!((of(&[], true), of(&[], false)), (Some(14.0), Some(21.0)));
    }

    #[test]
    fn says_in_json_how_they_are_known() {
        let json = |washes: &Washes| serde_json::to_value(washes).unwrap();
        assert_eq!(json(&Washes::Sessions { washes: 4.0 }), serde_json::json!({"by": "sessions", "washes": 4.0}));
        assert_eq!(json(&Washes::NotCounted), serde_json::json!({"by": "not_counted"}));
        let tally = Washes::Tally { by_class: BTreeMap::from([("truck".to_owned(), 5.0)]) };
        assert_eq!(serde_json::from_value::<Washes>(json(&tally)).unwrap(), tally);
        let class = |name: &str, washes| Some(BTreeMap::from([(name.to_owned(), Quantity::exact(washes))]));
        assert_eq!(tally.by_class("any"), class("truck", 5.0));
        assert_eq!(Washes::Counter { washes: 2.0 }.by_class("van"), class("van", 2.0));
    }

    #[test]
    fn sessions_alone_may_be_too_few() {
        let sessions = Washes::Sessions { washes: 4.0 };
        let of = sessions.quantity().unwrap();
        assert_eq!((of.value, of.u(), of.one_sided.len()), (4.0, 0.0, 1));
        assert_eq!(sessions.by_class("van").unwrap().get("van"), Some(&of));
        assert_eq!(sessions.words(), ["Washes told apart by pauses may be too few: the figure may be higher."]);
        let tally = Washes::Tally { by_class: BTreeMap::from([("truck".to_owned(), 5.0), ("van".to_owned(), 2.0)]) };
        assert_eq!(tally.quantity(), Some(Quantity::exact(7.0)));
        assert_eq!(Washes::Counter { washes: 4.0 }.quantity(), Some(Quantity::exact(4.0)));
        assert_eq!((Washes::NotCounted.quantity(), Washes::NotCounted.words()), (None, Vec::new()));
    }

    #[test]
    fn one_unit_without_a_counter_leaves_washes_uncounted() {
        let all = |subjects: &[(bool, bool)]| counters_count_all(subjects.iter().copied());
        assert!(all(&[(false, true), (false, true)]) && all(&[(true, true), (false, false)]));
        assert!(!all(&[(false, true), (false, false)]) && !all(&[(true, false)]) && !all(&[]));
        assert!(all(&[(true, false), (false, true)]));
    }

    proptest! {
        /// However the days are cut in two, their washes add up to those of all.
        #[test]
        fn parts_add_up(
            cut in 1_u64..29,
            washes in prop::collection::vec(0_i32..50, 30),
            long in 0_i32..300,
            sessions in any::<bool>(),
        ) {
            let each: Vec<WashTally> = (0_u64..).zip(&washes).map(|(n, washes)| tally("truck", n, n + 1, *washes)).collect();
            let tallies = [each, vec![tally("van", 0, 45, long)]].concat();
            let tallies = if sessions { Vec::new() } else { tallies };
            let days: Vec<DayFact> =
                (0_u64..).zip(&washes).map(|(n, washes)| day(n, None, u32::try_from(*washes).ok())).collect();
            let all = dates(30);
            let of = |dates: &[NaiveDate]| Washes::of(dates, days.iter(), &tallies, true);
            let (first, second) = all.split_at(usize::try_from(cut).unwrap());
            prop_assert_eq!(of(first).by(), of(&all).by());
            let parts = of(first).count().unwrap() + of(second).count().unwrap();
            prop_assert!((parts - of(&all).count().unwrap()).abs() < 1e-9);
        }
    }
}
