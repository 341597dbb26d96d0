//! Lives of parts: what they tell, how sure it is, and what to do about it.
//!
//! Fleets are small and their records messy: most parts still run, failures are found at visits,
//! parts were old when watching began. Nothing here imputes an age: each life counts as what is
//! known of it. Where the lives do not tell, the answer says so and why; no figure is NaN.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`life`] | one life: failed, failed since it was seen good, or running; watched from an age |
//! | [`records`] | components to lives |
//! | [`estimate`] | a figure, its bounds, or why there is none |
//! | [`kaplan_meier`], [`turnbull`] | survival without a model |
//! | [`weibull`] | the distribution |
//! | [`fit`] | the Weibull by maximum likelihood, with bounds |
//! | [`rivals`] | exponential and lognormal beside it, and whether it fits |
//! | [`prior`], [`posterior`] | the Weibull by Bayes, for few failures |
//! | [`pool`] | what groups of a kind tell about one another |
//! | [`counts`] | what other fleets tell as counts alone |
//! | [`gamma_rate`] | a constant rate by Bayes |
//! | [`ratio`] | how many times as often as expected |
//! | [`poisson`] | by how much conditions multiply a rate |
//! | [`assess`] | all of it for one group |
//! | [`forecast`] | parts to units, expected loss |
//! | [`replace`] | the age at which replacing costs least |
//! | [`repairable`] | units that are repaired: power law, trend, rate |
//! | [`score`] | forecasts against what happened |

mod ages;
pub mod assess;
pub mod counts;
pub mod estimate;
mod even;
mod evidence;
pub mod fit;
pub mod forecast;
pub mod gamma_rate;
pub mod kaplan_meier;
pub mod life;
mod location_scale;
pub mod poisson;
pub mod pool;
pub mod posterior;
pub mod prior;
mod profile;
pub mod ratio;
pub mod records;
pub mod repairable;
pub mod replace;
pub mod rivals;
pub mod score;
mod solve;
mod special;
#[cfg(test)]
pub(crate) mod tests;
pub mod turnbull;
pub mod weibull;
