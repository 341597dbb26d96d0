//! Process upsets: the water going wrong, at a rate of each unit that is drawn towards the
//! dealer's own, and that signs raise or lower where the dealer's history carries them. As a rate it
//! holds no memory: what was done about the last one is not known here.

use super::sign::{Noted, Sign};
use super::{HORIZONS_DAYS, LEVEL, days_between};
use crate::reliability::estimate::Bounds;
use crate::reliability::forecast::by_rate;
use crate::reliability::gamma_rate::GammaRate;
use crate::reliability::poisson::{CONDITIONS_MAX, Cell, Effect, effects};
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

/// What is held before a unit's own days count: that of one upset at the dealer's rate.
const PRIOR_UPSETS: f64 = 1.0;
/// Upsets without which no sign is weighed, and for each sign that is: fewer events a variable bias
/// a regression (Peduzzi and others 1996, J. Clin. Epidemiol. 49; from memory).
pub const UPSETS_A_SIGN: usize = 10;
/// Upsets that must have followed a sign, and have come without it.
pub const UPSETS_EITHER_WAY: usize = 3;
/// Deviation of the logarithm of what a sign multiplies the rate by, before any is seen: two times
/// or half as often are within it (common practice, no source).
const LN_RATIO_SD: f64 = std::f64::consts::LN_2;
/// What is noted within a day of an upset is part of it and no sign.
const AHEAD: TimeDelta = TimeDelta::days(1);
/// Rounds in which rates of units and weights of signs are brought in line.
const ROUNDS: usize = 12;

/// Upsets of a unit and the days over which they were counted.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counted {
    /// How many.
    pub upsets: u32,
    /// Over how many days.
    pub days: f64,
}

/// What is known of a unit's upsets.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct History {
    /// When it stood at a site, up to the present, in order.
    pub stays: Vec<(DateTime<Utc>, DateTime<Utc>)>,
    /// When its upsets began, in order.
    pub upsets: Vec<DateTime<Utc>>,
    /// Signs.
    pub signs: Vec<Noted>,
}

impl History {
    /// Its upsets and days.
    #[must_use]
    pub fn counted(&self) -> Counted {
        let days = self.stays.iter().map(|(from, to)| days_between(*from, *to).max(0.0)).sum();
        Counted { upsets: u32::try_from(self.upsets.len()).unwrap_or(u32::MAX), days }
    }

    /// The signs at an instant.
    fn signs_at(&self, at: DateTime<Utc>) -> Vec<Sign> {
        let mut signs: Vec<Sign> =
            self.signs.iter().filter(|noted| noted.from <= at && at < noted.to).map(|noted| noted.sign).collect();
        signs.sort_unstable();
        signs.dedup();
        signs
    }

    /// Days and upsets by the signs that went before them, of these signs alone.
    fn cells(&self, signs: &[Sign]) -> BTreeMap<u16, Counted> {
        let steps = self.steps(signs);
        let held = |at: DateTime<Utc>| {
            let before = steps.partition_point(|(from, _)| *from <= at);
            before.checked_sub(1).and_then(|at| steps.get(at)).map_or(0, |step| step.1)
        };
        let mut cells: BTreeMap<u16, Counted> = BTreeMap::new();
        for (from, to) in &self.stays {
            let within = steps.iter().map(|step| step.0).filter(|at| from < at && at < to);
            let cuts: Vec<DateTime<Utc>> = [*from].into_iter().chain(within).chain([*to]).collect();
            for (begin, end) in cuts.iter().zip(cuts.iter().skip(1)) {
                cells.entry(held(*begin)).or_default().days += days_between(*begin, *end).max(0.0);
            }
        }
        for at in &self.upsets {
            cells.entry(held(*at)).or_default().upsets += 1;
        }
        cells
    }

