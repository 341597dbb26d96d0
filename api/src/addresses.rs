//! The documented addresses: which methods each takes and which query parameters. A query is held
//! against them once its sender is let in, so that every operation names what is wrong and what it
//! takes.

use crate::auth::operations;
use crate::problem::{Kind, Problem};
use actix_web::HttpRequest;
use actix_web::http::Method;
use actix_web::web::Query;
use chrono::{DateTime, NaiveDate};
use domain::fault::Faults;
use serde_json::Value;
use std::collections::BTreeMap;
use utoipa::openapi::path::{Operation, ParameterIn};
use utoipa::openapi::{OpenApi, RefOr};
use uuid::Uuid;

/// The documented paths, to tell a wrong method from a wrong address, and a wrong query from a
/// right one.
pub(crate) struct Addresses(Vec<Address>);

struct Address {
    /// None where anything fits.
    steps: Vec<Option<String>>,
    methods: Vec<(Method, Parameters)>,
    /// The methods, as they are listed.
    listed: String,
}

/// The query parameters of an operation by their names.
type Parameters = BTreeMap<String, Parameter>;

struct Parameter {
    wanted: Wanted,
    is_required: bool,
}

/// What a parameter must look like; whether it lies in its range, the handler says.
#[derive(Clone, Copy)]
enum Wanted {
    Text,
    Whole,
    Number,
    Flag,
    Id,
    Day,
    Instant,
}

impl Wanted {
    fn of(schema: &Value) -> Self {
        let is = |kind: &str| {
            schema["type"] == kind || schema["type"].as_array().is_some_and(|all| all.contains(&kind.into()))
        };
        match schema["format"].as_str() {
            Some("uuid") => Self::Id,
            Some("date") => Self::Day,
            Some("date-time") => Self::Instant,
            _ if is("integer") => Self::Whole,
            _ if is("number") => Self::Number,
            _ if is("boolean") => Self::Flag,
            _ => Self::Text,
        }
    }

    fn fits(self, text: &str) -> bool {
        match self {
            Self::Text => true,
            Self::Whole => text.parse::<i64>().is_ok(),
            Self::Number => text.parse::<f64>().is_ok(),
            Self::Flag => text.parse::<bool>().is_ok(),
            Self::Id => text.parse::<Uuid>().is_ok(),
            Self::Day => text.parse::<NaiveDate>().is_ok(),
            Self::Instant => DateTime::parse_from_rfc3339(text).is_ok(),
        }
    }

    /// What to give instead.
    fn fix(self) -> &'static str {
        match self {
            Self::Text => "give a text",
            Self::Whole => "give a whole number, such as 100",
            Self::Number => "give a number, such as 2.5",
            Self::Flag => "give true or false",
            Self::Id => "give an id, such as 0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c12",
            Self::Day => "give a day, such as 2026-01-31",
            Self::Instant => "give an RFC 3339 instant, such as 2026-01-31T08:00:00Z; in an address, + is sent as %2B",
        }
    }
}

impl Addresses {
    /// Those of a document.
    pub(crate) fn of(document: &mut OpenApi) -> Self {
        let step = |text: &str| (!text.starts_with('{')).then(|| text.to_owned());
        let mut known: BTreeMap<String, Address> = BTreeMap::new();
        for (method, path, operation) in operations(document) {
            let steps = || path.split('/').map(step).collect();
            let address = known.entry(path.clone()).or_insert_with(|| Address {
                steps: steps(),
                methods: Vec::new(),
                listed: String::new(),
            });
            address.methods.push((method, parameters(operation)));
        }
        for address in known.values_mut() {
            let mut names: Vec<_> = address.methods.iter().map(|(method, _)| method.as_str()).collect();
            names.sort_unstable();
            address.listed = names.join(", ");
        }
        Self(known.into_values().collect())
    }

    fn find(&self, path: &str) -> Option<&Address> {
        let asked: Vec<&str> = path.split('/').collect();
        let fits = |known: &&Address| {
            let fits = |(known, asked): (&Option<String>, &&str)| match known {
                Some(text) => text == asked,
                None => !asked.is_empty(),
            };
            known.steps.len() == asked.len() && known.steps.iter().zip(&asked).all(fits)
        };
        self.0.iter().find(fits)
    }

    /// The methods that the path takes, if it is known.
    pub(crate) fn methods(&self, path: &str) -> Option<&str> {
        self.find(path).map(|known| known.listed.as_str())
    }

