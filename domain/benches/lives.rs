//! Fits and forecasts. The goals are a fit with standard errors of 1,000 right-censored lives in
//! 70 microseconds, of 100,000 in 3.5 milliseconds, and the forecasts of a group by Bayes in a
//! millisecond.

#![expect(clippy::expect_used, reason = "what cannot be set up cannot be measured")]

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use domain::reliability::assess::{Question, assess};
use domain::reliability::fit::{bounded_weibull, weibull};
use domain::reliability::kaplan_meier::kaplan_meier;
use domain::reliability::life::Life;
use domain::reliability::pool::pool;
use domain::reliability::posterior::Posterior;
use domain::reliability::prior::Prior;
use domain::reliability::replace::optimum;
use domain::reliability::weibull::Weibull;
use std::hint::black_box;

/// Lives of a Weibull cut short at ages of their own: about half failed, the same every time.
fn fleet(lives: u32) -> Vec<Life> {
    let truth = Weibull::new(1.8, 1000.0).expect("the parameters are sound");
    let even = |n: u32, step: f64| (f64::from(n) * step + 0.5).fract();
    let one = |n: u32| {
        let (age, cut) =
            (truth.quantile(even(n, 0.618_033_988_749_895)), 2000.0 * even(n, 0.754_877_666_246_693) + 1.0);
        if age <= cut { Life::failed(age.max(1e-3)) } else { Life::running(cut) }
    };
    (0..lives).map(|n| one(n).expect("the age is sound")).collect()
}

/// The same, a third of them entered late and a fifth of the failures known to intervals only.
fn messy(lives: u32) -> Vec<Life> {
    let messed = fleet(lives).into_iter().zip(0..).map(|(life, n)| {
        let seen = if n % 5 == 0 && life.has_failed() {
            Life::failed_between(life.age() * 0.8, life.age() * 1.1)
        } else {
            Ok(life)
        };
        let seen = seen.expect("the ages are sound");
        if n % 3 == 0 { seen.watched_from(seen.last_good() * 0.3).expect("the entry is sound") } else { seen }
    });
    messed.collect()
}

fn fits(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("weibull_fit");
    for lives in [100, 1_000, 10_000, 100_000, 1_000_000] {
        let fleet = fleet(lives);
        group.throughput(Throughput::Elements(u64::from(lives)));
        group.bench_function(BenchmarkId::new("right_censored", lives), |bencher| {
            bencher.iter(|| weibull(black_box(&fleet)));
        });
    }
    let fleet = messy(1_000);
    group.bench_function("intervals_and_late_entries/1000", |bencher| bencher.iter(|| weibull(black_box(&fleet))));
    group.bench_function("with_likelihood_ratio_bounds/1000", |bencher| {
        bencher.iter(|| bounded_weibull(black_box(&fleet), 0.9));
    });
    group.finish();
}

fn forecasts(criterion: &mut Criterion) {
    let prior = Prior::for_rated_life(1500.0, 2.0).expect("the rated life is sound");
    let mut group = criterion.benchmark_group("bayes");
    for (name, fleet) in [("right_censored", fleet(30)), ("messy", messy(30)), ("right_censored", fleet(1_000))] {
        // The posterior, and the forecast of every part of a group of thirty.
        group.bench_function(BenchmarkId::new(name, fleet.len()), |bencher| {
            bencher.iter(|| {
                let held = Posterior::of(black_box(&fleet), &prior);
                (1..=30).map(|n| held.failure_ahead(40.0 * f64::from(n), 30.0)).sum::<f64>()
            });
        });
    }
    let groups: Vec<Vec<Life>> = (1..=5).map(|n| fleet(10 * n)).collect();
    let groups: Vec<(&[Life], Prior)> = groups.iter().map(|lives| (lives.as_slice(), prior)).collect();
    group.bench_function("pool/5_groups", |bencher| bencher.iter(|| pool(black_box(&groups))));
    group.finish();
}

fn others(criterion: &mut Criterion) {
    let (fleet, worn) = (fleet(1_000), Weibull::new(2.5, 1000.0).expect("the parameters are sound"));
    criterion.bench_function("kaplan_meier/1000", |bencher| bencher.iter(|| kaplan_meier(black_box(&fleet), 0.9)));
    criterion.bench_function("optimum", |bencher| bencher.iter(|| optimum(black_box(&worn), 1.0, 5.0)));
    let (messy, question) = (messy(200), Question::usual(Some(1500.0)));
    criterion.bench_function("assess/messy_200", |bencher| bencher.iter(|| assess(black_box(&messy), &question)));
}

criterion_group!(benches, fits, forecasts, others);
criterion_main!(benches);
