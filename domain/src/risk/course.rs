//! Whether a unit gets worse: its failures and process upsets over the days that it stood at sites.

use super::{LEVEL, days_between};
use crate::named::named;
use crate::reliability::estimate::Bounds;
use crate::reliability::repairable::{History, PowerLaw, laplace, rate};
use crate::report::display::said;
use chrono::{DateTime, Utc};

named! {
    /// How a unit does.
    Way as "course" {
        /// What happens to it comes ever sooner.
        GettingWorse = "getting_worse",
        /// It is not shown to come sooner or later.
        Steady = "steady",
        /// It comes ever later.
        GettingBetter = "getting_better",
        /// Too little happened to tell.
        TooFew = "too_few",
    }
}

/// Failures and upsets below which no way is told: the normal approximation of Laplace's test is
/// fair from four on (common practice, no source).
pub const EVENTS_MIN: usize = 4;

/// How a unit does, and by which figures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// Failures and upsets.
    pub events: usize,
    /// Days in which it stood at sites.
    pub days: f64,
    /// How it does.
    pub way: Way,
    /// Chance of so clear a trend where there is none; none where too little happened.
    pub p: Option<f64>,
    /// Mean days between them, as if they came at one rate; none without any.
    pub mean_days: Option<f64>,
    /// Its bounds.
    pub mean_days_bounds: Bounds,
    /// The exponent of the power law, above 1 for a unit that gets worse; none with too few.
    pub growth: Option<f64>,
    /// Its bounds.
    pub growth_bounds: Option<Bounds>,
    /// Mean days between them as things stand now, by the power law; none with too few.
    pub present_mean_days: Option<f64>,
    /// Its bounds.
    pub present_mean_days_bounds: Option<Bounds>,
}

/// How a unit does that stood at sites for these stretches, in order, while this happened to it;
/// none for one that never stood anywhere.
#[must_use]
pub fn course(stays: &[(DateTime<Utc>, DateTime<Utc>)], events: &[DateTime<Utc>]) -> Option<Course> {
    let days: f64 = stays.iter().map(|(from, to)| days_between(*from, *to).max(0.0)).sum();
    // An instant in days of standing at sites; none while it stood nowhere, or at the very begin.
    let placed = |at: &DateTime<Utc>| {
        let within = stays.iter().any(|(from, to)| from <= at && at <= to);
        let before: f64 = stays.iter().map(|(from, to)| days_between(*from, (*to).min(*at)).max(0.0)).sum();
        (within && before > 0.0).then_some(before.min(days))
    };
    let times: Vec<f64> = events.iter().filter_map(placed).collect();
    let between = rate(times.len(), days, LEVEL)?;
    let events = times.len();
    let history = History::to_time(times, days).ok()?;
    let trend = laplace(std::slice::from_ref(&history)).filter(|_| events >= EVENTS_MIN);
    let law: Option<PowerLaw> = history.power_law().ok().filter(|_| events >= EVENTS_MIN);
    let way = match trend {
        None => Way::TooFew,
        Some(trend) if trend.p > 1.0 - LEVEL => Way::Steady,
        Some(trend) if trend.z > 0.0 => Way::GettingWorse,
        Some(_) => Way::GettingBetter,
    };
    Some(Course {
        events,
        days,
        way,
        p: trend.map(|trend| trend.p),
        mean_days: between.mean_time_between,
        mean_days_bounds: between.mean_time_bounds,
        growth: law.map(|law| law.beta_unbiased.unwrap_or(law.beta)),
        growth_bounds: law.and_then(|law| law.beta_bounds(LEVEL)),
        present_mean_days: law.map(|law| law.mtbf_modified.unwrap_or(law.mtbf)),
        present_mean_days_bounds: law.and_then(|law| law.mtbf_bounds(LEVEL)),
    })
}

