//! Lives whose logarithms follow a location and scale: Weibull and lognormal, every kind of life.
//!
//! With z = steepness (ln age - location), a failure counts ln(steepness) + ln f(z) - ln age, a
//! running life ln S(z), an interval ln(S(z1) - S(z2)), and a late entry -ln S(z). In steepness
//! and intercept = steepness x location the logarithm of the likelihood is concave for these
//! families while nothing enters late (Burridge 1981, JRSS B 43): damped Newton steps find its
//! top from anywhere. Late entries bend it little; the same steps, held to rise, find it too.

use super::estimate::Bounds;
use super::fit::Spread;
use super::life::{End, Life, Tally};
use super::profile;
use super::solve::root_beyond;
use super::special::{ln_1m_exp, ln_normal_tail, two_sided_z};
use std::f64::consts::TAU;
use std::marker::PhantomData;

/// Steps of one search at most.
const STEPS_MAX: usize = 200;
/// How far, in logarithms, bounds are looked for before a side counts as unbounded.
const FARTHEST: f64 = 30.0;

/// A value with its first two derivatives.
#[derive(Clone, Copy)]
pub(super) struct Jet(f64, f64, f64);

/// The standard member of a family.
pub(super) trait Standard {
    /// ln f(z).
    fn ln_density(z: f64) -> Jet;
    /// ln S(z).
    fn ln_survival(z: f64) -> Jet;
    /// ln(S(a) - S(b)) for a < b; a may be minus infinity.
    fn ln_between(a: f64, b: f64) -> f64;
}

/// The least extreme value: logarithms of Weibull lives.
pub(super) struct Weibulls;
/// The normal: logarithms of lognormal lives.
pub(super) struct Normals;

impl Standard for Weibulls {
    fn ln_density(z: f64) -> Jet {
        let hazard = z.exp();
        Jet(z - hazard, 1.0 - hazard, -hazard)
    }

    fn ln_survival(z: f64) -> Jet {
        let hazard = z.exp();
        Jet(-hazard, -hazard, -hazard)
    }

    fn ln_between(a: f64, b: f64) -> f64 {
        if a == f64::NEG_INFINITY {
            return ln_1m_exp(b.exp());
        }
        let before = a.exp();
        ln_1m_exp(before * (b - a).exp_m1()) - before
    }
}

impl Standard for Normals {
    fn ln_density(z: f64) -> Jet {
        Jet(-z * z / 2.0 - TAU.ln() / 2.0, -z, -1.0)
    }

    fn ln_survival(z: f64) -> Jet {
        let ln_tail = ln_normal_tail(z);
        let hazard = (Self::ln_density(z).0 - ln_tail).exp();
        Jet(ln_tail, -hazard, -hazard * (hazard - z))
    }

    fn ln_between(a: f64, b: f64) -> f64 {
        if b <= 0.0 {
            return Self::ln_between(-b, -a);
        }
        if a > 0.0 {
            let above = ln_normal_tail(a);
            return above + ln_1m_exp(above - ln_normal_tail(b));
        }
        (-ln_normal_tail(b).exp() - ln_normal_tail(-a).exp()).ln_1p()
    }
}

/// Where a member of the family lies: 1/scale and location of ln(age).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Params {
    pub(super) steepness: f64,
    pub(super) location: f64,
}

/// The top of a likelihood.
#[derive(Debug, Clone, Copy)]
pub(super) struct Top {
    pub(super) params: Params,
    pub(super) ln_likelihood: f64,
    pub(super) spread: Spread,
}

/// The top of a likelihood at a fixed steepness.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ridge {
    pub(super) ln_likelihood: f64,
    pub(super) location: f64,
    pub(super) se_location: f64,
}

/// A life's part in the likelihood, its ages as logarithms about the model's centre.
enum Part {
    Failed(f64),
    Running(f64),
    Entered(f64),
    Between(f64, f64),
}

/// The likelihood of lives under a family.
pub(super) struct Model<S> {
    parts: Vec<Part>,
    centre: f64,
    /// Sum of ln(age) of exact failures: what changing from age to its logarithm costs.
    sum_ln_failed: f64,
    start: Params,
    family: PhantomData<S>,
}

