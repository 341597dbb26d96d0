//! What water that is wasted day by day costs: the difference of two bills of the running cycle, so
//! that it has the price of the blocks in which the account ends.

use super::cycles::holding;
use super::site_account::SiteAccount;
use super::site_money::SiteMoney;
use crate::money::Money;
use crate::savings::Withheld;
use crate::tariff::prices::CyclePrices;
use crate::tariff::{Cycle, WaterUse};
use crate::units::Litres;
use chrono::NaiveDate;
use rust_decimal::Decimal;

impl SiteMoney {
    /// What `wasted_l_per_day` costs a day, at least and at most, at a site that uses
    /// `used_l_per_day` with it: those bounds differ where other use of the account is known by
    /// bounds alone.
    ///
    /// # Errors
    /// Why there is no figure.
    pub fn wasted_water(
        &self,
        on: NaiveDate,
        used_l_per_day: f64,
        wasted_l_per_day: f64,
    ) -> Result<(Money, Money), Withheld> {
        let next = on.succ_opt().unwrap_or(on);
        let (money, _) = self.charged(on).ok_or_else(|| self.nobody(on, next))?;
        let tariff = money.tariff.as_ref().ok_or(Withheld::NoTariff { from: on, to: next })?;
        let SiteAccount { cycle_anchor, account, .. } = &money.record;
        let billed: Vec<Cycle> = money.bills.iter().map(|bill| bill.period).collect();
        let cycles = holding(Cycle { from: on, to: next }, *cycle_anchor, account.cycle_months, &billed);
        let cycle = cycles.into_iter().next().ok_or(Withheld::NoTariff { from: on, to: next })?;
        let prices = CyclePrices::new(account, tariff, cycle)?;
        let winter_l_per_month = self.winter(tariff, cycle)?;
        // Exact: a cycle has fewer days than a float has whole numbers.
        let days = cycle.days() as f64;
        let of = |l_per_day: f64| WaterUse {
            water_l: Litres(l_per_day.max(0.0) * days),
            winter_l_per_month,
            ..WaterUse::default()
        };
        let used = used_l_per_day.max(wasted_l_per_day);
        let range = prices.saving_range(account.other_use, &of(used), &of(used - wasted_l_per_day))?;
        let a_day = |saving: Money| Money { amount: saving.amount / Decimal::from(cycle.days()), ..saving }.rounded();
        Ok((a_day(range.least.saving), a_day(range.most.saving)))
    }
}