impl Course {
    /// It in words.
    #[must_use]
    pub fn words(&self) -> String {
        let Self { events, days, way, .. } = self;
        let happened = format!("{events} failures and upsets in {} days", said(*days, 0));
        let between =
            self.mean_days.map_or_else(String::new, |mean| format!(", one in {} days on average", said(mean, 0)));
        let now =
            self.present_mean_days.map_or_else(String::new, |mean| format!(", of late one in {} days", said(mean, 0)));
        match way {
            Way::GettingWorse => format!("getting worse: {happened}{between}, ever sooner{now}"),
            Way::GettingBetter => format!("getting better: {happened}{between}, ever later{now}"),
            Way::Steady => format!("steady: {happened}{between}, neither sooner nor later as far as they tell"),
            Way::TooFew => format!("too little happened to tell: {happened}; {EVENTS_MIN} are needed"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::tests::published::{list, near, number, parsed};
    use chrono::TimeDelta;

    fn at(day: f64) -> DateTime<Utc> {
        #[expect(clippy::cast_possible_truncation, reason = "the days of a test")]
        let milliseconds = (day * 86_400_000.0).round() as i64;
        "2020-01-01T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::milliseconds(milliseconds)
    }

    /// The repair times of NIST/SEMATECH e-Handbook 8.4.5.2, in days and with the unit in store for
    /// a hundred days in between: the growth slope printed is 0.5165, one less the exponent. Laplace's
    /// test has -1.33 deviations (derived), which tell no trend.
    #[test]
    fn days_in_store_do_not_count() {
        let case = parsed("nhpp")["cases"][1].clone();
        let times = list(&case["times"]);
        let stored = |day: f64| if day > 500.0 { day + 100.0 } else { day };
        let events: Vec<DateTime<Utc>> = times.iter().map(|day| at(stored(*day))).chain([at(550.0)]).collect();
        let found = course(&[(at(0.0), at(500.0)), (at(600.0), at(1600.0))], &events).unwrap();
        assert_eq!((found.events, found.way), (10, Way::Steady), "{found:?}");
        near(found.days, 1500.0, 1e-12);
        near(found.growth.unwrap(), number(&case["computed"]["beta_unbiased"]), 1e-9);
        near(1.0 - found.growth.unwrap(), number(&case["published_from_memory"]["reliability_growth_slope"]), 1e-4);
        assert!(
            found.growth_bounds.unwrap().contains(found.growth.unwrap()) && found.words().starts_with("steady: 10")
        );
        near(found.present_mean_days.unwrap(), number(&case["computed"]["mtbf_T_modified"]), 1e-9);
        assert!(found.present_mean_days_bounds.unwrap().contains(found.present_mean_days.unwrap()));
        let better = course(&[(at(0.0), at(1000.0))], &[3.0, 9.0, 40.0, 95.0, 150.0].map(at)).unwrap();
        assert_eq!(better.way, Way::GettingBetter, "{better:?}");
    }

    #[test]
    fn what_comes_ever_sooner_gets_worse_and_few_events_tell_nothing() {
        let stay = [(at(0.0), at(1000.0))];
        let worse = course(&stay, &[700.0, 850.0, 900.0, 950.0, 980.0, 995.0].map(at)).unwrap();
        assert_eq!(worse.way, Way::GettingWorse, "{worse:?}");
        assert!(worse.present_mean_days < worse.mean_days && worse.words().contains(", of late one in "), "{worse:?}");
        let even = course(&stay, &[100.0, 300.0, 500.0, 700.0, 900.0].map(at)).unwrap();
        assert!(even.way == Way::Steady && even.mean_days_bounds.contains(200.0) && even.mean_days == Some(200.0));
        let few = course(&stay, &[10.0, 20.0, 30.0].map(at)).unwrap();
        assert_eq!((few.way, few.p, few.growth), (Way::TooFew, None, None));
        assert_eq!(few.words(), "too little happened to tell: 3 failures and upsets in 1,000 days; 4 are needed");
        let none = course(&stay, &[]).unwrap();
        assert_eq!((none.events, none.mean_days, none.mean_days_bounds.upper), (0, None, None));
        assert_eq!(course(&[], &[at(3.0)]), None);
    }
}
