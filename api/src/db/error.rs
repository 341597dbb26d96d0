//! What can go wrong between the service and its database, said for the caller.

use diesel::result::{DatabaseErrorKind, Error as DieselError};
use domain::fault::Faults;

/// Why a query function did not answer.
#[derive(Debug, thiserror::Error)]
pub enum DbError {
    /// The record does not exist within the scope.
    #[error("no such record")]
    NotFound,
    /// The record has moved on since the caller read it.
    #[error("the record is at revision {current}")]
    Stale {
        /// Its revision now.
        current: i32,
    },
    /// A unique or exclusion constraint refused the write.
    #[error("constraint {constraint} is violated")]
    Taken {
        /// The constraint's name.
        constraint: String,
    },
    /// A foreign key points at nothing within the dealer.
    #[error("constraint {constraint} points at nothing")]
    UnknownReference {
        /// The constraint's name.
        constraint: String,
    },
    /// The input is wrong in a way that only the stored records show.
    #[error(transparent)]
    Invalid(#[from] Faults),
    /// The record's state does not allow it.
    #[error("{detail}")]
    Refused {
        /// Stable code of the rule.
        code: &'static str,
        /// What to do instead.
        detail: String,
    },
    /// What let the caller in has ended meanwhile.
    #[error("the caller's token has ended")]
    SignedOut,
    /// Two transactions met; trying again may help.
    #[error("two transactions collided")]
    Collided,
    /// No connection in time, the statement took too long, or the server went away.
    #[error("the database is busy or unreachable")]
    Busy(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// A fault of the service.
    #[error("database error")]
    Internal(#[source] Box<dyn std::error::Error + Send + Sync>),
}

impl DbError {
    pub(in crate::db) fn internal(error: impl std::error::Error + Send + Sync + 'static) -> Self {
        Self::Internal(Box::new(error))
    }

    /// A rule that the record's state breaks.
    #[must_use]
    pub fn refused(code: &'static str, detail: impl Into<String>) -> Self {
        Self::Refused { code, detail: detail.into() }
    }
}

/// A stored value that the code has no word for: the schema and this version differ.
#[derive(Debug, thiserror::Error)]
#[error("column {0} holds a value this version does not know")]
struct UnknownValue(&'static str);

/// The value read from a row's column, which its check in the schema keeps within what the
/// domain knows.
pub(in crate::db) fn known<T>(column: &'static str, value: Option<T>) -> Result<T, DbError> {
    value.ok_or_else(|| DbError::internal(UnknownValue(column)))
}

/// Says that a field names nothing of the dealer's.
pub(in crate::db) fn unknown(pointer: impl Into<String>) -> Faults {
    Faults::one(pointer, "unknown_reference", "nothing of yours has this id; list them to find the right one")
}

/// A record that a field names: a fault at the field when there is none.
pub(in crate::db) fn named<T>(pointer: &str, found: Result<T, DbError>) -> Result<T, DbError> {
    match found {
        Err(DbError::NotFound) => Err(unknown(pointer).into()),
        other => other,
    }
}

/// PostgreSQL's words for a statement that ran past its limit or met another transaction.
/// Diesel has no kind for these two, and PostgreSQL's messages follow `lc_messages`, which
/// `migrate` sets to C for the service's roles.
const TIMED_OUT: &str = "canceling statement due to statement timeout";
const DEADLOCK: &str = "deadlock detected";
/// What `app.enter_client` calls a program or token that has ended.
const TOKEN_ENDED: &str = "token_ended";
/// Its words for text that it can't hold, and for times beyond its calendar.
const NO_TEXT: &str = "invalid byte sequence for encoding";
const NO_TIME: [&str; 3] = ["date out of range", "timestamp out of range", "date/time field value out of range"];

impl From<DieselError> for DbError {
    fn from(error: DieselError) -> Self {
        let DieselError::DatabaseError(kind, info) = &error else {
            return match error {
                DieselError::NotFound => Self::NotFound,
                other => Self::internal(other),
            };
        };
        let constraint = || info.constraint_name().unwrap_or_default().to_owned();
        match kind {
            DatabaseErrorKind::UniqueViolation | DatabaseErrorKind::ExclusionViolation => {
                Self::Taken { constraint: constraint() }
            }
            DatabaseErrorKind::ForeignKeyViolation => Self::UnknownReference { constraint: constraint() },
            DatabaseErrorKind::SerializationFailure => Self::Collided,
            DatabaseErrorKind::ClosedConnection | DatabaseErrorKind::UnableToSendCommand => Self::Busy(error.into()),
            _ if info.constraint_name() == Some(TOKEN_ENDED) => Self::SignedOut,
            _ if info.message() == DEADLOCK => Self::Collided,
            _ if info.message() == TIMED_OUT => Self::Busy(error.into()),
            _ if info.message().starts_with(NO_TEXT) => {
                Faults::one("", "unprintable", "take out the character U+0000: no text can hold it").into()
            }
            _ if NO_TIME.iter().any(|words| info.message().starts_with(words)) => {
                Faults::one("", "out_of_range", "give times and dates from 1970 to 2100").into()
            }
            _ => Self::internal(error),
        }
    }
}

impl From<diesel_async::pooled_connection::deadpool::PoolError> for DbError {
    fn from(error: diesel_async::pooled_connection::deadpool::PoolError) -> Self {
        Self::Busy(error.into())
    }
}

impl From<tokio_postgres::Error> for DbError {
    fn from(error: tokio_postgres::Error) -> Self {
        if error.is_closed() { Self::Busy(error.into()) } else { Self::internal(error) }
    }
}
