//! How sure a figure is, after the Guide to the expression of uncertainty in measurement
//! (GUM, JCGM 100:2008).
//!
//! A figure is a [`quantity::Quantity`]: a value with the errors it stands on, each with its
//! sensitivity, standard uncertainty and degrees of freedom. Errors of one name are one and the
//! same error, so what two figures share adds linearly, and cancels where it has to. An error of
//! known sign is carried beside them and said, never folded in.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`distribution`] | what is known of an error, as a standard uncertainty |
//! | [`coverage`] | levels of confidence, factors of the t-distribution |
//! | [`quantity`] | a value with its named errors: sums, products, quotients |
//! | [`expanded`] | a figure as it is printed: value, expanded uncertainty, what it is made of |
//! | [`register`] | what one meter passed: scale, resolution, allocation, timing |
//! | [`stretch`] | an amount of a day or read period, from its meters |
//! | [`volume`] | the volumes of one meter, by day and month |
//! | [`figures`] | the figures of one balance, each with its expanded uncertainty |

pub mod coverage;
pub mod distribution;
pub mod expanded;
pub mod figures;
pub mod quantity;
pub mod register;
pub mod stretch;
pub mod volume;

#[cfg(test)]
mod monte_carlo;
#[cfg(test)]
mod published;
