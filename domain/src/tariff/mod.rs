//! What a supplier charges for water and sewer: tariffs, bills of an account, and what less
//! water saves on a bill.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`record`] | a tariff as its supplier prints it, in dated versions |
//! | `check` | what is wrong with a tariff |
//! | [`account`] | a water account, its billing cycles, the water used in one |
//! | [`prices`] | a tariff made ready for one cycle of one account |
//! | `scaled` | products of whole numbers, rounded once |
//! | [`mod@bill`] | a bill, line by line |
//! | [`saving`] | the difference of two bills; its range while other use is unknown |
//! | [`share_out`] | an amount divided among months or read periods |
//! | [`haulage`] | the price of having water hauled away |
//! | [`reconcile`] | why an actual bill fell by more or less than the saving |
//!
//! Amounts are decimals in the tariff's currency. A line is rounded to the minor unit, and
//! a total is the sum of rounded lines.

pub mod account;
pub mod bill;
mod check;
pub mod haulage;
pub mod prices;
pub mod reconcile;
pub mod record;
pub mod saving;
mod scaled;
pub mod share_out;

pub use account::{Cycle, OtherUse, WaterAccount, WaterUse};
pub use bill::{Bill, BillError, Line, bill};
pub use prices::CyclePrices;
pub use record::{Tariff, TariffVersion};

#[cfg(test)]
mod tests;
