//! Every error answer is an RFC 9457 problem. The kinds stand in one closed table; an answer
//! carries a fault for each thing that is wrong, and never the text of an inner cause.

use crate::db::DbError;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpResponse, ResponseError};
use domain::fault::{Fault, Faults};
use serde::Serialize;
use std::fmt;
use utoipa::ToSchema;

/// The content type of RFC 9457.
pub const CONTENT_TYPE: &str = "application/problem+json";

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident = $code:literal, $status:ident, $title:literal;)+) => {
        /// The kinds of problem.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Kind {
            $($(#[$doc])* $name,)+
        }

        impl Kind {
            /// Every kind, for the page that explains them.
            pub const ALL: &[Self] = &[$(Self::$name),+];

            /// The stable last part of the problem's type.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Self::$name => $code),+ }
            }

            /// The status it answers with.
            #[must_use]
            pub fn status(self) -> StatusCode {
                match self { $(Self::$name => StatusCode::$status),+ }
            }

            /// What it says in general.
            #[must_use]
            pub fn title(self) -> &'static str {
                match self { $(Self::$name => $title),+ }
            }
        }
    };
}

kinds! {
    /// The request can't be read.
    Malformed = "malformed", BAD_REQUEST, "The request can't be read";
    /// It was read, but says something that can't be.
    Invalid = "invalid", UNPROCESSABLE_ENTITY, "The request says something that can't be";
    /// No valid token.
    NotSignedIn = "not-signed-in", UNAUTHORIZED, "Sign in first";
    /// The role lacks the permission.
    NotAllowed = "not-allowed", FORBIDDEN, "Your role may not do this";
    /// Not there, or not within the scope.
    NotFound = "not-found", NOT_FOUND, "There is no such thing";
    /// The path exists, the method doesn't.
    NoSuchMethod = "no-such-method", METHOD_NOT_ALLOWED, "This address does not take that method";
    /// The record's state does not allow it.
    Conflict = "conflict", CONFLICT, "The records do not allow it";
    /// It was there, and is over.
    Gone = "gone", GONE, "It is over";
    /// If-Match named an older revision.
    Stale = "stale", PRECONDITION_FAILED, "The record has changed since you read it";
    /// If-Match is missing.
    NoRevision = "no-revision", PRECONDITION_REQUIRED, "Say which revision you are changing";
    /// The body is larger than the limit.
    TooLarge = "too-large", PAYLOAD_TOO_LARGE, "The body is too large";
    /// The content type isn't taken here.
    UnknownMedia = "unknown-media", UNSUPPORTED_MEDIA_TYPE, "This content type is not taken here";
    /// Too many tries of late.
    TooMany = "too-many", TOO_MANY_REQUESTS, "Too many tries";
    /// The database is busy or away.
    Busy = "busy", SERVICE_UNAVAILABLE, "The service is busy";
    /// A fault of the service.
    Internal = "internal", INTERNAL_SERVER_ERROR, "The service failed";
}

/// A problem on its way to the client.
#[derive(Debug)]
pub struct Problem {
    kind: Kind,
    detail: String,
    errors: Vec<Fault>,
}

/// The answer's body.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Problem)]
pub struct ProblemBody {
    /// Which kind of problem, as an address that explains it.
    #[serde(rename = "type")]
    #[schema(example = "/problems#invalid")]
    kind: String,
    /// The kind in words.
    #[schema(example = "The request says something that can't be")]
    title: String,
    /// The HTTP status.
    #[schema(example = 422)]
    status: u16,
    /// This problem in words, with the fix.
    #[schema(example = "/time_zone: give an IANA zone such as Europe/Rome or America/Denver")]
    detail: String,
    /// One entry a fault.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    errors: Vec<FaultBody>,
}

/// One fault.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Fault)]
pub struct FaultBody {
    /// JSON pointer (RFC 6901) of the field.
    #[schema(example = "/time_zone")]
    pub pointer: String,
    /// Stable code of the fault.
    #[schema(example = "unknown_time_zone")]
    pub code: &'static str,
    /// What to do about it.
    #[schema(example = "give an IANA zone such as Europe/Rome or America/Denver")]
    pub detail: String,
}