    /// Holds a request's query against the operation it is for; pages have none.
    ///
    /// # Errors
    /// A fault for each parameter that is unknown, wrong or lacking.
    pub(crate) fn check(&self, request: &HttpRequest) -> Result<(), Problem> {
        let methods = self.find(request.path()).map(|known| known.methods.as_slice()).unwrap_or_default();
        let known = methods.iter().find(|(takes, _)| takes == request.method());
        known.map_or(Ok(()), |(_, parameters)| check(parameters, request.query_string()))
    }
}

fn parameters(operation: &Operation) -> Parameters {
    let query = |one: &RefOr<utoipa::openapi::path::Parameter>| {
        let RefOr::T(said) = one else { return None };
        let schema = serde_json::to_value(&said.schema).unwrap_or_default();
        let is_required = said.required == utoipa::openapi::Required::True;
        let parameter = (said.name.clone(), Parameter { wanted: Wanted::of(&schema), is_required });
        (said.parameter_in == ParameterIn::Query).then_some(parameter)
    };
    operation.parameters.iter().flatten().filter_map(query).collect()
}

fn check(parameters: &Parameters, query: &str) -> Result<(), Problem> {
    let sent = Query::<Vec<(String, String)>>::from_query(query).map_err(|_cause| {
        Problem::new(Kind::Malformed, "The query can't be read: send name=value pairs joined by &, percent-encoded.")
    })?;
    let mut faults = Faults::default();
    for (at, (name, value)) in sent.iter().enumerate() {
        let is_repeated = sent.iter().take(at).any(|(earlier, _)| earlier == name);
        match parameters.get(name) {
            None => faults.add(pointer(name), "unknown_parameter", unknown(name, parameters)),
            Some(_) if is_repeated => faults.add(pointer(name), "repeated", "give it once".to_owned()),
            Some(known) if !known.wanted.fits(value) => {
                faults.add(pointer(name), "wrong_type", known.wanted.fix().to_owned());
            }
            Some(_) => {}
        }
    }
    for (name, known) in parameters.iter().filter(|(_, known)| known.is_required) {
        if sent.iter().all(|(given, _)| given != name) {
            faults.add(pointer(name), "required", known.wanted.fix().to_owned());
        }
    }
    if faults.0.is_empty() { Ok(()) } else { Err(Problem::with(Kind::Malformed, faults)) }
}

/// RFC 6901 pointer of a parameter.
fn pointer(name: &str) -> String {
    format!("/{}", name.replace('~', "~0").replace('/', "~1"))
}

fn unknown(name: &str, parameters: &Parameters) -> String {
    let known: Vec<&str> = parameters.keys().map(String::as_str).collect();
    match known.as_slice() {
        [] => format!("{name} is not known: this address takes no parameters"),
        known => format!("{name} is not known; this address takes {}", known.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(query: &str) -> Vec<(String, &'static str)> {
        let parameter = |wanted, is_required| Parameter { wanted, is_required };
        let known = Parameters::from([
            ("from".to_owned(), parameter(Wanted::Instant, true)),
            ("limit".to_owned(), parameter(Wanted::Whole, false)),
            ("open".to_owned(), parameter(Wanted::Flag, false)),
            ("site_id".to_owned(), parameter(Wanted::Id, false)),
        ]);
        let found = check(&known, query).err();
        let faults = found.iter().flat_map(|problem| problem.faults().to_vec());
        faults.map(|fault| (fault.pointer, fault.code)).collect()
    }

    #[test]
    fn each_parameter_is_held_against_what_is_documented() {
        let at = "from=2026-01-01T00:00:00%2B01:00";
        let of = |rest: &str| faults(&format!("{at}{rest}"));
        let one = |pointer: &str, code| vec![(pointer.to_owned(), code)];
        assert_eq!(of("&limit=10&open=true&site_id=0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c12"), []);
        assert_eq!(faults(""), one("/from", "required"));
        assert_eq!(faults("from=2026-01-01T00:00:00+01:00"), one("/from", "wrong_type"), "a bare + is a space");
        assert_eq!(of("&limit=many"), one("/limit", "wrong_type"));
        assert_eq!(of("&open=yes"), one("/open", "wrong_type"));
        assert_eq!(of("&site_id=7"), one("/site_id", "wrong_type"));
        assert_eq!(of("&open=true&open=true"), one("/open", "repeated"));
        assert_eq!(of("&a%2Fb=1&&"), one("/a~1b", "unknown_parameter"));
    }
}