    /// From when on which signs count, in order.
    fn steps(&self, signs: &[Sign]) -> Vec<(DateTime<Utc>, u16)> {
        let place = |sign: Sign| signs.iter().position(|other| *other == sign);
        let mut changes: Vec<(DateTime<Utc>, usize, i32)> = Vec::new();
        for noted in self.signs.iter().filter(|noted| noted.from + AHEAD < noted.to) {
            if let Some(at) = place(noted.sign).filter(|at| *at < CONDITIONS_MAX) {
                changes.extend([(noted.from + AHEAD, at, 1), (noted.to, at, -1)]);
            }
        }
        changes.sort_unstable();
        let mut open = [0_i32; CONDITIONS_MAX];
        let mut steps: Vec<(DateTime<Utc>, u16)> = Vec::with_capacity(changes.len());
        for (at, place, by) in changes {
            if let Some(count) = open.get_mut(place) {
                *count += by;
            }
            let held = open.iter().enumerate().fold(0, |held, (bit, count)| held | u16::from(*count > 0) << bit);
            match steps.last_mut().filter(|last| last.0 == at) {
                Some(last) => last.1 = held,
                None => steps.push((at, held)),
            }
        }
        steps
    }
}

/// What a sign multiplies the rate by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighed {
    /// The sign.
    pub sign: Sign,
    effect: Effect,
}

/// What the dealer's history tells of upsets.
#[derive(Debug, Clone, PartialEq)]
pub struct Rates {
    prior: GammaRate,
    weighed: Vec<Weighed>,
    /// How many upsets followed each sign.
    followed: BTreeMap<Sign, usize>,
}

/// A sign that a unit shows, and what it tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The sign.
    pub sign: Sign,
    /// Upsets that followed it, at all units.
    pub followed: usize,
    /// What it multiplies the rate by, with bounds; none where too few upsets tell.
    pub ratio: Option<(f64, Bounds)>,
}

/// The risk of a process upset at a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UpsetRisk {
    /// What it rests on beside the dealer's rate.
    pub counted: Counted,
    /// Probability of one at least, for each horizon.
    pub chances: [f64; HORIZONS_DAYS.len()],
    /// The signs that it shows.
    pub signs: Vec<Shown>,
}

/// The rates of a dealer's units: one upset in its mean time between upsets, and the weights of
/// signs. None where the dealer's history has no upset, for nothing then tells that upsets are
/// written down.
#[must_use]
pub fn rates(histories: &[&History]) -> Option<Rates> {
    let upsets: usize = histories.iter().map(|history| history.upsets.len()).sum();
    let (mut signs, mut followed) = (Vec::new(), BTreeMap::new());
    for sign in Sign::ALL {
        let after: u32 = histories
            .iter()
            .filter_map(|history| history.cells(&[*sign]).get(&1).copied())
            .map(|cell| cell.upsets)
            .sum();
        let after = usize::try_from(after).unwrap_or(usize::MAX);
        followed.insert(*sign, after);
        if after >= UPSETS_EITHER_WAY && upsets.saturating_sub(after) >= UPSETS_EITHER_WAY {
            signs.push((after, *sign));
        }
    }
    signs.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    signs.truncate((upsets / UPSETS_A_SIGN).min(CONDITIONS_MAX));
    let signs: Vec<Sign> = signs.into_iter().map(|(_, sign)| sign).collect();
    let cells: Vec<BTreeMap<u16, Counted>> = histories.iter().map(|history| history.cells(&signs)).collect();
    let weighed = weighed(&cells, signs);
    let days: f64 = cells.iter().map(|cells| effective_days(cells, &weighed)).sum();
    let prior = GammaRate::new(PRIOR_UPSETS, PRIOR_UPSETS * days / upsets as f64)?;
    Some(Rates { prior, weighed, followed })
}

/// How many times as high the rate is while these conditions hold.
fn times(weighed: &[Weighed], conditions: u16) -> f64 {
    let held = weighed.iter().enumerate().filter(|(bit, _)| conditions >> bit & 1 == 1);
    held.map(|(_, weighed)| weighed.effect.ln_ratio).sum::<f64>().exp()
}

/// Days of a unit, each as many times as the rate is as high on it.
fn effective_days(cells: &BTreeMap<u16, Counted>, weighed: &[Weighed]) -> f64 {
    cells.iter().map(|(held, counted)| times(weighed, *held) * counted.days).sum()
}

