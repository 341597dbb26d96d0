//! Folding takes memory for each day and for no reading. A binary of its own: the crate that counts
//! replaces the allocator of all that is in it.

use chrono::{NaiveDate, NaiveTime, TimeDelta};
use domain::measures::days::Days;
use domain::metering::fold::MeterFold;
use domain::metering::history::History;
use domain::metering::meter::{MeterFacts, PlateFlows};
use domain::metering::sessions::SessionRule;
use domain::metering::stream::{ReadBy, Stream};
use domain::units::RegisterUnit;

const DAYS: u32 = 70;

/// Allocations of folding so many days with a reading every so many minutes, by whole sheets or one
/// by one, from the first day on; and how many readings those are. `watched`: sessions and slow flows are
/// looked for too, and the steps held against the meter's history, as in the night run.
fn allocations(first: NaiveDate, every_min: u32, sheets: bool, watched: bool) -> (u64, u32) {
    let facts = MeterFacts {
        digits: Some(9),
        max_flow_per_h: Some(50_000.0),
        flows: PlateFlows::of_ratio(2500.0, 100.0),
        read_by: ReadBy::Telemetry,
        ..MeterFacts::plain(Stream::Wash, RegisterUnit::L)
    };
    let of_day: Vec<i32> = (0..1440 / every_min).map(|n| (n * every_min * 60).cast_signed()).collect();
    let days: Vec<(NaiveDate, Vec<f64>)> = first
        .iter_days()
        .zip(0..DAYS)
        .map(|(date, day)| {
            let base = f64::from(day) * 86_400.0;
            (date, of_day.iter().map(|second| (base + f64::from(*second)) / 60.0).collect())
        })
        .collect();
    let counted = allocation_counter::measure(|| {
        let mut fold = MeterFold::new(&facts, chrono_tz::America::New_York, &[], &[]);
        if watched {
            let rule = SessionRule { days: Days::since(first), pause_s: 1800 };
            fold = fold.with_history(History::default()).with_low_flows(&facts).with_sessions(vec![rule]);
        }
        for (date, registers) in &days {
            if sheets {
                fold.push_sheet(*date, &of_day, registers);
                continue;
            }
            let midnight = date.and_time(NaiveTime::MIN).and_utc();
            for (second, register) in of_day.iter().zip(registers) {
                fold.push(midnight + TimeDelta::seconds(i64::from(*second)), *register);
            }
        }
        let folded = fold.finish();
        assert!(folded.exceptions.is_empty() && folded.ignored == 0, "the input is clean");
    });
    (counted.count_total, DAYS * 1440 / every_min)
}

/// Ten times as many readings in the same days take not one allocation more.
#[test]
fn none_is_made_for_a_reading() {
    let first = NaiveDate::from_ymd_opt(2026, 1, 10).unwrap();
    for (sheets, watched) in [(true, false), (false, false), (true, true), (false, true)] {
        let ((few, ten_thousand), (many, hundred_thousand)) =
            (allocations(first, 10, sheets, watched), allocations(first, 1, sheets, watched));
        assert_eq!((ten_thousand, hundred_thousand), (10_080, 100_800));
        assert!(few > 0, "the counter counts");
        assert_eq!(few, many, "by sheets: {sheets}, watched: {watched}");
    }
}
