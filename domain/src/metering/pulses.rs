//! The two registers of one meter: the dial gives the volume, the pulse total its spread
//! over time. They are tied wherever the dial was read by hand.

use super::days::{DayShare, SpanShare};
use super::finding::{FindingKind, MeterFinding};
use super::fold::Folded;
use super::meter::MeterFacts;
use super::step::Exchange;
use crate::zone::local_date;
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

/// A register while it measures a subject.
#[derive(Debug, Clone, Copy)]
pub struct Measuring {
    /// Its meter.
    pub number: i32,
    /// The meter of the dial whose pulses it counts.
    pub dial: Option<i32>,
    /// Whether people read it.
    pub by_hand: bool,
    /// From when on; `None`: ever since.
    pub from: Option<DateTime<Utc>>,
    /// Until when; `None`: it goes on.
    pub to: Option<DateTime<Utc>>,
}

/// Registers of pulses, each with the dial that people read beside it at the same time: their
/// places. A dial is spread by one register.
#[must_use]
pub fn pairs(registers: &[Measuring]) -> Vec<(usize, usize)> {
    let mut pairs: Vec<(usize, usize)> = Vec::new();
    for (place, pulses) in registers.iter().enumerate() {
        let Some(number) = pulses.dial else { continue };
        let overlaps = |dial: &Measuring| {
            dial.from.is_none_or(|begins| pulses.to.is_none_or(|to| begins < to))
                && dial.to.is_none_or(|ends| pulses.from.is_none_or(|from| from < ends))
        };
        let mut dials = registers.iter().enumerate().filter(|(_, one)| one.number == number && one.by_hand);
        let free = |dial: usize| !pairs.iter().any(|pair| pair.1 == dial);
        if let Some((dial, _)) = dials.find(|(dial, one)| overlaps(one) && free(*dial)) {
            pairs.push((place, dial));
        }
    }
    pairs
}

/// Dial and pulses between two hand readings of the dial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tie {
    /// The earlier hand reading.
    pub from: DateTime<Utc>,
    /// The later one.
    pub to: DateTime<Utc>,
    /// What the dial passed, in the inside unit.
    pub dial: f64,
    /// What the pulses counted, in the inside unit.
    pub pulses: f64,
}

impl Tie {
    /// Pulses over dial: below one, pulses were lost; above, there were extra ones. The dial
    /// is the reference, as in the error of indication of OIML R 49-1 (V_i - V_a) / V_a.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        self.pulses / self.dial
    }
}

/// What the ties of a meter come to.
#[derive(Debug, Clone, PartialEq)]
pub struct PulseCheck {
    /// Every stretch in which both registers are wholly known and the dial moved, in order.
    pub ties: Vec<Tie>,
    /// All pulses over all of the dial; `None` without a tie.
    pub ratio: Option<f64>,
    /// Whether that says that pulses were lost or are extra.
    pub off: Option<Off>,
    /// The latest tie, where it leaves the usual ratio.
    pub drift: Option<Drift>,
}

/// Pulses that do not come to what the dial passed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Off {
    /// The first hand reading of the ties.
    pub since: DateTime<Utc>,
    /// The ratio less one: below zero, pulses were lost; above, there were extra ones.
    pub by: f64,
}

/// A ratio that is no longer what it was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// The hand reading since which it is different.
    pub since: DateTime<Utc>,
    /// The median ratio of the ties before.
    pub usual: f64,
    /// The ratio now.
    pub now: f64,
}

/// Ties before the latest without which nothing is usual.
const LEAST_TIES: usize = 3;
/// A ratio that differs by less is no finding (common practice, no source).
const LEAST_DRIFT: f64 = 0.01;

