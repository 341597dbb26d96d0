//! What is wrong with a tariff: every fault, each with its JSON pointer.

use super::record::{
    Block, FixedCharge, FixedPrice, HAULAGE, MINIMUM_BILL, PercentCharge, SEWER_USE, Sewer, SewerVolume,
    StrengthCharge, Surcharge, Tariff, TariffVersion, WATER_USE, Water,
};
use crate::fault::Faults;
use crate::span;
use crate::units::Dimension;
use rust_decimal::Decimal;
use std::collections::BTreeSet;

/// Largest price, volume, percentage or concentration taken, 10^12.
pub(super) const NUMBER_MAX: Decimal = Decimal::from_parts(3_567_587_328, 232, 0, false, 0);
/// Decimals taken; a price of one litre has about six.
const DECIMALS_MAX: u32 = 10;
/// Versions of a tariff, and charges of one kind in a version.
const ROWS_MAX: usize = 200;
/// Longest code.
const CODE_LENGTH_MAX: usize = 40;

impl Tariff {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        if self.versions.is_empty() {
            faults.add("/versions", "required", "give at least one version with its prices");
        }
        at_most(&mut faults, "/versions", self.versions.len());
        for (n, version) in self.versions.iter_mut().enumerate() {
            let found = version.check();
            faults.take(&format!("/versions/{n}"), found.or(()));
        }
        for (n, pair) in self.versions.windows(2).enumerate() {
            if let [earlier, later] = pair
                && earlier.to.is_none_or(|to| later.from < to)
            {
                let fix = "end the version before it on or before this date, and give the oldest first";
                faults.add(format!("/versions/{}/from", n + 1), "overlaps", fix);
            }
        }
        faults.or(self)
    }
}

impl TariffVersion {
    fn check(&mut self) -> Faults {
        let mut faults = Faults::default();
        self.from = span::date(&mut faults, "/from", self.from);
        self.to = self.to.map(|to| span::date(&mut faults, "/to", to));
        if self.to.is_some_and(|to| to <= self.from) {
            faults.add("/to", "not_after_from", "give an end after the beginning, or leave it out");
        }
        if self.unit.dimension() != Dimension::Volume {
            faults.add("/unit", "not_a_volume", "give one of: l, m3, us_gal, ft3, ccf, kgal");
        }
        let mut codes = Codes::default();
        if let Some(water) = &mut self.water {
            faults.take("/water", water.check(&mut codes).or(()));
        }
        if let Some(sewer) = &mut self.sewer {
            faults.take("/sewer", sewer.check(&mut codes).or(()));
        }
        at_most(&mut faults, "/surcharges", self.surcharges.len());
        for (n, surcharge) in self.surcharges.iter_mut().enumerate() {
            let found = match surcharge {
                Surcharge::Fixed(charge) => charge.check(&mut codes),
                Surcharge::Percent(charge) => charge.check(&mut codes),
            };
            faults.take(&format!("/surcharges/{n}"), found.or(()));
        }
        at_most(&mut faults, "/taxes", self.taxes.len());
        for (n, tax) in self.taxes.iter_mut().enumerate() {
            faults.take(&format!("/taxes/{n}"), tax.check(&mut codes).or(()));
        }
        if let Some(least) = self.minimum_bill {
            price(&mut faults, "/minimum_bill", least);
        }
        if let Some(haulage) = &self.haulage {
            price(&mut faults, "/haulage/price", haulage.price);
        }
        faults
    }
}

impl Water {
    fn check(&mut self, codes: &mut Codes) -> Faults {
        let mut faults = fixed(&mut self.fixed, codes);
        number(&mut faults, "/allowance", self.allowance);
        blocks(&mut faults, &self.blocks);
        codes.0.insert(WATER_USE.to_owned());
        faults
    }
}

impl Sewer {
    fn check(&mut self, codes: &mut Codes) -> Faults {
        let mut faults = fixed(&mut self.fixed, codes);
        number(&mut faults, "/allowance", self.allowance);
        blocks(&mut faults, &self.blocks);
        codes.0.insert(SEWER_USE.to_owned());
        match &self.volume {
            SewerVolume::ReturnFactor(factor) => {
                number(&mut faults, "/volume/return_factor", *factor);
                if factor.is_zero() || *factor > Decimal::ONE {
                    faults.add("/volume/return_factor", "out_of_range", "give a share above 0 and up to 1");
                }
            }
            SewerVolume::WinterAverage { months, .. } => {
                let distinct: BTreeSet<_> = months.iter().collect();
                let known = months.iter().all(|month| (1..=12).contains(month));
                if months.is_empty() || !known || distinct.len() < months.len() {
                    let fix = "give months from 1 to 12, each once, in the order of one winter";
                    faults.add("/volume/winter_average/months", "not_months", fix);
                }
            }
            SewerVolume::Metered => {}
        }
        if let Some(cap) = self.cap {
            number(&mut faults, "/cap", cap);
        }
        at_most(&mut faults, "/strength", self.strength.len());
        for (n, charge) in self.strength.iter_mut().enumerate() {
            faults.take(&format!("/strength/{n}"), charge.check(codes).or(()));
        }
        faults
    }
}

