//! What is held about a kind of part before its lives are looked at.

use super::estimate::NoEstimate;
use super::life::{AGE_MAX, AGE_MIN};
use super::weibull::Weibull;
use serde::Serialize;

/// How many failures the rated life is worth, unless set: two. At the usual shape the scale then
/// lies within a factor of 2.2 of the rated one with 90 %, which is how far lives in dirty water
/// are commonly found from those a maker rates (common practice, no source); six failures of
/// one's own outweigh it three to one.
pub const RATED_LIFE_WEIGHT: f64 = 2.0;
/// The usual shape of parts that wear: seals, bearings and membranes are commonly found between
/// 1 and 3 (common practice, no source).
pub const USUAL_SHAPE: f64 = 1.5;
/// Standard deviation of ln(shape): 90 % between 0.66 and 3.4, early failure to hard wear-out.
pub const SHAPE_SD_LN: f64 = 0.5;

/// A positive quantity whose logarithm is normal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct About {
    /// The median.
    pub median: f64,
    /// Standard deviation of the logarithm.
    pub sd_ln: f64,
}

/// Shape and scale of a kind, independent and each about a value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Prior {
    /// The shape.
    pub shape: About,
    /// The scale, in the basis of the ages.
    pub scale: About,
}

impl About {
    /// `None` unless the median is positive and the deviation too, both within reason.
    #[must_use]
    pub fn new(median: f64, sd_ln: f64) -> Option<Self> {
        let sound = median.is_finite() && median > 0.0 && (1e-6..=100.0).contains(&sd_ln);
        sound.then_some(Self { median, sd_ln })
    }

    /// Logarithm of the density of the logarithm, less a constant.
    pub(super) fn ln_density(&self, ln: f64) -> f64 {
        let off = (ln - self.median.ln()) / self.sd_ln;
        -off * off / 2.0
    }

    /// Its derivative.
    pub(super) fn slope(&self, ln: f64) -> f64 {
        -(ln - self.median.ln()) / (self.sd_ln * self.sd_ln)
    }
}

impl Prior {
    /// Centred on a rated life, which is read as the median life: the age that half of the parts
    /// are meant to reach. Its weight counts failures: with a shape known, r failures tell the
    /// logarithm of the scale to 1/(shape sqrt(r)).
    ///
    /// # Errors
    /// [`NoEstimate::NoRatedLife`] for a rated life or weight that is none.
    pub fn for_rated_life(rated_life: f64, weight: f64) -> Result<Self, NoEstimate> {
        if !((AGE_MIN..=AGE_MAX).contains(&rated_life) && (1e-3..=1e6).contains(&weight)) {
            return Err(NoEstimate::NoRatedLife);
        }
        let centre = Weibull::with_median(USUAL_SHAPE, rated_life).ok_or(NoEstimate::NoRatedLife)?;
        let sd_ln = 1.0 / (USUAL_SHAPE * weight.sqrt());
        Ok(Self {
            shape: About { median: USUAL_SHAPE, sd_ln: SHAPE_SD_LN },
            scale: About { median: centre.scale(), sd_ln },
        })
    }
}