/// A point (steepness, intercept about the centre).
type Point = [f64; 2];

/// Value, slope and curvature of the likelihood at a point.
#[derive(Clone, Copy)]
struct Local {
    value: f64,
    slope: [f64; 2],
    /// Second derivatives: steepness, both, intercept.
    bend: [f64; 3],
}

impl Local {
    /// Adds a function of z = steepness y - intercept.
    fn add(&mut self, jet: Jet, y: f64, sign: f64) {
        self.value += sign * jet.0;
        self.slope[0] += sign * jet.1 * y;
        self.slope[1] -= sign * jet.1;
        self.bend[0] += sign * jet.2 * y * y;
        self.bend[1] -= sign * jet.2 * y;
        self.bend[2] += sign * jet.2;
    }

    /// Adds a function of two such z with its derivatives.
    fn add_two(&mut self, value: f64, first: [f64; 2], second: [f64; 3], y: [f64; 2]) {
        self.value += value;
        self.slope[0] += first[0] * y[0] + first[1] * y[1];
        self.slope[1] -= first[0] + first[1];
        self.bend[0] += second[0] * y[0] * y[0] + 2.0 * second[1] * y[0] * y[1] + second[2] * y[1] * y[1];
        self.bend[1] -= second[0] * y[0] + second[1] * (y[0] + y[1]) + second[2] * y[1];
        self.bend[2] += second[0] + 2.0 * second[1] + second[2];
    }

    /// Adds ln(S(z1) - S(z2)). A narrow interval is its middle's density times its width: the
    /// relative error is below the square of the narrowness allowed, and nothing cancels.
    fn add_between<S: Standard>(&mut self, [steepness, intercept]: Point, from: f64, to: f64) {
        let (a, b) = (steepness * from - intercept, steepness * to - intercept);
        let at_b = S::ln_density(b);
        let at_a = if a == f64::NEG_INFINITY { Jet(f64::NEG_INFINITY, 0.0, 0.0) } else { S::ln_density(a) };
        if (b - a) * (1.0 + at_a.1.abs() + at_b.1.abs()) < 1e-5 {
            let middle = (from + to) / 2.0;
            self.add(S::ln_density((a + b) / 2.0), middle, 1.0);
            self.value += (b - a).ln();
            self.slope[0] += 1.0 / steepness;
            self.bend[0] -= 1.0 / (steepness * steepness);
            return;
        }
        let value = S::ln_between(a, b);
        let (ra, rb) = ((at_a.0 - value).exp(), (at_b.0 - value).exp());
        let second = [-ra * at_a.1 - ra * ra, ra * rb, rb * at_b.1 - rb * rb];
        // A lower end at age 0 has no part in the derivatives.
        let from = if from == f64::NEG_INFINITY { 0.0 } else { from };
        self.add_two(value, [-ra, rb], second, [from, to]);
    }
}

impl<S: Standard> Model<S> {
    pub(super) fn of(lives: &[Life]) -> Self {
        let start = first_guess(lives);
        let centre = start.location;
        let mut parts = Vec::with_capacity(lives.len());
        let mut sum_ln_failed = 0.0;
        for life in lives {
            if life.entry() > 0.0 {
                parts.push(Part::Entered(life.entry().ln() - centre));
            }
            let ln_age = life.age().ln();
            parts.push(match life.end() {
                End::Failed => {
                    sum_ln_failed += ln_age;
                    Part::Failed(ln_age - centre)
                }
                End::FailedSince { last_good } => Part::Between(last_good.ln() - centre, ln_age - centre),
                End::Running => Part::Running(ln_age - centre),
            });
        }
        Self { parts, centre, sum_ln_failed, start, family: PhantomData }
    }

    /// A point to search from.
    pub(super) fn start(&self) -> Params {
        self.start
    }

