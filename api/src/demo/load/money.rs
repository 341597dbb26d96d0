//! What a site's water costs: account, tariff, bill, baseline, terms, investment, tallies.

use super::{Ground, Place, instant};
use crate::db::accounts::{baseline, cost_terms, tariff, water_account, water_bill};
use crate::db::{DbError, Tx, measures};
use crate::demo::Fleet;
use crate::demo::invent::money::{self, MACHINES};
use crate::demo::invent::names::region;
use crate::demo::invent::oddity::Metering;
use crate::demo::invent::plan::UnitPlan;
use crate::demo::invent::work::MonthWork;
use chrono::{Months, NaiveDate, NaiveTime};
use domain::accounts::bill::SiteBill;
use domain::accounts::investment::Investment;
use domain::accounts::site_account::{Charged, SiteAccount};
use domain::accounts::versions::Before;
use domain::baseline::method::Method;
use domain::baseline::record::{Agreed, Baseline, Evidence, Scope};
use domain::ids::WaterAccountId;
use domain::measures::days::Days;
use domain::measures::wash_tally::{TallySource, WashTally};
use domain::measures::working_days::{Hours, Week, WorkingDays};
use domain::money::{Currency, Money};
use domain::tariff::reconcile::{ActualBill, ActualLine};
use domain::tariff::{Cycle, Tariff, WaterAccount, WaterUse, bill};
use domain::units::Litres;
use domain::zone::{Month, local_date};
use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// A site whose units' water costs something.
struct Paying<'a> {
    number: usize,
    place: &'a Place,
    /// The day on which its first unit was put in.
    first_day: NaiveDate,
    plans: Vec<&'a UnitPlan>,
    /// What each of them washed, by month.
    work: Vec<&'a [MonthWork]>,
}

/// Adds what is written down of the money of all sites.
pub(super) async fn add(tx: &Tx<'_>, ground: &Ground, fleet: &Fleet) -> Result<(), DbError> {
    for (number, place) in ground.sites.iter().enumerate() {
        let stood = |plan: &UnitPlan| plan.stays.iter().any(|stay| stay.site == number);
        let units: Vec<_> = fleet.units.iter().zip(&fleet.work).filter(|((plan, _), _)| stood(plan)).collect();
        let Some(from_s) = units.iter().map(|((plan, _), _)| plan.from_s).min() else { continue };
        let paying = Paying {
            number,
            place,
            first_day: local_date(region(number).zone, instant(from_s)),
            plans: units.iter().map(|((plan, _), _)| plan).collect(),
            work: units.iter().map(|(_, work)| work.as_slice()).collect(),
        };
        paying.add(tx).await?;
    }
    Ok(())
}

