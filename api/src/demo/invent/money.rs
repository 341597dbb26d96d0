//! What water costs in each country, what the dealer asks for, and what was used before. The
//! tariffs are of the usual kinds and sizes (common practice, no source).

use super::chance::{Chance, Topic};
use super::work::MonthWork;
use chrono::{Datelike, Days, Months, NaiveDate, Weekday};
use domain::accounts::cost_terms::{Basis, CostTerms, Energy, Fee, FeeKind};
use domain::baseline::bills::{Bill, Bills};
use domain::baseline::method::{Method, Per};
use domain::fault::Faults;
use domain::money::Currency;
use domain::tariff::record::{
    Block, FixedCharge, FixedPrice, Per as PricePer, PercentCharge, Rounding, Sewer, SewerVolume, Surcharge, Water,
};
use domain::tariff::{Tariff, TariffVersion};
use domain::units::RegisterUnit;
use rust_decimal::Decimal;

/// The dealer's currency, in which its goods have their prices.
pub(crate) const CURRENCY: &str = "EUR";
/// The class of machine that is tallied.
pub(crate) const MACHINES: &str = "vehicle";

/// How a country bills.
#[derive(Debug)]
pub(crate) struct Utility {
    pub(crate) supplier: &'static str,
    pub(crate) currency: &'static str,
    pub(crate) cycle_months: u8,
    /// Fee of an agreement a month, a kilowatt-hour and a load taken away, in hundredths.
    pub(crate) fee: i64,
    kwh: i64,
    load: i64,
}

/// In the order of the regions.
const UTILITIES: [Utility; 3] = [
    Utility {
        supplier: "Front Range Water District",
        currency: "USD",
        cycle_months: 1,
        fee: 19_000,
        kwh: 14,
        load: 21_500,
    },
    Utility { supplier: "Águas do Vale", currency: "EUR", cycle_months: 1, fee: 15_500, kwh: 19, load: 18_000 },
    Utility { supplier: "Gulf Plains Water", currency: "AUD", cycle_months: 3, fee: 26_000, kwh: 33, load: 34_000 },
];

/// Who bills at a site; each customer has one site.
pub(crate) fn utility(site: usize) -> &'static Utility {
    const FIRST: &Utility = &UTILITIES[0];
    UTILITIES.get(site % UTILITIES.len()).unwrap_or(FIRST)
}

fn cents(amount: i64) -> Decimal {
    Decimal::new(amount, 2)
}

fn fixed(code: &str, words: &str, price: i64) -> FixedCharge {
    FixedCharge { code: code.to_owned(), words: words.to_owned(), price: FixedPrice::Flat(cents(price)) }
}

fn block(up_to: Option<i64>, price: i64) -> Block {
    Block { up_to: up_to.map(Decimal::from), price: cents(price) }
}

fn sewer(share: i64, price: i64, charges: Vec<FixedCharge>) -> Sewer {
    Sewer {
        fixed: charges,
        allowance: Decimal::ZERO,
        blocks: vec![block(None, price)],
        volume: SewerVolume::ReturnFactor(cents(share)),
        cap: None,
        strength: Vec::new(),
    }
}