/// The weights of signs beside rates that differ from unit to unit.
fn weighed(units: &[BTreeMap<u16, Counted>], signs: Vec<Sign>) -> Vec<Weighed> {
    let mut weighed: Vec<Weighed> =
        signs.into_iter().map(|sign| Weighed { sign, effect: Effect { ln_ratio: 0.0, se: LN_RATIO_SD } }).collect();
    if weighed.is_empty() {
        return weighed;
    }
    for _ in 0..ROUNDS {
        let upsets = |cells: &BTreeMap<u16, Counted>| cells.values().map(|cell| f64::from(cell.upsets)).sum::<f64>();
        let all: f64 = units.iter().map(upsets).sum();
        let days: f64 = units.iter().map(|cells| effective_days(cells, &weighed)).sum();
        // A unit's rate, drawn towards the mean as its forecast draws it.
        let rate = |cells: &BTreeMap<u16, Counted>| {
            (PRIOR_UPSETS + upsets(cells)) / (PRIOR_UPSETS * days / all + effective_days(cells, &weighed))
        };
        let rates: Vec<f64> = units.iter().map(rate).collect();
        let expected: f64 = units.iter().zip(&rates).map(|(cells, rate)| rate * effective_days(cells, &weighed)).sum();
        let cells: Vec<Cell> = units
            .iter()
            .zip(&rates)
            .flat_map(|(cells, rate)| {
                cells.iter().map(move |(held, counted)| Cell {
                    conditions: *held,
                    expected: rate * counted.days * all / expected,
                    events: f64::from(counted.upsets),
                })
            })
            .collect();
        let Some(found) = effects(&cells, weighed.len(), LN_RATIO_SD) else { return Vec::new() };
        weighed.iter_mut().zip(found).for_each(|(weighed, effect)| weighed.effect = effect);
    }
    weighed
}

impl Rates {
    /// Probability of an upset at any unit within some days, at the rate of all.
    #[must_use]
    pub fn of_any(&self, days: u16) -> f64 {
        by_rate(self.prior.failures() / self.prior.time(), f64::from(days))
    }

