use super::*;
use crate::metering::sheet::SheetReading;
use crate::metering::step::ExceptionKind;
use crate::metering::stream::{ReadBy, Stream};
use crate::units::RegisterUnit;
use crate::zone::{self, day_bounds, local_date, parse_zone};
use chrono::Duration;
use proptest::prelude::*;

const ZONES: [&str; 6] =
    ["Australia/Lord_Howe", "America/Sao_Paulo", "America/New_York", "UTC", "Asia/Kathmandu", "Pacific/Apia"];

/// A meter that truly passed known amounts: gaps in seconds, flow as a part of the maximum,
/// and whether the register was exchanged in the gap.
#[derive(Debug, Clone)]
pub(super) struct Truth {
    pub(super) zone: Tz,
    start: i64,
    steps: Vec<(i64, f64, bool)>,
    offset: f64,
}

/// What a register shows of it.
pub(super) struct Shown {
    pub(super) readings: Vec<(i64, f64)>,
    pub(super) exchanges: Vec<Exchange>,
    /// From when until when how many counts passed, an exchange between two of them.
    pub(super) parts: Vec<(i64, i64, f64)>,
}

pub(super) fn truth() -> impl Strategy<Value = Truth> {
    let gap = prop_oneof![1..600_i64, 600..90_000_i64, 80_000..5_000_000_i64];
    let step = (gap, 0.0..1.0_f64, prop::bool::weighted(0.1));
    // From 2010 on: Sao Paulo skips midnights, Apia skips 30 December 2011 as a whole.
    let start = 1_262_304_000_i64..1_767_225_600;
    (0..ZONES.len(), start, prop::collection::vec(step, 1..60), prop_oneof![0.0..1.0_f64, 0.97..1.0_f64])
        .prop_map(|(zone, start, steps, offset)| Truth { zone: parse_zone(ZONES[zone]).unwrap(), start, steps, offset })
}

/// What it passed before.
pub(super) const RECENT: RecentUse = RecentUse { largest_day: 86_400.0, mean_day: 40_000.0 };

/// Eight digits, a litre a second at most.
pub(super) fn facts(read_by: ReadBy) -> MeterFacts {
    MeterFacts {
        digits: Some(8),
        max_flow_per_h: Some(3600.0),
        read_by,
        ..MeterFacts::plain(Stream::Wash, RegisterUnit::UsGal)
    }
}

impl Truth {
    /// The readings that such a register would have shown.
    pub(super) fn shown(&self) -> Shown {
        let per_s = 1.0 / RegisterUnit::UsGal.factor();
        let mut exchanges = Vec::new();
        let (mut t, mut register) = (self.start, (self.offset * 1e8).floor());
        let mut readings = vec![(t, register)];
        let mut parts = Vec::new();
        for &(gap, share, exchanged) in &self.steps {
            let (counts, next) = (share * per_s * gap as f64, t + gap);
            let shown = register + counts;
            if exchanged && gap > 1 {
                let at = DateTime::from_timestamp(t + gap / 2, 0).unwrap();
                let old_final = (register + counts / 2.0) % 1e8;
                exchanges.push(Exchange { at, old_final, new_start: 17.0 });
                parts.push((t, t + gap / 2, counts / 2.0));
                parts.push((t + gap / 2, next, counts / 2.0));
                register = 17.0 + counts / 2.0;
            } else {
                parts.push((t, next, counts));
                register = shown % 1e8;
            }
            readings.push((next, register));
            t = next;
        }
        Shown { readings, exchanges, parts }
    }
}

