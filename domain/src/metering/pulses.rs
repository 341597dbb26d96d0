//! The two registers of one meter: the dial gives the volume, the pulse total its spread
//! over time. They are tied wherever the dial was read by hand.

use super::days::SpanShare;
use super::meter::MeterFacts;
use chrono::{DateTime, Utc};

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
    /// The latest tie, where it leaves the usual ratio.
    pub drift: Option<Drift>,
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
/// A change of the ratio below this is no drift (common practice, no source).
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
    let ratio = (!ties.is_empty()).then(|| sum(|tie| tie.pulses) / sum(|tie| tie.dial));
    let drift = drift(&ties, |tie| ratio_u(tie, dial.0, pulses.0));
    PulseCheck { ties, ratio, drift }
}

/// Standard uncertainty of a ratio from the resolution of the two registers, which enters
/// each difference of two readings twice.
fn ratio_u(tie: &Tie, dial: &MeterFacts, pulses: &MeterFacts) -> f64 {
    let difference_u = |facts: &MeterFacts| facts.resolution.unwrap_or(1.0) * facts.scale() / 6_f64.sqrt();
    let of_dial = difference_u(dial) * tie.ratio() / tie.dial;
    let of_pulses = difference_u(pulses) / tie.dial;
    of_dial.hypot(of_pulses)
}

fn drift(ties: &[Tie], u: impl Fn(&Tie) -> f64) -> Option<Drift> {
    let (latest, before) = ties.split_last()?;
    if before.len() < LEAST_TIES {
        return None;
    }
    let mut ratios: Vec<f64> = before.iter().map(Tie::ratio).collect();
    let middle = ratios.len() / 2;
    let usual = *ratios.select_nth_unstable_by(middle, f64::total_cmp).1;
    let now = latest.ratio();
    let noticeable = (2.0 * u(latest)).max(LEAST_DRIFT);
    ((now - usual).abs() > noticeable).then_some(Drift { since: latest.from, usual, now })
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
        assert_eq!(check.drift, None);
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
        assert_eq!((check.ties.len(), check.ratio), (0, None));
    }
}
