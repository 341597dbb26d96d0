//! Bills before the unit, normalised for each wash or day.
//!
//! The rate is the sum of the volumes over the sum of washes or days, so that a long bill counts
//! for what it is. Its scatter is that of a ratio of sums (sampling theory, from memory):
//!
//! ```text
//! rate      = sum(V) / sum(x)
//! residual  = V - rate x
//! u(rate)^2 = n / (n - 1) * sum(residual^2) / sum(x)^2        n - 1 degrees of freedom
//! CV(RMSE)  = sqrt(sum(residual^2) / (n - 1)) / mean(V)
//! R^2       = 1 - sum(residual^2) / sum((V - mean(V))^2)
//! ```

use super::method::Per;
use crate::fault::Faults;
use crate::span;
use crate::uncertainty::quantity::{Cause, Component, Key, Quantity};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// Bills before the unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bills {
    /// The bills, in order.
    pub bills: Vec<Bill>,
    /// For each of what the rate is.
    pub per: Per,
    /// Relative standard uncertainty of the supplier's meter and of what was taken off for
    /// other use.
    pub u_scale_share: f64,
}

/// One bill.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bill {
    /// Its first day.
    pub first_day: NaiveDate,
    /// Its last day.
    pub last_day: NaiveDate,
    /// Water billed, in litres.
    pub volume_l: f64,
    /// Of that, water for other use than washing, in litres.
    pub other_use_l: f64,
    /// Working days within it.
    pub working_days: f64,
    /// Washes within it, where they were counted.
    pub washes: Option<f64>,
}

/// How well a rate fits the bills it was made of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// Root mean square of the residuals over the mean bill.
    pub cv_rmse: f64,
    /// Coefficient of determination; null when all bills are the same.
    pub r2: Option<f64>,
}

/// What a dealer asks of fitted bills. Several limits are quoted for ASHRAE Guideline 14, such as
/// a CV(RMSE) below 0.25 and an R2 above 0.75 for monthly data: a setting, and none by itself.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct FitLimits {
    /// Most that the CV(RMSE) may be; null where it is not asked.
    pub most_cv_rmse: Option<f64>,
    /// Least that R2 may be; null where it is not asked, as for a mean.
    pub least_r2: Option<f64>,
}

impl FitLimits {
    /// The limits.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if let Some(most) = self.most_cv_rmse {
            faults.range("/most_cv_rmse", most, 0.01, 10.0);
        }
        if let Some(least) = self.least_r2 {
            faults.range("/least_r2", least, 0.0, 1.0);
        }
        faults.or(self)
    }
}

/// Bills that one baseline can name.
const BILLS_MAX: usize = 120;
const VOLUME_L_MAX: f64 = 1e10;

impl Bill {
    /// Water for washing, in litres.
    fn washing_l(&self) -> f64 {
        self.volume_l - self.other_use_l
    }

    /// Washes or days.
    fn count(&self, per: Per) -> f64 {
        match per {
            Per::Wash => self.washes.unwrap_or(0.0),
            Per::Day => self.working_days,
        }
    }
}

