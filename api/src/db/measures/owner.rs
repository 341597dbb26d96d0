//! What notes are about: units and sites.

use crate::db::{DbError, Tx, placement, site, touched, unit};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::ids::{CustomerId, SiteId, UnitId};
use domain::span::Span;
use serde::Serialize;
use uuid::Uuid;

/// Whose a unit or site was, and where.
pub(crate) struct Place {
    /// The customer; none for a unit that stood nowhere, or nowhere that the scope reaches.
    pub(in crate::db) customer: Option<CustomerId>,
    /// The zone that local days are of; a unit's notes have none.
    pub(in crate::db) zone: Tz,
}

/// A unit or a site.
pub(crate) trait Owner: Copy + Serialize {
    /// The column that holds its key.
    const COLUMN: &'static str;

    /// The key.
    fn key(self) -> Uuid;

    /// Whose it was at an instant.
    async fn place(self, tx: &Tx<'_>, at: DateTime<Utc>) -> Result<Place, DbError>;

    /// Has its figures within `span` computed again.
    async fn touch(self, tx: &Tx<'_>, span: Span) -> Result<(), DbError>;
}

impl Owner for UnitId {
    const COLUMN: &'static str = "unit_id";

    fn key(self) -> Uuid {
        self.0
    }

    async fn place(self, tx: &Tx<'_>, at: DateTime<Utc>) -> Result<Place, DbError> {
        unit::get(tx, self).await?;
        Ok(Place { customer: placement::customer_at(tx, self, at).await?, zone: Tz::UTC })
    }

    async fn touch(self, tx: &Tx<'_>, span: Span) -> Result<(), DbError> {
        touched::unit(tx, self, span).await
    }
}

impl Owner for SiteId {
    const COLUMN: &'static str = "site_id";

    fn key(self) -> Uuid {
        self.0
    }

    async fn place(self, tx: &Tx<'_>, _at: DateTime<Utc>) -> Result<Place, DbError> {
        let site = site::get(tx, self).await?.value;
        Ok(Place { customer: Some(site.customer_id), zone: site.time_zone })
    }

    async fn touch(self, tx: &Tx<'_>, span: Span) -> Result<(), DbError> {
        touched::site(tx, self, span).await
    }
}