impl From<&Problem> for ProblemBody {
    fn from(problem: &Problem) -> Self {
        Self {
            kind: format!("/problems#{}", problem.kind.code()),
            title: problem.kind.title().to_owned(),
            status: problem.kind.status().as_u16(),
            detail: problem.detail.clone(),
            errors: problem.errors.iter().map(FaultBody::from).collect(),
        }
    }
}

impl From<&Fault> for FaultBody {
    fn from(fault: &Fault) -> Self {
        Self { pointer: fault.pointer.clone(), code: fault.code, detail: fault.detail.clone() }
    }
}

impl Problem {
    /// A problem of `kind`, with words that name the fix.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        Self { kind, detail: detail.into(), errors: Vec::new() }
    }

    /// A problem with one fault at `pointer`.
    pub fn at(kind: Kind, pointer: &str, code: &'static str, detail: impl Into<String>) -> Self {
        let detail = detail.into();
        let fault = Fault { pointer: pointer.to_owned(), code, detail: detail.clone() };
        Self { kind, detail, errors: vec![fault] }
    }

    /// A problem of `kind` with a fault for each thing that is wrong.
    #[must_use]
    pub fn with(kind: Kind, faults: Faults) -> Self {
        Self { kind, ..Self::from(faults) }
    }

    /// What is said when something isn't there, or isn't the caller's.
    #[must_use]
    pub fn not_found() -> Self {
        Self::new(Kind::NotFound, "It does not exist, or your sign-in does not reach it.")
    }

    /// What is said without a valid token.
    pub(crate) fn not_signed_in() -> Self {
        Self::new(Kind::NotSignedIn, "Send `Authorization: Bearer` with a token from POST /v1/sessions.")
    }

    /// What is said to a role without the permission of that name.
    pub(crate) fn not_allowed(role: impl fmt::Display, permission: &str) -> Self {
        Self::new(Kind::NotAllowed, format!("The role {role} lacks the permission {permission}."))
    }

    /// What is said where the address takes only these methods.
    pub(crate) fn no_such_method(methods: &str) -> Self {
        Self::new(Kind::NoSuchMethod, format!("This address takes {methods}."))
    }

    /// What is said when a body ends before it is whole.
    pub(crate) fn cut_off() -> Self {
        Self::new(Kind::Malformed, "The body ended before it was complete; send it again whole.")
    }

    /// What is said of a body of more than `bytes_max`.
    pub(crate) fn too_large(bytes_max: usize) -> Self {
        Self::new(Kind::TooLarge, format!("Send at most {bytes_max} bytes at once."))
    }

    /// What is said of a body that does not say it is JSON.
    pub(crate) fn no_json() -> Self {
        Self::new(Kind::UnknownMedia, "Send Content-Type: application/json.")
    }

    /// What is said of a change that names no revision.
    pub(crate) fn no_revision() -> Self {
        let detail = "Send If-Match with the ETag of your last read, so that nobody's change is lost.";
        Self::new(Kind::NoRevision, detail)
    }

    /// What is said after too many tries to sign in, until so many seconds have passed.
    pub(crate) fn too_many(seconds: i64) -> Self {
        let detail = format!("Too many tries did not end in a sign-in. Try again in {seconds} seconds.");
        Self::new(Kind::TooMany, detail)
    }

    /// What is said of a link in a mail that opens nothing any more.
    pub(crate) fn link_over() -> Self {
        Self::new(Kind::Gone, "This link was used or has expired. Ask for a new one where you sign in.")
    }

    /// What is said when the service failed.
    pub(crate) fn ours() -> Self {
        Self::new(Kind::Internal, "The fault is ours and was logged; the answer's x-request-id names it.")
    }

    /// Which kind it is.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// The problem in words.
    #[must_use]
    pub fn detail(&self) -> &str {
        &self.detail
    }

    /// What is wrong, fault by fault; none for a problem that no field is to blame for.
    #[must_use]
    pub fn faults(&self) -> &[Fault] {
        &self.errors
    }

    pub(crate) fn internal(error: &(dyn std::error::Error + 'static)) -> Self {
        tracing::error!(error = %chain(error), "internal error");
        Self::ours()
    }
}