impl Bills {
    /// The bills, checked: in order, apart from each other, before `first_day`, and within the
    /// limits where those are asked.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self, first_day: NaiveDate, limits: Option<&FitLimits>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if !(1..=BILLS_MAX).contains(&self.bills.len()) {
            faults.add("/bills", "out_of_range", format!("give 1 to {BILLS_MAX} bills"));
        }
        faults.range("/u_scale_share", self.u_scale_share, 0.0, 1.0);
        let mut earlier: Option<NaiveDate> = None;
        for (n, bill) in self.bills.iter().enumerate() {
            let at = |field: &str| format!("/bills/{n}/{field}");
            span::date(&mut faults, &at("first_day"), bill.first_day);
            if bill.last_day < bill.first_day {
                faults.add(at("last_day"), "before_first_day", "give a day at or after the bill's first");
            }
            if earlier.is_some_and(|earlier| bill.first_day <= earlier) {
                faults.add(at("first_day"), "bills_overlap", "give bills in order, each after the one before it");
            }
            if bill.last_day >= first_day {
                faults.add(at("last_day"), "not_before", "give bills that end before the baseline begins");
            }
            earlier = Some(bill.last_day);
            self.check_amounts(&mut faults, n, bill);
        }
        if let (true, Some(limits), Some(fit)) = (faults.0.is_empty(), limits, self.fit()) {
            fit.check(limits, &mut faults);
        }
        faults.or(self)
    }

    fn check_amounts(&self, faults: &mut Faults, n: usize, bill: &Bill) {
        let at = |field: &str| format!("/bills/{n}/{field}");
        faults.range(&at("volume_l"), bill.volume_l, 0.0, VOLUME_L_MAX);
        faults.range(&at("other_use_l"), bill.other_use_l, 0.0, bill.volume_l.max(0.0));
        let days = (bill.last_day - bill.first_day).num_days() + 1;
        #[expect(clippy::cast_precision_loss, reason = "days within two centuries are exact")]
        faults.range(&at("working_days"), bill.working_days, 0.0, days.max(1) as f64);
        match (self.per, bill.washes) {
            (Per::Wash, None) => faults.add(at("washes"), "required", "give the washes, or normalise for each day"),
            (_, Some(washes)) => faults.range(&at("washes"), washes, 0.0, 1e6),
            (Per::Day, None) => {}
        }
        let counts = self.bills.iter().map(|bill| bill.count(self.per));
        if n == 0 && counts.sum::<f64>() <= 0.0 {
            faults.add("/bills", "nothing_washed", "give bills of days on which was washed");
        }
    }

    fn sums(&self) -> (f64, f64) {
        let volume = self.bills.iter().map(Bill::washing_l).sum();
        (volume, self.bills.iter().map(|bill| bill.count(self.per)).sum())
    }

    fn squared_residuals(&self) -> f64 {
        let (volume, count) = self.sums();
        let residual = |bill: &Bill| bill.washing_l() - volume / count * bill.count(self.per);
        self.bills.iter().map(|bill| residual(bill).powi(2)).sum()
    }

    fn n(&self) -> f64 {
        self.bills.iter().map(|_| 1.0).sum()
    }

    /// Litres for each wash or working day.
    #[must_use]
    pub fn rate(&self) -> Quantity {
        let ((volume, count), n) = (self.sums(), self.n());
        let rate = Quantity::exact(volume / count)
            .with_relative(Key::new("baseline, supplier's meter", Cause::Scale), self.u_scale_share);
        if n < 2.0 {
            return rate;
        }
        let u = (n / (n - 1.0) * self.squared_residuals()).sqrt() / count;
        let key = Key::new("baseline, bills", Cause::Scatter);
        rate.with_component(Component { key, sensitivity: 1.0, u, dof: Some(n - 1.0) })
    }

    /// How well the rate fits; `None` for a single bill.
    #[must_use]
    pub fn fit(&self) -> Option<Fit> {
        let ((volume, _), n) = (self.sums(), self.n());
        if n < 2.0 {
            return None;
        }
        let (mean, residuals) = (volume / n, self.squared_residuals());
        let total: f64 = self.bills.iter().map(|bill| (bill.washing_l() - mean).powi(2)).sum();
        Some(Fit { cv_rmse: (residuals / (n - 1.0)).sqrt() / mean, r2: (total > 0.0).then(|| 1.0 - residuals / total) })
    }

    pub(super) fn words(&self) -> String {
        let scatter = match self.bills.len() {
            1 => " It is one bill: how much bills differ is not known.",
            _ => "",
        };
        format!(
            "The baseline is the water that was billed before the unit (bills: {}) for each {}; weather and season are \
             not taken out of it.{scatter}",
            self.bills.len(),
            match self.per {
                Per::Wash => "wash",
                Per::Day => "working day",
            }
        )
    }
}

