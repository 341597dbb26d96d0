//! Work at units: what was done, what was called for, what is planned, what was promised.

pub mod agreements;
pub mod call_outs;
pub mod covers;
pub mod event_files;
pub mod events;
pub mod failure_words;
pub mod feeds;
pub mod upsets;
pub mod visits;

use super::answer::Stamps;
use super::series::AskOf;
use crate::db::service::{Filter, Kept};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .configure(events::routes)
        .configure(event_files::routes)
        .configure(failure_words::routes)
        .configure(call_outs::routes)
        .configure(upsets::routes)
        .configure(visits::routes)
        .configure(feeds::routes)
        .configure(agreements::routes)
        .configure(covers::routes);
}

/// How a record of the domain is sent and shown: the same fields, with what the API's document
/// says of them.
macro_rules! shape {
    ($(#[$of:meta])* $name:ident = $record:ident { $($(#[$about:meta])* $field:ident: $type:ty,)+ }) => {
        #[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
        #[serde(deny_unknown_fields)]
        $(#[$of])*
        pub struct $name { $($(#[$about])* $field: $type,)+ }

        impl From<$name> for $record {
            fn from(sent: $name) -> Self {
                let $name { $($field),+ } = sent;
                Self { $($field),+ }
            }
        }

        impl From<$record> for $name {
            fn from(record: $record) -> Self {
                let $record { $($field),+ } = record;
                Self { $($field),+ }
            }
        }
    };
}
use shape;

/// A record with its stamps.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Kept)]
pub struct KeptView<T> {
    id: Uuid,
    #[serde(flatten)]
    record: T,
    #[serde(flatten)]
    stamps: Stamps,
}

fn view<T, V: From<T>>(kept: Kept<T>) -> KeptView<V> {
    let stamps = Stamps::from(&kept.stored);
    KeptView { id: kept.stored.id, record: kept.stored.value.into(), stamps }
}

/// Which records.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// From this instant on.
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// Up to, not including, this instant.
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
}

impl Asked {
    fn parse(&self, of: &AskOf) -> Result<Filter, Problem> {
        in_order(self.from, self.to)?;
        Ok(Filter { of: of.parse()?, from: self.from, to: self.to, ..Filter::default() })
    }
}

/// A range of time whose end comes after its begin.
///
/// # Errors
/// `invalid` at `/to` for another.
pub(crate) fn in_order<T: PartialOrd>(from: Option<T>, to: Option<T>) -> Result<(), Problem> {
    if from.zip(to).is_some_and(|(from, to)| to <= from) {
        return Err(Problem::at(Kind::Invalid, "/to", "not_after_from", "Give a `to` after `from`."));
    }
    Ok(())
}
