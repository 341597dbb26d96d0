//! How sure the volumes of a single meter are, by local day and by month, from its own readings.

use super::expanded::Expanded;
use super::register::{Meter, Passed};
use super::stretch::{SharedMeter, expanded};
use crate::metering::accuracy::{Flow, MeterCheck};
use crate::metering::days::DayShare;
use crate::metering::fold::Folded;
use crate::metering::low_flow::LowFlow;
use crate::metering::meter::MeterFacts;
use crate::metering::month::COMMON_DAY_VARIATION;
use crate::metering::step::Exchange;
use crate::water::statement::WATER_C;
use crate::zone::{Month, day_bounds};
use chrono_tz::Tz;

/// A meter, and what befell it.
#[derive(Debug, Clone, Copy)]
pub struct OneMeter<'a> {
    /// Its name in what is said of its errors.
    pub name: &'a str,
    /// Its facts.
    pub facts: &'a MeterFacts,
    /// Checks against known volumes.
    pub checks: &'a [MeterCheck],
    /// Registers exchanged.
    pub exchanges: &'a [Exchange],
    /// The zone of its days.
    pub zone: Tz,
}

impl OneMeter<'_> {
    /// The expanded uncertainty (k = 2) of a day's amount, in the inside unit.
    #[must_use]
    pub fn of_day(&self, day: &DayShare) -> Option<f64> {
        let (start, end) = day_bounds(self.zone, day.date);
        let known = self.facts.scale_known(self.checks, self.exchanges, end);
        let shared = SharedMeter { facts: self.facts, known, share: 1.0, share_u: 0.0 };
        let estimated = f64::from(day.estimated_s) / (end - start).as_seconds_f64();
        expanded(day.amount, &[shared], estimated)
    }

    /// A month's amount, the sum of these days, with its expanded uncertainty: the scale error at the
    /// flows that the fold saw ([`with_low_flows`](crate::metering::fold::MeterFold::with_low_flows)), the
    /// resolution of both ends and of exchanges, and the division of steps across the month's bounds.
    #[must_use]
    pub fn of_month(&self, month: Month, folded: &Folded, days: &[DayShare]) -> Expanded {
        let (from, to) = month.bounds(self.zone);
        let own = || days.iter().filter(|day| Month::of(day.date) == month);
        let flow = LowFlow::of(&self.facts.flows, own(), &folded.above).map_or(Flow::Unknown, Flow::Low);
        let known = self.facts.scale_known(self.checks, self.exchanges, to);
        let meter = Meter { name: self.name, facts: self.facts, known, flow, water_c: WATER_C };
        let exchanged = self.exchanges.iter().filter(|exchange| exchange.at >= from && exchange.at < to).count();
        let passed = Passed {
            from,
            to,
            amount: own().map(|day| day.amount).sum(),
            exchanges: u32::try_from(exchanged).unwrap_or(u32::MAX),
            divided: &folded.divided(month, COMMON_DAY_VARIATION),
            timing_u: 0.0,
        };
        meter.of_stretch(&passed).expanded()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::accuracy::VolumeCheck;
    use crate::metering::fold::MeterFold;
    use crate::metering::stream::Stream;
    use crate::units::RegisterUnit;

    /// By hand: 41 days and 120 m3, of which January has 22 days, 64,390 L: 9,345 L by the division, a scale
    /// error of 1 % found by a check of 10 January, and twice a litre over the root of twelve. A day of 24 hours has
    /// 2,926.8 L, all of it by assumption.
    #[test]
    fn a_month_and_a_day_of_one_meter() {
        let facts = MeterFacts::plain(Stream::Makeup, RegisterUnit::L);
        let mut fold = MeterFold::new(&facts, Tz::UTC, &[], &[]).with_low_flows(&facts);
        for (day, register) in [("2026-01-10", 0.0), ("2026-02-20", 120_000.0)] {
            fold.push(format!("{day}T00:00:00Z").parse().unwrap(), register);
        }
        let folded = fold.finish();
        let check = VolumeCheck { indicated_l: 202.0, reference_l: 200.0, u_reference_share: 0.0 };
        let checks = [MeterCheck { at: "2026-01-10T12:00:00Z".parse().unwrap(), check }];
        let meter = OneMeter { name: "dial", facts: &facts, checks: &checks, exchanges: &[], zone: Tz::UTC };
        let january = meter.of_month(Month::parse("2026-01").unwrap(), &folded, &folded.days);
        let u = (22.0 / 41.0 * (19.0 / 41.0) / 41.0_f64).sqrt() * 120_000.0;
        let want = u.hypot(0.01 * 120_000.0 * 22.0 / 41.0).hypot((2.0_f64 / 12.0).sqrt());
        assert!((january.value - 64_390.24).abs() < 0.01);
        assert!((january.u - want).abs() < 1e-6 && (january.expanded - 2.0 * want).abs() < 1e-6, "{january:?}");
        let day = meter.of_day(&folded.days[3]).unwrap();
        let amount: f64 = 120_000.0 / 41.0;
        let want = 2.0 * (0.01 * amount).hypot((2.0_f64 / 12.0).sqrt()).hypot(amount);
        assert!((day - want).abs() < 1e-6, "{day} {want}");
    }
}
