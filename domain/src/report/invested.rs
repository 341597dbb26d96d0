//! How a customer's investments stand, in the report of a month: by what reports said until then, as
//! they were issued.

use super::SavingsReport;
use super::display::{self, Format};
use super::payback::{MonthSaid, Said, SitePayback};
use crate::accounts::investment::Investment;
use crate::ids::SiteId;
use crate::money::Money;
use crate::payback::Payback;
use crate::zone::Month;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// An investment at a site, and how it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteInvested {
    /// The site.
    pub site_id: SiteId,
    /// Its name.
    pub site: String,
    /// The local day of the investment.
    pub day: NaiveDate,
    /// How much.
    pub amount: Money,
    /// Net saving of a year as it was promised; null: nothing was.
    pub promised_per_year: Option<Decimal>,
    /// Yearly discount rate, as a share.
    pub discount_rate: f64,
    /// Payback, simple and discounted, present value, savings over investment, measured against
    /// promised; or why there is none.
    pub payback: SitePayback,
    /// The same in one sentence.
    pub words: String,
}

impl SavingsReport {
    /// The same report with how the investments at its sites stand at the end of its month, or of the
    /// one before while it goes on. `earlier` are the reports of other months.
    #[must_use]
    pub fn with_investments(mut self, investments: &[(SiteId, Investment)], earlier: &[MonthSaid<'_>]) -> Self {
        let last = if self.period.complete { self.month } else { self.month.previous() };
        let mut reports: Vec<MonthSaid<'_>> = earlier.iter().filter(|(of, ..)| *of < self.month).copied().collect();
        let own = Said::from(&self);
        reports.push((self.month, false, &own));
        let format = Format::of(&self.style, self.unit_system);
        let stands = |(site, investment): &(SiteId, Investment)| {
            let name = &self.savings.iter().find(|saving| saving.site_id == *site)?.site;
            (Month::of(investment.day) <= last)
                .then(|| SiteInvested::of(*site, name, investment, (&reports, last), format))
        };
        let found: Vec<SiteInvested> = investments.iter().filter_map(stands).collect();
        self.invested = found;
        self
    }
}

impl SiteInvested {
    fn of(
        site_id: SiteId,
        site: &str,
        made: &Investment,
        (reports, last): (&[MonthSaid<'_>], Month),
        format: Format,
    ) -> Self {
        let payback = SitePayback::of(made, site_id, reports, last);
        Self {
            site_id,
            site: site.to_owned(),
            day: made.day,
            amount: made.amount,
            promised_per_year: made.promised_per_year,
            discount_rate: made.discount_rate,
            words: words(made.amount, &payback, format),
            payback,
        }
    }
}

fn words(amount: Money, payback: &SitePayback, format: Format) -> String {
    let put_in = display::money(amount, format);
    let Some(found) = &payback.appraisal else {
        let why = payback.withheld.as_ref().map_or("", |withheld| withheld.words.as_str());
        return format!("How the investment of {put_in} stands is not known. {why}").trim().to_owned();
    };
    let standing = &found.standing;
    let money = |amount_of: f64| {
        let exact = Money { amount: Decimal::from_f64_retain(amount_of).unwrap_or_default(), ..amount };
        display::money(exact.in_minor_units(), format)
    };
    let number = |value: f64, places| display::number(value, 9, places, format);
    let saved = money(standing.saved);
    let pays = match standing.simple_payback {
        Payback::After { years } if standing.is_paid_back => {
            format!("it was paid back after {} years", number(years, 1))
        }
        Payback::After { years } => {
            format!("at that rate it is paid back {} years after it was made", number(years, 1))
        }
        Payback::Never { .. } => "at that rate it is never paid back".to_owned(),
    };
    let discounted = match found.discounted_payback_years {
        Some(years) => format!("{} years with discounted savings", number(years, 1)),
        None => "not within its life with discounted savings".to_owned(),
    };
    let worth = &found.over_life;
    let promised = standing.promised.as_ref().map_or(String::new(), |promise| {
        let share =
            promise.ratio.map_or(String::new(), |ratio| format!(", {:.0} % of what was promised", ratio * 100.0));
        format!(" Promised were {} so far{share}.", money(promise.promised_so_far))
    });
    let missing = match payback.missing.len() {
        0 => String::new(),
        1 => " A month since is not known and counts as if nothing had been saved.".to_owned(),
        months => format!(" {months} months since are not known and count as if nothing had been saved."),
    };
    format!(
        "Of {put_in} put in, {saved} are saved so far, net of what the unit cost to run: {pays}, {discounted}. Over its \
         life it is worth {} net at present value, and savings are {} times the investment.{promised}{missing}",
        money(worth.net_present_value),
        number(worth.savings_to_investment, 2),
    )
}
