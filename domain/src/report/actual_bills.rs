//! Bills as they came, in the report of the month in which they ended: why one is other than the bill
//! before it less what the units saved, or than what the tariff asks.

use super::display::{self, Format};
use super::inputs::{Inputs, Subject};
use crate::accounts::bill::{Computed, Evidence, Explained, SiteBill};
use crate::ids::{SiteId, WaterAccountId};
use crate::money::Money;
use crate::named::named;
use crate::tariff::reconcile::{BillDifference, Reconciliation};
use crate::zone::{Month, previous_day};
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

named! {
    /// Why a bill is other than what it is held against.
    BillCause as "bill_cause" {
        /// What the units saved.
        Saving = "saving",
        /// Other prices.
        Prices = "prices",
        /// Other use on the account.
        OtherUse = "other_use",
        /// More or less washing.
        Washing = "washing",
        /// Other quantities than those that the tariff counts of the water on the bill.
        Quantities = "quantities",
        /// Charges that the tariff does not know.
        UnknownCharges = "unknown_charges",
        /// Rounding.
        Rounding = "rounding",
        /// What nothing here explains.
        Unexplained = "unexplained",
    }
}

impl BillCause {
    /// The cause in words, after an amount.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Saving => "saved by the units",
            Self::Prices => "by other prices",
            Self::OtherUse => "by other use on the account",
            Self::Washing => "by more or less washing",
            Self::Quantities => "by other quantities",
            Self::UnknownCharges => "by charges that the tariff does not know",
            Self::Rounding => "by rounding",
            Self::Unexplained => "not explained",
        }
    }
}

named! {
    /// What a bill is held against.
    BillAgainst as "bill_against" {
        /// The bill before it, less what the units saved.
        BillBefore = "bill_before",
        /// What the tariff asks for the water on it, where it can't be held against the bill before.
        Tariff = "tariff",
    }
}

/// A bill with all that explains it.
#[derive(Debug, Clone, PartialEq)]
pub struct BillEvidence {
    /// Its site.
    pub site_id: SiteId,
    /// Its account.
    pub account_id: WaterAccountId,
    /// The bill.
    pub bill: SiteBill,
    /// What explains it.
    pub evidence: Evidence,
}

/// Which bill: its account and first day.
pub type BillKey = (WaterAccountId, NaiveDate);

/// How many months after the one in which it ended a bill may come and still be told of. Our own choice.
pub const LATE_MONTHS: usize = 12;

/// What a report tells of bills.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tells {
    /// Whether it is issued.
    pub issued: bool,
    /// The bills that it tells of.
    pub bills: BTreeSet<BillKey>,
}

/// The reports of months around one: of the [`LATE_MONTHS`] before it, with the last one of a month before these,
/// which says that the customer had reports by then.
pub type Told = BTreeMap<Month, Tells>;

/// Whether the report of a month tells of a bill: it ended in that month, or it came late, after the
/// reports from the month in which it ended to the one before were issued without it. A month without a report
/// tells of none, and holds nothing up; but a bill that ended before the customer's first report is none of
/// any. What the issued report of a later month tells, a revision of an earlier one does not tell again.
#[must_use]
pub fn tells_of(month: Month, bill: BillKey, last: NaiveDate, told: &Told) -> bool {
    let ended = Month::of(last);
    let oldest = (0..LATE_MONTHS).fold(month, |month, _| month.previous());
    if ended > month || ended < oldest {
        return false;
    }
    let had_reports = ended == month || told.range(..=ended).next().is_some();
    let mut before = told.range(ended..month);
    let mut after = told.range(month.next()..);
    had_reports
        && before.all(|(_, of)| of.issued && !of.bills.contains(&bill))
        && !after.any(|(_, of)| of.issued && of.bills.contains(&bill))
}

