//! Requests and answers: one file a resource, its shapes, handlers and routes. No SQL here.

pub mod accounts;
pub mod answer;
pub mod api_clients;
pub mod asking;
pub mod attachments;
pub mod audit;
pub mod balance;
pub mod calibration_limits;
pub mod changes;
pub mod components;
pub mod condition;
pub mod corrections;
pub mod cost_to_serve;
pub mod customers;
pub mod discharge_links;
pub mod files;
pub mod fit_limits;
pub mod invitations;
pub mod measures;
pub mod meter_checks;
pub mod meter_findings;
pub mod meters;
pub mod monthly_files;
pub mod night_runs;
pub mod oauth;
pub mod operations;
pub mod part_kinds;
pub mod people;
pub mod placements;
pub mod prices;
pub mod reading_exceptions;
pub mod readings;
pub mod report_rule;
pub mod risk;
pub mod routines;
pub mod routines_due;
pub mod routing;
pub mod savings_reports;
pub mod second_factor;
pub mod series;
pub mod service;
pub mod sessions;
pub mod site_balance;
pub mod site_costs;
pub mod sites;
pub mod spells;
pub mod stock;
pub(crate) mod table;
pub mod templates;
pub mod trace;
pub mod treatment;
pub mod unit_lists;
pub mod unit_models;
pub mod units;
pub mod water;
pub mod water_years;
pub mod webhooks;

use routing::Routes;

/// The routes under `/v1`.
pub fn routes(routes: &mut Routes) {
    routes
        .configure(sessions::routes)
        .configure(oauth::routes)
        .configure(api_clients::routes)
        .configure(second_factor::routes)
        .configure(people::routes)
        .configure(invitations::routes)
        .configure(customers::routes)
        .configure(sites::routes)
        .configure(discharge_links::routes)
        .configure(unit_models::routes)
        .configure(unit_lists::routes)
        .configure(units::routes)
        .configure(treatment::routes)
        .configure(placements::routes)
        .configure(spells::routes)
        .configure(part_kinds::routes)
        .configure(components::routes)
        .configure(routines::routes)
        .configure(routines_due::routes)
        .configure(calibration_limits::routes)
        .configure(meters::routes)
        .configure(attachments::routes)
        .configure(meter_checks::routes)
        .configure(readings::routes)
        .configure(measures::routes)
        .configure(reading_exceptions::routes)
        .configure(corrections::routes)
        .configure(meter_findings::routes)
        .configure(condition::routes)
        .configure(asking::routes)
        .configure(files::routes)
        .configure(accounts::routes)
        .configure(fit_limits::routes)
        .configure(site_costs::routes)
        .configure(prices::routes)
        .configure(cost_to_serve::routes)
        .configure(water::routes)
        .configure(water_years::routes)
        .configure(trace::routes)
        .configure(monthly_files::routes)
        .configure(night_runs::routes)
        .configure(savings_reports::routes)
        .configure(report_rule::routes)
        .configure(service::routes)
        .configure(stock::routes)
        .configure(risk::routes)
        .configure(changes::routes)
        .configure(audit::routes)
        .configure(webhooks::routes)
        .configure(series::routes);
}
