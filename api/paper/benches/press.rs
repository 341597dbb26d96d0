//! How long a report of four pages takes, and what a thousand of them take in time and memory, on two
//! threads as the service has them.

#![allow(clippy::expect_used, clippy::indexing_slicing, reason = "a measurement fails by panicking")]

#[path = "../tests/sample/mod.rs"]
mod sample;

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

const REPORTS: usize = 1000;
const PRESSES: usize = 2;

fn main() {
    let begun = Instant::now();
    let bytes = set(0);
    println!("first: {:.1} ms, {} kB", begun.elapsed().as_secs_f64() * 1e3, bytes / 1000);
    let mut warm: Vec<f64> = (1..=40)
        .map(|n| {
            let begun = Instant::now();
            set(n);
            begun.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    warm.sort_by(f64::total_cmp);
    println!(
        "warm, each another report: {:.1} / {:.1} / {:.1} ms",
        warm[0],
        warm[warm.len() / 2],
        warm[warm.len() - 1]
    );
    let (begun, next) = (Instant::now(), AtomicUsize::new(100));
    std::thread::scope(|scope| {
        for _ in 0..PRESSES {
            scope.spawn(|| {
                while next.load(Ordering::Relaxed) < 100 + REPORTS {
                    set(next.fetch_add(1, Ordering::Relaxed));
                }
            });
        }
    });
    println!("{REPORTS} reports on {PRESSES} threads: {:.1} s", begun.elapsed().as_secs_f64());
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    println!("{}", status.lines().find(|line| line.starts_with("VmHWM")).unwrap_or("no peak known"));
}

fn set(n: usize) -> usize {
    weirbook_paper::pdf(&sample::report(n), &sample::figures(n), None).expect("the sample can be set").len()
}
