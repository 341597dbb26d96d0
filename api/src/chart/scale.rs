//! The value axis: round steps that hold all values and zero.

use domain::report::display::{self, Format};

/// An axis.
pub(super) struct Scale {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) step: f64,
}

impl Scale {
    pub(super) fn of(values: impl Iterator<Item = f64> + Clone) -> Self {
        let finite = || values.clone().filter(|value| value.is_finite());
        let (least, most) = (finite().fold(0.0, f64::min), finite().fold(0.0, f64::max));
        let step = step((most - least) / 4.0);
        let high = (most / step).ceil() * step;
        let low = (least / step).floor() * step;
        Self { low, high: if high > low { high } else { low + step }, step }
    }

    /// Where a value stands between the top and the bottom.
    pub(super) fn y(&self, value: f64, (top, bottom): (f64, f64)) -> f64 {
        top + (self.high - value) / (self.high - self.low) * (bottom - top)
    }

    pub(super) fn ticks(&self) -> impl Iterator<Item = f64> {
        // A round step goes into the axis five or six times.
        (0..=12)
            .map(|n| self.low + f64::from(n) * self.step + 0.0)
            .take_while(|tick| *tick <= self.high + self.step * 0.01)
    }

    pub(super) fn label(&self, tick: f64, format: Format) -> String {
        let places = if self.step >= 1.0 {
            0
        } else if self.step >= 0.1 {
            1
        } else {
            3
        };
        display::number(tick, 12, places, format)
    }
}

/// The next of 1, 2, 5 times a power of ten.
fn step(least: f64) -> f64 {
    if least <= 0.0 || !least.is_finite() {
        return 1.0;
    }
    let power = 10_f64.powf(least.log10().floor());
    let leading = least / power;
    let round = [1.0, 2.0, 5.0].into_iter().find(|round| leading <= *round).unwrap_or(10.0);
    round * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_stand_within_the_axis_losses_too() {
        let scale = Scale::of([-3.0, 17.0].into_iter());
        assert_eq!((scale.low, scale.high, scale.step), (-5.0, 20.0, 5.0));
        assert_eq!((scale.y(20.0, (40.0, 260.0)), scale.y(-5.0, (40.0, 260.0))), (40.0, 260.0));
        assert_eq!(scale.ticks().collect::<Vec<_>>(), [-5.0, 0.0, 5.0, 10.0, 15.0, 20.0]);
        let nothing = Scale::of(std::iter::empty());
        assert!(nothing.high > nothing.low);
    }
}