/// A bill as it came, reconciled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BillHeld {
    /// The site.
    pub site_id: SiteId,
    /// Its name.
    pub site: String,
    /// The water account.
    pub account_id: WaterAccountId,
    /// Its name.
    pub account: String,
    /// First local day of the bill.
    pub from: NaiveDate,
    /// Last local day of it.
    pub to: NaiveDate,
    /// What it is held against.
    pub against: BillAgainst,
    /// The bill before, or what the tariff asks.
    pub held_against: Money,
    /// What lies between that and this bill, in its currency; what raised the bill is positive. They
    /// add up, but for what comes to less than half a minor unit and is left out.
    pub parts: Vec<BillPart>,
    /// Its total.
    pub total: Money,
    /// How much higher it is than the meters explain: all parts but the saving.
    pub higher_by: Money,
    /// Whether what was washed in the bill before is taken from the baseline, because no meter of the
    /// site counted it.
    pub washing_before_assumed: bool,
    /// The same in a sentence.
    pub words: String,
}

/// A part of what lies between two amounts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct BillPart {
    /// Why.
    pub cause: BillCause,
    /// How much; what raised the bill is positive.
    pub amount: Decimal,
}

/// The bills of the month at sites at which something stood in it, or in their own days; those that can't be
/// explained by anything are left out.
pub(super) fn of(inputs: &Inputs, present: &[&Subject]) -> Vec<BillHeld> {
    inputs.bills.iter().filter_map(|one| BillHeld::of(inputs, present, one)).collect()
}

impl BillHeld {
    /// One of the month's bills; `None` where nothing explains it, or nothing stood at its site then.
    pub(crate) fn of(inputs: &Inputs, present: &[&Subject], one: &BillEvidence) -> Option<Self> {
        let site = site_of(inputs, present, one)?;
        let total = one.bill.bill.total;
        let money = |amount: Decimal| Money { amount, ..total };
        let explained = one.evidence.explained(&one.bill).ok();
        let (against, parts) = match &explained {
            Some(Explained { parts, .. }) => (BillAgainst::BillBefore, since_before(parts)),
            None => (BillAgainst::Tariff, beyond(&one.evidence.computed(&one.bill).ok()?.difference)),
        };
        let all: Decimal = parts.iter().map(|part| part.amount).sum();
        let unsaved = parts.iter().filter(|part| part.cause != BillCause::Saving);
        let mut held = Self {
            site_id: one.site_id,
            site: site.to_owned(),
            account_id: one.account_id,
            account: one.evidence.account.account.name.clone(),
            from: one.bill.period.from,
            to: previous_day(one.bill.period.to),
            against,
            held_against: money(total.amount - all),
            higher_by: money(unsaved.map(|part| part.amount).sum()),
            parts: parts.into_iter().filter(|part| !money(part.amount).in_minor_units().amount.is_zero()).collect(),
            total,
            washing_before_assumed: explained.is_some_and(|explained| explained.washing_before_assumed),
            words: String::new(),
        };
        held.words = held.in_words(inputs);
        Some(held)
    }

    /// The parts beside the saving.
    pub fn causes(&self) -> impl Iterator<Item = &BillPart> {
        self.parts.iter().filter(|part| part.cause != BillCause::Saving)
    }

    fn in_words(&self, inputs: &Inputs) -> String {
        let format = Format::of(&inputs.style, inputs.unit_system);
        let [from, to] = [self.from, self.to].map(|day| display::date_in(day, inputs.style.dates(inputs.unit_system)));
        let money = |amount: Decimal| display::money(Money { amount, ..self.total }, format);
        let than = match self.against {
            BillAgainst::BillBefore => "the bill before less what the units saved",
            BillAgainst::Tariff => "the tariff asks for the water on it",
        };
        let by = self.higher_by.in_minor_units().amount;
        let causes: Vec<String> =
            self.causes().map(|part| format!("{} {}", money(part.amount), part.cause.words())).collect();
        let said = match (by.is_zero(), self.against) {
            (true, BillAgainst::BillBefore) => format!("is as high as {than}."),
            (true, BillAgainst::Tariff) => format!("is what {than}."),
            _ => {
                let how = if by.is_sign_negative() { "lower" } else { "higher" };
                format!("is {} {how} than {than}: {}.", money(by.abs()), causes.join(", "))
            }
        };
        let assumed = if self.washing_before_assumed {
            " What was washed then is taken from the baseline, because no meter of the site counted it."
        } else {
            ""
        };
        format!("The bill of {from} to {to} {said}{assumed}")
    }
}

