//! A bill of an account as it came, and why it fell by more or less than the saving.

use super::day_uses::{SiteDay, Worked, fresh_used, of_fresh_water, unread, uses};
use super::site_account::SiteAccount;
use super::stays::SiteStays;
use crate::baseline::avoided::Missing;
use crate::baseline::history::Baselines;
use crate::baseline::method::Method;
use crate::facts::DayFact;
use crate::fault::Faults;
use crate::measures::wash_tally::WashTally;
use crate::metering::spread::WorkingCalendar;
use crate::savings::{Uses, Withheld};
use crate::span::{self, Span};
use crate::tariff::reconcile::{ActualBill, BillDifference, Billed, Reconciliation, reconcile};
use crate::tariff::{Bill, BillError, Cycle, CyclePrices, OtherUse, Tariff, WaterUse};
use crate::uncertainty::quantity::Quantity;
use crate::units::Litres;
use crate::zone::{day_bounds, previous_day};
use serde::{Deserialize, Serialize};

/// A bill as it came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteBill {
    /// The days it is for.
    pub period: Cycle,
    /// The water that the supplier's meter counted in them, in litres; `None` where the bill does
    /// not say.
    pub metered_l: Option<Litres>,
    /// Its lines and total.
    pub bill: ActualBill,
}

/// Most of the days of a bill, 0 to 1, in which a unit may have stood for it to count as one without units
/// (chosen here, no source).
const STOOD_MOST: f64 = 0.05;

/// Most water of one bill that is taken, in litres: a town's.
const METERED_L_MAX: f64 = 1e12;

impl SiteBill {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        span::date(&mut faults, "/from", self.period.from);
        span::date(&mut faults, "/to", self.period.to);
        if self.period.to <= self.period.from {
            faults.add("/to", "not_after_from", "give a day after the first; it is not billed itself");
        }
        if let Some(metered) = self.metered_l {
            faults.range("/metered_l", metered.0, 0.0, METERED_L_MAX);
        }
        let bill = self.bill.clone().checked();
        self.bill = faults.take_or("", bill, self.bill);
        faults.or(self)
    }

    /// The bill that the tariff asks for the metered water.
    ///
    /// # Errors
    /// Why it can't be computed.
    pub fn computed(&self, account: &SiteAccount, tariff: &Tariff) -> Result<Computed, NotExplained> {
        let metered = self.metered_l.ok_or(NotExplained::NotMetered)?;
        let bill = CyclePrices::new(&account.account, tariff, self.period)?.bill(&WaterUse::of(metered))?;
        if bill.total.currency != self.bill.total.currency {
            return Err(BillError::OtherCurrency.into());
        }
        Ok(Computed { difference: self.bill.against(&bill), bill })
    }
}

/// A bill as the tariff asks it, and what the actual one has more.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Computed {
    /// The computed bill.
    pub bill: Bill,
    /// What the actual one has more, and why.
    pub difference: BillDifference,
}

