//! All that is written down of a site's money, as the night run loads it.

use super::agreed_fee::AgreedFee;
use super::bill::SiteBill;
use super::billed_item::Billed;
use super::cost_terms::CostTerms;
use super::cycles::{by_month, holding};
use super::day_uses::Worked;
use super::site_account::SiteAccount;
use super::stays::SiteStays;
use crate::baseline::avoided::Missing;
use crate::baseline::history::Baselines;
use crate::ids::{CostTermsId, SiteId, WaterAccountId};
use crate::measures::wash_tally::WashTally;
use crate::metering::spread::WorkingCalendar;
use crate::savings::{BilledCycle, Part, Uses, Withheld};
use crate::tariff::account::winter_average;
use crate::tariff::record::SewerVolume;
use crate::tariff::{Cycle, Tariff};
use crate::units::Litres;
use crate::zone::Month;
use chrono::NaiveDate;

/// A site's money.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteMoney {
    /// The site.
    pub site_id: SiteId,
    /// Its accounts that were ever charged for its units' water.
    pub accounts: Vec<AccountMoney>,
    /// Its baselines.
    pub baselines: Baselines,
    /// What the customer pays, the oldest first.
    pub cost_terms: Vec<(CostTermsId, CostTerms)>,
    /// Agreements, the oldest first: their fee counts where the terms have none.
    pub agreements: Vec<AgreedFee>,
    /// What the customer was billed for besides.
    pub billed: Vec<Billed>,
    /// The local days on which loads were taken away, one each.
    pub loads: Vec<NaiveDate>,
    /// Fresh water used in months gone by, where sewer is billed by a winter's average.
    pub monthly: Vec<(Month, Litres)>,
    /// When the site works.
    pub working: WorkingCalendar,
    /// Washes that people tallied there.
    pub tallies: Vec<WashTally>,
    /// When units stood there, in which states, and what was filled in by hose.
    pub stays: SiteStays,
}

/// An account with what is known of its bills.
#[derive(Debug, Clone, PartialEq)]
pub struct AccountMoney {
    /// Its key.
    pub id: WaterAccountId,
    /// The account.
    pub record: SiteAccount,
    /// Its tariff, all versions; `None` while it has none.
    pub tariff: Option<Tariff>,
    /// Its bills, as they were typed in, the oldest first.
    pub bills: Vec<SiteBill>,
}

/// When something stood at a site, and until when what passed there is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Stood {
    stays: Vec<Cycle>,
    /// The first day of which nothing is known yet.
    pub known_until: NaiveDate,
}

impl Stood {
    /// Puts stays in order; those that meet become one.
    #[must_use]
    pub fn new(mut stays: Vec<Cycle>, known_until: NaiveDate) -> Self {
        stays.retain(|stay| stay.from < stay.to);
        stays.sort_by_key(|stay| stay.from);
        let mut joined: Vec<Cycle> = Vec::new();
        for stay in stays {
            match joined.last_mut().filter(|last| stay.from <= last.to) {
                Some(last) => last.to = last.to.max(stay.to),
                None => joined.push(stay),
            }
        }
        Self { stays: joined, known_until }
    }

    /// The known days of `days` on which something stood there.
    fn within(&self, days: Cycle) -> Vec<Cycle> {
        let known = Cycle { to: days.to.min(self.known_until), ..days };
        self.stays.iter().map(|stay| common(*stay, known)).filter(|days| days.from < days.to).collect()
    }

    /// The days of a cycle that are not known yet, while something is to stand there.
    fn open(&self, cycle: Cycle) -> Option<Cycle> {
        let to = self.stays.last().map_or(cycle.from, |last| last.to.min(cycle.to));
        let open = Cycle { from: self.known_until.max(cycle.from), to };
        (open.from < open.to).then_some(open)
    }
}

