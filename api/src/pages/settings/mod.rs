//! `/settings`: who and what may come in, what is sent out, and what things cost.

mod accounts;
mod bill_form;
mod bills;
mod clients;
mod hooks;
mod letterhead;
mod prices;
mod report_rule;
mod report_style;
mod tariff_before;
mod tariff_form;
mod tariff_lines;
mod tariffs;

use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use crate::auth::{Permission, Role, perm};
use crate::db::page::{After, CHOICES_MOST};
use crate::db::{DbError, Tx, customer};
use actix_web::http::StatusCode;
use actix_web::web::ServiceConfig;
use actix_web::{HttpResponse, get};
use askama::Template;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(settings)
        .configure(clients::routes)
        .configure(hooks::routes)
        .configure(prices::routes)
        .configure(tariffs::routes)
        .configure(accounts::routes)
        .configure(bills::routes)
        .configure(report_rule::routes)
        .configure(report_style::routes);
}

#[derive(Template)]
#[template(path = "settings.html")]
struct Page {
    /// Where to, in words, and what for.
    places: Vec<(&'static str, &'static str, &'static str)>,
}

/// A place with its address, its name, what it is for, and who may go there.
type Place = (&'static str, &'static str, &'static str, &'static [Role]);

const PLACES: [Place; 9] = [
    ("/people", "People", "Who may sign in, and as what.", perm::ReadPeople::ROLES),
    (
        "/unit-models",
        "Unit models",
        "What your units have in common: parts and recurring work.",
        perm::WriteUnits::ROLES,
    ),
    ("/customers", "Customers and sites", "Who uses units, and where they stand.", perm::WriteCustomers::ROLES),
    (
        "/settings/accounts",
        "Water accounts and tariffs",
        "What water and sewer cost at each site.",
        perm::WriteAccounts::ROLES,
    ),
    (
        "/settings/prices",
        "Prices of your work",
        "What an hour, a way and a load cost you. No customer sees them.",
        perm::WritePrices::ROLES,
    ),
    (
        "/settings/report-rule",
        "When reports are issued",
        "By you, or by the night run; and which later differences you are asked about.",
        perm::IssueReports::ROLES,
    ),
    (
        "/settings/report-style",
        "How your reports look",
        "Your logo, address and colour; language, numbers, dates and paper; limits of samples.",
        perm::IssueReports::ROLES,
    ),
    (
        "/settings/programs",
        "Programs that sign in",
        "Dashboards and loggers, with what each may do.",
        perm::ManageClients::ROLES,
    ),
    ("/settings/webhooks", "Webhooks", "Where to events are sent as they happen.", perm::WriteWebhooks::ROLES),
];

#[get("/settings")]
async fn settings(visitor: Visitor<perm::WriteUnits>) -> Result<HttpResponse, Fault> {
    let role = visitor.0.role();
    let open = PLACES.iter().filter(|(_, _, _, roles)| roles.contains(&role));
    let places = open.map(|(address, name, why, _)| (*address, *name, *why)).collect();
    Ok(html_for(&visitor.0, StatusCode::OK, &Page { places })?)
}

/// The customers in use, as a choice.
async fn customer_choices(tx: &Tx<'_>) -> Result<Vec<(String, String)>, DbError> {
    let customers = customer::list(tx, &customer::Filter::default(), &After::first(CHOICES_MOST)).await?;
    Ok(customers.into_iter().map(|one| (one.id.to_string(), one.value.name)).collect())
}

/// What is shown once: a secret, with what it is of and the way back.
#[derive(Template)]
#[template(path = "secret.html")]
struct SecretPage {
    title: String,
    lead: &'static str,
    /// What else whoever uses it needs: names and values.
    beside: Vec<(&'static str, String)>,
    secret: String,
    back: (&'static str, &'static str),
}
