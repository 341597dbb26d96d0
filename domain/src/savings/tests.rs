//! All figures here are derived by hand from the tariff in `rising`.

use super::*;
use crate::uncertainty::quantity::{Cause, Key};
use proptest::prelude::*;
use serde_json::{Value, json};

/// Rising blocks, the last above 800 m3 a month at 4.
fn rising() -> Value {
    json!({
        "from": "2025-01-01", "unit": "m3", "per": "month",
        "water": {
            "fixed": [{"code": "base", "words": "Base charge", "price": "20"}],
            "blocks": [
                {"up_to": "100", "price": "1"}, {"up_to": "400", "price": "2"}, {"up_to": "800", "price": "3"}, {"price": "4"}
            ]
        }
    })
}

fn made(version: Value) -> Tariff {
    let tariff = json!({"name": "City", "currency": "EUR", "rounding": "half_up", "versions": [version]});
    serde_json::from_value(tariff).unwrap()
}

fn account(cycle_months: u8, other_m3: Option<f64>) -> WaterAccount {
    WaterAccount {
        name: "Yard".into(),
        meter_size: None,
        cycle_months,
        other_use: other_m3.map(|m3| OtherUse::known(Litres(m3 * 1000.0))),
        strengths_mg_per_l: Default::default(),
    }
}

fn cycle(from: &str, to: &str) -> Cycle {
    Cycle { from: from.parse().unwrap(), to: to.parse().unwrap() }
}

fn month(text: &str) -> Month {
    Month::parse(text).unwrap()
}

/// Cubic metres by the baseline and used, the baseline with a standard uncertainty.
fn part(days: Cycle, baseline: f64, used: f64, u: f64) -> Part {
    let baseline_l = Quantity::exact(baseline * 1000.0).with(Key::new("baseline", Cause::Scatter), u * 1000.0);
    Part { days, uses: Ok(Uses { baseline_l, fresh_used_l: Quantity::exact(used * 1000.0), discharge: None }) }
}

fn march(account: &WaterAccount, tariff: &Tariff, baseline: f64, used: f64, u: f64) -> Result<MoneySaved, Withheld> {
    let days = cycle("2026-03-01", "2026-04-01");
    let parts = vec![part(days, baseline, used, u)];
    money_saved(
        month("2026-03"),
        &[BilledCycle { account, tariff, cycle: days, open: None, winter_l_per_month: None, parts }],
    )
}

fn amounts(bounds: &Bounds) -> [String; 4] {
    [bounds.least, bounds.most, bounds.low, bounds.high].map(|money| format!("{:.2}", money.amount))
}

#[test]
fn sixty_cubic_metres_beside_nine_hundred_are_priced_by_the_last_block() {
    let found = march(&account(1, Some(900.0)), &made(rising()), 60.0, 0.0, 0.0).unwrap();
    assert_eq!(amounts(&found.saved), ["240.00"; 4]);
    let [one] = found.cycles.as_slice() else { panic!("{found:?}") };
    assert_eq!((one.other_use, one.shared_by, one.share), (OtherKnown::Known, SharedBy::Volume, 1.0));
    let lines: Vec<_> =
        one.least.lines.iter().map(|of| (of.line.code.as_str(), format!("{:.2}", of.in_month))).collect();
    let zero = || "0.00".to_owned();
    assert_eq!(
        lines,
        [
            ("base", zero()),
            ("water_use_1", zero()),
            ("water_use_2", zero()),
            ("water_use_3", zero()),
            ("water_use_4", "240.00".to_owned())
        ]
    );
    let alone = march(&account(1, Some(0.0)), &made(rising()), 60.0, 0.0, 0.0).unwrap();
    assert_eq!(amounts(&alone.saved), ["60.00"; 4], "without other use they would be of the first");
}