impl SiteMoney {
    /// When it works and its units treat, and what was tallied there. `counters` says whether those of its day facts count
    /// all washes.
    pub(crate) fn worked(&self, counters: bool) -> Worked<'_> {
        Worked { working: &self.working, tallies: &self.tallies, counters, stays: &self.stays }
    }

    /// The billing cycles that touch the days of a month on which something stood at the site, for
    /// [`money_saved`](crate::savings::money_saved): each whole, with its days in other months.
    /// `uses` says what would have been and was used in some days of one month.
    ///
    /// # Errors
    /// Why there is no figure.
    pub fn billed(
        &self,
        month: Month,
        stood: &Stood,
        uses: impl Fn(Cycle) -> Result<Uses, Missing>,
    ) -> Result<Vec<BilledCycle<'_>>, Withheld> {
        let mut cycles = self.cycles(month, stood)?;
        for part in cycles.iter_mut().flat_map(|billed| &mut billed.parts) {
            part.uses = uses(part.days);
        }
        Ok(cycles)
    }

    /// The billing cycles that touch the days of a month on which something stood there, each with
    /// all its such days as far as they are known, cut where a month begins and where a baseline
    /// begins or ends. What was used in them is not filled in yet.
    pub(super) fn cycles(&self, month: Month, stood: &Stood) -> Result<Vec<BilledCycle<'_>>, Withheld> {
        let served = stood.within(Cycle { from: month.first_day(), to: month.next().first_day() });
        let (Some(first), Some(last)) = (served.first(), served.last()) else { return Ok(Vec::new()) };
        let days = Cycle { from: first.from, to: last.to };
        let mut found = Vec::new();
        let mut day = days.from;
        while day < days.to {
            let (money, charged) = self.charged(day).ok_or_else(|| self.nobody(day, days.to))?;
            let within = common(charged, Cycle { from: day, to: days.to });
            let none = Withheld::NoTariff { from: day, to: within.to };
            let tariff = money.tariff.as_ref().ok_or(none)?;
            let billed: Vec<Cycle> = money.bills.iter().map(|bill| bill.period).collect();
            let SiteAccount { cycle_anchor, account, .. } = &money.record;
            for cycle in holding(within, *cycle_anchor, account.cycle_months, &billed) {
                let of_account = common(cycle, charged);
                let known = stood.within(of_account).into_iter().flat_map(|days| self.cut(days));
                let parts = known.map(|days| Part { days, uses: Err(Missing::Baseline) });
                let winter_l_per_month = self.winter(tariff, cycle)?;
                found.push(BilledCycle {
                    account,
                    tariff,
                    cycle,
                    open: stood.open(of_account),
                    winter_l_per_month,
                    parts: parts.collect(),
                });
            }
            day = within.to;
        }
        Ok(found)
    }

    /// What the site used in an average month of the winter before a cycle, where sewer is billed by
    /// that; the account's other use comes on top of it in the bill.
    pub(super) fn winter(&self, tariff: &Tariff, cycle: Cycle) -> Result<Option<Litres>, Withheld> {
        let holds = tariff.versions.iter().filter(|version| version.to.is_none_or(|to| cycle.from < to));
        let sewer = holds.filter(|version| version.from < cycle.to).filter_map(|version| version.sewer.as_ref());
        let months = sewer.into_iter().find_map(|sewer| match &sewer.volume {
            SewerVolume::WinterAverage { months, .. } => Some(months),
            _ => None,
        });
        Ok(months.map(|months| winter_average(months, &self.monthly, cycle.from)).transpose()?)
    }

    /// Days cut where a month begins, and where a baseline begins or ends.
    fn cut(&self, days: Cycle) -> Vec<Cycle> {
        let mut parts = Vec::new();
        for mut part in by_month(days) {
            let changes = self.baselines.records().iter().flat_map(|record| {
                std::iter::once(record.first_day).chain(record.last_day.and_then(|last| last.succ_opt()))
            });
            for change in changes {
                if part.from < change && change < part.to {
                    parts.push(Cycle { from: part.from, to: change });
                    part.from = change;
                }
            }
            parts.push(part);
        }
        parts
    }

    /// The account that is charged on a day, and on which days.
    pub(crate) fn charged(&self, day: NaiveDate) -> Option<(&AccountMoney, Cycle)> {
        let mut charged = self.accounts.iter().filter_map(|money| Some((money, money.record.charged?)));
        let (money, charged) = charged.find(|(_, charged)| charged.contains(day))?;
        Some((money, Cycle { from: charged.from, to: charged.until.unwrap_or(NaiveDate::MAX) }))
    }

    /// From a day without an account until the next has one.
    pub(super) fn nobody(&self, from: NaiveDate, to: NaiveDate) -> Withheld {
        let begins = self.accounts.iter().filter_map(|money| Some(money.record.charged?.from));
        Withheld::NoAccount { from, to: begins.filter(|begins| *begins > from).fold(to, NaiveDate::min) }
    }
}