/// The name of a bill's site, where something stood there in the month. A late bill comes after the unit may
/// have left: then something has to have stood there in the days of the bill.
fn site_of<'i>(inputs: &'i Inputs, present: &[&'i Subject], one: &BillEvidence) -> Option<&'i str> {
    let BillEvidence { bill, evidence, .. } = one;
    let stood = || !evidence.days.is_empty() || evidence.stood_in(bill.period, 0.0);
    let mut there = inputs.subjects.iter().filter(|subject| subject.site_id == one.site_id.0);
    let in_month = present.iter().copied().find(|subject| subject.site_id == one.site_id.0);
    in_month.or_else(|| there.next().filter(|_| stood())).map(|subject| subject.site.as_str())
}

/// From the bill before to this one; the reconciliation counts what lowered the bill.
fn since_before(parts: &Reconciliation) -> Vec<BillPart> {
    let lowered = [
        (BillCause::Saving, parts.saving),
        (BillCause::Prices, parts.prices),
        (BillCause::OtherUse, parts.other_use),
        (BillCause::Washing, parts.water),
        (BillCause::UnknownCharges, parts.unknown_charges),
        (BillCause::Rounding, parts.rounding),
        (BillCause::Unexplained, parts.unexplained),
    ];
    lowered.map(|(cause, amount)| BillPart { cause, amount: -amount }).to_vec()
}

/// From what the tariff asks to this bill.
fn beyond(more: &BillDifference) -> Vec<BillPart> {
    let parts = [
        (BillCause::Prices, more.prices),
        (BillCause::Quantities, more.quantities),
        (BillCause::UnknownCharges, more.unknown()),
        (BillCause::Rounding, more.rounding),
        (BillCause::Unexplained, more.unexplained),
    ];
    parts.map(|(cause, amount)| BillPart { cause, amount }).to_vec()
}

/// A bill of a report with everything behind it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BillTrace {
    /// As the report tells it.
    #[serde(flatten)]
    pub held: BillHeld,
    /// The bill as it came.
    pub bill: SiteBill,
    /// The bill before it; null without.
    pub before: Option<SiteBill>,
    /// The bill that the tariff asks for the water on it, and what this one has more; null where it
    /// can't be computed.
    pub computed: Option<Computed>,
    /// Other use and washing of both bills, and the parts: what lowered the bill is positive in these;
    /// null where it is not held against the bill before.
    pub explained: Option<Explained>,
    /// How the parts follow.
    pub formula: &'static str,
}

/// How the parts of the change follow.
const FORMULA: &str = "total = held_against + sum of the parts; with B0 and B1 the bill by the prices of the bill before and of \
                       this one, o0 and o1 other use, w0 washing before, b the baseline and a the use now: prices = \
                       B1(o0 + w0) - B0(o0 + w0), other_use = B1(o1 + w0) - B1(o0 + w0), washing = B1(o1 + b) - B1(o1 + \
                       w0), saving = B1(o1 + a) - B1(o1 + b), each with what the actual bills have more than the computed \
                       ones";

