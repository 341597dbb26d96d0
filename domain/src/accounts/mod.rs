//! What is written down of a site's money: its water accounts, their tariffs and bills, and what
//! the customer pays for the unit.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`site_account`] | a water account of a site, and when it is charged for the units' water |
//! | [`cycles`] | billing cycles, as billed or as they fall by the anchor day |
//! | [`versions`] | the dated versions of an account's tariff, which neither overlap nor leave gaps |
//! | [`bill`] | a bill as it came, and why it fell by more or less than the saving |
//! | [`cost_terms`] | fee, energy, disposal and capital, as lines of the customer's cost |
//! | [`agreed_fee`] | an agreement's fee or rent, where the cost terms have none |
//! | [`billed_item`] | what was billed besides: parts, consumables, call-outs |
//! | [`site_cost`] | the customer's cost of a month, line by line |
//! | [`investment`] | what was invested and promised, and what came of it |
//! | [`day_uses`] | what a site would have used and did use, from its day facts |
//! | [`stays`] | when units stood at a site, in which states, and what was filled in by hose |
//! | [`site_money`] | all of a site's, for computing its money saved |
//! | [`wasted_water`] | what water that is wasted costs a day |

pub mod agreed_fee;
pub mod bill;
pub mod billed_item;
pub mod cost_terms;
pub mod cycles;
pub mod day_uses;
pub mod investment;
pub mod site_account;
pub mod site_cost;
pub mod site_money;
pub mod stays;
pub mod versions;
pub mod wasted_water;
