//! The lines of the change log: which of them a customer's people see, and which stand in the audit
//! alone.

/// The kinds of record whose lines are shown to the people of the customer whose record it is.
/// What is not named here is the dealer's alone: what serving costs, stock, risk, findings, plans,
/// and who signs in.
pub const SHOWN_TO_CUSTOMERS: [&str; 45] = [
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
    "meter_check",
    "meter_exchange",
    "monthly_file",
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
    "wash_sessions",
    "wash_tally",
    "water_account",
    "water_bill",
    "water_figures",
    "working_days",
];

/// The kinds of record that are about people and programs and how they sign in: who follows what
/// changes need not see them, so they stand in the audit alone.
pub const OF_PEOPLE: [&str; 6] = ["account", "api_client", "invitation", "membership", "sign_in", "sign_in_rule"];

/// Whether lines about this kind of record are shown to the customer whose record it is.
#[must_use]
pub fn shown_to_customers(record: &str) -> bool {
    SHOWN_TO_CUSTOMERS.contains(&record)
}