/// Compares the dial with the pulse total. Both were folded with cuts at the dial's hand
/// readings, so that their spans match one by one; stretches that are not wholly covered or
/// have open exceptions are left out.
#[must_use]
pub fn check(dial: (&MeterFacts, &[SpanShare]), pulses: (&MeterFacts, &[SpanShare])) -> PulseCheck {
    let sound = |span: &SpanShare| span.open_exceptions == 0 && span.covered_s == (span.to - span.from).num_seconds();
    let ties: Vec<Tie> = dial
        .1
        .iter()
        .zip(pulses.1)
        .filter(|(dial, pulses)| (dial.from, dial.to) == (pulses.from, pulses.to))
        .filter(|(dial, pulses)| sound(dial) && sound(pulses) && dial.amount > 0.0)
        .map(|(dial, pulses)| Tie { from: dial.from, to: dial.to, dial: dial.amount, pulses: pulses.amount })
        .collect();
    let sum = |part: fn(&Tie) -> f64| ties.iter().map(part).sum::<f64>();
    let all = ties.first().zip(ties.last()).map(|(first, last)| Tie {
        from: first.from,
        to: last.to,
        dial: sum(|tie| tie.dial),
        pulses: sum(|tie| tie.pulses),
    });
    let noticeable = |tie: &Tie| (2.0 * ratio_u(tie, dial.0, pulses.0)).max(LEAST_DRIFT);
    let off = all.filter(|all| (all.ratio() - 1.0).abs() > noticeable(all));
    let off = off.map(|all| Off { since: all.from, by: all.ratio() - 1.0 });
    let drift = drift(&ties, noticeable);
    PulseCheck { ties, ratio: all.map(|all| all.ratio()), off, drift }
}

impl PulseCheck {
    /// What it finds, for each kind of finding about pulses.
    #[must_use]
    pub fn findings(&self) -> [(FindingKind, Option<MeterFinding>); 3] {
        let off = |kind, which: fn(f64) -> bool| {
            let found = self.off.filter(|off| which(off.by));
            (kind, found.map(|off| MeterFinding { kind, since: off.since, size: off.by.abs() }))
        };
        let kind = FindingKind::PulseDrift;
        let drift = self.drift.map(|drift| MeterFinding { kind, since: drift.since, size: drift.now - drift.usual });
        [off(FindingKind::PulsesLost, |by| by < 0.0), off(FindingKind::PulsesExtra, |by| by > 0.0), (kind, drift)]
    }
}

/// Where pulses are cut, and their dial with them: at the hand readings of the dial, and where its register
/// was exchanged, which ends one step and begins the next.
#[must_use]
pub fn cuts(read_at: impl Iterator<Item = DateTime<Utc>>, exchanges: &[Exchange]) -> Vec<DateTime<Utc>> {
    read_at.chain(exchanges.iter().map(|exchange| exchange.at)).collect()
}

/// The days of a meter with both registers: the dial's while it was read, the pulses' before
/// its first reading and after its last. The pulses were cut at the readings of the dial.
#[must_use]
pub fn joined(zone: Tz, dial: &Folded, pulses: &Folded) -> Vec<DayShare> {
    let Some((first, last)) = dial.first.zip(dial.last) else { return pulses.days.clone() };
    let (first_day, last_day) = (local_date(zone, first.at), local_date(zone, last.at));
    let mut days: BTreeMap<NaiveDate, DayShare> = dial.days.iter().map(|day| (day.date, *day)).collect();
    for day in pulses.days.iter().filter(|day| day.date < first_day || day.date > last_day) {
        days.insert(day.date, *day);
    }
    let (begins, ends) = (first.at.timestamp(), last.at.timestamp());
    for piece in pulses.pieces.iter().filter(|piece| piece.to_s <= begins || piece.from_s >= ends) {
        let date = local_date(zone, DateTime::from_timestamp(piece.from_s, 0).unwrap_or_default());
        if let Some(day) = days.get_mut(&date).filter(|_| date == first_day || date == last_day) {
            day.amount += piece.amount;
            day.covered_s += piece.covered_s;
        }
    }
    days.into_values().collect()
}

/// Standard uncertainty of a ratio from the resolution of the two registers, which enters
/// each difference of two readings twice.
fn ratio_u(tie: &Tie, dial: &MeterFacts, pulses: &MeterFacts) -> f64 {
    let difference_u = |facts: &MeterFacts| facts.resolution.unwrap_or(1.0) * facts.scale() / 6_f64.sqrt();
    let of_dial = difference_u(dial) * tie.ratio() / tie.dial;
    let of_pulses = difference_u(pulses) / tie.dial;
    of_dial.hypot(of_pulses)
}