/// The tariff at a site from a day on.
///
/// # Errors
/// Never; the currencies are known.
pub(crate) fn tariff(site: usize, from: NaiveDate) -> Result<Tariff, Faults> {
    let plain = TariffVersion {
        from,
        to: None,
        unit: RegisterUnit::M3,
        per: PricePer::Month,
        water: None,
        sewer: None,
        surcharges: Vec::new(),
        taxes: Vec::new(),
        minimum_bill: None,
        haulage: None,
    };
    let water = |charge, blocks| Some(Water { fixed: vec![charge], allowance: Decimal::ZERO, blocks });
    let (name, version) = match site % UTILITIES.len() {
        0 => (
            "Commercial, 1 inch",
            TariffVersion {
                unit: RegisterUnit::Kgal,
                water: water(fixed("base", "Base charge", 1850), vec![block(Some(10), 685), block(None, 940)]),
                sewer: Some(sewer(90, 810, vec![fixed("sewer_base", "Sewer base charge", 920)])),
                surcharges: vec![Surcharge::Fixed(fixed("stormwater", "Stormwater", 1200))],
                ..plain
            },
        ),
        1 => (
            "Não doméstico",
            TariffVersion {
                water: water(
                    fixed("standing", "Tarifa fixa", 1140),
                    vec![block(Some(15), 175), block(Some(50), 232), block(None, 298)],
                ),
                sewer: Some(sewer(80, 155, Vec::new())),
                taxes: vec![PercentCharge {
                    code: "vat".to_owned(),
                    words: "IVA 6 %".to_owned(),
                    percent: Decimal::from(6),
                    of: vec!["standing".to_owned(), "water_use".to_owned()],
                }],
                ..plain
            },
        ),
        _ => (
            "Business, 25 mm",
            TariffVersion {
                per: PricePer::Cycle,
                water: water(fixed("supply", "Supply charge", 7460), vec![block(None, 331)]),
                sewer: Some(sewer(75, 205, Vec::new())),
                minimum_bill: Some(cents(14_000)),
                ..plain
            },
        ),
    };
    let currency = Currency::parse(utility(site).currency)?;
    Ok(Tariff { name: name.to_owned(), currency, rounding: Rounding::HalfUp, versions: vec![version] })
}

/// What a customer pays for its units from a day on; energy where it is metered.
///
/// # Errors
/// Never; the currencies are known.
pub(crate) fn terms(site: usize, from: NaiveDate, units: u32, metered: bool) -> Result<CostTerms, Faults> {
    let utility = utility(site);
    Ok(CostTerms {
        from,
        to: None,
        currency: Currency::parse(utility.currency)?,
        fee: Some(Fee {
            kind: FeeKind::AgreementFee,
            per_month: cents(utility.fee * i64::from(units)),
            includes: vec!["visits".to_owned(), "dosing tubes and filters".to_owned()],
        }),
        energy: metered.then(|| Energy { price_per_kwh: cents(utility.kwh), basis: Basis::Metered }),
        disposal_per_load: Some(cents(utility.load)),
        capital: None,
    })
}

/// The bills of the half-year before `first_day`, from what the site's units washed later.
pub(crate) fn bills_before(site: usize, first_day: NaiveDate, work: &[&[MonthWork]]) -> Method {
    let mut chance = Chance::of(Topic::Money, site);
    // Litres on a working day, of all units together.
    let per_day = |months: &&[MonthWork]| {
        let days: f64 =
            months.iter().map(|one| working_days(one.month.first_day(), one.month.next().first_day())).sum();
        months.iter().map(|one| one.washed_l).sum::<f64>() / days.max(1.0)
    };
    let daily_l: f64 = work.iter().map(per_day).sum();
    let begin = |back: u32| first_day.checked_sub_months(Months::new(back)).unwrap_or(first_day);
    let bill = |back: u32| {
        let (from, to) = (begin(back), begin(back - 1));
        let days = working_days(from, to);
        let other_use_l = 9000.0;
        Bill {
            first_day: from,
            last_day: to.pred_opt().unwrap_or(from),
            volume_l: (days * daily_l * chance.normal(1.0, 0.06)).round() + other_use_l,
            other_use_l,
            working_days: days,
            washes: None,
        }
    };
    Method::Bills(Bills { bills: (1..=6).rev().map(bill).collect(), per: Per::Day, u_scale_share: 0.03 })
}

/// Days on which bays are open, from a day up to but not including another.
fn working_days(from: NaiveDate, to: NaiveDate) -> f64 {
    let days = std::iter::successors(Some(from), |day| day.checked_add_days(Days::new(1)));
    days.take_while(|day| *day < to).filter(|day| day.weekday() != Weekday::Sun).count() as f64
}