impl Paying<'_> {
    async fn add(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let site = self.place.site;
        measures::create(tx, site, &working_days(self.first_day)?).await?;
        let (account, tariff) = self.add_account(tx).await?;
        if self.number == 0 {
            self.type_in_bill(tx, account, &tariff).await?;
        }
        let units = u32::try_from(self.plans.len()).unwrap_or(u32::MAX);
        let metered = self.plans.iter().all(|plan| plan.metering == Metering::Full);
        let terms = money::terms(self.number, self.first_day, units, metered)?;
        cost_terms::create(tx, site, &terms.checked()?).await?;
        if self.plans.iter().any(|plan| plan.metering == Metering::Without) {
            // What the site uses is not known, so nothing is held against a baseline.
            return Ok(());
        }
        if self.plans.iter().all(|plan| plan.metering == Metering::Hand) {
            self.add_tallies(tx).await?;
        }
        let bills = money::bills_before(self.number, self.first_day, &self.work);
        let evidence = "The supplier's bills of the half-year before.";
        self.agree(tx, bills, evidence).await?;
        if self.number.is_multiple_of(4) {
            self.invest(tx, units).await?;
        }
        Ok(())
    }

    async fn add_account(&self, tx: &Tx<'_>) -> Result<(WaterAccountId, Tariff), DbError> {
        let utility = money::utility(self.number);
        let anchor = Month::of(self.first_day).first_day();
        let new = SiteAccount {
            site_id: self.place.site,
            supplier: utility.supplier.to_owned(),
            account_number: Some(format!("{:06}", 310_400 + 73 * self.number)),
            cycle_anchor: anchor,
            charged: Charged::parse(Some(self.first_day), None)?,
            account: account(utility.cycle_months),
        };
        let id = water_account::create(tx, &new.checked()?).await?.id;
        // So that the cycle in which the first unit came has its prices.
        let from = anchor.checked_sub_months(Months::new(6)).unwrap_or(anchor);
        let new = money::tariff(self.number, from)?.checked()?;
        tariff::create(tx, id, &new, Before::Ends).await?;
        Ok((id, new))
    }

    /// The bill of the month before last, with a charge that the tariff does not know.
    async fn type_in_bill(&self, tx: &Tx<'_>, id: WaterAccountId, tariff: &Tariff) -> Result<(), DbError> {
        let today = local_date(region(self.number).zone, tx.now());
        let month = Month::of(today).previous().previous();
        let period = Cycle { from: month.first_day(), to: month.next().first_day() };
        let metered = Litres(96_000.0);
        let computed = bill(&account(1), tariff, period, &WaterUse::of(metered));
        let computed = computed.map_err(|_error| DbError::NotFound)?;
        let known = computed.lines.into_iter().map(|line| ActualLine {
            code: Some(line.code.to_string()),
            words: line.words.to_string(),
            quantity: Some(line.quantity),
            price: Some(line.price),
            amount: line.amount,
        });
        let fee = Decimal::new(640, 2);
        let unknown = ActualLine {
            code: None,
            words: "Cross-connection program".to_owned(),
            quantity: None,
            price: None,
            amount: fee,
        };
        let total = Money { amount: computed.total.amount + fee, ..computed.total };
        let actual = ActualBill { lines: known.chain(std::iter::once(unknown)).collect(), total };
        let new = SiteBill { period, metered_l: Some(metered), bill: actual };
        water_bill::create(tx, id, &new.checked()?).await?;
        Ok(())
    }

    /// Washes of each month in which all of the site's units were there.
    async fn add_tallies(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let mut months: BTreeMap<Month, (usize, f64)> = BTreeMap::new();
        for one in self.work.iter().copied().flatten() {
            let (units, washes) = months.entry(one.month).or_default();
            (*units, *washes) = (*units + 1, *washes + one.washes);
        }
        for (month, (units, washes)) in months {
            if units == self.work.len() {
                let tally = WashTally {
                    days: Days::parse(month.first_day(), Some(month.next().first_day()))?,
                    machine_class: MACHINES.to_owned(),
                    washes: whole(washes),
                    source: TallySource::Typed,
                };
                measures::create(tx, self.place.site, &tally.checked()?).await?;
            }
        }
        Ok(())
    }

    async fn agree(&self, tx: &Tx<'_>, method: Method, evidence: &str) -> Result<(), DbError> {
        let new = Baseline {
            scope: Scope::SiteId(self.place.site),
            first_day: self.first_day,
            last_day: None,
            method,
            evidence: vec![Evidence::Text(evidence.to_owned())],
            agreed: Agreed { by: "Robin Aldercott".to_owned(), role: "Site manager".to_owned(), on: self.first_day },
            hauled_loads_per_year: None,
            revision: None,
        };
        baseline::create(tx, self.place.site, &new.checked(None)?).await?;
        Ok(())
    }

    async fn invest(&self, tx: &Tx<'_>, units: u32) -> Result<(), DbError> {
        let currency = Currency::parse(money::utility(self.number).currency)?;
        let new = Investment {
            day: self.first_day,
            amount: Money { amount: Decimal::from(21_500 * units), currency },
            promised_per_year: Some(Decimal::from(6200 * units)),
            discount_rate: 0.05,
            life_years: 12.0,
            evidence: format!("Offer {:04} and its invoice", 1180 + self.number),
        };
        measures::create(tx, self.place.site, &new.checked()?).await?;
        Ok(())
    }
}

fn account(cycle_months: u8) -> WaterAccount {
    WaterAccount {
        name: "Wash bay".to_owned(),
        meter_size: None,
        cycle_months,
        // The bay has a meter of its own; its crew's tap and toilet hang on it.
        other_use: Some(domain::tariff::OtherUse::known(Litres(9000.0))),
        strengths_mg_per_l: BTreeMap::new(),
    }
}

/// The hours in which bays are open.
fn working_days(from: NaiveDate) -> Result<WorkingDays, DbError> {
    let hours = |opens, closes| {
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
        Some(Hours { opens: at(opens), closes: at(closes) })
    };
    let day = hours(7, 18);
    let week = Week { hours: [day, day, day, day, day, hours(8, 13), None], closed: Vec::new() };
    Ok(WorkingDays { days: Days::since(from), week }.checked()?)
}

#[expect(clippy::cast_possible_truncation, reason = "washes of a month")]
fn whole(number: f64) -> i32 {
    number.round() as i32
}
