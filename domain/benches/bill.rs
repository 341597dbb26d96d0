//! Bills of an account. The goal is one microsecond for a bill with its lines, by a tariff of four
//! blocks with sewer and taxes, its prices made ready.

#![expect(clippy::expect_used, reason = "a benchmark stops where its own input is wrong")]

use criterion::{Criterion, criterion_group, criterion_main};
use domain::tariff::{Cycle, CyclePrices, Tariff, WaterAccount, WaterUse};
use domain::units::Litres;
use std::hint::black_box;

const TARIFF: &str = r#"{
  "name": "Four blocks", "currency": "USD", "rounding": "half_up",
  "versions": [{
    "from": "2025-01-01", "unit": "kgal", "per": "cycle",
    "water": {
      "fixed": [{"code": "base", "words": "Base charge", "price": {"1 in": "41.16"}}],
      "blocks": [
        {"up_to": "10", "price": "1.20"}, {"up_to": "35", "price": "3.51"},
        {"up_to": "80", "price": "6.15"}, {"price": "7.93"}
      ]
    },
    "sewer": {
      "fixed": [{"code": "sewer_base", "words": "Sewer base", "price": "85.55"}],
      "blocks": [{"price": "4.93"}],
      "volume": {"return_factor": "0.9"}
    },
    "taxes": [
      {"code": "city_tax", "words": "City tax", "percent": "5", "of": ["base", "water_use"]},
      {"code": "state_tax", "words": "State tax", "percent": "2.25", "of": ["base", "water_use", "sewer_base", "sewer_use"]}
    ]
  }]
}"#;

fn bill(criterion: &mut Criterion) {
    let tariff: Tariff = serde_json::from_str(TARIFF).expect("the tariff is well formed");
    let account: WaterAccount = serde_json::from_str(r#"{"name": "Yard", "meter_size": "1 in", "cycle_months": 3}"#)
        .expect("the account is well formed");
    let day = |text: &str| text.parse().expect("the date exists");
    let cycle = Cycle { from: day("2025-01-01"), to: day("2025-04-01") };
    let prices = CyclePrices::new(&account, &tariff, cycle).expect("the tariff has prices for the cycle");
    let used = WaterUse::of(Litres(340_000.0));
    let baseline = WaterUse::of(Litres(60_000.0));
    let mut group = criterion.benchmark_group("four_blocks");
    group.bench_function("total", |bencher| bencher.iter(|| prices.total(black_box(&used))));
    group.bench_function("bill", |bencher| bencher.iter(|| prices.bill(black_box(&used))));
    group.bench_function("saving_range", |bencher| {
        bencher.iter(|| prices.saving_range(None, black_box(&baseline), &WaterUse::default()));
    });
    group.bench_function("prices", |bencher| bencher.iter(|| CyclePrices::new(&account, black_box(&tariff), cycle)));
    group.finish();
}

criterion_group!(benches, bill);
criterion_main!(benches);
