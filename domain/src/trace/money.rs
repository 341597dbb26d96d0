//! Water avoided and money saved at a site in a trace: activity, baseline, and for each billing
//! cycle both bills line by line with quantity, price and rounding.

use crate::accounts::day_uses::activity;
use crate::accounts::stays::{HoseFill, NotCredited};
use crate::baseline::avoided::{Avoided, Missing};
use crate::baseline::method::Method;
use crate::baseline::record::Baseline;
use crate::cost::washes::WashesBy;
use crate::facts::DayFact;
use crate::ids::SiteId;
use crate::metering::stream::Stream;
use crate::report::inputs::{Inputs, Subject};
use crate::report::money::Case;
use crate::savings::{BilledCycle, CycleSaving, money_saved};
use crate::tariff::bill::Bill;
use crate::tariff::record::{Rounding, TariffVersion};
use crate::tariff::{Cycle, CyclePrices, WaterAccount};
use crate::uncertainty::quantity::Quantity;
use crate::units::Litres;
use crate::zone::Month;
use chrono::NaiveDate;
use serde::Serialize;
use std::collections::BTreeMap;

/// What a site avoided and saved, with everything behind it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SiteTrace {
    /// The site.
    pub site_id: SiteId,
    /// Its name.
    pub site: String,
    /// The days of the month on which something stood there, the last one left out; null without.
    pub served: Option<Cycle>,
    /// The water avoided in them; null where it is not printed.
    pub avoided: Option<Avoided>,
    /// How that follows.
    pub avoided_formula: &'static str,
    /// The baseline of those days with what was washed.
    pub baseline: Option<PartUse>,
    /// The billing cycles that touch the month.
    pub cycles: Vec<CycleTrace>,
    /// Why a figure is not printed, a sentence each.
    pub withheld: Vec<String>,
}

/// Some days under one baseline, or under none.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartUse {
    /// The days, the last one left out.
    pub days: Cycle,
    /// First day of the baseline that holds; null in another month in which none does.
    pub baseline_first_day: Option<NaiveDate>,
    /// How it was found, with its figures; null without.
    pub method: Option<Method>,
    /// Days of which a part is credited with nothing, because units did not treat and no meter measured what
    /// went past them: the washes and working days below leave that part out.
    pub not_credited: Vec<NotCredited>,
    /// Washes by machine class; null where nobody counts them.
    pub washes: Option<BTreeMap<String, f64>>,
    /// How they are known: tallies that cover all days, else counters, else sessions.
    pub washes_by: Option<WashesBy>,
    /// All water to the washers, in litres; null where it is not known.
    pub to_washers_l: Option<f64>,
    /// Days worked; null where nobody said which.
    pub working_days: Option<f64>,
    /// What would have been used, in litres.
    pub baseline_l: f64,
    /// How that follows.
    pub baseline_formula: &'static str,
    /// What was used, in litres: the sum of `of_days` and of `by_hose`.
    pub fresh_used_l: f64,
    /// What came by hose past every meter: first fills, refills and fills by hand.
    pub by_hose: Vec<HoseFill>,
    /// The day facts behind it.
    pub of_days: Vec<DayUse>,
}

/// What was used in a day, by all or some of the meters at the site.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DayUse {
    /// The local day.
    pub date: NaiveDate,
    /// Fresh water through meters, in litres; null where none measures it.
    pub fresh_used_l: Option<f64>,
    /// Washes counted; null where nothing counts them.
    pub wash_count: Option<f64>,
    /// Sessions at its guns; null where the readings can't tell them apart.
    pub sessions: Option<u32>,
    /// Share of the day between accepted readings, 0 to 1: of the time that units stood there.
    pub coverage: f64,
}

/// A billing cycle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CycleTrace {
    /// What was saved in it and in the month, as the report prints it.
    pub saving: CycleSaving,
    /// All its known days on which units stood there, those of other months too, cut where a month
    /// begins and where a baseline begins or ends.
    pub parts: Vec<PartUse>,
    /// The days at its end that are not known yet, the last one left out; null for a cycle that is.
    pub open: Option<Cycle>,
    /// By how much the parts are taken on over these; 1 without.
    pub taken_on: f64,
    /// The part of the cycle, 0 to 1, that has passed before the month.
    pub before: f64,
    /// The part that has passed at the month's end.
    pub by_end: f64,
    /// The account: size of its meter, months of a cycle, other use, strengths.
    pub account: WaterAccount,
    /// The tariff.
    pub tariff: TariffTrace,
    /// The bills where the least is saved.
    pub least: Bills,
    /// The bills where the most is saved; the same where other use is known.
    pub most: Bills,
    /// The bills at the water avoided less its expanded uncertainty; null where what is printed does not say.
    pub low: Option<Bills>,
    /// Those at the water avoided plus it.
    pub high: Option<Bills>,
    /// How one follows from the other.
    pub formulas: [&'static str; 6],
}

