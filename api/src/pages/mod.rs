//! Server-rendered pages: without scripts, and with every figure as the domain words it.

mod account;
mod asked;
pub mod assets;
mod at_unit;
mod calendar;
mod calibration;
mod call_findings;
mod call_outs;
mod call_sums;
mod choosing;
mod customer_home;
mod discharge;
mod due;
mod event_change;
mod event_words;
pub mod fault;
mod figures;
mod filled;
mod fleet;
mod fleet_map;
mod fleet_row;
mod form;
mod handover;
mod joining;
mod menu;
mod monthly_files;
mod parts;
mod people;
mod person;
mod plate;
mod points;
mod read;
mod readings;
mod readings_due;
mod records;
mod replacement;
mod report_deeds;
mod report_life;
mod reports;
mod risk;
mod rounds;
mod sent;
mod settings;
mod sheet;
mod sign_in;
mod stages;
mod statement;
mod statement_look;
mod stock;
mod stock_count;
mod stock_move;
mod stock_orders;
mod to_decide;
mod today;
mod unit;
mod unit_ahead;
mod unit_history;
mod unsubscribe;
mod upsets;
mod van_load;
mod visit;
mod visit_goods;
mod visit_moves;
mod visitor;
mod warranty;
mod week;
mod week_work;
mod words;
mod work_kinds;
mod work_rows;
mod work_sheet;
mod writing;

use crate::auth::{Caller, Permission};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::http::header;
use actix_web::web::ServiceConfig;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use menu::{MENU, Menu};
use std::any::Any;

/// What a page may load and where its forms may go: its own style sheet and this service.
const POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; \
    base-uri 'none'; frame-ancestors 'none'";

/// The routes.
pub fn routes(config: &mut ServiceConfig) {
    config
        .service(assets::css)
        .configure(sign_in::routes)
        .configure(joining::routes)
        .configure(account::routes)
        .configure(people::routes)
        .service(today::first_page)
        .configure(fleet::routes)
        .configure(records::routes)
        .configure(readings::routes)
        .configure(monthly_files::routes)
        .service(figures::count)
        .configure(settings::routes)
        .service(unit::one_unit)
        .service(plate::plate)
        .service(plate::scanned)
        .service(readings_due::readings_due)
        .service(asked::show)
        .service(asked::ask)
        .service(rounds::round)
        .service(discharge::log)
        .service(read::form)
        .service(read::send)
        .service(visit::empty)
        .service(visit::record)
        .service(replacement::empty)
        .service(replacement::record)
        .service(handover::empty)
        .service(handover::record)
        .configure(upsets::routes)
        .configure(work_sheet::routes)
        .configure(event_change::routes)
        .service(call_outs::call_outs)
        .service(call_outs::call_us_out)
        .service(call_outs::take_step)
        .service(call_findings::say)
        .service(call_sums::show)
        .service(week::week)
        .service(week::plan)
        .service(calendar::show)
        .service(calendar::make)
        .service(calendar::revoke)
        .service(visit_moves::move_visit)
        .service(visit_moves::call_off)
        .service(due::dues)
        .service(due::done_form)
        .service(due::note_done)
        .service(risk::units_at_risk)
        .service(reports::savings_reports)
        .service(statement::savings_report)
        .service(statement::pdf)
        .service(statement::csv)
        .service(statement_look::css)
        .service(statement_look::logo)
        .service(unsubscribe::ask)
        .service(unsubscribe::no_more)
        .service(stock::stock)
        .service(van_load::list)
        .configure(stock_move::routes)
        .service(stock_count::form)
        .service(stock_count::counted)
        .service(to_decide::to_decide)
        .service(to_decide::decide)
        .service(stock_orders::place_order)
        .service(stock_orders::receive)
        .service(stock_orders::close)
        .configure(report_deeds::routes);
}

/// Whether a page is wanted rather than a JSON answer.
#[must_use]
pub fn wanted(request: &HttpRequest) -> bool {
    let accepted = request.headers().get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    accepted.contains("text/html") && !request.path().starts_with("/v1")
}

/// A template as an answer to somebody who is not known.
fn html(status: StatusCode, page: &impl Template) -> Result<HttpResponse, Problem> {
    answer(status, page.render())
}

/// A template as an answer to somebody, with the way to the other pages.
fn html_for<P: Permission>(
    caller: &Caller<P>,
    status: StatusCode,
    page: &impl Template,
) -> Result<HttpResponse, Problem> {
    let menu = Menu::of(caller.role());
    let values: [(&str, &dyn Any); 1] = [(MENU, &menu)];
    answer(status, page.render_with_values(&values.as_slice()))
}

fn answer(status: StatusCode, rendered: askama::Result<String>) -> Result<HttpResponse, Problem> {
    let body = rendered.map_err(|error| Problem::internal(&error))?;
    Ok(HttpResponse::build(status)
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CONTENT_SECURITY_POLICY, POLICY))
        .body(body))
}