/// Folds the readings that a register of eight digits would have shown, and compares each
/// local day with the overlap of every step with it.
fn check(truth: &Truth) -> Result<(), TestCaseError> {
    let facts = facts(ReadBy::Telemetry);
    let scale = RegisterUnit::UsGal.factor();
    let Shown { readings, exchanges, parts } = truth.shown();
    let mut fold = MeterFold::new(&facts, truth.zone, &exchanges, &[]).with_recent_use(Some(RECENT));
    readings.iter().for_each(|&(t, register)| fold.push(DateTime::from_timestamp(t, 0).unwrap(), register));
    let folded = fold.finish();
    if !folded.exceptions.is_empty() {
        // A rollover in a step too long for half the register stays open: nothing to compare.
        let only_rollovers =
            folded.exceptions.iter().all(|e| e.amount_if_accepted < 0.0 || e.kind == ExceptionKind::DoubtfulRollover);
        prop_assert!(only_rollovers, "{:?}", folded.exceptions);
        return conserves(&folded);
    }
    let total: f64 = parts.iter().map(|part| part.2 * scale).sum();
    prop_assert!(
        (folded.accepted - total).abs() <= 1e-9 * total.max(1e8 * scale * 1e-6),
        "{} {total}",
        folded.accepted
    );
    for day in &folded.days {
        let (start, end) = day_bounds(truth.zone, day.date);
        let (start, end) = (start.timestamp(), end.timestamp());
        let overlap = |from: i64, to: i64| (to.min(end) - from.max(start)).max(0);
        let amount: f64 = parts
            .iter()
            .filter(|(from, to, _)| to > from)
            .map(|&(from, to, counts)| counts * scale * overlap(from, to) as f64 / (to - from) as f64)
            .sum();
        let covered: i64 = parts.iter().map(|&(from, to, _)| overlap(from, to)).sum();
        prop_assert!((day.amount - amount).abs() < 1e-5, "{} {} {amount}", day.date, day.amount);
        prop_assert_eq!(i64::from(day.covered_s), covered);
    }
    let read: u32 = folded.days.iter().map(|day| day.readings).sum();
    prop_assert_eq!(read as usize, readings.len());
    prop_assert_eq!(folded.days[0].date, local_date(truth.zone, DateTime::from_timestamp(truth.start, 0).unwrap()));
    conserves(&folded)
}

fn conserves(folded: &Folded) -> Result<(), TestCaseError> {
    let sum: f64 = folded.days.iter().map(|day| day.amount).sum();
    let size: f64 = folded.days.iter().map(|day| day.amount.abs()).sum();
    prop_assert!((sum - folded.accepted).abs() <= 1e-9 * size, "{sum} {}", folded.accepted);
    prop_assert!(folded.days.windows(2).all(|pair| pair[1].date == zone::next_day(pair[0].date)));
    Ok(())
}

