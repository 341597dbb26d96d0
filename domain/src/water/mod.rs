//! The water balance of a unit or site: what was recycled, what fresh water was used, what
//! is not accounted for, and which of these its meters allow to be printed.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`term`] | one volume of a balance with its uncertainty and where it comes from |
//! | [`grade`] | what the meters support, and why a figure is not printed |
//! | [`spell`] | states of a unit in which nothing is credited unless metered |
//! | [`wash`] | wash volume derived from bucket tests of the guns |
//! | [`storage`] | water standing in pit and tanks, first fills and drains |
//! | [`level`] | what stood in all tanks at one time |
//! | [`losses`] | rain kept; evaporation and carry-off by declared coefficients |
//! | [`balance`] | both routes to recycled water, fresh water used, the residual |
//! | [`guns`] | wash volume and hours of guns day by day, by dated tests, derivations and states |
//! | [`beside`] | whose a site's rain and fixed losses are where several are measured |
//! | [`assembly`] | from meters and notes to the parts of a balance |
//! | [`statement`] | a subject's month: the parts of its balance, stored as they are |
//! | [`together`] | all that is measured at a site in one sum |
//! | [`site_balance`] | the balance of a site as a whole, of months and read periods |
//! | [`year`] | a site's year as withdrawal, discharge and consumption |
//! | [`period`] | the spans between rounds at which all meters of a balance were read |

pub mod assembly;
pub mod balance;
pub mod beside;
pub mod grade;
pub mod guns;
pub mod level;
pub mod losses;
pub mod period;
pub mod site_balance;
pub mod spell;
pub mod statement;
pub mod storage;
pub mod term;
pub mod together;
pub mod wash;
pub mod year;