/// 790 m3 of other use and 10 used: 0.5 m3 less than 2 avoided, and 0.5 more, end in the block
/// at 4. Standard uncertainty 0.25, so 0.5 expanded. Without other use the first 100 m3 cost 1.
#[test]
fn the_volumes_uncertainty_goes_through_the_blocks() {
    let found = march(&account(1, Some(790.0)), &made(rising()), 12.0, 10.0, 0.25).unwrap();
    assert_eq!(amounts(&found.saved), ["8.00", "8.00", "6.00", "10.00"]);
    let across = march(&account(1, Some(88.0)), &made(rising()), 12.0, 10.0, 1.0).unwrap();
    assert_eq!(amounts(&across.saved), ["2.00", "2.00", "0.00", "6.00"], "2 more cost 2 each, 2 less 1 each");
}

#[test]
fn a_baseline_is_no_less_than_nothing() {
    let found = march(&account(1, Some(0.0)), &made(rising()), 1.0, 2.0, 5.0).unwrap();
    assert_eq!(amounts(&found.saved), ["-1.00", "-1.00", "-2.00", "9.00"]);
}

#[test]
fn unknown_other_use_makes_a_range() {
    let found = march(&account(1, None), &made(rising()), 60.0, 0.0, 0.0).unwrap();
    assert_eq!(amounts(&found.saved), ["60.00", "240.00", "60.00", "240.00"]);
    assert_eq!(found.cycles[0].other_use, OtherKnown::Unknown);
    assert_eq!((found.cycles[0].least.other_l, found.cycles[0].most.other_l), (Litres(0.0), Litres(800_000.0)));
    let bounded = OtherUse { least_l_per_month: Litres(0.0), most_l_per_month: Some(Litres(70_000.0)) };
    let account = WaterAccount { other_use: Some(bounded), ..account(1, None) };
    let found = march(&account, &made(rising()), 60.0, 0.0, 0.0).unwrap();
    assert_eq!((found.cycles[0].other_use, amounts(&found.saved)[1].as_str()), (OtherKnown::Bounded, "90.00"));
}

fn quarter<'a>(account: &'a WaterAccount, tariff: &'a Tariff, avoided: [f64; 3]) -> BilledCycle<'a> {
    let months = ["2026-01-01", "2026-02-01", "2026-03-01", "2026-04-01"];
    let days = months.windows(2).map(|pair| cycle(pair[0], pair[1]));
    let parts = days.zip(avoided).map(|(days, avoided)| part(days, 100.0 + avoided, 100.0, 0.0)).collect();
    BilledCycle {
        account,
        tariff,
        cycle: cycle("2026-01-01", "2026-04-01"),
        open: None,
        winter_l_per_month: None,
        parts,
    }
}

/// 30 m3 at 4 are 120; by the water avoided 20, 40 and 60.
#[test]
fn a_quarter_is_shared_by_the_water_avoided() {
    let (account, tariff) = (account(3, Some(900.0)), made(rising()));
    let billed = quarter(&account, &tariff, [5.0, 10.0, 15.0]);
    let of = |text: &str| {
        let found = money_saved(month(text), std::slice::from_ref(&billed)).unwrap();
        (found.saved.least.amount.to_string(), found.cycles[0].whole.least.amount.to_string())
    };
    let whole = "120.00".to_owned();
    assert_eq!(of("2026-01"), ("20.00".into(), whole.clone()));
    assert_eq!(of("2026-02"), ("40.00".into(), whole.clone()));
    assert_eq!(of("2026-03"), ("60.00".into(), whole));
}

/// 10 m3 at 4 are 40; January has 31 of 90 days.
#[test]
fn with_both_signs_it_is_shared_by_days() {
    let (account, tariff) = (account(3, Some(900.0)), made(rising()));
    let billed = quarter(&account, &tariff, [-5.0, 0.0, 15.0]);
    let found = money_saved(month("2026-01"), &[billed]).unwrap();
    assert_eq!((found.cycles[0].shared_by, amounts(&found.saved)[0].as_str()), (SharedBy::Days, "13.78"));
}

