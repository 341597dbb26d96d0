//! The lines of the change log: which of them a customer's people see.

/// The kinds of record whose lines are shown to the people of the customer whose record it is.
/// What is not named here is the dealer's alone: what serving costs, stock, risk, findings, plans,
/// and who signs in.
pub const SHOWN_TO_CUSTOMERS: [&str; 42] = [
    "agreement",
    "baseline",
    "billed_item",
    "call_out",
    "component",
    "cost_terms",
    "cover",
    "customer",
    "dip",
    "dosing_setting",
    "draw_down",
    "file",
    "flow_test",
    "gauge_reading",
    "investment",
    "loss_coefficient",
    "meter",
    "meter_attachment",
    "meter_exchange",
    "placement",
    "process_upset",
    "rain_day",
    "rain_intake",
    "reading_correction",
    "reading_exception",
    "readings",
    "report_question",
    "sample",
    "savings_report",
    "service_event",
    "site",
    "spell",
    "tariff",
    "unit",
    "volume_event",
    "wash_chemical",
    "wash_derivation",
    "wash_tally",
    "water_account",
    "water_bill",
    "water_figures",
    "working_days",
];

/// Whether lines about this kind of record are shown to the customer whose record it is.
#[must_use]
pub fn shown_to_customers(record: &str) -> bool {
    SHOWN_TO_CUSTOMERS.contains(&record)
}