/// The tariff behind a cycle's bills.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TariffTrace {
    /// What it is called.
    pub name: String,
    /// How a line is rounded to the minor unit.
    pub rounding: Rounding,
    /// The versions that hold in the cycle, whole: charges, blocks, which volume counts as sewage, of which
    /// lines a percentage is taken.
    pub versions: Vec<TariffVersion>,
}

/// Both bills of a cycle with so much other use.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bills {
    /// Other use of the account in the cycle, in litres.
    pub other_l: f64,
    /// What the site used in an average month of the winter before, in litres, where sewer is billed
    /// by that; other use comes on top of it.
    pub winter_l_per_month: Option<f64>,
    /// The bill of other use and the baseline.
    pub with_baseline: Bill,
    /// The bill of other use and what was used.
    pub with_actual: Bill,
}

const FORMULAS: [&str; 6] = [
    "amount of a bill's line = quantity x price, rounded to the minor unit; total = sum of the lines",
    "water billed = other_l + sum over the parts of baseline_l x taken_on, or of fresh_used_l x taken_on",
    "taken_on = (days of the parts + days of open) / days of the parts",
    "saved = with_baseline - with_actual, line by line, of the whole cycle",
    "in_month = saved x by_end - saved x before, each rounded to the minor unit, half away from zero; the two are \
     shares of the water avoided, or of the days, as shared_by says",
    "low and high = with_baseline - with_actual of the bills of those names: with the baseline less and plus the \
     expanded uncertainty of the water avoided (ends.moved_l), never below 0, and the other use at which the least and \
     the most is saved; every line of a bill is rounded, so an end may lie some minor units beside what the volume \
     alone comes to",
];

/// Every site at which something stood in the month.
pub(super) fn sites(inputs: &Inputs, present: &[&Subject]) -> Vec<SiteTrace> {
    let mut sites: Vec<&Subject> = present.to_vec();
    sites.sort_by_key(|subject| subject.site_id);
    let cases = sites.chunk_by(|a, b| a.site_id == b.site_id).map(|subjects| Case::of(inputs, subjects));
    cases.filter_map(|case| Some(site(inputs, &case?))).collect()
}

fn site(inputs: &Inputs, case: &Case<'_>) -> SiteTrace {
    let (avoided, billed) = (case.avoided(), case.billed());
    let served = case.served();
    let saved = billed.as_ref().ok().map(|cycles| money_saved(inputs.month, cycles));
    let mut withheld: Vec<String> = Vec::new();
    let mut why = |words: String| {
        if !withheld.contains(&words) {
            withheld.push(words);
        }
    };
    if let Err(refused) = &avoided {
        why(refused.words.clone());
    }
    if let Err(refused) = &billed {
        why(refused.words.clone());
    }
    if let Some(Err(refused)) = &saved {
        why(crate::report::figure::Withheld::from(refused.clone()).words);
    }
    let found = saved.and_then(Result::ok).map(|saved| saved.cycles).unwrap_or_default();
    let cycles = billed.unwrap_or_default();
    let of_cycle = |(billed, saving)| cycle(inputs.month, case, billed, saving);
    SiteTrace {
        site_id: SiteId(case.first().site_id),
        site: case.first().site.clone(),
        served,
        avoided: avoided.ok(),
        avoided_formula: "avoided_l = baseline_l - fresh_used_l, the latter by the statements of the subjects",
        baseline: served.and_then(|days| part_use(case, days)).filter(|part| part.method.is_some()),
        cycles: cycles.iter().zip(found).filter_map(of_cycle).collect(),
        withheld,
    }
}

fn part_use(case: &Case<'_>, days: Cycle) -> Option<PartUse> {
    let last = days.to.pred_opt().unwrap_or(days.from);
    let money = case.money()?;
    let facts = case.site_days(days);
    let of_days: Vec<DayUse> = facts.iter().map(day_use).collect();
    let used = (of_days, money.stays.hose_fills(days));
    let baseline: &Baseline = match money.baselines.over(days.from, last) {
        Ok(baseline) => baseline,
        Err(Missing::Baseline) => return Some(PartUse::without_baseline(days, used)),
        Err(_) => return None,
    };
    // The trace of a part shows amounts; their errors stand with the figures.
    let exact = |litres: Litres| Quantity::exact(litres.0);
    let activity = activity(&facts, &baseline.method, (days, case.worked(money)), exact);
    let washes = activity.washes.as_ref();
    let fresh_used_l = summed(&used);
    let (of_days, by_hose) = used;
    Some(PartUse {
        days,
        baseline_first_day: Some(baseline.first_day),
        method: Some(baseline.method.clone()),
        not_credited: case.worked(money).not_credited(&facts, days),
        washes: washes.map(|classes| classes.iter().map(|(class, count)| (class.clone(), count.value)).collect()),
        washes_by: case.worked(money).washes(&facts, days).by(),
        to_washers_l: activity.to_washers_l.as_ref().map(|litres| litres.value),
        working_days: activity.working_days.as_ref().map(|days| days.value),
        baseline_l: baseline.method.expected(&activity).ok()?.value,
        baseline_formula: baseline_formula(&baseline.method),
        fresh_used_l,
        by_hose,
        of_days,
    })
}

