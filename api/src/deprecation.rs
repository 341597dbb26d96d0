//! What of the API is to go: said in the answers of those operations (RFC 9745, RFC 8594) and in the
//! document. The policy stands in `openapi/versions.md`.

use crate::auth::operations;
use actix_web::Error;
use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::web::Data;
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use std::collections::HashMap;
use utoipa::openapi::{Deprecated, OpenApi};

/// An operation that is to go.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Going {
    /// Its id in the document.
    operation: &'static str,
    /// The day on which that was announced.
    announced_on: NaiveDate,
    /// The last day on which it answers, 12 months later at least.
    last_day: NaiveDate,
    /// What to use instead, as a sentence.
    instead: &'static str,
}

/// What is to go. At present nothing is.
pub(crate) const GOING: &[Going] = &[];

/// Marks in the document what is to go.
pub(crate) fn marked(document: &mut OpenApi, going: &[Going]) {
    for (_, _, operation) in operations(document) {
        let Some(one) = going.iter().find(|one| operation.operation_id.as_deref() == Some(one.operation)) else {
            continue;
        };
        operation.deprecated = Some(Deprecated::True);
        let said = operation.description.take().unwrap_or_default();
        let notice = format!("Answers until {}. {}", one.last_day, one.instead);
        operation.description = Some(if said.is_empty() { notice } else { format!("{notice}\n\n{said}") });
    }
}

type Fields = [(HeaderName, HeaderValue); 3];

/// What the answers of operations say that are to go.
pub(crate) struct Notices(HashMap<(Method, String), Fields>);

impl Notices {
    /// The notices of the document's operations.
    pub(crate) fn of(document: &mut OpenApi, going: &[Going]) -> Self {
        let notice = |(method, path, operation): (Method, &String, &mut utoipa::openapi::path::Operation)| {
            let one = going.iter().find(|one| operation.operation_id.as_deref() == Some(one.operation))?;
            Some(((method, path.clone()), one.fields()?))
        };
        Self(operations(document).filter_map(notice).collect())
    }
}

impl Going {
    /// `Deprecation` is a structured date (RFC 9651), `Sunset` a date of HTTP.
    fn fields(&self) -> Option<Fields> {
        let midnight = |date: NaiveDate| -> DateTime<Utc> { date.and_time(NaiveTime::MIN).and_utc() };
        let announced = format!("@{}", midnight(self.announced_on).timestamp());
        let ends = midnight(self.last_day.succ_opt()?).format("%a, %d %b %Y %H:%M:%S GMT").to_string();
        Some([
            (HeaderName::from_static("deprecation"), HeaderValue::from_str(&announced).ok()?),
            (HeaderName::from_static("sunset"), HeaderValue::from_str(&ends).ok()?),
            (header::LINK, HeaderValue::from_static("</docs/>; rel=\"deprecation\"; type=\"text/html\"")),
        ])
    }
}

/// Around every request: the notice of an operation that is to go.
pub(crate) async fn noticed(
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let notices = request.app_data::<Data<Notices>>().cloned();
    let mut answer = next.call(request).await?;
    let called = answer.request().match_pattern().map(|path| (answer.request().method().clone(), path));
    let fields = notices.as_ref().zip(called).and_then(|(notices, called)| notices.0.get(&called));
    for (name, value) in fields.into_iter().flatten() {
        answer.headers_mut().append(name.clone(), value.clone());
    }
    Ok(answer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::middleware::from_fn;
    use actix_web::test::{TestRequest, call_service, init_service};
    use actix_web::{App, HttpResponse, web};
    use chrono::Months;

    fn going() -> [Going; 1] {
        let announced_on = NaiveDate::from_ymd_opt(2023, 6, 30).unwrap();
        let last_day = NaiveDate::from_ymd_opt(2024, 6, 30).unwrap();
        [Going { operation: "get_customer", announced_on, last_day, instead: "Read the list instead." }]
    }

    #[actix_web::test]
    async fn answers_of_what_is_to_go_say_so_and_others_do_not() {
        let mut document = crate::server::openapi();
        let notices = Notices::of(&mut document, &going());
        let found = || async {
            HttpResponse::Ok().insert_header((header::LINK, "</v1/customers?cursor=a>; rel=\"next\"")).finish()
        };
        let customers = web::resource("/customers/{id}").route(web::get().to(found)).route(web::patch().to(found));
        let app = App::new().app_data(Data::new(notices)).wrap(from_fn(noticed));
        let app = init_service(app.service(web::scope("/v1").service(customers))).await;
        let answer = call_service(&app, TestRequest::get().uri("/v1/customers/7").to_request()).await;
        let fields =
            |name: &str| answer.headers().get_all(name).map(|value| value.to_str().unwrap()).collect::<Vec<_>>();
        // 2023-06-30T00:00:00Z by GNU date; 1 July 2024 was a Monday.
        assert_eq!(fields("deprecation"), ["@1688083200"]);
        assert_eq!(fields("sunset"), ["Mon, 01 Jul 2024 00:00:00 GMT"]);
        let links = ["</v1/customers?cursor=a>; rel=\"next\"", "</docs/>; rel=\"deprecation\"; type=\"text/html\""];
        assert_eq!(fields("link"), links);
        let answer = call_service(&app, TestRequest::patch().uri("/v1/customers/7").to_request()).await;
        assert!(!answer.headers().contains_key("deprecation") && !answer.headers().contains_key("sunset"));
    }

    #[test]
    fn the_document_marks_what_is_to_go() {
        let mut document = crate::server::openapi();
        marked(&mut document, &going());
        let document = serde_json::to_value(document).unwrap();
        let [gone, stays] = ["get", "patch"].map(|method| &document["paths"]["/v1/customers/{id}"][method]);
        assert_eq!((&gone["deprecated"], &stays["deprecated"]), (&true.into(), &serde_json::Value::Null));
        assert!(gone["description"].as_str().unwrap().starts_with("Answers until 2024-06-30. Read the list instead."));
    }

    #[test]
    fn what_is_to_go_is_there_and_was_announced_a_year_ahead() {
        let known: Vec<String> = operations(&mut crate::server::openapi())
            .filter_map(|(_, _, operation)| operation.operation_id.clone())
            .collect();
        for one in GOING {
            assert!(known.iter().any(|id| id == one.operation), "{} is no operation", one.operation);
            let earliest = one.announced_on.checked_add_months(Months::new(12)).unwrap();
            assert!(one.last_day >= earliest, "{} was announced too late", one.operation);
        }
    }
}