/// Why a bill is not explained, and what would change that.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NotExplained {
    /// The bill's volume was not typed in.
    #[error("the bill's metered volume is not known: withdraw the bill and type it in with metered_l")]
    NotMetered,
    /// There is no tariff.
    #[error("the account has no tariff: add the version that holds for the bill's days")]
    NoTariff,
    /// There is no bill of the days before.
    #[error("no bill of the days before is known: type it in to see why this one fell")]
    NoBillBefore,
    /// Units stood at the site in the days of the bill before: it lacks what they saved, as this one does.
    #[error("units saved water in the days of the bill before too, so this one is held against the tariff alone")]
    UnitsBefore,
    /// The baseline is a ceiling: the saving is at most so much, and nothing beside it is exact.
    #[error(
        "the baseline says only at most how much is saved, so the bill is held against the tariff alone: agree on a \
         baseline of what washing took before the unit"
    )]
    Ceiling,
    /// Other use is neither known nor follows from the metered volume.
    #[error("other use of the account is not known: give it, or type in the bills with metered_l")]
    OtherUse,
    /// The unit's meters counted more than the supplier's.
    #[error("the site's meters counted more than the supplier's: look at the bill's days and volume")]
    MoreThanMetered,
    /// The water of the bill's days is not known.
    #[error("{0}")]
    Uses(#[from] Withheld),
    /// A bill can't be computed.
    #[error("{0}")]
    Bill(#[from] BillError),
}

impl NotExplained {
    /// A stable code for answers.
    #[must_use]
    pub fn code(&self) -> &str {
        match self {
            Self::NotMetered => "not_metered",
            Self::NoTariff => "no_tariff",
            Self::NoBillBefore => "no_bill_before",
            Self::UnitsBefore => "units_before",
            Self::Ceiling => "baseline_ceiling",
            Self::OtherUse => "other_use_not_known",
            Self::MoreThanMetered => "more_than_metered",
            Self::Uses(withheld) => withheld.code(),
            Self::Bill(_) => "no_bill",
        }
    }
}

/// Why a bill fell by what it fell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Explained {
    /// Its parts.
    pub parts: Reconciliation,
    /// Other use in the bill before, in litres.
    pub other_before_l: Litres,
    /// Other use now, in litres.
    pub other_now_l: Litres,
    /// Water for washing in the bill before, in litres.
    pub washing_before_l: Litres,
    /// Whether that is the baseline of now, because no meter of the site counted it then.
    pub washing_before_assumed: bool,
}

/// Why the bill `now` fell from the one `before`. `uses` are those of now; `washing_before` is the
/// fresh water that the site's meters counted in the days of the bill before.
///
/// # Errors
/// Why it is not explained.
pub fn explain(
    (account, tariff): (&SiteAccount, &Tariff),
    before: &SiteBill,
    now: &SiteBill,
    uses: &Uses,
    washing_before: Option<Litres>,
) -> Result<Explained, NotExplained> {
    let prices = |bill: &SiteBill| CyclePrices::new(&account.account, tariff, bill.period);
    let (prices_before, prices_now) = (prices(before)?, prices(now)?);
    let [baseline, used] = [&uses.baseline_l, &uses.fresh_used_l].map(|quantity| Litres(quantity.value));
    let washing = washing_before.unwrap_or(baseline);
    let other = |bill: &SiteBill, unit: Litres| match (bill.metered_l, account.account.other_use) {
        (Some(metered), _) if metered < unit => Err(NotExplained::MoreThanMetered),
        (Some(metered), _) => Ok(metered - unit),
        (None, Some(OtherUse { least_l_per_month, most_l_per_month }))
            if most_l_per_month == Some(least_l_per_month) =>
        {
            Ok(Litres(least_l_per_month.0 * f64::from(account.account.cycle_months)))
        }
        (None, _) => Err(NotExplained::OtherUse),
    };
    let (other_before_l, other_now_l) = (other(before, washing)?, other(now, used)?);
    let unit = WaterUse::of;
    let was = Billed { prices: &prices_before, actual: &before.bill, other: other_before_l, unit: unit(washing) };
    let is = Billed { prices: &prices_now, actual: &now.bill, other: other_now_l, unit: unit(used) };
    Ok(Explained {
        parts: reconcile(&was, &is, &unit(baseline))?,
        other_before_l,
        other_now_l,
        washing_before_l: washing,
        washing_before_assumed: washing_before.is_none(),
    })
}

/// All that explains a bill.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Its account.
    pub account: SiteAccount,
    /// The account's tariff.
    pub tariff: Option<Tariff>,
    /// The bill before it.
    pub before: Option<SiteBill>,
    /// What the site used in its days.
    pub days: Vec<SiteDay>,
    /// What it used in the days of the bill before.
    pub days_before: Vec<SiteDay>,
    /// The site's baselines.
    pub baselines: Baselines,
    /// When the site works.
    pub working: WorkingCalendar,
    /// Washes that people tallied there.
    pub tallies: Vec<WashTally>,
    /// Whether counters count all washes there.
    pub counters: bool,
    /// When units stood there, in which states, and what was filled in by hose.
    pub stays: SiteStays,
}