/// Readings of one UTC day after another: (seconds to the next, register change).
fn garbage() -> impl Strategy<Value = Vec<(i64, f64)>> {
    let change = prop_oneof![8 => 0.0..40.0_f64, 1 => -2000.0..2000.0_f64, 1 => Just(-950_000.0)];
    prop::collection::vec((prop_oneof![9 => 30..4000_i64, 1 => 4000..400_000_i64], change), 1..400)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn every_day_gets_its_part_and_nothing_is_lost(truth in truth()) {
        check(&truth)?;
    }

    #[test]
    fn whole_sheets_and_single_readings_come_to_the_same(
        steps in garbage(),
        zone in 0..ZONES.len(),
        void in 0..400_usize,
        exchange in 0..400_usize,
    ) {
        let facts = MeterFacts {
            digits: Some(6),
            max_flow_per_h: Some(3125.0),
            ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L)
        };
        let zone = parse_zone(ZONES[zone]).unwrap();
        let mut t = 1_325_000_000_i64;
        let mut register = 960_000.0;
        let mut readings = Vec::new();
        for (gap, change) in steps {
            (t, register) = (t + gap, register + change);
            readings.push((DateTime::from_timestamp(t, 0).unwrap(), register));
        }
        let rulings: Vec<_> = readings.get(void).map(|&(at, _)| Ruling::Void { at }).into_iter().collect();
        let exchanges: Vec<_> = readings
            .get(exchange)
            .map(|&(at, register)| Exchange { at: at + Duration::seconds(5), old_final: register + 1.0, new_start: register })
            .into_iter()
            .collect();
        let mut single = MeterFold::new(&facts, zone, &exchanges, &rulings);
        let mut sheets = MeterFold::new(&facts, zone, &exchanges, &rulings);
        readings.iter().for_each(|&(at, register)| single.push(at, register));
        for day in readings.chunk_by(|a, b| a.0.date_naive() == b.0.date_naive()) {
            let on_day = day.iter().map(|&(at, register)| SheetReading::on_day(at, register, 0).1);
            let (at_s, register): (Vec<_>, Vec<_>) = on_day.map(|one| (one.at_s, one.register)).unzip();
            sheets.push_sheet(day[0].0.date_naive(), &at_s, &register);
        }
        let (single, sheets) = (single.finish(), sheets.finish());
        conserves(&single)?;
        prop_assert_eq!(&single.exceptions, &sheets.exceptions);
        prop_assert_eq!((single.first, single.last, single.ignored), (sheets.first, sheets.last, sheets.ignored));
        prop_assert_eq!(single.days.len(), sheets.days.len());
        for (one, other) in single.days.iter().zip(&sheets.days) {
            prop_assert!((one.amount - other.amount).abs() < 1e-6, "{:?} {:?}", one, other);
            prop_assert_eq!(DayShare { amount: 0.0, ..*one }, DayShare { amount: 0.0, ..*other });
        }
    }

    #[test]
    fn cuts_divide_days_and_change_none(truth in truth(), at in prop::collection::vec(0..=1000_i64, 0..6)) {
        let facts = MeterFacts::plain(Stream::Wash, RegisterUnit::L);
        let ends: Vec<i64> = truth
            .steps
            .iter()
            .scan(truth.start, |t, step| {
                *t += step.0;
                Some(*t)
            })
            .collect();
        let length = ends[ends.len() - 1] - truth.start;
        let cuts: Vec<_> = at
            .iter()
            .map(|part| DateTime::from_timestamp(truth.start + length * part / 1000, 0).unwrap())
            .collect();
        let run = |cuts: &[DateTime<Utc>]| {
            let mut fold = MeterFold::new(&facts, truth.zone, &[], &[]).with_cuts(cuts);
            let mut register = 0.0;
            fold.push(DateTime::from_timestamp(truth.start, 0).unwrap(), register);
            for (t, step) in ends.iter().zip(&truth.steps) {
                // One step in ten goes back, and stays open.
                register += if step.2 { -1.0 } else { 1000.0 * step.1 };
                fold.push(DateTime::from_timestamp(*t, 0).unwrap(), register);
            }
            fold.finish()
        };
        let (whole, cut) = (run(&[]), run(&cuts));
        prop_assert_eq!(whole.days.len(), cut.days.len());
        for (one, other) in whole.days.iter().zip(&cut.days) {
            prop_assert!((one.amount - other.amount).abs() < 1e-6, "{:?} {:?}", one, other);
            prop_assert_eq!(DayShare { amount: 0.0, ..*one }, DayShare { amount: 0.0, ..*other });
        }
        let mut sorted = cuts.clone();
        sorted.sort_unstable();
        sorted.dedup();
        prop_assert_eq!(cut.spans.len(), sorted.len().saturating_sub(1));
        for span in &cut.spans {
            let touches = |exception: &&ReadingException| exception.from.at < span.to && exception.to.at > span.from;
            let touching = cut.exceptions.iter().filter(touches).count();
            prop_assert_eq!(span.open_exceptions as usize, touching, "{:?}", span);
            let between = |piece: &&DayPiece| piece.from_s >= span.from.timestamp() && piece.to_s <= span.to.timestamp();
            let amount: f64 = cut.pieces.iter().filter(between).map(|piece| piece.amount).sum();
            prop_assert!((span.amount - amount).abs() < 1e-6);
        }
    }

    #[test]
    fn a_fold_taken_up_again_gives_the_same_days(truth in truth(), kept in 0..60_usize) {
        let facts = MeterFacts::plain(Stream::Wash, RegisterUnit::L);
        let mut readings = vec![(truth.start, 0.0)];
        for (gap, share, _) in &truth.steps {
            let (t, register) = readings[readings.len() - 1];
            readings.push((t + gap, register + 1000.0 * share));
        }
        let run = |readings: &[(i64, f64)]| {
            let mut fold = MeterFold::new(&facts, truth.zone, &[], &[]);
            readings.iter().for_each(|&(t, register)| fold.push(DateTime::from_timestamp(t, 0).unwrap(), register));
            fold.finish()
        };
        let from = kept.min(readings.len() - 1);
        let (whole, resumed) = (run(&readings), run(&readings[from..]));
        let first_whole_day = zone::next_day(resumed.days[0].date);
        let days = |folded: &Folded| -> Vec<DayShare> {
            folded.days.iter().filter(|day| day.date >= first_whole_day).copied().collect()
        };
        prop_assert_eq!(days(&whole), days(&resumed));
        prop_assert_eq!(whole.last, resumed.last);
    }
}
