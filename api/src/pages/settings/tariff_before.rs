//! What a form of a new version begins with: the prices of the one before, so that only what changes has to be
//! typed.

use super::super::form::Typed;
use super::tariff_form::{BLOCKS, STRENGTHS, SURCHARGES, TAXES, nth};
use domain::tariff::record::{
    Block, FixedCharge, FixedPrice, HaulagePer, PercentCharge, SEWER_USE, Sewer, SewerVolume, Surcharge, WATER_USE,
};
use domain::tariff::{Tariff, TariffVersion};
use rust_decimal::Decimal;

/// The form of a version, for a meter of that size; none where the form can't hold all of it.
pub(super) fn form_of(tariff: &Tariff, version: &TariffVersion, meter_size: Option<&str>) -> Option<Typed> {
    let mut made =
        Making { typed: Typed::new(), meter_size, water: Vec::new(), sewer: Vec::new(), surcharges: Vec::new() };
    made.set("name", &tariff.name);
    made.set("currency", tariff.currency.code());
    made.set("unit", version.unit.as_str());
    made.set("per", version.per.as_str());
    made.set("end_previous", "yes");
    let water = version.water.as_ref()?;
    made.stream("water", (&water.fixed, water.allowance, &water.blocks), WATER_USE)?;
    if let Some(sewer) = &version.sewer {
        made.sewer(sewer)?;
    }
    made.surcharges(&version.surcharges)?;
    made.taxes(&version.taxes)?;
    if let Some(least) = version.minimum_bill {
        made.set("minimum_bill", least);
    }
    if let Some(haulage) = &version.haulage {
        made.set("haulage_price", haulage.price);
        made.set("haulage_per", if haulage.per == HaulagePer::Load { "load" } else { "volume" });
    }
    Some(made.typed)
}

/// A form as it is filled, with the codes of the lines so far.
struct Making<'a> {
    typed: Typed,
    meter_size: Option<&'a str>,
    water: Vec<String>,
    sewer: Vec<String>,
    surcharges: Vec<String>,
}

impl Making<'_> {
    fn set(&mut self, name: impl Into<String>, value: impl ToString) {
        self.typed.insert(name.into(), value.to_string());
    }

    fn price(&self, price: &FixedPrice) -> Option<Decimal> {
        match price {
            FixedPrice::Flat(flat) => Some(*flat),
            FixedPrice::ByMeterSize(sizes) => sizes.get(self.meter_size?).copied(),
        }
    }

    fn stream(
        &mut self,
        of: &str,
        (fixed, allowance, blocks): (&[FixedCharge], Decimal, &[Block]),
        used: &str,
    ) -> Option<()> {
        let mut codes = Vec::new();
        match fixed {
            [] => {}
            [one] => {
                let price = self.price(&one.price)?;
                self.set(format!("{of}_fixed"), price);
                codes.push(one.code.clone());
            }
            _ => return None,
        }
        if !allowance.is_zero() {
            self.set(format!("{of}_allowance"), allowance);
        }
        if blocks.is_empty() || blocks.len() > BLOCKS {
            return None;
        }
        for (n, block) in (1..).zip(blocks) {
            if let Some(to) = block.up_to {
                self.set(nth(&format!("{of}_to"), n), to);
            }
            self.set(nth(&format!("{of}_price"), n), block.price);
        }
        codes.push(used.to_owned());
        if of == "water" {
            self.water = codes
        } else {
            self.sewer = codes
        }
        Some(())
    }

    fn sewer(&mut self, sewer: &Sewer) -> Option<()> {
        self.stream("sewer", (&sewer.fixed, sewer.allowance, &sewer.blocks), SEWER_USE)?;
        match &sewer.volume {
            SewerVolume::ReturnFactor(factor) => {
                self.set("sewer_volume", "return_factor");
                self.set("return_factor", factor);
            }
            SewerVolume::WinterAverage { months, lower_of_actual } => {
                self.set("sewer_volume", "winter_average");
                self.set("winter_months", months.iter().map(u8::to_string).collect::<Vec<_>>().join(", "));
                if *lower_of_actual {
                    self.set("winter_lower", "yes");
                }
            }
            SewerVolume::Metered => self.set("sewer_volume", "metered"),
        }
        if let Some(cap) = sewer.cap {
            self.set("sewer_cap", cap);
        }
        if sewer.strength.len() > STRENGTHS {
            return None;
        }
        for (n, charge) in (1..).zip(&sewer.strength) {
            let at = |name: &str| nth(&format!("strength_{name}"), n);
            self.set(at("words"), &charge.words);
            self.set(at("pollutant"), &charge.pollutant);
            self.set(at("threshold"), charge.threshold_mg_per_l);
            self.set(at("price"), charge.price);
            self.set(at("per"), charge.per.as_str());
            self.sewer.push(charge.code.clone());
        }
        Some(())
    }

    fn surcharges(&mut self, surcharges: &[Surcharge]) -> Option<()> {
        if surcharges.len() > SURCHARGES {
            return None;
        }
        for (n, surcharge) in (1..).zip(surcharges) {
            let at = |name: &str| nth(&format!("surcharge_{name}"), n);
            let code = match surcharge {
                Surcharge::Fixed(charge) => {
                    let price = self.price(&charge.price)?;
                    self.set(at("words"), &charge.words);
                    self.set(at("amount"), price);
                    &charge.code
                }
                Surcharge::Percent(charge) => {
                    let of = self.lines(charge)?;
                    self.set(at("words"), &charge.words);
                    self.set(at("percent"), charge.percent);
                    self.set(at("of"), of);
                    &charge.code
                }
            };
            self.surcharges.push(code.clone());
        }
        Some(())
    }

    fn taxes(&mut self, taxes: &[PercentCharge]) -> Option<()> {
        if taxes.len() > TAXES {
            return None;
        }
        for (n, tax) in (1..).zip(taxes) {
            let of = self.lines(tax)?;
            self.set(nth("tax_words", n), &tax.words);
            self.set(nth("tax", n), tax.percent);
            self.set(nth("tax_of", n), of);
        }
        Some(())
    }

    /// Which lines a percentage is of, in the words of the form.
    fn lines(&self, charge: &PercentCharge) -> Option<&'static str> {
        let same =
            |codes: &[String]| charge.of.len() == codes.len() && codes.iter().all(|code| charge.of.contains(code));
        let all = [self.water.as_slice(), &self.sewer, &self.surcharges].concat();
        if same(&all) {
            Some("all")
        } else if same(&self.water) {
            Some("water")
        } else if same(&self.sewer) {
            Some("sewer")
        } else {
            None
        }
    }
}