/// The month's bills with everything behind them.
pub(crate) fn traces(inputs: &Inputs, present: &[&Subject]) -> Vec<BillTrace> {
    let trace = |one: &BillEvidence| {
        Some(BillTrace {
            held: BillHeld::of(inputs, present, one)?,
            bill: one.bill.clone(),
            before: one.evidence.before.clone(),
            computed: one.evidence.computed(&one.bill).ok(),
            explained: one.evidence.explained(&one.bill).ok(),
            formula: FORMULA,
        })
    };
    inputs.bills.iter().filter_map(trace).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::day_uses::SiteDay;
    use crate::accounts::site_money::tests::money;
    use crate::accounts::stays::SiteStays;
    use crate::accounts::stays::tests::stay;
    use crate::baseline::history::Baselines;
    use crate::baseline::record::Baseline;
    use crate::baseline::record::tests::{baseline, date};
    use crate::metering::spread::WorkingCalendar;
    use crate::metering::stream::Stream;
    use crate::report::SavingsReport;
    use crate::report::tests::{fact, inputs, subject};
    use crate::span::Span;
    use crate::tariff::{Cycle, Tariff};
    use crate::units::Litres;
    use serde_json::json;
    use uuid::Uuid;

    fn bill((from, to): (&str, &str), m3: f64, total: &str) -> SiteBill {
        SiteBill {
            period: Cycle { from: date(from), to: date(to) },
            metered_l: Some(Litres(m3 * 1000.0)),
            bill: serde_json::from_value(json!({"total": {"amount": total, "currency": "EUR"}})).unwrap(),
        }
    }

    const JANUARY: (&str, &str) = ("2026-01-01", "2026-02-01");

    /// A cubic metre at 2 and a base of 10. In the thirty-one days of the bill 10 m3 a day were used and
    /// 20 washes a day counted, at 300 L: 186 m3 would have been.
    fn case(before: Option<SiteBill>, now: SiteBill) -> Inputs {
        let version = json!({
            "from": "2025-01-01", "unit": "m3", "per": "cycle",
            "water": {"fixed": [{"code": "base", "words": "Base", "price": "10"}], "blocks": [{"price": "2"}]}
        });
        let tariff = json!({"name": "City", "currency": "EUR", "rounding": "half_up", "versions": [version]});
        let tariff: Tariff = serde_json::from_value(tariff).unwrap();
        let used = |day| fact(day, &[(Stream::Makeup, 1000.0), (Stream::WashCount, 20.0)]);
        let days = date("2026-01-01").iter_days().take(31).map(|day| SiteDay { of_site: false, fact: used(day) });
        let since = Baseline { first_day: date("2025-01-01"), ..baseline() };
        let evidence = Evidence {
            account: money(&[("2025-01-01", None)]).accounts.remove(0).record,
            tariff: Some(tariff),
            before,
            days: days.collect(),
            days_before: Vec::new(),
            baselines: Baselines::parse(vec![since]).unwrap(),
            working: WorkingCalendar::default(),
            tallies: Vec::new(),
            counters: true,
            stays: SiteStays { zone: chrono_tz::Tz::UTC, stays: Vec::new() },
        };
        let stood = subject(1, &[], Vec::new());
        let site_id = SiteId(stood.site_id);
        let bills = vec![BillEvidence { site_id, account_id: WaterAccountId(Uuid::from_u128(3)), bill: now, evidence }];
        Inputs { bills, ..inputs(vec![stood]) }
    }

    fn held(before: Option<SiteBill>, now: SiteBill) -> BillHeld {
        let report = SavingsReport::of(&case(before, now));
        report.actual_bills.into_iter().next().unwrap()
    }

    fn plain(words: &str) -> String {
        words.replace('\u{a0}', " ")
    }

    /// By hand: 31 days of 20 washes at 300 L would have taken 186 m3 and took 31: 155 m3 are saved, 310
    /// at 2. The bill before was of 200 m3, 410, so that 14 were other use; this one of 70 m3 has 39: 25
    /// more, 50. So 410 - 310 + 50 = 150, and 9 more on it nothing explains.
    #[test]
    fn a_bill_is_held_against_the_one_before_less_the_saving() {
        let before = bill(("2025-12-01", "2026-01-01"), 200.0, "410.00");
        let found = held(Some(before), bill(JANUARY, 70.0, "159.00"));
        let parts: Vec<(BillCause, String)> =
            found.parts.iter().map(|part| (part.cause, format!("{:.2}", part.amount))).collect();
        let wanted = [(BillCause::Saving, "-310.00"), (BillCause::OtherUse, "50.00"), (BillCause::Unexplained, "9.00")];
        assert_eq!(parts, wanted.map(|(cause, amount)| (cause, amount.to_owned())));
        assert_eq!(
            (found.held_against.to_string(), found.total.to_string()),
            ("410.00 EUR".into(), "159.00 EUR".into())
        );
        assert_eq!(json!(found.held_against), json!({"amount": "410.00", "currency": "EUR"}));
        assert_eq!((found.from, found.to), (date("2026-01-01"), date("2026-01-31")), "the last day is of it");
        assert_eq!(
            plain(&found.words),
            "The bill of 1 January 2026 to 31 January 2026 is 59.00 EUR higher than the bill before less what the units \
             saved: 50.00 EUR by other use on the account, 9.00 EUR not explained. What was washed then is taken from the \
             baseline, because no meter of the site counted it."
        );
    }

    /// The tariff asks 10 + 70 x 2 = 150. Of two that are wrong in both directions the sum is said.
    #[test]
    fn without_a_bill_before_it_is_held_against_the_tariff() {
        let found = held(None, bill(JANUARY, 70.0, "145.00"));
        assert_eq!((found.against, found.held_against.to_string()), (BillAgainst::Tariff, "150.00 EUR".to_owned()));
        let than =
            "The bill of 1 January 2026 to 31 January 2026 is 5.00 EUR lower than the tariff asks for the water on it";
        assert_eq!(plain(&found.words), format!("{than}: \u{2212}5.00 EUR not explained."));
        let alike = held(None, bill(JANUARY, 70.0, "150.00"));
        let words = "The bill of 1 January 2026 to 31 January 2026 is what the tariff asks for the water on it.";
        assert_eq!((plain(&alike.words).as_str(), alike.parts.as_slice()), (words, &[][..]));
    }

    #[test]
    fn what_nothing_explains_is_not_told() {
        let unread = SiteBill { metered_l: None, ..bill(JANUARY, 0.0, "150.00") };
        assert_eq!(SavingsReport::of(&case(None, unread)).actual_bills, []);
        assert_eq!(SavingsReport::of(&inputs(vec![subject(1, &[], Vec::new())])).actual_bills, []);
        let elsewhere = Inputs { subjects: Vec::new(), ..case(None, bill(JANUARY, 70.0, "150.00")) };
        assert_eq!(SavingsReport::of(&elsewhere).actual_bills, [], "nothing stood at its site");
    }

    /// The unit left with January; its bill came in February, in which another site makes the report.
    #[test]
    fn a_late_bill_is_told_where_the_unit_has_left() {
        let mut inputs = case(None, bill(JANUARY, 70.0, "150.00"));
        inputs.month = inputs.month.next();
        let from = "2025-01-01T00:00:00Z".parse().unwrap();
        let left = Span::parse(from, Some("2026-02-01T00:00:00Z".parse().unwrap())).unwrap();
        inputs.subjects[0].unit.as_mut().unwrap().span = left;
        assert_eq!(inputs.present().len(), 0);
        let told = |inputs: &Inputs| SavingsReport::of(inputs).actual_bills.into_iter().map(|bill| bill.site).collect();
        let sites: Vec<String> = told(&inputs);
        assert_eq!(sites, [inputs.subjects[0].site.clone()]);
        let evidence = &mut inputs.bills[0].evidence;
        (evidence.days, evidence.stays) = (Vec::new(), stay(&[], Vec::new()));
        let sites: Vec<String> = told(&inputs);
        assert_eq!(sites.len(), 1, "it stood there in January, read or not");
        inputs.bills[0].evidence.stays.stays.clear();
        let sites: Vec<String> = told(&inputs);
        assert_eq!(sites, [""; 0], "nothing stood there in the days of the bill");
    }

    /// Two like months of a unit: the bill is as the tariff asks, and the report says no more of it.
    #[test]
    fn a_bill_after_one_with_units_is_held_against_the_tariff() {
        let before = bill(("2025-12-01", "2026-01-01"), 200.0, "410.00");
        let mut inputs = case(Some(before), bill(JANUARY, 200.0, "410.00"));
        inputs.bills[0].evidence.stays = stay(&[], Vec::new());
        assert_eq!(SavingsReport::of(&inputs).actual_bills[0].against, BillAgainst::BillBefore, "nothing was read");
        let evidence = &mut inputs.bills[0].evidence;
        let used = |day| SiteDay { of_site: false, fact: fact(day, &[(Stream::Makeup, 1000.0)]) };
        evidence.days_before = date("2025-12-01").iter_days().take(31).map(used).collect();
        let found = SavingsReport::of(&inputs).actual_bills.remove(0);
        let words = "The bill of 1 January 2026 to 31 January 2026 is what the tariff asks for the water on it.";
        assert_eq!((found.against, plain(&found.words).as_str()), (BillAgainst::Tariff, words));
        assert_eq!(found.parts, []);
        let trace = traces(&inputs, &inputs.present()).remove(0);
        assert_eq!((trace.explained, trace.before.is_some()), (None, true));
    }

    /// Of two units that stood there one was read: what the other used is not nothing, so no saving is told.
    #[test]
    fn no_saving_is_told_where_a_unit_was_not_read() {
        let against = |units: usize| {
            let before = bill(("2025-12-01", "2026-01-01"), 200.0, "410.00");
            let mut inputs = case(Some(before), bill(JANUARY, 70.0, "159.00"));
            let stood = stay(&[], Vec::new());
            let stays = stood.stays.iter().cycle().take(units).cloned().collect();
            inputs.bills[0].evidence.stays = SiteStays { stays, ..stood };
            SavingsReport::of(&inputs).actual_bills[0].against
        };
        assert_eq!((against(1), against(2)), (BillAgainst::BillBefore, BillAgainst::Tariff));
    }

    #[test]
    fn the_parts_and_their_trace_add_up_to_the_bill() {
        let before = bill(("2025-12-01", "2026-01-01"), 200.0, "410.00");
        let inputs = case(Some(before), bill(JANUARY, 70.0, "159.00"));
        let trace = traces(&inputs, &inputs.present()).remove(0);
        let parts: Decimal = trace.held.parts.iter().map(|part| part.amount).sum();
        assert_eq!(trace.held.held_against.amount + parts, trace.held.total.amount);
        let fell = trace.explained.unwrap().parts.fell_by.amount;
        assert_eq!(trace.before.unwrap().bill.total.amount - fell, trace.bill.bill.total.amount);
    }

    const KEY: BillKey = (WaterAccountId(Uuid::from_u128(3)), NaiveDate::from_ymd_opt(2026, 1, 1).unwrap());

    /// Whether the report of a month tells of a bill that ended in January beside these: issued with it or
    /// without it, or a draft.
    fn tells(month: &str, beside: &[(&str, &str)]) -> bool {
        let of = |(month, how): &(&str, &str)| {
            let bills = if *how == "with" { BTreeSet::from([KEY]) } else { BTreeSet::new() };
            (Month::parse(month).unwrap(), Tells { issued: *how != "draft", bills })
        };
        tells_of(Month::parse(month).unwrap(), KEY, date("2026-01-31"), &beside.iter().map(of).collect())
    }

    /// In the report of January, and where that was issued without it in the next that is not issued yet; in no
    /// other.
    #[test]
    fn a_late_bill_is_told_once() {
        let january = ("2026-01", "without");
        assert!(tells("2026-01", &[]) && !tells("2025-12", &[]));
        assert!(!tells("2026-02", &[("2026-01", "draft")]), "that of January tells of it");
        assert!(tells("2026-02", &[january]) && !tells("2026-02", &[("2026-01", "with")]));
        assert!(!tells("2026-03", &[january, ("2026-02", "draft")]), "that of February tells of it");
        assert!(!tells("2026-03", &[january, ("2026-02", "with")]));
        assert!(tells("2026-03", &[january, ("2026-02", "without")]));
        assert!(!tells("2026-01", &[("2026-02", "with")]), "a revision of January tells nothing again");
        assert!(!tells("2026-02", &[january, ("2026-03", "with")]));
        assert!(tells("2026-01", &[("2026-02", "without")]) && tells("2026-02", &[january, ("2026-03", "without")]));
    }

    #[test]
    fn a_month_without_a_report_holds_no_late_bill_up() {
        let january = ("2026-01", "without");
        assert!(tells("2026-03", &[january]), "nothing stood there in February");
        assert!(tells("2026-04", &[("2025-12", "without"), ("2026-03", "without")]), "nor in January, at its end");
        assert!(!tells("2026-04", &[january, ("2026-03", "draft")]));
        assert!(tells("2026-04", &[("2024-06", "without")]), "however long there was none before");
        assert!(!tells("2026-03", &[]), "there was no report yet");
        assert!(tells("2027-01", &[january]) && !tells("2027-02", &[january]), "after a year it is told no more");
    }
}