impl Fit {
    fn check(&self, limits: &FitLimits, faults: &mut Faults) {
        if let Some(most) = limits.most_cv_rmse
            && self.cv_rmse > most
        {
            let fix = format!(
                "the bills scatter by {:.0} % about their rate, and {:.0} % is asked: give more bills, or another method",
                self.cv_rmse * 100.0,
                most * 100.0
            );
            faults.add("/bills", "poor_fit", fix);
        }
        if let (Some(least), Some(r2)) = (limits.least_r2, self.r2)
            && r2 < least
        {
            let fix = format!("the rate explains {r2:.2} of what differs between bills, and {least:.2} is asked");
            faults.add("/bills", "poor_fit", fix);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::record::tests::{date, pointers};

    fn bill(month: u32, volume_l: f64, washes: f64) -> Bill {
        let first_day = NaiveDate::from_ymd_opt(2025, month, 1).unwrap();
        let last_day = NaiveDate::from_ymd_opt(2025, month, 28).unwrap();
        Bill { first_day, last_day, volume_l, other_use_l: 0.0, working_days: 20.0, washes: Some(washes) }
    }

    fn bills(per: Per, bills: &[Bill]) -> Bills {
        Bills { bills: bills.to_vec(), per, u_scale_share: 0.02 }
    }

    /// By hand: 30, 50 and 40 m3 for 100, 160 and 140 washes are 300 L a wash; residuals of
    /// 0, 2 and -2 m3; u = sqrt(3/2 * 8e6) / 400 = 8.66 L; CV = sqrt(8e6 / 2) / 40,000 = 5 %;
    /// R2 = 1 - 8e6 / 2e8 = 0.96.
    #[test]
    fn a_rate_and_its_scatter() {
        let bills = bills(Per::Wash, &[bill(1, 30e3, 100.0), bill(2, 50e3, 160.0), bill(3, 40e3, 140.0)]);
        let rate = bills.rate();
        assert_eq!(rate.value, 300.0);
        assert!((rate.u() - 8.660_254_04_f64.hypot(6.0)).abs() < 1e-6);
        assert_eq!(rate.contributions()[1].dof, Some(2.0));
        let fit = bills.fit().unwrap();
        assert!((fit.cv_rmse - 0.05).abs() < 1e-12 && (fit.r2.unwrap() - 0.96).abs() < 1e-12);
        assert!(bills.words().contains("weather and season are not taken out"));
    }

    #[test]
    fn other_use_is_taken_off_and_one_bill_has_no_scatter() {
        let one = bills(Per::Day, &[Bill { other_use_l: 10e3, ..bill(1, 30e3, 0.0) }]);
        assert_eq!((one.rate().value, one.rate().u(), one.fit()), (1000.0, 20.0, None));
        assert!(one.words().ends_with("is not known."));
    }

    /// The limits quoted for ASHRAE Guideline 14 (mcp.waymark.network, low authority).
    #[test]
    fn a_poor_fit_is_a_fault_only_where_limits_are_asked() {
        let poor = bills(Per::Wash, &[bill(1, 10e3, 100.0), bill(2, 50e3, 160.0), bill(3, 60e3, 140.0)]);
        let limits = FitLimits { most_cv_rmse: Some(0.25), least_r2: Some(0.75) };
        assert!(poor.clone().checked(date("2026-01-01"), None).is_ok());
        let faults = poor.checked(date("2026-01-01"), Some(&limits)).unwrap_err();
        assert_eq!(faults.0.iter().map(|fault| fault.code).collect::<Vec<_>>(), ["poor_fit", "poor_fit"]);
        let wrong = FitLimits { most_cv_rmse: Some(0.0), least_r2: Some(f64::NAN) }.checked().unwrap_err();
        assert_eq!(pointers(&wrong), ["/most_cv_rmse", "/least_r2"]);
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = bills(
            Per::Wash,
            &[
                Bill { washes: None, working_days: 40.0, ..bill(2, 10.0, 0.0) },
                Bill { other_use_l: 20.0, ..bill(1, 10.0, 1.0) },
                Bill { last_day: date("2025-02-20"), ..bill(3, -1.0, 1.0) },
                Bill { last_day: date("2026-01-02"), ..bill(4, 1.0, -1.0) },
            ],
        );
        let faults = wrong.checked(date("2026-01-01"), None).unwrap_err();
        let want = [
            "/bills/0/working_days",
            "/bills/0/washes",
            "/bills/1/first_day",
            "/bills/1/other_use_l",
            "/bills/2/last_day",
            "/bills/2/volume_l",
            "/bills/2/working_days",
            "/bills/3/last_day",
            "/bills/3/washes",
        ];
        assert_eq!(pointers(&faults), want);
        assert!(bills(Per::Day, &[]).checked(date("2026-01-01"), None).is_err());
        let idle = bills(Per::Day, &[Bill { working_days: 0.0, ..bill(1, 10.0, 0.0) }]);
        assert_eq!(idle.checked(date("2026-01-01"), None).unwrap_err().0[0].code, "nothing_washed");
    }
}