    /// The risk of a unit. Signs that it shows count for the first horizon; after it the unit is
    /// taken to be as it was on average.
    #[must_use]
    pub fn risk(&self, history: &History, now: DateTime<Utc>) -> UpsetRisk {
        let counted = history.counted();
        let signs: Vec<Sign> = self.weighed.iter().map(|weighed| weighed.sign).collect();
        let effective = effective_days(&history.cells(&signs), &self.weighed);
        let held = self.prior.after(history.upsets.len(), effective);
        let on_average = if counted.days > 0.0 { effective / counted.days } else { 1.0 };
        let present = history.signs_at(now);
        let of = |sign: Sign| self.weighed.iter().find(|weighed| weighed.sign == sign);
        let ln_times: f64 = present.iter().filter_map(|sign| Some(of(*sign)?.effect.ln_ratio)).sum();
        let first = HORIZONS_DAYS.first().copied().map_or(0.0, f64::from);
        let time = |days: f64| days.min(first) * ln_times.exp() + (days - first).max(0.0) * on_average;
        let shown = present.iter().map(|sign| Shown {
            sign: *sign,
            followed: self.followed.get(sign).copied().unwrap_or(0),
            ratio: of(*sign).map(|weighed| weighed.effect.ratio(LEVEL)),
        });
        UpsetRisk {
            counted,
            chances: HORIZONS_DAYS.map(|days| held.failure_within(time(f64::from(days)))),
            signs: shown.collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn at(day: f64) -> DateTime<Utc> {
        let begin: DateTime<Utc> = "2023-01-01T00:00:00Z".parse().unwrap();
        #[expect(clippy::cast_possible_truncation, reason = "the days of a test")]
        let seconds = (day * 86_400.0).round() as i64;
        begin + TimeDelta::seconds(seconds)
    }

    fn history(days: f64, upsets: &[f64]) -> History {
        let upsets = upsets.iter().map(|day| at(*day)).collect();
        History { stays: vec![(at(0.0), at(days))], upsets, signs: Vec::new() }
    }

    #[test]
    fn a_unit_s_rate_is_drawn_towards_the_dealer_s() {
        let units = [history(1000.0, &[]), history(1000.0, &[10.0, 20.0, 900.0]), history(400.0, &[200.0])];
        let rates = rates(&units.each_ref()).unwrap();
        assert_eq!((rates.prior.failures(), rates.prior.time()), (1.0, 600.0));
        let chances = units.each_ref().map(|unit| rates.risk(unit, at(1000.0)).chances);
        assert!(chances[0][0] < chances[2][0] && chances[2][0] < chances[1][0], "{chances:?}");
        // Gamma(4, 1600): 1 - (1600 / 1630)^4.
        let expected = 1.0 - (1600.0_f64 / 1630.0).powi(4);
        assert!((chances[1][0] - expected).abs() < 1e-12 && chances[1][0] < chances[1][1]);
    }

    #[test]
    fn without_an_upset_nothing_is_told() {
        assert!(rates(&[&history(900.0, &[])]).is_none());
        assert!(rates(&[]).is_none());
        assert!(rates(&[&History { upsets: vec![at(1.0)], ..History::default() }]).is_none(), "nowhere, for no time");
    }

    /// Forty units over two years; a sign in one week in five trebles the rate, another does nothing.
    fn planted(seed: u64) -> Vec<History> {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let unit = |_| {
            let mut unit = history(728.0, &[]);
            for week in 0..104 {
                let from = 7.0 * f64::from(week);
                let signs: [(Sign, bool); 2] = [(Sign::OxygenLow, true), (Sign::SludgeDeep, false)];
                let mut rate = 0.004;
                for (sign, matters) in signs {
                    if chance.random_range(0.0..1.0) < 0.2 {
                        unit.signs.push(Noted { sign, from: at(from) - AHEAD, to: at(from + 7.0) });
                        rate *= if matters { 3.0 } else { 1.0 };
                    }
                }
                if chance.random_range(0.0..1.0) < 7.0 * rate {
                    unit.upsets.push(at(from + chance.random_range(0.0..7.0)));
                }
            }
            unit
        };
        (0..40).map(unit).collect()
    }

    #[test]
    fn signs_weigh_what_the_history_carries() {
        let found = |seed: u64| rates(&planted(seed).iter().collect::<Vec<_>>()).unwrap();
        let effect = |rates: &Rates, sign| rates.weighed.iter().find(|weighed| weighed.sign == sign).unwrap().effect;
        let (mut ln_ratios, mut held) = ([0.0, 0.0], [0, 0]);
        let truth = [(Sign::OxygenLow, 3.0), (Sign::SludgeDeep, 1.0)];
        for rates in (0..20).map(found) {
            for ((sum, held), (sign, ratio)) in ln_ratios.iter_mut().zip(&mut held).zip(truth) {
                *sum += effect(&rates, sign).ln_ratio / 20.0;
                *held += usize::from(effect(&rates, sign).ratio(LEVEL).1.contains(ratio));
            }
        }
        // The prior draws the first towards nothing by half its error, so that its intervals hold the
        // truth in about 87 of a hundred cases: fewer than 13 of 20 in one of a hundred.
        assert!((0.85..1.15).contains(&ln_ratios[0]) && ln_ratios[1].abs() < 0.1, "{ln_ratios:?}");
        assert!(held.iter().all(|held| *held >= 13), "{held:?}");
        let rates = found(11);
        let mut plain = history(728.0, &[100.0]);
        let before = rates.risk(&plain, at(728.0));
        assert!(before.signs.is_empty());
        plain.signs.push(Noted { sign: Sign::OxygenLow, from: at(727.5), to: at(741.5) });
        plain.signs.push(Noted { sign: Sign::Idle, from: at(727.5), to: at(741.5) });
        let after = rates.risk(&plain, at(728.0));
        assert!(after.chances[0] > 2.0 * before.chances[0] && after.chances[1] > before.chances[1], "{after:?}");
        let shown: Vec<_> = after.signs.iter().map(|shown| (shown.sign, shown.ratio.is_some())).collect();
        assert_eq!(shown, [(Sign::OxygenLow, true), (Sign::Idle, false)], "nothing tells of the second");
    }

    #[test]
    fn too_few_upsets_weigh_no_sign() {
        let mut one = history(300.0, &[30.0, 60.0, 90.0, 120.0, 150.0, 180.0]);
        one.signs = [29.0, 59.0, 89.0]
            .map(|day| Noted { sign: Sign::OxygenLow, from: at(day - 2.0), to: at(day + 12.0) })
            .to_vec();
        let rates = rates(&[&one]).unwrap();
        assert!(rates.weighed.is_empty());
        assert_eq!(rates.followed[&Sign::OxygenLow], 3);
        // What is noted with the upset is part of it.
        one.signs = vec![Noted { sign: Sign::OxygenLow, from: at(29.5), to: at(43.5) }];
        assert_eq!(super::rates(&[&one]).unwrap().followed[&Sign::OxygenLow], 0);
    }
}