/// An error and what caused it, for the log.
pub fn chain(error: &(dyn std::error::Error + 'static)) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        text.push_str(": ");
        text.push_str(&inner.to_string());
        cause = inner.source();
    }
    text
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.kind.code(), self.detail)
    }
}

impl From<Faults> for Problem {
    fn from(faults: Faults) -> Self {
        let detail = match faults.0.as_slice() {
            [one] if one.pointer.is_empty() => one.detail.clone(),
            [one] => format!("{}: {}", one.pointer, one.detail),
            many => format!("{} things are wrong; each is listed with its fix.", many.len()),
        };
        Self { kind: Kind::Invalid, detail, errors: faults.0 }
    }
}

impl From<DbError> for Problem {
    fn from(error: DbError) -> Self {
        match error {
            DbError::NotFound => Self::not_found(),
            DbError::Stale { current } => {
                Self::new(Kind::Stale, format!("It is at revision {current} now; read it again, then change it."))
            }
            DbError::Taken { constraint } => taken(&constraint),
            DbError::UnknownReference { constraint } => unknown_reference(&constraint),
            DbError::Invalid(faults) => faults.into(),
            DbError::Refused { code, detail } => Self::at(Kind::Conflict, "", code, detail),
            DbError::SignedOut => Self::new(Kind::NotSignedIn, "The token was revoked, or its program has ended."),
            DbError::Collided => Self::new(Kind::Busy, "Two writers met; send it again."),
            DbError::Busy(error) => {
                tracing::warn!(error = %chain(error.as_ref()), "database busy");
                Self::new(Kind::Busy, "The database did not answer in time; try again in a few seconds.")
            }
            DbError::Internal(error) => Self::internal(error.as_ref()),
        }
    }
}

/// Unique and exclusion constraints by their names in the migrations.
fn taken(constraint: &str) -> Problem {
    let (pointer, code, detail) = match constraint {
        "unit_dealer_id_serial_number_key" => (
            "/serial_number",
            "serial_number_exists",
            "Another unit has this serial number; find it, or correct the number.",
        ),
        "account_email" => {
            ("/email", "account_exists", "This address has an account; sign in with it, or ask your dealer.")
        }
        "monthly_file_once" => {
            ("/email", "address_exists", "The customer's figures go to this address already; change that one.")
        }
        "invitation_open" => ("/email", "invited_already", "An invitation is waiting already; send it again instead."),
        "unit_model_dealer_id_name_key" => ("/name", "name_exists", "Another unit model has this name."),
        "placement_overlap" => {
            ("/from", "placement_overlaps", "The unit stands elsewhere at that time; end that placement first.")
        }
        "spell_overlap" => ("/from", "spell_overlaps", "The unit has another state at that time; end that one first."),
        "meter_attachment_overlap" => {
            ("/from", "attachment_overlaps", "The meter measures something else at that time; end that first.")
        }
        "wash_tally_overlap" => (
            "/from",
            "tally_overlaps",
            "Washes of this class are counted in some of these days already; withdraw that tally, or give other days.",
        ),
        "flow_test_once" => {
            ("/day", "test_exists", "This gun was tested on that day already; withdraw that test first.")
        }
        "rain_intake_overlap" => {
            ("/from", "intake_overlaps", "The diverter leads to the pit in some of that time already; end that first.")
        }
        "wash_derivation_overlap" => (
            "/from",
            "derivation_overlaps",
            "This gun's wash volume is derived otherwise in some of these days; end or withdraw that first.",
        ),
        "wash_sessions_overlap" => (
            "/from",
            "sessions_overlap",
            "Another pause tells washes apart at this meter in some of these days; end or withdraw that first.",
        ),
        "loss_coefficient_overlap" => (
            "/from",
            "coefficient_overlaps",
            "Another coefficient of this loss holds in some of these days; end or withdraw that first.",
        ),
        "wash_chemical_overlap" => (
            "/from",
            "chemical_overlaps",
            "The product's standing is known on some of these days already; end or withdraw that first.",
        ),
        "meter_check_at" => {
            ("/at", "check_exists", "A check of that very instant stands already; withdraw that first.")
        }
        "meter_exchange_at" => ("/at", "exchange_exists", "The register was exchanged at that very instant already."),
        _ => taken_of_money(constraint),
    };
    Problem::at(Kind::Conflict, pointer, code, detail)
}

