//! What the customers do for a living: which machines they wash, when, and in which season.
//! Litres a wash are of the usual size (common practice, no source).

use chrono::{Datelike, NaiveDate};

/// A class of machines.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Class {
    pub(crate) name: &'static str,
    /// Water for one wash, in litres.
    pub(crate) wash_l: f64,
    /// Share of the washes.
    share: f64,
}

/// A way of making a living.
#[derive(Debug)]
pub(crate) struct Trade {
    pub(crate) classes: &'static [Class],
    /// Opening and closing hour on weekdays, on Saturdays, on Sundays.
    hours: [Option<(f64, f64)>; 3],
    /// How busy each month is, January first, where January is winter.
    seasons: [f64; 12],
}

const fn class(name: &'static str, wash_l: f64, share: f64) -> Class {
    Class { name, wash_l, share }
}

/// The trades, in the order of the firms' names in `region`.
pub(crate) const TRADES: [Trade; 7] = [
    Trade {
        classes: &[class("truck", 380.0, 0.55), class("trailer", 260.0, 0.35), class("van", 120.0, 0.10)],
        hours: [Some((6.0, 20.0)), Some((7.0, 13.0)), None],
        seasons: [1.2, 1.2, 1.1, 1.0, 0.95, 0.9, 0.9, 0.9, 0.95, 1.0, 1.05, 1.15],
    },
    Trade {
        classes: &[class("bus", 290.0, 0.8), class("minibus", 150.0, 0.2)],
        hours: [Some((5.0, 22.0)), Some((6.0, 20.0)), Some((7.0, 18.0))],
        seasons: [0.9, 0.9, 0.95, 1.0, 1.1, 1.15, 1.2, 1.2, 1.1, 1.0, 0.9, 0.85],
    },
    Trade {
        classes: &[class("tractor", 450.0, 0.5), class("harvester", 1300.0, 0.2), class("implement", 350.0, 0.3)],
        hours: [Some((7.0, 19.0)), Some((7.0, 15.0)), None],
        seasons: [0.35, 0.4, 0.7, 1.0, 1.1, 1.3, 1.8, 1.9, 1.5, 1.1, 0.6, 0.4],
    },
    Trade {
        classes: &[class("excavator", 800.0, 0.4), class("dumper", 600.0, 0.35), class("loader", 550.0, 0.25)],
        hours: [Some((7.0, 17.0)), None, None],
        seasons: [0.7, 0.75, 0.9, 1.0, 1.1, 1.15, 1.15, 1.1, 1.1, 1.05, 0.9, 0.7],
    },
    Trade {
        classes: &[
            class("skid_loader", 300.0, 0.35),
            class("mini_excavator", 350.0, 0.30),
            class("platform", 180.0, 0.20),
            class("van", 110.0, 0.15),
        ],
        hours: [Some((7.0, 18.0)), Some((8.0, 12.0)), None],
        seasons: [0.8, 0.8, 0.95, 1.05, 1.1, 1.15, 1.15, 1.1, 1.05, 1.0, 0.9, 0.8],
    },
    Trade {
        classes: &[class("refuse_truck", 420.0, 0.7), class("sweeper", 260.0, 0.3)],
        hours: [Some((5.0, 15.0)), Some((6.0, 12.0)), None],
        seasons: [1.0; 12],
    },
    Trade {
        classes: &[class("mower", 70.0, 0.6), class("tractor", 220.0, 0.25), class("utility_cart", 120.0, 0.15)],
        hours: [Some((6.0, 16.0)), Some((6.0, 14.0)), None],
        seasons: [0.4, 0.45, 0.8, 1.1, 1.35, 1.5, 1.5, 1.4, 1.2, 0.9, 0.6, 0.4],
    },
];

impl Trade {
    /// The trade of that number, counted on from the last to the first again.
    pub(crate) fn number(number: usize) -> &'static Self {
        const FIRST: &Trade = &TRADES[0];
        TRADES.get(number % TRADES.len()).unwrap_or(FIRST)
    }

    /// From when to when the bay is open on a day that is no holiday, in hours of the local clock.
    pub(crate) fn hours(&self, day: NaiveDate) -> Option<(f64, f64)> {
        let [weekdays, saturday, sunday] = self.hours;
        match day.weekday().num_days_from_monday() {
            0..5 => weekdays,
            5 => saturday,
            _ => sunday,
        }
    }

    /// How busy a day is against the mean working day.
    pub(crate) fn busyness(&self, day: NaiveDate, southern: bool) -> f64 {
        let month = (day.month0() as usize + if southern { 6 } else { 0 }) % 12;
        let weekday = match day.weekday().num_days_from_monday() {
            0 => 1.15,
            4 => 1.2,
            5 | 6 => 0.6,
            _ => 0.95,
        };
        weekday * self.seasons.get(month).copied().unwrap_or(1.0)
    }

    /// Mean water of a wash, in litres.
    pub(crate) fn mean_wash_l(&self) -> f64 {
        self.classes.iter().map(|class| class.share * class.wash_l).sum()
    }

    /// The class at a place from 0 to 1 of the mix.
    pub(crate) fn class_at(&self, place: f64) -> Option<&Class> {
        let mut left = place;
        let here = self.classes.iter().find(|class| {
            left -= class.share;
            left < 0.0
        });
        here.or(self.classes.last())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_mix_is_whole_and_every_trade_works() {
        let monday = "2026-07-06".parse().unwrap();
        for trade in &TRADES {
            let whole: f64 = trade.classes.iter().map(|class| class.share).sum();
            assert!((whole - 1.0).abs() < 1e-12);
            assert!(trade.hours(monday).is_some_and(|(opens, closes)| opens < closes));
            assert_eq!(trade.class_at(0.0).map(|class| class.name), Some(trade.classes[0].name));
            assert_eq!(trade.class_at(0.999).map(|class| class.name), trade.classes.last().map(|class| class.name));
        }
    }

    #[test]
    fn southern_summers_come_in_january() {
        let (farm, january) = (Trade::number(2), "2026-01-14".parse().unwrap());
        assert!(farm.busyness(january, true) > 4.0 * farm.busyness(january, false));
    }
}
