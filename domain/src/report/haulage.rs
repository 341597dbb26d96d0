//! Loads of waste water that were not hauled: against those of the time before the unit, where the
//! customer declared them with the baseline, and against nothing else.

use super::display::{self, Format};
use super::inputs::{Inputs, Subject};
use super::money::Case;
use crate::accounts::site_money::SiteMoney;
use crate::ids::SiteId;
use crate::money::Money;
use crate::tariff::Cycle;
use crate::tariff::record::HaulagePer;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use serde::{Deserialize, Serialize};

/// Days of a mean year.
const DAYS_PER_YEAR: f64 = 365.25;

/// What hauling a site avoided in the month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HaulageAvoided {
    /// The site.
    pub site_id: SiteId,
    /// Its name.
    pub site: String,
    /// Loads that the declared ones of a year come to in the days of the month on which units stood there.
    pub loads_before: f64,
    /// Loads that were noted in them.
    pub loads: u32,
    /// The first less the second; negative when more were hauled.
    pub avoided_loads: f64,
    /// Price of a load; null where none is known.
    pub per_load: Option<Money>,
    /// What was saved; null without a price.
    pub saved: Option<Money>,
    /// What it stands on, and what is missing.
    pub words: String,
}

/// Every site where the loads before the unit were declared.
pub(super) fn of(inputs: &Inputs, present: &[&Subject]) -> Vec<HaulageAvoided> {
    let mut sites: Vec<&Subject> = present.to_vec();
    sites.sort_by_key(|subject| subject.site_id);
    sites.chunk_by(|a, b| a.site_id == b.site_id).filter_map(|subjects| of_site(inputs, subjects)).collect()
}

fn of_site(inputs: &Inputs, subjects: &[&Subject]) -> Option<HaulageAvoided> {
    let case = Case::of(inputs, subjects)?;
    let (money, served) = (case.money()?, case.served()?);
    let declared = |day: &NaiveDate| money.baselines.over(*day, *day).ok()?.hauled_loads_per_year;
    let days = served.from.iter_days().take_while(|day| *day < served.to);
    let per_year: Vec<f64> = days.filter_map(|day| declared(&day)).collect();
    if per_year.is_empty() {
        return None;
    }
    let loads_before = per_year.iter().sum::<f64>() / DAYS_PER_YEAR;
    let hauled =
        money.loads.iter().filter(|day| served.from <= **day && **day < served.to && declared(day).is_some()).count();
    let loads = u32::try_from(hauled).unwrap_or(u32::MAX);
    let avoided_loads = loads_before - f64::from(loads);
    let per_load = price(money, served);
    let of_loads = |price: Money| Money { amount: price.amount * decimal(avoided_loads), ..price }.in_minor_units();
    let words = match per_load {
        Some(price) => {
            let price = display::money(price, Format::of(&inputs.style, inputs.unit_system));
            format!("By the loads that were declared for the time before the unit, at {price} a load.")
        }
        None => {
            "By the loads that were declared for the time before the unit. No price of a load is known: write down \
                 what a load costs with what the customer pays, or in the tariff."
                .to_owned()
        }
    };
    Some(HaulageAvoided {
        site_id: SiteId(case.first().site_id),
        site: case.first().site.clone(),
        loads_before,
        loads,
        avoided_loads,
        per_load,
        saved: per_load.map(of_loads),
        words,
    })
}

/// What a load costs at the end of the time: as the customer pays it, else by the tariff.
fn price(money: &SiteMoney, served: Cycle) -> Option<Money> {
    let last = served.to.pred_opt()?;
    let terms = money.cost_terms.iter().map(|(_, terms)| terms);
    let mut paid = terms.filter(|terms| terms.from <= last && terms.to.is_none_or(|to| last < to));
    let paid = paid.find_map(|terms| Some(Money { amount: terms.disposal_per_load?, currency: terms.currency }));
    paid.or_else(|| {
        let tariff = money.charged(last)?.0.tariff.as_ref()?;
        let holds = |from: NaiveDate, to: Option<NaiveDate>| from <= last && to.is_none_or(|to| last < to);
        let version = tariff.versions.iter().find(|version| holds(version.from, version.to))?;
        let haulage = version.haulage.as_ref().filter(|haulage| haulage.per == HaulagePer::Load)?;
        Some(Money { amount: haulage.price, currency: tariff.currency })
    })
}

fn decimal(loads: f64) -> Decimal {
    Decimal::from_f64(loads).unwrap_or_default().round_dp(6)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{inputs, subject};
    use super::*;
    use crate::accounts::cost_terms::CostTerms;
    use crate::accounts::site_money::tests::money;
    use crate::baseline::history::Baselines;
    use crate::baseline::record::Baseline;
    use crate::baseline::record::tests::baseline;
    use crate::ids::CostTermsId;
    use crate::money::Currency;

    /// 24 loads in a year of 365.25 days are 2.0370 in the 31 days of January; one was hauled: 1.0370 at
    /// 180 a load are 186.65.
    #[test]
    fn declared_loads_less_those_that_were_hauled() {
        let stood = subject(1, &[], Vec::new());
        let site = stood.site_id;
        let mut inputs = inputs(vec![stood]);
        let first = inputs.month.first_day();
        let agreed = |hauled_loads_per_year| {
            let record = Baseline { first_day: first, hauled_loads_per_year, ..baseline() };
            Baselines::parse(vec![record]).unwrap()
        };
        let terms = CostTerms {
            from: first,
            to: None,
            currency: Currency::parse("EUR").unwrap(),
            fee: None,
            energy: None,
            disposal_per_load: Some(Decimal::from(180)),
            capital: None,
        };
        let loads = vec![first.pred_opt().unwrap(), first + chrono::Days::new(9)];
        let mut of_site = SiteMoney { site_id: SiteId(site), loads, baselines: agreed(Some(24.0)), ..money(&[]) };
        of_site.cost_terms = vec![(CostTermsId(site), terms)];
        inputs.money = vec![of_site.clone()];
        let found = of(&inputs, &inputs.present()).remove(0);
        assert!((found.loads_before - 24.0 * 31.0 / 365.25).abs() < 1e-9, "{found:?}");
        assert_eq!((found.loads, found.saved.unwrap().to_string()), (1, "186.65 EUR".to_owned()));
        inputs.money[0].cost_terms.clear();
        let unpriced = of(&inputs, &inputs.present()).remove(0);
        assert!(unpriced.saved.is_none() && unpriced.words.contains("No price of a load"), "{unpriced:?}");
        inputs.money[0].baselines = agreed(None);
        assert_eq!(of(&inputs, &inputs.present()), [], "nothing was declared");
    }
}