fn drift(ties: &[Tie], noticeable: impl Fn(&Tie) -> f64) -> Option<Drift> {
    let (latest, before) = ties.split_last()?;
    if before.len() < LEAST_TIES {
        return None;
    }
    let mut ratios: Vec<f64> = before.iter().map(Tie::ratio).collect();
    let middle = ratios.len() / 2;
    let usual = *ratios.select_nth_unstable_by(middle, f64::total_cmp).1;
    let now = latest.ratio();
    ((now - usual).abs() > noticeable(latest)).then_some(Drift { since: latest.from, usual, now })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::fold::{Folded, MeterFold};
    use crate::metering::spread::Spread;
    use crate::metering::stream::{ReadBy, Stream};
    use crate::units::RegisterUnit;
    use chrono_tz::Tz;

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}:00Z").parse().unwrap()
    }

    fn dial() -> MeterFacts {
        MeterFacts::plain(Stream::Makeup, RegisterUnit::M3)
    }

    /// Ten litres a pulse.
    fn pulser() -> MeterFacts {
        MeterFacts {
            multiplier: 10.0,
            read_by: ReadBy::Telemetry,
            ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L)
        }
    }

    fn fold(facts: &MeterFacts, cuts: &[DateTime<Utc>], readings: &[(DateTime<Utc>, f64)]) -> Folded {
        let mut fold = MeterFold::new(facts, Tz::UTC, &[], &[]).with_cuts(cuts);
        readings.iter().for_each(|&(at, register)| fold.push(at, register));
        fold.finish()
    }

    #[test]
    fn the_dial_gives_the_volume_and_the_pulses_its_spread() {
        // Four days between hand readings, 10 m3 on the dial; the logger lost a tenth.
        let hand = [(at("2026-03-02T08:00"), 500.0), (at("2026-03-06T08:00"), 510.0)];
        let cuts: Vec<_> = hand.iter().map(|reading| reading.0).collect();
        // 900 pulses: 300 until midnight, none on the 3rd, 600 on the 4th, none after.
        let log = [
            (at("2026-03-02T06:00"), 0.0),
            (at("2026-03-02T08:00"), 50.0),
            (at("2026-03-03T00:00"), 350.0),
            (at("2026-03-04T00:00"), 350.0),
            (at("2026-03-05T00:00"), 950.0),
            (at("2026-03-06T10:00"), 950.0),
        ];
        let pulses = fold(&pulser(), &cuts, &log);
        let (facts, spread) = (dial(), Spread::Pulses(&pulses.pieces));
        let mut by_pulses = MeterFold::new(&facts, Tz::UTC, &[], &[]).with_cuts(&cuts).with_spread(spread);
        hand.iter().for_each(|&(at, register)| by_pulses.push(at, register));
        let folded = by_pulses.finish();
        let amounts: Vec<_> = folded.days.iter().map(|day| day.amount.round()).collect();
        assert_eq!(amounts, [3333.0, 0.0, 6667.0, 0.0, 0.0]);
        assert!(folded.days.iter().all(|day| day.estimated_s == 0), "spread as measured");
        assert!((folded.accepted - 10_000.0).abs() < 1e-9);

        let check = check((&facts, &folded.spans), (&pulser(), &pulses.spans));
        assert_eq!(check.ties.len(), 1);
        assert!((check.ratio.unwrap() - 0.9).abs() < 1e-12, "one pulse in ten is lost");
        let [lost, extra, drift] = check.findings();
        let lost = lost.1.unwrap();
        assert!(lost.since == cuts[0] && (lost.size - 0.1).abs() < 1e-12, "{lost:?}");
        assert_eq!((extra.1, drift.1), (None, None));

        // Ten litres a pulse: 500 L until the dial was first read.
        let days = joined(Tz::UTC, &folded, &pulses);
        assert!((days[0].amount - 3833.0).abs() < 1.0 && days[0].covered_s == 18 * 3600, "{days:?}");
        assert!((days.iter().map(|day| day.amount).sum::<f64>() - 10_500.0).abs() < 1e-9);
        assert_eq!(days.last().unwrap().covered_s, 10 * 3600, "the last two of them by the pulses");
    }

    #[test]
    fn a_dial_is_spread_by_the_pulses_of_its_time() {
        let day = |n: i64| Some(at("2026-03-01T00:00") + chrono::Duration::days(n));
        let dial = |from, to| Measuring { number: 1, dial: None, by_hand: true, from, to };
        let pulses = |from, to| Measuring { number: 2, dial: Some(1), by_hand: false, from, to };
        let (before, after) = (dial(None, day(5)), dial(day(5), None));
        assert_eq!(pairs(&[pulses(day(5), None), before, after]), [(0, 2)]);
        assert_eq!(pairs(&[before, pulses(None, day(3)), pulses(day(3), day(5))]), [(1, 0)], "one register spreads it");
        assert_eq!(pairs(&[Measuring { by_hand: false, ..after }, pulses(None, None)]), []);
        assert_eq!(pairs(&[pulses(None, None)]), []);
    }

    #[test]
    fn outside_the_dials_readings_the_pulses_count() {
        let cuts = [at("2026-03-02T12:00"), at("2026-03-03T12:00")];
        let log: Vec<_> =
            (0..=4).map(|day| (at("2026-03-01T00:00") + chrono::Duration::days(day), 10.0 * day as f64)).collect();
        let (pulses, facts) = (fold(&pulser(), &cuts, &log), dial());
        let read = fold(&facts, &cuts, &[(cuts[0], 7.0), (cuts[1], 7.2)]);
        let amounts: Vec<_> = joined(Tz::UTC, &read, &pulses).iter().map(|day| day.amount.round()).collect();
        assert_eq!(amounts, [100.0, 50.0 + 100.0, 100.0 + 50.0, 100.0, 0.0]);
        let never = fold(&facts, &[], &[]);
        assert_eq!(joined(Tz::UTC, &never, &pulses), pulses.days);
    }

    fn spans(amounts: &[f64]) -> Vec<SpanShare> {
        let hour = |n: usize| DateTime::from_timestamp(3600 * n as i64, 0).unwrap();
        let whole = |(n, &amount): (usize, &f64)| SpanShare {
            from: hour(n),
            to: hour(n + 1),
            amount,
            covered_s: 3600,
            open_exceptions: 0,
        };
        amounts.iter().enumerate().map(whole).collect()
    }

    #[test]
    fn a_ratio_that_leaves_its_usual_value_is_a_drift() {
        let (facts, dials) = (dial(), spans(&[1e6; 5]));
        let checked = |pulses: &[f64]| check((&facts, &dials), (&pulser(), &spans(pulses)));
        let lost = checked(&[990e3, 991e3, 989e3, 990e3, 900e3]).drift.unwrap();
        assert_eq!((lost.since, lost.usual, lost.now), (dials[4].from, 0.99, 0.9));
        assert_eq!(checked(&[990e3, 991e3, 989e3, 990e3, 985e3]).drift, None, "half a percent");
        assert_eq!(checked(&[990e3, 991e3, 900e3]).drift, None, "too few ties");
    }

    #[test]
    fn a_coarse_dial_hides_a_small_change() {
        let (facts, dials) = (dial(), spans(&[10e3; 5]));
        let checked = |last| check((&facts, &dials), (&pulser(), &spans(&[10e3, 10e3, 10e3, 10e3, last]))).drift;
        assert_eq!(checked(9.5e3), None, "half a count of the dial");
        assert!(checked(8e3).is_some());
    }

    #[test]
    fn stretches_with_gaps_or_open_exceptions_tie_nothing() {
        let (facts, dials, mut pulses) = (dial(), spans(&[10.0, 10.0, 0.0]), spans(&[9.0, 9.0, 9.0]));
        pulses[0].covered_s = 100;
        pulses[1].open_exceptions = 1;
        let check = check((&facts, &dials), (&pulser(), &pulses));
        assert_eq!((check.ties.len(), check.ratio, check.off), (0, None, None));
    }
}