impl StrengthCharge {
    fn check(&mut self, codes: &mut Codes) -> Faults {
        let mut faults = Faults::default();
        codes.define(&mut faults, &self.code);
        self.words = faults.text("/words", &self.words, 120);
        self.pollutant = faults.text("/pollutant", &self.pollutant, 60);
        number(&mut faults, "/threshold_mg_per_l", self.threshold_mg_per_l);
        price(&mut faults, "/price", self.price);
        faults
    }
}

impl FixedCharge {
    fn check(&mut self, codes: &mut Codes) -> Faults {
        let mut faults = Faults::default();
        codes.define(&mut faults, &self.code);
        self.words = faults.text("/words", &self.words, 120);
        match &self.price {
            FixedPrice::Flat(flat) => price(&mut faults, "/price", *flat),
            FixedPrice::ByMeterSize(sizes) => {
                if sizes.is_empty() {
                    faults.add("/price", "required", "give a price for at least one meter size");
                }
                at_most(&mut faults, "/price", sizes.len());
                for (size, of_size) in sizes {
                    price(&mut faults, &format!("/price/{}", size.replace('~', "~0").replace('/', "~1")), *of_size);
                }
            }
        }
        faults
    }
}

impl PercentCharge {
    fn check(&mut self, codes: &mut Codes) -> Faults {
        let mut faults = Faults::default();
        self.words = faults.text("/words", &self.words, 120);
        number(&mut faults, "/percent", self.percent);
        if self.of.is_empty() {
            faults.add("/of", "required", "name the lines it is a part of");
        }
        for (n, code) in self.of.iter().enumerate() {
            if !codes.0.contains(code) {
                faults.add(format!("/of/{n}"), "unknown_line", "give the code of a line further up in this version");
            }
            if self.of.iter().take(n).any(|before| before == code) {
                faults.add(format!("/of/{n}"), "repeated", "name each line once");
            }
        }
        codes.define(&mut faults, &self.code);
        faults
    }
}

/// The codes of a version's lines so far.
#[derive(Default)]
struct Codes(BTreeSet<String>);

impl Codes {
    fn define(&mut self, faults: &mut Faults, code: &str) {
        let word = code.starts_with(|first: char| first.is_ascii_lowercase())
            && code.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        let ours = [WATER_USE, SEWER_USE].iter().any(|of_blocks| code.starts_with(of_blocks))
            || [MINIMUM_BILL, HAULAGE].contains(&code);
        if !word || code.len() > CODE_LENGTH_MAX {
            let fix = "give one word of up to 40 lower-case letters, digits and underscores, such as base_charge";
            faults.add("/code", "not_a_word", fix);
        } else if ours || !self.0.insert(code.to_owned()) {
            faults.add("/code", "taken", "give a code that no other line of this version has");
        }
    }
}

fn fixed(charges: &mut [FixedCharge], codes: &mut Codes) -> Faults {
    let mut faults = Faults::default();
    at_most(&mut faults, "/fixed", charges.len());
    for (n, charge) in charges.iter_mut().enumerate() {
        faults.take(&format!("/fixed/{n}"), charge.check(codes).or(()));
    }
    faults
}

fn blocks(faults: &mut Faults, blocks: &[Block]) {
    at_most(faults, "/blocks", blocks.len());
    let mut bound = Decimal::ZERO;
    for (n, block) in blocks.iter().enumerate() {
        price(faults, &format!("/blocks/{n}/price"), block.price);
        let pointer = format!("/blocks/{n}/up_to");
        match block.up_to {
            None if n + 1 < blocks.len() => {
                faults.add(pointer, "required", "give the last volume of every block but the last");
            }
            Some(_) if n + 1 == blocks.len() => {
                faults.add(pointer, "last_block_ends", "leave it out: the last block has no end");
            }
            Some(up_to) if up_to <= bound => {
                faults.add(pointer, "blocks_out_of_order", "give a bound above that of the block before");
            }
            Some(up_to) => {
                number(faults, &pointer, up_to);
                bound = up_to;
            }
            None => {}
        }
    }
}

fn price(faults: &mut Faults, pointer: &str, price: Decimal) {
    if price.is_sign_negative() && !price.is_zero() {
        faults.add(pointer, "negative_price", "give a price of zero or more");
    } else {
        number(faults, pointer, price);
    }
}

/// Zero or more, and of a size that can be computed with.
pub(super) fn number(faults: &mut Faults, pointer: &str, number: Decimal) {
    if !(Decimal::ZERO..=NUMBER_MAX).contains(&number) {
        faults.add(pointer, "out_of_range", format!("give a number from 0 to {NUMBER_MAX}"));
    } else if number.normalize().scale() > DECIMALS_MAX {
        faults.add(pointer, "too_fine", format!("give at most {DECIMALS_MAX} decimals"));
    }
}

pub(super) fn at_most(faults: &mut Faults, pointer: &str, rows: usize) {
    if rows > ROWS_MAX {
        faults.add(pointer, "too_many", format!("give at most {ROWS_MAX}"));
    }
}