/// Fresh water of days and fills, in litres.
fn summed((of_days, by_hose): &(Vec<DayUse>, Vec<HoseFill>)) -> f64 {
    let metered: f64 = of_days.iter().filter_map(|day| day.fresh_used_l).sum();
    metered + by_hose.iter().map(|fill| fill.litres).sum::<f64>()
}

impl PartUse {
    fn without_baseline(days: Cycle, used: (Vec<DayUse>, Vec<HoseFill>)) -> Self {
        let fresh_used_l = summed(&used);
        let (of_days, by_hose) = used;
        Self {
            days,
            baseline_first_day: None,
            method: None,
            not_credited: Vec::new(),
            washes: None,
            washes_by: None,
            to_washers_l: None,
            working_days: None,
            baseline_l: fresh_used_l,
            baseline_formula: "baseline_l = fresh_used_l: without a baseline nothing is avoided",
            fresh_used_l,
            by_hose,
            of_days,
        }
    }
}

fn day_use(day: &DayFact) -> DayUse {
    DayUse {
        date: day.date,
        fresh_used_l: day.amounts.fresh_used().map(|litres| litres.0),
        wash_count: day.amounts.get(Stream::WashCount),
        sessions: day.sessions,
        coverage: day.coverage,
    }
}

fn baseline_formula(method: &Method) -> &'static str {
    match method {
        Method::PerWash(_) => "baseline_l = sum over the machine classes of l_per_wash x washes",
        Method::GunHours(_) => {
            "baseline_l = sum over the guns of litres / seconds x 3600 x trigger_h, times the washes or working days"
        }
        Method::Bills(_) => {
            "baseline_l = sum over the bills of volume_l - other_use_l, over their washes or working days, times those \
             of the time"
        }
        Method::Equivalence => "baseline_l = to_washers_l: at most so much",
    }
}

fn cycle(month: Month, case: &Case<'_>, billed: &BilledCycle<'_>, saving: CycleSaving) -> Option<CycleTrace> {
    let (before, by_end) = billed.passed(month);
    let prices = CyclePrices::new(billed.account, billed.tariff, billed.cycle).ok()?;
    let bills = |other: Litres, moved_l: f64| {
        let bill = |litres: f64, discharge_l: Option<f64>| {
            let used = billed.use_of(litres, discharge_l.map(Litres));
            prices.bill(&used.with_other(other, billed.account.cycle_months)).ok()
        };
        let discharge = saving.discharge;
        Some(Bills {
            other_l: other.0,
            winter_l_per_month: billed.winter_l_per_month.map(|litres| litres.0),
            with_baseline: bill(
                saving.baseline_l.value + moved_l,
                discharge.map(|of| (of.with_baseline_l + moved_l).max(0.0)),
            )?,
            with_actual: bill(saving.fresh_used_l.value, discharge.map(|of| of.counted_l))?,
        })
    };
    let (least, most) = (bills(saving.least.other_l, 0.0)?, bills(saving.most.other_l, 0.0)?);
    let [low, high] = match &saving.ends {
        Some(ends) => ends.map(|end| bills(end.other_l, end.moved_l)),
        None => [None, None],
    };
    let holds = billed
        .tariff
        .versions
        .iter()
        .filter(|version| version.from < billed.cycle.to && version.to.is_none_or(|ends| ends > billed.cycle.from));
    Some(CycleTrace {
        parts: billed.parts.iter().filter_map(|part| part_use(case, part.days)).collect(),
        open: billed.open,
        taken_on: billed.goes_on().unwrap_or(1.0),
        before,
        by_end,
        account: billed.account.clone(),
        tariff: TariffTrace {
            name: billed.tariff.name.clone(),
            rounding: billed.tariff.rounding,
            versions: holds.cloned().collect(),
        },
        least,
        most,
        low,
        high,
        saving,
        formulas: FORMULAS,
    })
}