    fn local(&self, point: Point) -> Local {
        let [steepness, intercept] = point;
        let mut local = Local { value: -self.sum_ln_failed, slope: [0.0; 2], bend: [0.0; 3] };
        for part in &self.parts {
            match *part {
                Part::Failed(y) => {
                    local.add(S::ln_density(steepness * y - intercept), y, 1.0);
                    local.value += steepness.ln();
                    local.slope[0] += 1.0 / steepness;
                    local.bend[0] -= 1.0 / (steepness * steepness);
                }
                Part::Running(y) => local.add(S::ln_survival(steepness * y - intercept), y, 1.0),
                Part::Entered(y) => local.add(S::ln_survival(steepness * y - intercept), y, -1.0),
                Part::Between(from, to) => local.add_between::<S>(point, from, to),
            }
        }
        local
    }

    fn point(&self, params: Params) -> Point {
        [params.steepness, params.steepness * (params.location - self.centre)]
    }

    /// The top of the likelihood, searched from `start`; `None` when it is not reached.
    pub(super) fn maximise(&self, start: Params) -> Option<Top> {
        let (point, local) = self.climb(self.point(start), Free::Both)?;
        let [a, b, c] = local.bend.map(|bend| -bend);
        let det = a * c - b * b;
        let [steepness, intercept] = point;
        // Variances of steepness, intercept and both; then of location = intercept/steepness.
        let (vs, vi, both) = (c / det, a / det, -b / det);
        let location = intercept / steepness;
        let spread = Spread {
            shape: vs,
            ln_scale: (vi - 2.0 * location * both + location * location * vs) / (steepness * steepness),
            both: (both - location * vs) / steepness,
        };
        let params = Params { steepness, location: location + self.centre };
        (det > 0.0 && a > 0.0).then_some(Top { params, ln_likelihood: local.value, spread })
    }

    /// The top at a fixed steepness, searched from a location.
    pub(super) fn at_steepness(&self, steepness: f64, location: f64) -> Option<Ridge> {
        let start = self.point(Params { steepness, location });
        let (point, local) = self.climb(start, Free::Along([0.0, 1.0]))?;
        let [_, _, bend] = local.bend;
        Some(Ridge {
            ln_likelihood: local.value,
            location: point[1] / steepness + self.centre,
            se_location: (-bend).sqrt().recip() / steepness,
        })
    }

    /// The greatest logarithm of the likelihood at a fixed location, and the steepness there.
    fn at_location(&self, location: f64, steepness: f64) -> Option<(f64, f64)> {
        let along = location - self.centre;
        let (point, local) = self.climb([steepness, steepness * along], Free::Along([1.0, along]))?;
        Some((local.value, point[0]))
    }

    /// Bounds of the steepness by the likelihood ratio about the top.
    pub(super) fn shape_bounds(&self, top: Params, level: f64) -> Bounds {
        let least = self.least(top, level);
        let side = |step: f64| {
            let mut location = top.location;
            let above = |ln: f64| match self.at_steepness(ln.exp(), location) {
                Some(ridge) => {
                    location = ridge.location;
                    ridge.ln_likelihood - least
                }
                None => f64::NEG_INFINITY,
            };
            root_beyond(above, top.steepness.ln(), step, FARTHEST, 1e-10).map(f64::exp)
        };
        Bounds { lower: side(-0.5).unwrap_or(0.0), upper: side(0.5) }
    }

    /// Bounds of the location by the likelihood ratio; `None` for a side that is unbounded.
    pub(super) fn location_bounds(&self, top: Params, level: f64) -> (Option<f64>, Option<f64>) {
        let least = self.least(top, level);
        let side = |step: f64| {
            let mut steepness = top.steepness;
            let above = |location: f64| match self.at_location(location, steepness) {
                Some((value, there)) => {
                    steepness = there;
                    value - least
                }
                None => f64::NEG_INFINITY,
            };
            root_beyond(above, top.location, step / top.steepness, FARTHEST, 1e-11)
        };
        (side(-0.5), side(0.5))
    }

    /// The logarithm of the likelihood down to which values are not rejected: half a chi-square
    /// of one degree below the top.
    fn least(&self, top: Params, level: f64) -> f64 {
        self.local(self.point(top)).value - two_sided_z(level).powi(2) / 2.0
    }