impl Evidence {
    /// The bill as the tariff asks it.
    ///
    /// # Errors
    /// Why it can't be computed.
    pub fn computed(&self, bill: &SiteBill) -> Result<Computed, NotExplained> {
        bill.computed(&self.account, self.tariff.as_ref().ok_or(NotExplained::NoTariff)?)
    }

    /// The facts of fresh water, those of days on which not every unit was read as not covered.
    fn read(&self, days: &[SiteDay]) -> Vec<DayFact> {
        let spans: Vec<Span> = self.stays.stays.iter().map(|stay| stay.span).collect();
        let unread = unread(self.stays.zone, &spans, days);
        let mut facts = of_fresh_water(days);
        facts.iter_mut().filter(|fact| unread.contains(&fact.date)).for_each(|fact| fact.coverage = 0.0);
        facts
    }

    /// Whether a unit stood at the site in more than a share, 0 to 1, of a bill's days.
    #[must_use]
    pub(crate) fn stood_in(&self, period: Cycle, share: f64) -> bool {
        let [from, to] = [period.from, period.to].map(|day| day_bounds(self.stays.zone, day).0);
        let least_s = share * (to - from).as_seconds_f64();
        self.stays.stays.iter().any(|stay| stay.span.seconds_between(from, to) > least_s)
    }

    /// Whether the bill before is one with units: they stood there, and a meter counted fresh water in its days.
    /// However little of it was read, it was not that of washing without them.
    fn saved_in(&self, before: Cycle) -> bool {
        let counted = self.days_before.iter().any(|day| day.fact.amounts.fresh_used().is_some());
        counted && self.stood_in(before, STOOD_MOST)
    }

