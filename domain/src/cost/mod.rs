//! What washing costs the customer, and what it costs the dealer to serve: two ledgers that
//! never mix. A price of one is another type than a price of the other, so that a purchase price
//! can't get into what a customer sees.
//!
//! Each ledger is read as paid (on the day of the payment) and as accrued (over the days that a
//! fee is for, over the life that a part reaches); over a life both come to the same.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`ledger`] | the two sides, their prices and lines; sums by kind |
//! | [`accrual`] | over which time a line's amount falls |
//! | [`purchase`] | what goods and work cost the dealer, from when until when |
//! | [`serve`] | what serving a unit cost the dealer, from service events and loads |
//! | [`washes`] | the one rule for washes: tallies, counters, sessions |
//! | [`each`] | cost for each wash, m3 or gun hour; water and energy for each |

pub mod accrual;
pub mod each;
pub mod ledger;
pub mod purchase;
pub mod serve;
pub mod washes;