    /// Newton steps, damped so that every one rises, over what is free; `None` when the start
    /// has no likelihood or the steps do not come to rest.
    fn climb(&self, start: Point, free: Free) -> Option<(Point, Local)> {
        let mut point = start;
        let mut local = self.local(point);
        let mut damping = 0.0;
        for _ in 0..STEPS_MAX {
            if !local.value.is_finite() {
                return None;
            }
            let (step, gain) = free.step(&local, damping)?;
            let next = [point[0] + step[0], point[1] + step[1]];
            let tried = if next[0] > point[0] / 8.0 { self.local(next).checked() } else { None };
            // Within the rounding of the value a rise cannot be told from a fall.
            let noise = 1e-13 * (1.0 + local.value.abs());
            match tried {
                Some(found) if found.value > local.value || (gain < noise && found.value > local.value - noise) => {
                    (point, local) = (next, found);
                    if damping == 0.0 && gain < 1e-9 * noise {
                        return Some((point, local));
                    }
                    damping = if damping > 1e-6 { damping / 16.0 } else { 0.0 };
                }
                _ if gain < noise => return Some((point, local)),
                _ => damping = if damping == 0.0 { 1e-3 } else { damping * 8.0 },
            }
            if damping > 1e12 || point[0] < 1e-9 {
                return Some((point, local));
            }
        }
        None
    }
}

impl Local {
    fn checked(self) -> Option<Self> {
        let sums = self.value + self.slope.iter().sum::<f64>() + self.bend.iter().sum::<f64>();
        sums.is_finite().then_some(self)
    }
}

/// What a climb may change.
#[derive(Clone, Copy)]
enum Free {
    Both,
    Along(Point),
}

impl Free {
    /// The Newton step of what is free, the curvature held to bend down by `damping` of itself
    /// at least, and the gain that it promises.
    fn step(self, local: &Local, damping: f64) -> Option<(Point, f64)> {
        let [ga, gb] = local.slope;
        let [a, b, c] = local.bend.map(|bend| -bend);
        match self {
            Self::Along([da, db]) => {
                let slope = ga * da + gb * db;
                let bend = a * da * da + 2.0 * b * da * db + c * db * db;
                let held = bend.max(bend.abs() * 1e-3).max(f64::MIN_POSITIVE) * (1.0 + damping);
                let by = slope / held;
                by.is_finite().then_some(([by * da, by * db], slope * by))
            }
            Self::Both => {
                let (mut a, mut c) = (a.abs() * (1.0 + damping), c.abs() * (1.0 + damping));
                // A saddle, which only late entries or intervals can make, is bent to a top.
                if a * c <= b * b * (1.0 + 1e-12) {
                    let lift = b.abs() + 1e-9 * (a + c);
                    a += lift;
                    c += lift;
                }
                let det = a * c - b * b;
                let step = [(c * ga - b * gb) / det, (a * gb - b * ga) / det];
                let gain = step[0] * ga + step[1] * gb;
                gain.is_finite().then_some((step, gain))
            }
        }
    }
}

/// The fit to the middles of intervals, or a broad member about the mean logarithm.
fn first_guess(lives: &[Life]) -> Params {
    let middle = |life: &Life| match life.end() {
        End::FailedSince { last_good } => {
            let age = (last_good.max(life.age() * 0.1) + life.age()) / 2.0;
            let exact = Life::failed(age).ok();
            exact.map(|exact| exact.watched_from(life.entry()).unwrap_or(exact)).unwrap_or(*life)
        }
        End::Failed | End::Running => *life,
    };
    let middles: Vec<Life> = lives.iter().map(middle).collect();
    let tally = Tally::of(&middles);
    let fitted = tally.bounds_the_shape().and_then(|()| profile::fit(&middles, &tally));
    fitted.map_or_else(
        |_none| {
            let sum: f64 = lives.iter().map(|life| life.age().ln()).sum();
            Params { steepness: 1.0, location: sum / (lives.len().max(1) as f64) }
        },
        |fit| Params { steepness: fit.weibull.shape(), location: fit.weibull.scale().ln() },
    )
}
