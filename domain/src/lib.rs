//! The arithmetic of Weirbook: what is true without a database or HTTP.
//!
//! No clock, no input or output, no randomness: those come in as arguments.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`ids`] | typed keys |
//! | [`fault`] | what is wrong with an input, and the fix |
//! | [`units`], [`money`], [`zone`] | litres and registers, money, local days and months |
//! | [`span`], [`country`] | stretches of time, countries |
//! | [`customer`], [`site`] | who uses units, and where |
//! | [`unit`], [`placement`], [`spell`] | the plant and its model, where it stood when, in which state |
//! | [`unit_list`] | lists of units that a person keeps |
//! | [`template`] | what units of a model are made of, and a starter catalogue of parts |
//! | [`component`] | a fitted part that wears |
//! | [`wear`] | use that ages parts and makes work due |
//! | [`routine`] | work that comes again: when it is due, how it is done |
//! | [`meter`] | a cumulative register, what it measures when, its exchanges |
//! | [`measures`] | what people measure, count and declare at units and sites |
//! | [`facts`], [`period_facts`] | what a subject used in a local day, a month, between two rounds |
//! | [`water`] | recycled and fresh water, the residual, grades, read periods |
//! | [`reading`] | what is wrong with a reading by itself |
//! | [`typed_number`] | numbers as people type them |
//! | [`asking`] | readings that people are asked for: due dates, expected ranges, reminders |
//! | [`file`] | photos and documents behind records |
//! | [`ruling`] | what people decide about readings |
//! | [`tariff`] | what water and sewer cost: tariffs, bills, what less water saves |
//! | [`accounts`] | what is written down of a site's money: accounts, bills, cost terms |
//! | [`savings`] | money saved at a site in a month |
//! | [`energy`] | electrical energy that was not metered |
//! | [`payback`] | whether a unit pays, and when |
//! | [`metering`] | day sheets, steps of a register, local days, exceptions |
//! | [`uncertainty`] | how sure a figure is, and what makes it unsure |
//! | [`baseline`] | what a site used before its unit, agreed with the customer; water avoided |
//! | [`cost`] | the customer's cost and the dealer's cost to serve, which never mix |
//! | [`dosing`] | feed, pump settings, draw-down; detention, loading, settling |
//! | [`service`] | work at units: events, call-outs, upsets, visits, agreements, warranty
//! | [`stock`] | the ledger of movements, use at a site, demand, run-out, orders, prices |
//! | [`reliability`] | lives of parts: estimates, risk, when to replace, scores of forecasts |
//! | [`condition`] | what is wrong with a unit before a part fails |
//! | [`risk`] | units at risk: records of parts to forecasts, and how those turned out |
//! | [`report`] | the savings report: figures in, what is said about them out |
//! | [`monthly_file`] | a month's figures by mail |
//! | [`change`], [`webhook`] | lines of the change log, and who is told of them |
//! | [`trace`] | everything behind a figure, enough to recompute it by hand |

pub mod accounts;
pub mod asking;
pub mod baseline;
pub mod change;
pub mod component;
pub mod condition;
pub mod cost;
pub mod country;
pub mod customer;
pub mod dosing;
pub mod energy;
pub mod facts;
pub mod fault;
pub mod file;
pub mod ids;
pub mod measures;
pub mod meter;
pub mod metering;
pub mod money;
pub mod monthly_file;
mod named;
pub mod payback;
pub mod period_facts;
pub mod person;
pub mod placement;
pub mod reading;
pub mod reliability;
pub mod report;
pub mod risk;
pub mod routine;
pub mod ruling;
pub mod savings;
pub mod service;
pub mod site;
pub mod span;
pub mod spell;
pub mod stock;
pub mod tariff;
pub mod template;
pub mod trace;
pub mod typed_number;
pub mod uncertainty;
pub mod unit;
pub mod unit_list;
pub mod units;
pub mod water;
pub mod wear;
pub mod webhook;
pub mod zone;
