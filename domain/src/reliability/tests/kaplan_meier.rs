use crate::reliability::estimate::NoEstimate;
use crate::reliability::kaplan_meier::*;
use crate::reliability::life::Life;
use crate::reliability::tests::published::{LIVES, list, lives, near, number, parsed, within};

/// The tables of thirteen data sets (sources in their files), computed independently: every age,
/// with Greenwood's error, ln(-ln) bounds and Nelson and Aalen's hazard.
#[test]
fn published_lives_give_the_published_tables() {
    for name in LIVES {
        let set = parsed(name);
        let table = kaplan_meier(&lives(&set["data"]), 0.95).unwrap();
        let published = &set["kaplan_meier"];
        let rows = published["table"].as_array().unwrap();
        if published["note"] == "all event times" {
            assert_eq!(table.steps.len(), rows.len(), "{name}");
        }
        for row in rows {
            let age = number(&row["t"]);
            let step = table.steps.iter().find(|step| step.age == age).unwrap();
            assert_eq!(
                (step.at_risk as f64, step.failed as f64),
                (number(&row["n_risk"]), number(&row["d"])),
                "{name}"
            );
            within(step.survival, number(&row["S"]), 1e-11);
            within(step.cumulative_hazard, number(&row["H_nelson_aalen"]), 1e-10);
            within(step.hazard_standard_error, number(&row["H_se"]), 1e-10);
            assert_eq!(step.standard_error.is_some(), row["greenwood_se"].is_number(), "{name} at {age}");
            if let Some(error) = step.standard_error {
                within(error, number(&row["greenwood_se"]), 1e-11);
                let bounds = list(&row["ci95_loglog"]);
                within(step.bounds.unwrap().lower, bounds[0], 1e-10);
                within(step.bounds.unwrap().upper.unwrap(), bounds[1], 1e-10);
            }
        }
        for (key, p) in [("q25", 0.25), ("median", 0.5), ("q75", 0.75)] {
            assert_eq!(table.quantile(p), published[key].as_f64(), "{name} {key}");
        }
        near(table.mean_up_to(number(&published["rmst"]["tau"])), number(&published["rmst"]["value"]), 1e-10);
        for ahead in published["conditional"].as_array().unwrap() {
            let found = table.failure_ahead(number(&ahead["age"]), number(&ahead["horizon"]));
            within(found.unwrap(), number(&ahead["p_fail"]), 1e-10);
        }
    }
}

/// NIST/SEMATECH e-Handbook 8.2.1.5, product by product.
#[test]
fn the_handbook_s_products() {
    let table = kaplan_meier(&lives(&parsed("nist_8215_km")["data"]), 0.95).unwrap();
    let mut product = 1.0;
    for (age, left) in [(10.0, 19.0 / 20.0), (32.0, 18.0 / 19.0), (56.0, 16.0 / 17.0), (98.0, 15.0 / 16.0)]
        .into_iter()
        .chain([(122.0, 13.0 / 14.0), (181.0, 10.0 / 11.0)])
    {
        product *= left;
        within(table.survival(age), product, 1e-12);
    }
    within(product, 0.670_359_053, 1e-9);
    assert_eq!(table.survival(9.9), 1.0);
}

/// Freireich's 6-MP remissions: the printed table is from memory.
#[test]
fn the_textbook_table_of_6_mp() {
    let set = parsed("leukemia_6mp");
    let table = kaplan_meier(&lives(&set["data"]), 0.95).unwrap();
    for (week, survival) in set["published"]["km"].as_object().unwrap() {
        within(table.survival(week.parse().unwrap()), number(survival), 5e-4);
    }
    assert_eq!(table.quantile(0.5), Some(23.0));
}

#[test]
fn an_empty_risk_set_is_told() {
    let late = Life::failed(50.0).unwrap().watched_from(20.0).unwrap();
    let table = kaplan_meier(&[Life::failed(10.0).unwrap(), late], 0.9).unwrap();
    assert_eq!((table.emptied_at, table.survival(10.0)), (Some(10.0), 0.0));
    assert_eq!(table.failure_ahead(10.0, 5.0), None);
    let none = kaplan_meier(&[], 0.9).unwrap();
    assert_eq!((none.steps.len(), none.survival(5.0), none.quantile(0.5)), (0, 1.0, None));
    let interval = Life::failed_between(1.0, 2.0).unwrap();
    assert_eq!(kaplan_meier(&[interval], 0.9), Err(NoEstimate::HasIntervals));
}
