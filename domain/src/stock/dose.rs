//! What the models of a site's units say that it uses of an item: so much on a running day, for a
//! cubic metre of wash water, or for a wash.
//!
//! ```text
//! use in a month = sum over units of dose x (running days | wash water in m3 | washes)
//! ```

use crate::ids::UnitId;
use crate::template::DosePer;
use std::collections::HashMap;

/// Litres in a cubic metre.
const L_PER_M3: f64 = 1000.0;

/// What a unit's model says that it uses of an item.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnitDose {
    /// The unit.
    pub unit: UnitId,
    /// How much, in the item's unit.
    pub dose: f64,
    /// For each of what.
    pub per: DosePer,
}

/// What washed in a month; `None` where nothing tells.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Washed {
    /// Wash water, in litres.
    pub water_l: Option<f64>,
    /// Washes.
    pub washes: Option<f64>,
}

/// What washed at a site in a month.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SiteWashed {
    /// At each unit that is measured by itself.
    pub units: HashMap<UnitId, Washed>,
    /// By what is measured of the whole site.
    pub site: Washed,
}

/// The doses of one item at a site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Doses<'a> {
    /// Of each of its units.
    pub of: &'a [UnitDose],
    /// Units that stand there, also those without a dose.
    pub units: u32,
}

impl Doses<'_> {
    /// Expected use in a month of `running_d` running days, in the item's unit. `None` where what a
    /// dose goes by is not known. What the whole site washed counts for its units alike.
    #[must_use]
    pub fn in_month(&self, running_d: f64, washed: &SiteWashed) -> Option<f64> {
        let shared = |whole: Option<f64>| whole.map(|whole| whole / f64::from(self.units.max(1)));
        let used = self.of.iter().map(|dose| {
            let own = washed.units.get(&dose.unit).copied().unwrap_or_default();
            let times = match dose.per {
                DosePer::Day => Some(running_d),
                DosePer::M3 => own.water_l.or(shared(washed.site.water_l)).map(|litres| litres / L_PER_M3),
                DosePer::Wash => own.washes.or(shared(washed.site.washes)),
            };
            times.map(|times| dose.dose * times)
        });
        used.sum()
    }

    /// Expected use of a running day, by these months of which each has its running days. `None`
    /// where no month tells.
    #[must_use]
    pub fn per_day<'w>(&self, months: impl IntoIterator<Item = (f64, &'w SiteWashed)>) -> Option<f64> {
        if self.of.iter().all(|dose| dose.per == DosePer::Day) {
            return (!self.of.is_empty()).then(|| self.of.iter().map(|dose| dose.dose).sum());
        }
        let known = months.into_iter().filter_map(|(days, washed)| Some((days, self.in_month(days, washed)?)));
        let (days, used) = known.fold((0.0, 0.0), |(days, used), month| (days + month.0, used + month.1));
        (days >= 1.0).then(|| used / days)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    const ONE: UnitId = UnitId(Uuid::from_u128(1));
    const TWO: UnitId = UnitId(Uuid::from_u128(2));

    fn dose(unit: UnitId, dose: f64, per: DosePer) -> UnitDose {
        UnitDose { unit, dose, per }
    }

    fn washed(units: &[(UnitId, f64, f64)], site: Washed) -> SiteWashed {
        let of = |&(unit, water_l, washes): &(UnitId, f64, f64)| {
            (unit, Washed { water_l: Some(water_l), washes: Some(washes) })
        };
        SiteWashed { units: units.iter().map(of).collect(), site }
    }

    #[test]
    fn a_dose_goes_by_what_it_is_said_for() {
        let month = washed(&[(ONE, 50_000.0, 200.0)], Washed::default());
        let used = |per| Doses { of: &[dose(ONE, 0.5, per)], units: 1 }.in_month(28.0, &month);
        assert_eq!(used(DosePer::Day), Some(14.0));
        assert_eq!(used(DosePer::M3), Some(25.0), "50 m3");
        assert_eq!(used(DosePer::Wash), Some(100.0));
        // 25 in 28 days.
        let per_day = Doses { of: &[dose(ONE, 0.5, DosePer::M3)], units: 1 }.per_day([(28.0, &month)]);
        assert!((per_day.unwrap() - 25.0 / 28.0).abs() < 1e-12);
    }

    #[test]
    fn units_measured_together_count_alike() {
        let of = [dose(ONE, 0.5, DosePer::M3), dose(TWO, 1.0, DosePer::M3)];
        let site = Washed { water_l: Some(60_000.0), washes: None };
        // 30 m3 each: 15 and 30.
        assert_eq!(Doses { of: &of, units: 2 }.in_month(30.0, &washed(&[], site)), Some(45.0));
        // A third unit has its share of the water and no dose.
        assert_eq!(Doses { of: &of, units: 3 }.in_month(30.0, &washed(&[], site)), Some(30.0));
        // 10 m3 at the first by its own meter, and of the second nothing is known.
        let own = washed(&[(ONE, 10_000.0, 40.0)], Washed::default());
        assert_eq!(Doses { of: &of, units: 2 }.in_month(30.0, &own), None);
    }

    #[test]
    fn days_alone_ask_for_no_month() {
        let of = [dose(ONE, 0.5, DosePer::Day), dose(TWO, 0.25, DosePer::Day)];
        assert_eq!(Doses { of: &of, units: 2 }.per_day([]), Some(0.75));
        assert_eq!(Doses { of: &[], units: 2 }.per_day([]), None);
        let by_wash = [dose(ONE, 0.5, DosePer::Wash)];
        assert_eq!(Doses { of: &by_wash, units: 1 }.per_day([(30.0, &SiteWashed::default())]), None);
    }
}