/// Until 1 March 59 of 90 days: 59 m3 avoided so far are taken on to 90, of which February has 28.
#[test]
fn a_cycle_that_goes_on_is_taken_on_and_marked() {
    let (account, tariff) = (account(3, Some(900.0)), made(rising()));
    let (january, february) = (cycle("2026-01-01", "2026-02-01"), cycle("2026-02-01", "2026-03-01"));
    let parts = vec![part(january, 31.0, 0.0, 0.0), part(february, 28.0, 0.0, 0.0)];
    let billed = BilledCycle {
        account: &account,
        tariff: &tariff,
        cycle: cycle("2026-01-01", "2026-04-01"),
        open: Some(cycle("2026-03-01", "2026-04-01")),
        winter_l_per_month: None,
        parts,
    };
    let found = money_saved(month("2026-02"), &[billed]).unwrap();
    assert!(found.estimated);
    assert_eq!((amounts(&found.cycles[0].whole)[0].as_str(), amounts(&found.saved)[0].as_str()), ("360.00", "112.00"));
}

#[test]
fn each_reason_is_said() {
    let code = |found: Result<MoneySaved, Withheld>| found.unwrap_err().code().to_owned();
    let (account, tariff) = (account(1, Some(0.0)), made(rising()));
    assert_eq!(code(money_saved(month("2026-03"), &[])), "no_account");
    let days = cycle("2026-03-01", "2026-04-01");
    let with = |uses| BilledCycle {
        account: &account,
        tariff: &tariff,
        cycle: days,
        open: None,
        winter_l_per_month: None,
        parts: vec![Part { days, uses }],
    };
    assert_eq!(code(money_saved(month("2026-03"), &[with(Err(Missing::Baseline))])), "no_baseline");
    let not_read = Missing::FreshUsed(crate::water::grade::Withheld::NotRead);
    assert_eq!(code(money_saved(month("2026-03"), &[with(Err(not_read))])), "not_read");
    let mut until = rising();
    until["to"] = json!("2026-03-10");
    let ended = made(until);
    assert_eq!(code(march(&account, &ended, 1.0, 0.0, 0.0)), "no_tariff");
    let mut metered = rising();
    metered["sewer"] = json!({"blocks": [{"price": "1"}], "volume": "metered"});
    assert_eq!(code(march(&account, &made(metered), 1.0, 0.0, 0.0)), "no_bill");
    let dollars = Tariff { currency: Currency::parse("USD").unwrap(), ..tariff.clone() };
    let other = BilledCycle { tariff: &dollars, ..with(Ok(Uses::default())) };
    assert_eq!(code(money_saved(month("2026-03"), &[with(Ok(Uses::default())), other])), "other_currency");
}

/// Derived: sewer at 2 by the winter average of 8 m3 a month, or the use where that is less. 30 m3
/// instead of 10 save 20 m3 of water, at 1, and no sewer: the winter has been, so it stands in both
/// bills. 5 m3 lie below it: 25 m3 of water and 3 m3 of sewer.
#[test]
fn sewer_by_winter_average_has_the_same_average_in_both_bills() {
    let sewer = json!({
        "blocks": [{"price": "2"}], "volume": {"winter_average": {"months": [12, 1, 2], "lower_of_actual": true}}
    });
    let version = json!({
        "from": "2025-01-01", "unit": "m3", "per": "month", "water": {"blocks": [{"price": "1"}]}, "sewer": sewer
    });
    let (account, tariff) = (account(1, Some(0.0)), made(version));
    let days = cycle("2026-03-01", "2026-04-01");
    let saved = |used: f64, winter: Option<f64>| {
        let parts = vec![part(days, 30.0, used, 0.0)];
        let winter_l_per_month = winter.map(|m3| Litres(m3 * 1000.0));
        let billed =
            BilledCycle { account: &account, tariff: &tariff, cycle: days, open: None, winter_l_per_month, parts };
        money_saved(month("2026-03"), &[billed]).map(|found| amounts(&found.saved)[0].clone())
    };
    assert_eq!(saved(10.0, Some(8.0)).unwrap(), "20.00");
    assert_eq!(saved(5.0, Some(8.0)).unwrap(), "31.00");
    assert_eq!(saved(10.0, None).unwrap_err().code(), "no_bill");
}

