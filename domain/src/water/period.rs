//! The spans between rounds at which all meters of a balance were read.

use crate::metering::days::SpanShare;
use chrono::{DateTime, Duration, Utc};

/// The reading closest to an instant, of a meter that was read at these, in order.
fn nearest(instants: &[DateTime<Utc>], at: DateTime<Utc>) -> Option<DateTime<Utc>> {
    let after = instants.partition_point(|instant| *instant < at);
    let before = after.checked_sub(1).and_then(|place| instants.get(place));
    [before, instants.get(after)].into_iter().flatten().copied().min_by_key(|instant| (*instant - at).abs())
}

/// One round: all meters of a balance read within the tolerance.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Round {
    /// When each meter was read, in the order the meters were given.
    pub read_at: Vec<DateTime<Utc>>,
}

impl Round {
    /// The middle between the first and the last reading of the round.
    #[must_use]
    pub fn middle(&self) -> DateTime<Utc> {
        let first = self.read_at.iter().min().copied().unwrap_or_default();
        first + self.lasted() / 2
    }

    /// The time between its first and its last reading.
    #[must_use]
    pub fn lasted(&self) -> Duration {
        let (first, last) = (self.read_at.iter().min(), self.read_at.iter().max());
        first.zip(last).map_or(Duration::zero(), |(first, last)| *last - *first)
    }

    fn after(&self, earlier: &Self) -> bool {
        self.read_at.iter().zip(&earlier.read_at).all(|(later, earlier)| later > earlier)
    }
}

/// The rounds of a balance whose meters were read at these instants, each in order: a round begins
/// with a reading of the meter that is read the least, and holds the closest reading of every other
/// one, all within `tolerance`. No reading serves two rounds.
#[must_use]
pub fn rounds(meters: &[Vec<DateTime<Utc>>], tolerance: Duration) -> Vec<Round> {
    let Some(anchors) = meters.iter().min_by_key(|instants| instants.len()) else { return Vec::new() };
    let mut rounds: Vec<Round> = Vec::new();
    for anchor in anchors {
        let Some(read_at) = meters.iter().map(|instants| nearest(instants, *anchor)).collect() else { continue };
        let round = Round { read_at };
        if round.lasted() <= tolerance && rounds.last().is_none_or(|last| round.after(last)) {
            rounds.push(round);
        }
    }
    rounds
}

/// The instants at which the meter of that place was read in the rounds: the cuts for its fold.
#[must_use]
pub fn cuts(rounds: &[Round], meter: usize) -> Vec<DateTime<Utc>> {
    rounds.iter().filter_map(|round| round.read_at.get(meter).copied()).collect()
}

/// What one meter passed between two rounds, brought to their middles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodShare {
    /// Middle of the earlier round.
    pub from: DateTime<Utc>,
    /// Middle of the later one.
    pub to: DateTime<Utc>,
    /// The meter's own two readings.
    pub own: (DateTime<Utc>, DateTime<Utc>),
    /// What passed between the meter's own two readings, in the inside unit; signed.
    pub amount: f64,
    /// Standard uncertainty, in the inside unit, from its readings not lying in the middle:
    /// what passes in that time at the mean rate, as half-width of a rectangle at each end.
    pub timing_u: f64,
    /// Part of the time between its own two readings within accepted steps, 0 to 1.
    pub coverage: f64,
    /// Open exceptions that touch it.
    pub open_exceptions: u32,
}

/// The periods between neighbouring rounds for the meter of that place, whose fold was cut at
/// [`cuts`]. Periods that the fold does not reach are left out.
#[must_use]
pub fn periods(rounds: &[Round], meter: usize, spans: &[SpanShare]) -> Vec<PeriodShare> {
    let pairs = rounds.windows(2).filter_map(|pair| match pair {
        [earlier, later] => Some((earlier, later)),
        _ => None,
    });
    pairs
        .filter_map(|(earlier, later)| {
            let (own_from, own_to) = (*earlier.read_at.get(meter)?, *later.read_at.get(meter)?);
            let span = spans.iter().find(|span| (span.from, span.to) == (own_from, own_to))?;
            let (from, to) = (earlier.middle(), later.middle());
            let length = seconds(own_to - own_from);
            let rate = span.amount / length;
            let off = seconds(own_from - from).hypot(seconds(own_to - to));
            Some(PeriodShare {
                from,
                to,
                own: (own_from, own_to),
                amount: span.amount,
                timing_u: (rate * off).abs() / 3_f64.sqrt(),
                coverage: seconds(Duration::seconds(span.covered_s)) / length,
                open_exceptions: span.open_exceptions,
            })
        })
        .collect()
}

#[expect(clippy::cast_precision_loss, reason = "seconds between rounds are exact")]
fn seconds(duration: Duration) -> f64 {
    duration.num_seconds() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::fold::MeterFold;
    use crate::metering::meter::MeterFacts;
    use crate::metering::stream::Stream;
    use crate::units::RegisterUnit;
    use chrono_tz::Tz;

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}:00Z").parse().unwrap()
    }

    fn all(texts: &[&str]) -> Vec<DateTime<Utc>> {
        texts.iter().map(|text| at(text)).collect()
    }

    #[test]
    fn a_round_needs_every_meter_within_the_tolerance() {
        let makeup = all(&["2026-01-05T08:00", "2026-02-02T08:00", "2026-03-02T08:00", "2026-03-02T09:00"]);
        let wash = all(&["2026-01-05T10:00", "2026-02-04T08:00", "2026-03-02T08:30"]);
        let meters = [makeup.clone(), wash];
        let found = rounds(&meters, Duration::hours(12));
        assert_eq!(found.len(), 2, "in February the meters were read two days apart");
        assert_eq!(cuts(&found, 0), all(&["2026-01-05T08:00", "2026-03-02T08:00"]));
        assert_eq!(cuts(&found, 1), all(&["2026-01-05T10:00", "2026-03-02T08:30"]));
        assert_eq!(found[0].middle(), at("2026-01-05T09:00"));
        assert_eq!(rounds(&meters, Duration::hours(60)).len(), 3);
        assert_eq!(rounds(&[makeup, Vec::new()], Duration::hours(12)), []);
        assert_eq!(rounds(&[], Duration::hours(12)), []);
    }

    #[test]
    fn volumes_are_those_between_the_meters_own_readings() {
        let makeup = all(&["2026-01-05T08:00", "2026-02-04T08:00"]);
        let wash = all(&["2026-01-05T12:00", "2026-02-04T12:00"]);
        let found = rounds(&[makeup.clone(), wash], Duration::hours(12));
        let facts = MeterFacts::plain(Stream::Makeup, RegisterUnit::L);
        let mut fold = MeterFold::new(&facts, Tz::UTC, &[], &[]).with_cuts(&cuts(&found, 0));
        for (at, register) in [(at("2026-01-01T08:00"), 0.0), (makeup[0], 100.0), (at("2026-01-20T08:00"), 3100.0)] {
            fold.push(at, register);
        }
        fold.push(makeup[1], 7300.0);
        fold.push(at("2026-02-20T08:00"), 9000.0);
        let periods = periods(&found, 0, &fold.finish().spans);
        let [period] = periods[..] else { panic!("{periods:?}") };
        assert_eq!((period.from, period.to), (at("2026-01-05T10:00"), at("2026-02-04T10:00")));
        assert_eq!((period.amount, period.coverage, period.open_exceptions), (7200.0, 1.0, 0));
        // 10 L/h for two hours at each end.
        assert!((period.timing_u - 20.0 * 2_f64.sqrt() / 3_f64.sqrt()).abs() < 1e-9);
    }
}
