//! The JSON of a tariff and an account, and what is wrong with them.

use super::{account, city_2013, codes, quarter, tariff, tariff_of, with};
use crate::tariff::{BillError, CyclePrices, Tariff, WaterAccount};
use serde_json::{Value, json};

#[test]
fn a_tariff_reads_and_writes_the_same_json() {
    let version = with(
        city_2013(),
        json!({
            "from": "2025-01-01", "to": "2026-01-01",
            "taxes": [{"code": "tax", "words": "Tax", "percent": "5", "of": ["base", "water_use"]}],
            "minimum_bill": "20.00",
            "haulage": {"price": "180", "per": "load"}
        }),
    );
    let tariff = tariff_of(vec![version.clone()]);
    let written = serde_json::to_value(&tariff).unwrap();
    assert_eq!(serde_json::from_value::<Tariff>(written.clone()).unwrap(), tariff);
    let written = written["versions"][0].as_object().unwrap();
    for (field, value) in version.as_object().unwrap() {
        if !["water", "sewer"].contains(&field.as_str()) {
            assert_eq!(&written[field], value, "{field}");
        }
    }
    assert_eq!(written["sewer"]["volume"], json!({"return_factor": "1"}));
    assert!(tariff.clone().checked().is_ok(), "{:?}", tariff.checked());
}

#[test]
fn an_account_reads_and_writes_the_same_json() {
    let json = json!({
        "name": "Yard", "meter_size": "1 in", "cycle_months": 2,
        "other_use": {"least_l_per_month": 100.0, "most_l_per_month": null},
        "strengths_mg_per_l": {"bod": "300"}
    });
    let account: WaterAccount = serde_json::from_value(json.clone()).unwrap();
    assert_eq!(serde_json::to_value(&account).unwrap(), json);
    assert!(account.checked().is_ok());
}

#[test]
fn a_slip_in_a_name_is_no_silent_default() {
    let read = |version: Value| {
        let tariff = json!({"name": "x", "currency": "USD", "rounding": "half_up", "versions": [version]});
        serde_json::from_value::<Tariff>(tariff).map_err(|error| error.to_string())
    };
    let version = with(city_2013(), json!({"from": "2025-01-01"}));
    assert!(read(version.clone()).is_ok());
    let slipped = with(version.clone(), json!({"water": {"allowence": "10"}}));
    assert!(read(slipped).unwrap_err().contains("allowence"));
    let surcharge = with(version, json!({"surcharges": [{"code": "x", "words": "X", "price": "1", "of": ["base"]}]}));
    assert!(read(surcharge).unwrap_err().contains("percent and of"));
}

#[test]
fn a_currency_is_a_code() {
    let tariff = json!({"name": "x", "currency": "usd", "rounding": "half_up", "versions": []});
    let error = serde_json::from_value::<Tariff>(tariff).unwrap_err().to_string();
    assert!(error.contains("not an ISO 4217 currency code"), "{error}");
}