/// The days of both.
pub(super) fn common(a: Cycle, b: Cycle) -> Cycle {
    Cycle { from: a.from.max(b.from), to: a.to.min(b.to) }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::accounts::site_account::tests::{date, site_account};
    use crate::baseline::record::Baseline;
    use crate::baseline::record::tests::baseline;
    use crate::money::{Currency, Money};
    use crate::savings::{MoneySaved, money_saved};
    use crate::tariff::reconcile::ActualBill;
    use crate::uncertainty::quantity::Quantity;
    use rust_decimal::Decimal;
    use serde_json::json;
    use uuid::Uuid;

    fn cycle(from: &str, to: &str) -> Cycle {
        Cycle { from: date(from), to: date(to) }
    }

    pub(crate) fn money(charged: &[(&str, Option<&str>)]) -> SiteMoney {
        let tariff: Tariff = serde_json::from_value(json!({
            "name": "City", "currency": "EUR", "rounding": "half_up",
            "versions": [{"from": "2025-01-01", "unit": "m3", "per": "month"}]
        }))
        .unwrap();
        let accounts = charged.iter().enumerate().map(|(n, (from, until))| AccountMoney {
            id: WaterAccountId(Uuid::from_u128(n as u128)),
            record: site_account(from, *until),
            tariff: Some(tariff.clone()),
            bills: Vec::new(),
        });
        SiteMoney {
            site_id: SiteId(Uuid::from_u128(1)),
            accounts: accounts.collect(),
            baselines: Baselines::default(),
            cost_terms: Vec::new(),
            agreements: Vec::new(),
            billed: Vec::new(),
            loads: Vec::new(),
            monthly: Vec::new(),
            working: WorkingCalendar::default(),
            tallies: Vec::new(),
            stays: SiteStays { zone: chrono_tz::Tz::UTC, stays: Vec::new() },
        }
    }

    fn march() -> Month {
        Month::parse("2026-03").unwrap()
    }

    fn saved(
        money: &SiteMoney,
        stay: Cycle,
        today: &str,
        uses: impl Fn(Cycle) -> Result<Uses, Missing>,
    ) -> Result<MoneySaved, Withheld> {
        money_saved(march(), &money.billed(march(), &Stood::new(vec![stay], date(today)), uses)?)
    }

    /// The cycles of March, with what of them is open and known.
    fn cycles(money: &SiteMoney, stays: &[Cycle], today: &str) -> Vec<(Cycle, Option<Cycle>, Vec<Cycle>)> {
        let found = money.cycles(march(), &Stood::new(stays.to_vec(), date(today))).unwrap().into_iter();
        found.map(|of| (of.cycle, of.open, of.parts.iter().map(|part| part.days).collect())).collect()
    }

    fn ever() -> Cycle {
        cycle("2026-01-01", "2099-01-01")
    }

    /// The anchor is the fifteenth.
    #[test]
    fn a_months_cycles_reach_into_its_neighbours() {
        let found = cycles(&money(&[("2026-01-01", None)]), &[ever()], "2026-04-02");
        let (first, second) = (cycle("2026-02-15", "2026-03-15"), cycle("2026-03-15", "2026-04-15"));
        assert_eq!(
            found,
            [
                (first, None, vec![cycle("2026-02-15", "2026-03-01"), cycle("2026-03-01", "2026-03-15")]),
                (
                    second,
                    Some(cycle("2026-04-02", "2026-04-15")),
                    vec![cycle("2026-03-15", "2026-04-01"), cycle("2026-04-01", "2026-04-02")]
                ),
            ]
        );
    }

    #[test]
    fn another_account_takes_over_on_its_day() {
        let both = money(&[("2026-01-01", Some("2026-03-10")), ("2026-03-10", None)]);
        let found = cycles(&both, &[ever()], "2026-05-01");
        let days: Vec<_> = found.iter().flat_map(|(_, _, days)| days.clone()).collect();
        assert_eq!(
            days,
            [
                cycle("2026-02-15", "2026-03-01"),
                cycle("2026-03-01", "2026-03-10"),
                cycle("2026-03-10", "2026-03-15"),
                cycle("2026-03-15", "2026-04-01"),
                cycle("2026-04-01", "2026-04-15")
            ]
        );
    }

    #[test]
    fn bills_say_when_cycles_really_began() {
        let mut one = money(&[("2026-01-01", None)]);
        let total = Money { amount: Decimal::ONE, currency: Currency::parse("EUR").unwrap() };
        let bill = ActualBill { lines: Vec::new(), total };
        one.accounts[0].bills.push(SiteBill { period: cycle("2026-02-03", "2026-03-05"), metered_l: None, bill });
        let found = cycles(&one, &[ever()], "2026-05-01");
        let cycles: Vec<_> = found.iter().map(|(cycle, ..)| *cycle).collect();
        assert_eq!(cycles, [cycle("2026-02-03", "2026-03-05"), cycle("2026-03-05", "2026-04-05")]);
    }

    /// A unit from 10 to 20 March, a second baseline from the fourteenth: the rest of both cycles
    /// saves nothing, and nothing is taken on.
    #[test]
    fn only_served_days_are_asked_for() {
        let mut one = money(&[("2026-01-01", None)]);
        let of = |first: &str, last: Option<&str>| Baseline {
            first_day: date(first),
            last_day: last.map(date),
            ..baseline()
        };
        one.baselines = Baselines::parse(vec![of("2026-01-01", Some("2026-03-13")), of("2026-03-14", None)]).unwrap();
        let found = cycles(&one, &[cycle("2026-03-10", "2026-03-21")], "2026-03-25");
        let (first, second) = (cycle("2026-02-15", "2026-03-15"), cycle("2026-03-15", "2026-04-15"));
        assert_eq!(
            found,
            [
                (first, None, vec![cycle("2026-03-10", "2026-03-14"), cycle("2026-03-14", "2026-03-15")]),
                (second, None, vec![cycle("2026-03-15", "2026-03-21")]),
            ]
        );
    }

    /// A unit until 20 February, another from 10 to 20 March and a third from 1 to 8 April, whose
    /// baseline ends on the fourth: nothing is taken of the days between them.
    #[test]
    fn stays_in_other_months_of_a_cycle_count() {
        let mut one = money(&[("2026-01-01", None)]);
        let ends = Baseline { first_day: date("2026-01-01"), last_day: Some(date("2026-04-04")), ..baseline() };
        one.baselines = Baselines::parse(vec![ends]).unwrap();
        let stays =
            [cycle("2026-04-01", "2026-04-09"), cycle("2026-01-01", "2026-02-21"), cycle("2026-03-10", "2026-03-21")];
        let (first, second) = (cycle("2026-02-15", "2026-03-15"), cycle("2026-03-15", "2026-04-15"));
        let ended = [cycle("2026-02-15", "2026-02-21"), cycle("2026-03-10", "2026-03-15")].to_vec();
        let known =
            [cycle("2026-03-15", "2026-03-21"), cycle("2026-04-01", "2026-04-05"), cycle("2026-04-05", "2026-04-09")];
        let found = cycles(&one, &stays, "2026-05-01");
        assert_eq!(found, [(first, None, ended.clone()), (second, None, known.to_vec())]);
        let early = cycles(&one, &stays, "2026-04-03");
        let open = Some(cycle("2026-04-03", "2026-04-09"));
        assert_eq!(
            early,
            [(first, None, ended), (second, open, vec![known[0], cycle("2026-04-01", "2026-04-03")])],
            "the third unit leaves before the cycle ends"
        );
    }

    /// 10 L a day avoided at 1 a cubic metre, from the tenth on: 50 L of the first cycle, and of
    /// the second 17 days to the month's end.
    #[test]
    fn money_is_saved_in_the_cycles_of_the_month() {
        let mut one = money(&[("2026-01-01", None)]);
        let json = json!({"blocks": [{"price": "1000"}]});
        if let Some(version) = one.accounts[0].tariff.as_mut().and_then(|tariff| tariff.versions.first_mut()) {
            version.water = serde_json::from_value(json).unwrap();
        }
        let uses = |days: Cycle| {
            let litres = |a_day: f64| Quantity::exact(a_day * days.days() as f64);
            Ok(Uses { baseline_l: litres(15.0), fresh_used_l: litres(5.0), discharge: None })
        };
        let served = cycle("2026-03-10", "2099-01-01");
        let found = saved(&one, served, "2026-05-01", uses).unwrap();
        assert_eq!((found.saved.least.to_string(), found.estimated), ("220.00 EUR".into(), false));
        let going_on = saved(&one, served, "2026-04-01", uses).unwrap();
        assert_eq!((going_on.saved.least.to_string(), going_on.estimated), ("220.00 EUR".into(), true));
        let refused = saved(&one, served, "2026-05-01", |_| Err(Missing::Baseline)).unwrap_err();
        assert_eq!(refused.code(), "no_baseline");
    }

    /// Of the winter before 15 February 2026 the months of 2025 count: 6 m3 on average. A month that
    /// is not known is named.
    #[test]
    fn the_winter_before_a_cycle_is_averaged() {
        let mut one = money(&[("2026-01-01", None)]);
        let sewer = json!({
            "blocks": [{"price": "2"}], "volume": {"winter_average": {"months": [12, 1, 2], "lower_of_actual": false}}
        });
        if let Some(version) = one.accounts[0].tariff.as_mut().and_then(|tariff| tariff.versions.first_mut()) {
            version.sewer = serde_json::from_value(sewer).unwrap();
        }
        let of = |month: &str, m3: f64| (Month::parse(month).unwrap(), Litres(m3 * 1000.0));
        one.monthly = vec![of("2024-12", 3.0), of("2025-01", 6.0), of("2025-02", 9.0), of("2025-12", 99.0)];
        let tariff = one.accounts[0].tariff.clone().unwrap();
        let cycle = cycle("2026-02-15", "2026-03-15");
        assert_eq!(one.winter(&tariff, cycle), Ok(Some(Litres(6000.0))));
        one.monthly.remove(1);
        let refused = one.winter(&tariff, cycle).unwrap_err();
        assert!(refused.code() == "no_bill" && refused.to_string().contains("2025-01"), "{refused}");
    }

    #[test]
    fn days_without_account_or_tariff_are_named() {
        let refused =
            |money: &SiteMoney| money.cycles(march(), &Stood::new(vec![ever()], date("2026-05-01"))).unwrap_err();
        let (from, to) = (date("2026-03-01"), date("2026-03-10"));
        assert_eq!(refused(&money(&[("2026-03-10", None)])), Withheld::NoAccount { from, to });
        assert_eq!(refused(&money(&[])), Withheld::NoAccount { from, to: date("2026-04-01") });
        let mut without = money(&[("2026-01-01", None)]);
        without.accounts[0].tariff = None;
        assert_eq!(refused(&without), Withheld::NoTariff { from, to: date("2026-04-01") });
    }
}