/// Those of a site's money and working days: field, code, and the fix.
fn taken_of_money(constraint: &str) -> (&'static str, &'static str, &'static str) {
    match constraint {
        "water_account_charged" => (
            "/charged_from",
            "charged_overlaps",
            "Another account is charged for the site's water on some of these days; give that one a charged_until first.",
        ),
        "tariff_dealer_id_water_account_id_valid_excl" => {
            ("/terms/from", "overlaps", "Another version holds on some of these days; end that one first.")
        }
        "water_bill_overlap" => (
            "/from",
            "bill_overlaps",
            "A bill of some of these days is there already; withdraw it, or correct the days.",
        ),
        "baseline_overlap" => (
            "/first_day",
            "baselines_overlap",
            "Another baseline holds on some of these days; send it again as a revision.",
        ),
        "working_days_overlap" => (
            "/from",
            "working_days_overlap",
            "Another pattern holds in some of these days; end or withdraw that first.",
        ),
        "investment_once" => {
            ("", "investment_exists", "The site has an investment already; withdraw it first if it is wrong.")
        }
        "price_overlap" => (
            "/from",
            "price_overlaps",
            "Another price of the same holds on some of these days; begin after it does, or withdraw it.",
        ),
        "cost_terms_overlap" => (
            "/from",
            "terms_overlap",
            "Other terms hold on some of these days; begin after they do, or give an end before.",
        ),
        other => taken_in_stock(other),
    }
}

/// The same of items, places and kits; what has no words of its own comes last.
fn taken_in_stock(constraint: &str) -> (&'static str, &'static str, &'static str) {
    match constraint {
        "consumable_dealer_id_name_key" => ("/name", "name_exists", "Another consumable has this name."),
        "kit_for_part" => ("/for_kind", "kit_exists", "Another kit is for this part; retire it or change it."),
        "kit_dealer_id_name_key" => ("/name", "name_exists", "Another kit has this name."),
        "place_site" => ("/site_id", "place_exists", "This site has a place already; stock stands there."),
        "stock_lot_number" => ("/number", "lot_exists", "This consumable has a lot of that number already."),
        "item_price_overlap" => {
            ("/from", "price_overlaps", "Another price holds on some of these days; begin after it does.")
        }
        _ => ("", "exists", "A record like this exists already."),
    }
}

/// Foreign keys by their names in the migrations: the column stands in the name.
fn unknown_reference(constraint: &str) -> Problem {
    let column = ["customer_id", "site_id", "unit_id", "model_id", "component_id", "dial_meter_no"]
        .into_iter()
        .find(|column| constraint.contains(column));
    let pointer = column.map_or(String::new(), |column| format!("/{column}"));
    Problem::at(
        Kind::Invalid,
        &pointer,
        "unknown_reference",
        "Nothing of yours has this id; list them to find the right one.",
    )
}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        self.kind.status()
    }

    fn error_response(&self) -> HttpResponse {
        let body = ProblemBody::from(self);
        let mut answer = HttpResponse::build(self.kind.status());
        answer.content_type(CONTENT_TYPE);
        match self.kind {
            Kind::NotSignedIn => {
                answer.insert_header((header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer")));
            }
            Kind::Busy => {
                answer.insert_header((header::RETRY_AFTER, HeaderValue::from_static("3")));
            }
            _ => {}
        }
        let mut answer = answer.json(body);
        answer.extensions_mut().insert(Said { title: self.kind.title(), detail: self.detail.clone() });
        answer
    }
}

/// What a problem's answer says, kept beside it for whoever shows it as a page.
#[derive(Debug, Clone)]
pub(crate) struct Said {
    /// The kind in words.
    pub(crate) title: &'static str,
    /// What to do.
    pub(crate) detail: String,
}
