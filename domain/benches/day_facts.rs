//! Day sheets to local days. The goal is 60 million readings a second on one core for
//! contiguous input, linear from a thousand readings to ten million.

use chrono::NaiveDate;
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use domain::metering::fold::MeterFold;
use domain::metering::meter::MeterFacts;
use domain::metering::stream::{ReadBy, Stream};
use domain::units::RegisterUnit;
use std::hint::black_box;

/// Where every meter begins.
const FIRST_DAY: NaiveDate = NaiveDate::from_ymd_opt(2000, 1, 1).expect("the date exists");

struct Input {
    at_s: Vec<i32>,
    register: Vec<f64>,
    per_sheet: usize,
}

impl Input {
    /// `readings` at a fixed interval, one array after another as the database streams them.
    fn every(interval_s: i32, readings: u32) -> Self {
        let per_sheet = 86_400 / interval_s;
        let at_s = (0..readings.cast_signed()).map(|n| n % per_sheet * interval_s).collect();
        let register = (0..readings).map(|n| f64::from(n) * 7.0).collect();
        Self { at_s, register, per_sheet: per_sheet.unsigned_abs() as usize }
    }

    /// Folds meter after meter, each with ten years of readings.
    fn fold(&self, facts: &MeterFacts) -> f64 {
        let of_meter = 3650 * self.per_sheet;
        self.at_s
            .chunks(of_meter)
            .zip(self.register.chunks(of_meter))
            .map(|(at_s, register)| self.fold_one(facts, at_s, register))
            .sum()
    }

    fn fold_one(&self, facts: &MeterFacts, at_s: &[i32], register: &[f64]) -> f64 {
        let zone = chrono_tz::America::New_York;
        let mut fold = MeterFold::new(facts, zone, &[], &[]);
        let sheets = at_s.chunks(self.per_sheet).zip(register.chunks(self.per_sheet));
        for ((at_s, register), day) in sheets.zip(FIRST_DAY.iter_days()) {
            fold.push_sheet(day, at_s, register);
        }
        let folded = fold.finish();
        assert!(folded.exceptions.is_empty() && folded.ignored == 0, "the input is clean");
        folded.accepted
    }
}

fn day_facts(criterion: &mut Criterion) {
    let facts = MeterFacts {
        digits: Some(9),
        max_flow_per_h: Some(5000.0),
        read_by: ReadBy::Telemetry,
        ..MeterFacts::plain(Stream::Wash, RegisterUnit::L)
    };
    for (name, interval_s) in [("every_minute", 60), ("every_hour", 3600)] {
        let mut group = criterion.benchmark_group(name);
        group.sample_size(20);
        for readings in [1_000_u32, 10_000, 100_000, 1_000_000, 10_000_000] {
            let input = Input::every(interval_s, readings);
            group.throughput(Throughput::Elements(u64::from(readings)));
            group.bench_with_input(BenchmarkId::from_parameter(readings), &input, |bencher, input| {
                bencher.iter(|| black_box(input).fold(&facts));
            });
        }
        group.finish();
    }
}

criterion_group!(benches, day_facts);
criterion_main!(benches);
