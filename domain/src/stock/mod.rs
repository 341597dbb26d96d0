//! What is used up and what is kept to fit: where it stands, what becomes of it, when it runs
//! out, what to order and what it cost.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`quantity`] | exact amounts in the unit of their item |
//! | [`item`] | a consumable or spare part, its lots and how it is bought |
//! | [`hazard`] | which goods must not ride together |
//! | [`place`] | a warehouse, a van, a site |
//! | [`movement`] | one line of the ledger, and what is wrong with it by itself |
//! | [`ledger`] | all lines: balances at any instant, and what is wrong with a new line |
//! | [`dip`] | what was left in the drums of a site |
//! | [`site_use`] | use at a site by dips, ledger or dosing, and the differences |
//! | [`month_use`] | the same by calendar month |
//! | [`feeds`] | what the pumps of a site dose, from their settings and draw-down tests |
//! | [`dose`] | what the models of a site's units say that it uses |
//! | [`expect`] | actual use against expected |
//! | [`idle`] | days on which a unit uses nothing |
//! | [`history`] | use by calendar month |
//! | [`demand`] | the model of what will be used |
//! | [`cover`] | days of cover and the day to order by |
//! | [`replenish`] | safety stock, reorder point, order quantity |
//! | [`outlook`] | all of that for an item at a place |
//! | [`order`] | orders suggested, by supplier and place |
//! | [`placed`] | orders that were placed, and what of them is on its way |
//! | [`kit`] | goods kept for planned visits |
//! | [`load`] | what a van has to take along |
//! | [`price`] | dated prices, and what something cost at its time |

pub mod cover;
pub mod demand;
pub mod dip;
pub mod dose;
pub mod expect;
pub mod feeds;
pub mod hazard;
pub mod history;
pub mod idle;
pub mod item;
pub mod kit;
pub mod ledger;
pub mod load;
pub mod month_use;
pub mod movement;
pub mod order;
pub mod outlook;
pub mod place;
pub mod placed;
pub mod price;
pub mod quantity;
pub mod replenish;
pub mod site_use;