    /// Why the bill fell by what it fell.
    ///
    /// # Errors
    /// Why that is not explained.
    pub fn explained(&self, bill: &SiteBill) -> Result<Explained, NotExplained> {
        let tariff = self.tariff.as_ref().ok_or(NotExplained::NoTariff)?;
        let before = self.before.as_ref().ok_or(NotExplained::NoBillBefore)?;
        if self.saved_in(before.period) {
            return Err(NotExplained::UnitsBefore);
        }
        let (stays, counters) = (&self.stays, self.counters);
        let worked = Worked { working: &self.working, tallies: &self.tallies, counters, stays };
        let fresh = |days: &[SiteDay], period| fresh_used(&self.read(days), period, stays);
        let used = fresh(&self.days, bill.period).map(|litres| Quantity::exact(litres.0)).map_err(Missing::from);
        let days: Vec<DayFact> = self.days.iter().map(|day| day.fact.clone()).collect();
        // Water to the washers decides ceilings alone, and those are turned away below.
        let exact = |litres: Litres| Quantity::exact(litres.0);
        let uses = uses(&days, bill.period, used, (&self.baselines, worked), exact).map_err(Withheld::from)?;
        if self
            .baselines
            .touching(bill.period.from, previous_day(bill.period.to))
            .any(|one| one.method == Method::Equivalence)
        {
            return Err(NotExplained::Ceiling);
        }
        let washing_before = fresh(&self.days_before, before.period).ok();
        explain((&self.account, tariff), before, bill, &uses, washing_before)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::site_account::tests::{date, site_account};
    use crate::accounts::stays::tests::stay;
    use crate::baseline::record::Baseline;
    use crate::baseline::record::tests::baseline;
    use crate::facts::Amounts;
    use crate::metering::stream::Stream;
    use crate::uncertainty::quantity::Quantity;
    use serde_json::{Value, json};

    /// A month from the fifteenth on, at 2 a cubic metre and a base of 10.
    fn bill(from: &str, to: &str, metered_m3: Option<f64>, total: &str) -> SiteBill {
        let bill = json!({"total": {"amount": total, "currency": "EUR"}});
        SiteBill {
            period: Cycle { from: date(from), to: date(to) },
            metered_l: metered_m3.map(|m3| Litres(m3 * 1000.0)),
            bill: serde_json::from_value(bill).unwrap(),
        }
    }

    fn tariff() -> Tariff {
        let version: Value = json!({
            "from": "2025-01-01", "unit": "m3", "per": "cycle",
            "water": {"fixed": [{"code": "base", "words": "Base", "price": "10"}], "blocks": [{"price": "2"}]}
        });
        let tariff = json!({"name": "City", "currency": "EUR", "rounding": "half_up", "versions": [version]});
        serde_json::from_value(tariff).unwrap()
    }

    fn uses(baseline_m3: f64, used_m3: f64) -> Uses {
        let litres = |m3: f64| Quantity::exact(m3 * 1000.0);
        Uses { baseline_l: litres(baseline_m3), fresh_used_l: litres(used_m3), discharge: None }
    }

    #[test]
    fn without_tariff_bill_or_water_it_is_not_explained() {
        let before = bill("2026-01-15", "2026-02-15", Some(100.0), "210.00");
        let now = bill("2026-02-15", "2026-03-15", Some(75.0), "160.00");
        let mut evidence = Evidence {
            account: site_account("2026-01-01", None),
            tariff: Some(tariff()),
            before: Some(before),
            days: Vec::new(),
            days_before: Vec::new(),
            baselines: Baselines::default(),
            working: WorkingCalendar::default(),
            tallies: Vec::new(),
            counters: true,
            stays: SiteStays { zone: chrono_tz::Tz::UTC, stays: Vec::new() },
        };
        let code = |evidence: &Evidence| evidence.explained(&now).unwrap_err().code().to_owned();
        assert_eq!(code(&evidence), "no_baseline");
        evidence.before = None;
        assert_eq!(code(&evidence), "no_bill_before");
        evidence.tariff = None;
        assert_eq!((code(&evidence).as_str(), evidence.computed(&now).unwrap_err().code()), ("no_tariff", "no_tariff"));
    }

    /// Thirty-one days of January and twenty-eight of February at 400 L and two washes a day, at 2,000 L each
    /// without the unit: 100 m3 on both bills.
    fn two_like_months(method: Method) -> (Evidence, SiteBill) {
        let [before, now] = [("2026-01-01", "2026-02-01"), ("2026-02-01", "2026-03-01")]
            .map(|(from, to)| bill(from, to, Some(100.0), "210.00"));
        let days = |of: &SiteBill| -> Vec<SiteDay> {
            let dates = of.period.from.iter_days().take_while(|day| *day < of.period.to);
            let used = [(Stream::Makeup, 400.0), (Stream::Wash, 4_000.0), (Stream::WashCount, 2.0)];
            let mut amounts = Amounts::default();
            used.iter().for_each(|(stream, amount)| amounts.add(*stream, *amount));
            let fact = |date| DayFact {
                date,
                amounts,
                coverage: 1.0,
                estimated_share: 0.0,
                open_exceptions: 0,
                sessions: None,
            };
            dates.map(|day| SiteDay { of_site: false, fact: fact(day) }).collect()
        };
        let agreed = Baseline { first_day: date("2025-01-01"), method, ..baseline() };
        let evidence = Evidence {
            account: site_account("2026-01-01", None),
            tariff: Some(tariff()),
            days: days(&now),
            days_before: days(&before),
            before: Some(before),
            baselines: Baselines::parse(vec![agreed]).unwrap(),
            working: WorkingCalendar::default(),
            tallies: Vec::new(),
            counters: true,
            stays: stay(&[], Vec::new()),
        };
        (evidence, now)
    }

    fn code(evidence: &Evidence, now: &SiteBill) -> String {
        evidence.explained(now).map_or_else(|why| why.code().to_owned(), |_| "explained".to_owned())
    }

    /// The unit saved as much in both: nothing of the saving lies between the bills, and washing did not
    /// change either.
    #[test]
    fn a_bill_of_days_with_units_explains_no_saving() {
        let (evidence, now) = two_like_months(baseline().method);
        assert_eq!(code(&evidence, &now), "units_before");
        // A twentieth of the days, one and a half, may have had the unit.
        let since = |at: &str| {
            let mut evidence = evidence.clone();
            evidence.stays.stays[0].span = Span::parse(at.parse().unwrap(), None).unwrap();
            evidence.days_before.retain(|day| day.fact.date >= date("2026-01-30"));
            evidence
        };
        assert_eq!(code(&since("2026-01-30T00:00:00Z"), &now), "units_before", "read for two days of thirty-one");
        assert_eq!(code(&since("2026-01-31T00:00:00Z"), &now), "explained", "it stood for one of thirty-one");
        let unread = Evidence { days_before: Vec::new(), ..evidence.clone() };
        assert!(unread.explained(&now).unwrap().washing_before_assumed, "no meter counted anything then");
        // A dial of the site before there was a unit: 400 L a day, and what is washed now would have taken more.
        let mut before_units = since("2026-02-01T00:00:00Z");
        before_units.days_before = evidence.days_before;
        let explained = before_units.explained(&now).unwrap();
        assert_eq!((explained.washing_before_l, explained.washing_before_assumed), (Litres(12_400.0), false));
    }

    #[test]
    fn a_ceiling_explains_no_saving() {
        let without = |method| {
            let (evidence, now) = two_like_months(method);
            code(&Evidence { days_before: Vec::new(), ..evidence }, &now)
        };
        assert_eq!(
            (without(baseline().method), without(Method::Equivalence)),
            ("explained".into(), "baseline_ceiling".into())
        );
    }

    /// 100 m3 before, of which 40 washed; now 75, of which 10 for washing that would have taken
    /// 45. So other use is up by 5, washing too, and 35 are saved at 2.
    #[test]
    fn the_parts_of_a_fall_add_up() {
        let (account, tariff) = (site_account("2026-01-01", None), tariff());
        let before = bill("2026-01-15", "2026-02-15", Some(100.0), "210.00");
        let now = bill("2026-02-15", "2026-03-15", Some(75.0), "160.00");
        let found = explain((&account, &tariff), &before, &now, &uses(45.0, 10.0), Some(Litres(40_000.0))).unwrap();
        let parts = &found.parts;
        let amounts = [parts.fell_by.amount, parts.saving, parts.other_use, parts.water, parts.prices];
        assert_eq!(amounts.map(|amount| format!("{amount:.2}")), ["50.00", "70.00", "-10.00", "-10.00", "0.00"]);
        assert!(!found.washing_before_assumed);
        let assumed = explain((&account, &tariff), &before, &now, &uses(45.0, 10.0), None).unwrap();
        assert_eq!((assumed.washing_before_l, assumed.other_before_l), (Litres(45_000.0), Litres(55_000.0)));
        assert!(assumed.washing_before_assumed);
    }

    #[test]
    fn what_is_missing_is_said() {
        let (account, tariff) = (site_account("2026-01-01", None), tariff());
        let before = bill("2026-01-15", "2026-02-15", Some(100.0), "210.00");
        let code = |now: &SiteBill, uses: &Uses| {
            explain((&account, &tariff), &before, now, uses, None).unwrap_err().code().to_owned()
        };
        let now = |metered| bill("2026-02-15", "2026-03-15", metered, "160.00");
        assert_eq!(code(&now(None), &uses(45.0, 10.0)), "other_use_not_known");
        assert_eq!(code(&now(Some(5.0)), &uses(45.0, 10.0)), "more_than_metered");
        assert_eq!(code(&bill("2026-02-15", "2026-05-15", Some(75.0), "1"), &uses(45.0, 10.0)), "no_bill");
        assert_eq!(now(None).computed(&account, &tariff).unwrap_err().code(), "not_metered");
        let computed = now(Some(75.0)).computed(&account, &tariff).unwrap();
        assert_eq!(
            (computed.bill.total.to_string(), computed.difference.total().is_zero()),
            ("160.00 EUR".into(), true)
        );
    }

    #[test]
    fn every_fault_is_named() {
        let wrong =
            SiteBill { metered_l: Some(Litres(-1.0)), ..bill("2026-02-15", "2026-02-15", None, "9999999999999") };
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/to", "/metered_l", "/total/amount"]);
    }
}
