//! A version of a tariff as its supplier prints it: what is charged, how much, for what.

use domain::money::Currency;
use domain::report::display::said_exactly;
use domain::tariff::TariffVersion;
use domain::tariff::record::{
    Block, FixedCharge, FixedPrice, HaulagePer, Per, PercentCharge, SEWER_USE, Sewer, SewerVolume, StrengthCharge,
    Surcharge, WATER_USE,
};
use rust_decimal::Decimal;

/// A line: what, how much, for what.
pub(super) struct Line {
    pub(super) what: String,
    pub(super) price: String,
    pub(super) each: String,
}

/// All that a version charges, in the order of its bills.
pub(super) fn of(version: &TariffVersion, currency: Currency) -> Vec<Line> {
    let unit = super::super::words::register_unit(version.unit.as_str()).trim_start_matches("\u{d7} ");
    let per = if version.per == Per::Month { "a month" } else { "a billing cycle" };
    let mut lines = Lines { all: Vec::new(), named: Vec::new(), currency, unit, per };
    if let Some(water) = &version.water {
        lines.named.push((WATER_USE.to_owned(), "water by volume".to_owned()));
        lines.stream("Water", &water.fixed, water.allowance, &water.blocks);
    }
    if let Some(sewer) = &version.sewer {
        lines.named.push((SEWER_USE.to_owned(), "sewer by volume".to_owned()));
        lines.sewer(sewer);
    }
    for surcharge in &version.surcharges {
        match surcharge {
            Surcharge::Fixed(charge) => lines.fixed(charge),
            Surcharge::Percent(charge) => lines.percent(charge),
        }
    }
    version.taxes.iter().for_each(|tax| lines.percent(tax));
    if let Some(least) = version.minimum_bill {
        lines.money("The least that a bill comes to", least, per);
    }
    if let Some(haulage) = &version.haulage {
        let each = if haulage.per == HaulagePer::Load { "a load" } else { unit };
        lines.money("Having water hauled away", haulage.price, each);
    }
    lines.all
}

struct Lines<'a> {
    all: Vec<Line>,
    /// The lines so far by their codes.
    named: Vec<(String, String)>,
    currency: Currency,
    unit: &'a str,
    per: &'static str,
}

impl Lines<'_> {
    fn add(&mut self, what: impl Into<String>, price: String, each: impl Into<String>) {
        self.all.push(Line { what: what.into(), price, each: each.into() });
    }

    fn money(&mut self, what: impl Into<String>, price: Decimal, each: &str) {
        let price = format!("{}\u{a0}{}", said_exactly(price), self.currency.code());
        self.add(what, price, each);
    }

    fn fixed(&mut self, charge: &FixedCharge) {
        self.named.push((charge.code.clone(), charge.words.clone()));
        match &charge.price {
            FixedPrice::Flat(flat) => self.money(&charge.words, *flat, self.per),
            FixedPrice::ByMeterSize(sizes) => {
                for (size, price) in sizes {
                    self.money(format!("{}, meter of {size}", charge.words), *price, self.per);
                }
            }
        }
    }

    fn stream(&mut self, name: &str, fixed: &[FixedCharge], allowance: Decimal, blocks: &[Block]) {
        fixed.iter().for_each(|charge| self.fixed(charge));
        if !allowance.is_zero() {
            self.add(
                format!("{name} that this includes"),
                format!("{}\u{a0}{}", said_exactly(allowance), self.unit),
                self.per,
            );
        }
        let mut bound = None;
        for block in blocks {
            let up_to = block.up_to.map(said_exactly);
            let what = match (&bound, &up_to) {
                (None, None) => name.to_owned(),
                (None, Some(to)) => format!("{name} up to {to}\u{a0}{} {}", self.unit, self.per),
                (Some(from), Some(to)) => format!("{name} from {from} to {to}\u{a0}{} {}", self.unit, self.per),
                (Some(from), None) => format!("{name} above {from}\u{a0}{} {}", self.unit, self.per),
            };
            self.money(what, block.price, self.unit);
            bound = up_to;
        }
    }

    fn sewer(&mut self, sewer: &Sewer) {
        self.stream("Sewer", &sewer.fixed, sewer.allowance, &sewer.blocks);
        let counts = match &sewer.volume {
            SewerVolume::ReturnFactor(factor) => format!("{factor} of the water used"),
            SewerVolume::WinterAverage { months, lower_of_actual } => {
                let months = months.iter().map(u8::to_string).collect::<Vec<_>>().join(", ");
                let lower = if *lower_of_actual { ", or the water used where that is less" } else { "" };
                format!("the average of last winter, months {months}{lower}")
            }
            SewerVolume::Metered => "what a meter in the discharge counts".to_owned(),
        };
        self.add("What counts as sewage", counts, "");
        if let Some(cap) = sewer.cap {
            self.add("The most sewage that is charged", format!("{}\u{a0}{}", said_exactly(cap), self.unit), self.per);
        }
        sewer.strength.iter().for_each(|charge| self.strength(charge));
    }

    fn strength(&mut self, charge: &StrengthCharge) {
        self.named.push((charge.code.clone(), charge.words.clone()));
        let what = format!(
            "{}: {} above {}\u{a0}mg/L",
            charge.words,
            charge.pollutant,
            said_exactly(charge.threshold_mg_per_l)
        );
        self.money(what, charge.price, charge.per.as_str());
    }

    fn percent(&mut self, charge: &PercentCharge) {
        let named = |code: &String| {
            let found = self.named.iter().find(|(known, _)| known == code);
            found.map_or_else(|| code.replace('_', " "), |(_, words)| words.clone())
        };
        let of = charge.of.iter().map(named).collect::<Vec<_>>().join(", ");
        self.add(&charge.words, format!("{}\u{a0}%", charge.percent), format!("of {of}"));
        self.named.push((charge.code.clone(), charge.words.clone()));
    }
}