#[test]
fn goes_through_json_and_back() {
    let found = march(&account(1, None), &made(rising()), 60.0, 1.0, 0.5).unwrap();
    let json = serde_json::to_value(&found).unwrap();
    assert_eq!(json["saved"]["least"], json!({"amount": "59.00", "currency": "EUR"}));
    assert_eq!(serde_json::from_value::<MoneySaved>(json).unwrap(), found);
    let withheld = Withheld::from(Missing::Baseline);
    let json = serde_json::to_value(&withheld).unwrap();
    assert_eq!((&json["reason"], &json["code"]), (&json!("baseline"), &json!("no_baseline")));
    assert_eq!(serde_json::from_value::<Withheld>(json).unwrap(), withheld);
}

proptest! {
    /// Nothing is lost or made: the months of a cycle add up to it, line by line too.
    #[test]
    fn the_months_of_a_cycle_add_up(avoided in [-30.0..90.0_f64, -30.0..90.0, -30.0..90.0], other in prop::option::of(0.0..900.0_f64)) {
        let (account, tariff) = (account(3, other), made(rising()));
        let billed = quarter(&account, &tariff, avoided);
        let months = ["2026-01", "2026-02", "2026-03"];
        let found: Vec<_> = months.iter().map(|of| money_saved(month(of), std::slice::from_ref(&billed)).unwrap()).collect();
        let whole = found[0].cycles[0].whole;
        let of = |bounds: &Bounds| [bounds.least, bounds.most, bounds.low, bounds.high].map(|money| money.amount);
        for (n, amount) in of(&whole).into_iter().enumerate() {
            prop_assert_eq!(found.iter().map(|month| of(&month.saved)[n]).sum::<Decimal>(), amount);
        }
        for bounds in found.iter().map(|month| month.saved).chain([whole]) {
            prop_assert!(bounds.low.amount - Decimal::ONE <= bounds.least.amount);
            prop_assert!(whole.least.amount <= whole.most.amount);
        }
    }
}

/// By hand: 30 m3 by the baseline and 10 used, 8 counted through the meter to the sewer. What was avoided
/// would have been let go too: 28 m3, so 20 m3 at 3 are saved of sewer beside 20 at 2 of water. More used
/// than the baseline by 12 m3 would have left 0, never less. Without a meter there is no bill.
#[test]
fn sewer_by_a_discharge_meter_saves_what_was_not_let_go() {
    let tariff = made(json!({
        "from": "2026-01-01", "unit": "m3", "per": "month", "water": {"blocks": [{"price": "2"}]},
        "sewer": {"blocks": [{"price": "3"}], "volume": "metered"}
    }));
    let account = account(1, Some(0.0));
    let saved = |baseline: f64, used: f64, counted: Option<f64>| {
        let days = cycle("2026-03-01", "2026-04-01");
        let mut part = part(days, baseline, used, 0.0);
        if let Ok(uses) = &mut part.uses {
            uses.discharge = counted.map(|m3| Discharge::of(m3 * 1000.0, (baseline - used) * 1000.0));
        }
        let billed = BilledCycle {
            account: &account,
            tariff: &tariff,
            cycle: days,
            open: None,
            winter_l_per_month: None,
            parts: vec![part],
        };
        money_saved(month("2026-03"), &[billed])
    };
    assert_eq!(amounts(&saved(30.0, 10.0, Some(8.0)).unwrap().saved), ["100.00"; 4]);
    assert_eq!(amounts(&saved(10.0, 22.0, Some(8.0)).unwrap().saved), ["-48.00"; 4]);
    let refused = saved(30.0, 10.0, None).unwrap_err();
    assert!(refused.code() == "no_bill" && refused.to_string().contains("discharge meter"), "{refused}");
}