#[test]
fn every_fault_of_a_tariff_is_named() {
    let block = |up_to: Option<&str>, price: &str| json!({"up_to": up_to, "price": price});
    let version = json!({
        "from": "2025-01-01", "to": "2025-01-01", "unit": "kwh", "per": "cycle",
        "water": {
            "fixed": [
                {"code": "Base", "words": " ", "price": "-1"},
                {"code": "water_use_1", "words": "Ours", "price": {"3/4 in": "-2"}},
                {"code": "standby", "words": "Standby", "price": {}}
            ],
            "allowance": "-1",
            "blocks": [block(Some("10"), "1"), block(Some("10"), "-3"), block(None, "1"), block(Some("40"), "1")]
        },
        "sewer": {
            "fixed": [{"code": "standby", "words": "Again", "price": "1.00000000001"}],
            "volume": {"return_factor": "1.01"},
            "cap": "-1",
            "strength": [{
                "code": "bod", "words": "BOD", "pollutant": "", "threshold_mg_per_l": "-1", "price": "-1", "per": "kg"
            }]
        },
        "surcharges": [{"code": "fuel", "words": "Fuel", "percent": "-5", "of": []}],
        "taxes": [{"code": "tax", "words": "Tax", "percent": "5", "of": ["tax", "bod", "bod"]}],
        "minimum_bill": "-1",
        "haulage": {"price": "-1", "per": "load"}
    });
    let faults = Tariff { name: " ".into(), ..tariff_of(vec![version]) }.checked().unwrap_err();
    let at = |pointer: &str| match pointer {
        "/name" => pointer.to_owned(),
        _ => format!("/versions/0{pointer}"),
    };
    let expected = [
        ("/name", "required"),
        ("/to", "not_after_from"),
        ("/unit", "not_a_volume"),
        ("/water/fixed/0/code", "not_a_word"),
        ("/water/fixed/0/words", "required"),
        ("/water/fixed/0/price", "negative_price"),
        ("/water/fixed/1/code", "taken"),
        ("/water/fixed/1/price/3~14 in", "negative_price"),
        ("/water/fixed/2/price", "required"),
        ("/water/allowance", "out_of_range"),
        ("/water/blocks/1/price", "negative_price"),
        ("/water/blocks/1/up_to", "blocks_out_of_order"),
        ("/water/blocks/2/up_to", "required"),
        ("/water/blocks/3/up_to", "last_block_ends"),
        ("/sewer/fixed/0/code", "taken"),
        ("/sewer/fixed/0/price", "too_fine"),
        ("/sewer/volume/return_factor", "out_of_range"),
        ("/sewer/cap", "out_of_range"),
        ("/sewer/strength/0/pollutant", "required"),
        ("/sewer/strength/0/threshold_mg_per_l", "out_of_range"),
        ("/sewer/strength/0/price", "negative_price"),
        ("/surcharges/0/percent", "out_of_range"),
        ("/surcharges/0/of", "required"),
        ("/taxes/0/of/0", "unknown_line"),
        ("/taxes/0/of/2", "repeated"),
        ("/minimum_bill", "negative_price"),
        ("/haulage/price", "negative_price"),
    ]
    .map(|(pointer, code)| (at(pointer), code));
    let found: Vec<_> = codes(&faults).into_iter().map(|(pointer, code)| (pointer.to_owned(), code)).collect();
    assert_eq!(found, expected);
}

#[test]
fn versions_never_overlap() {
    let found = |dates: &[(&str, Option<&str>)]| {
        let versions = dates.iter().map(|(from, to)| with(city_2013(), json!({"from": from, "to": to})));
        match tariff_of(versions.collect()).checked() {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect(),
        }
    };
    let second = vec![("/versions/1/from".to_owned(), "overlaps")];
    assert_eq!(found(&[("2024-01-01", Some("2025-01-01")), ("2025-01-01", None)]), []);
    assert_eq!(found(&[("2024-01-01", Some("2025-01-02")), ("2025-01-01", None)]), second);
    assert_eq!(found(&[("2024-01-01", None), ("2025-01-01", None)]), second, "the first goes on");
    assert_eq!(found(&[("2025-01-01", None), ("2024-01-01", Some("2025-01-01"))]), second, "the oldest first");
    assert_eq!(found(&[]), [("/versions".to_owned(), "required")]);
}

#[test]
fn winter_months_are_months() {
    let found = |months: Value| {
        let volume = json!({"winter_average": {"months": months, "lower_of_actual": false}});
        tariff(json!({"unit": "m3", "per": "month", "sewer": {"volume": volume}})).checked().is_ok()
    };
    assert!(found(json!([12, 1, 2])));
    assert_eq!([json!([]), json!([0]), json!([13]), json!([1, 1])].map(found), [false; 4]);
}

#[test]
fn every_fault_of_an_account_is_named() {
    let wrong: WaterAccount = serde_json::from_value(json!({
        "name": "", "meter_size": "x".repeat(61), "cycle_months": 4,
        "other_use": {"least_l_per_month": -1.0, "most_l_per_month": -2.0},
        "strengths_mg_per_l": {"bod": "-1"}
    }))
    .unwrap();
    assert_eq!(
        codes(&wrong.clone().checked().unwrap_err()),
        [
            ("/name", "required"),
            ("/meter_size", "too_long"),
            ("/cycle_months", "out_of_range"),
            ("/other_use/least_l_per_month", "out_of_range"),
            ("/other_use/most_l_per_month", "out_of_range"),
            ("/other_use/most_l_per_month", "below_least"),
            ("/strengths_mg_per_l/bod", "out_of_range"),
        ]
    );
    let Err(BillError::Faults(faults)) = CyclePrices::new(&wrong, &tariff_of(vec![]), quarter()) else { panic!() };
    let pointers = codes(&faults);
    assert!(pointers.contains(&("/account/name", "required")) && pointers.contains(&("/tariff/versions", "required")));
    assert!(account(3).checked().is_ok());
}
