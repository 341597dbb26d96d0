//! Dips of a site's drums in the database.

use super::owner::Place;
use super::{Head, INSTANT, Note, head_of_site};
use crate::db::error::{known, named};
use crate::db::schema::dip;
use crate::db::stock::item;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::{ItemId, PlaceId, SiteId};
use domain::span::Span;
use domain::stock::dip::Dip;
use domain::stock::quantity::{Quantity, StockUnit};
use rust_decimal::Decimal;

/// A dip as it is noted down at a site: in which unit shows only beside its item.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SiteDip {
    /// Of which item.
    pub(crate) item_id: ItemId,
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// Left in what is opened.
    pub(crate) open: Quantity,
    /// In what is still sealed.
    pub(crate) sealed: Quantity,
    /// In what both were given; none as it is stored, which is in the item's own.
    pub(crate) unit: Option<StockUnit>,
}

#[derive(QueryableByName)]
#[diesel(table_name = dip)]
pub(crate) struct Row {
    at: DateTime<Utc>,
    consumable_id: uuid::Uuid,
    open_quantity: Decimal,
    sealed_quantity: Decimal,
}

impl TryFrom<Row> for SiteDip {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            item_id: ItemId(row.consumable_id),
            at: row.at,
            open: known("open_quantity", Quantity::parse(row.open_quantity).ok())?,
            sealed: known("sealed_quantity", Quantity::parse(row.sealed_quantity).ok())?,
            unit: None,
        })
    }
}

impl Note for SiteDip {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "dip";
    const TIME: &'static str = INSTANT;

    fn span(&self, _zone: Tz) -> Span {
        Span::moment(self.at)
    }

    /// No water figure rests on it.
    fn counts(&self) -> bool {
        false
    }

    async fn prepare(&self, tx: &Tx<'_>, owner: SiteId, _place: &Place) -> Result<(), DbError> {
        let found = named("/item_id", item::get(tx, self.item_id).await)?;
        let unit = self.unit.unwrap_or(found.value.item.unit);
        let (place_id, item_id) = (PlaceId(owner.0), self.item_id);
        let dip = Dip { place_id, item_id, at: self.at, open: self.open, sealed: self.sealed, unit };
        dip.checked(&found.value.item, tx.now())?;
        Ok(())
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (
            head_of_site!(dip, head),
            dip::at.eq(self.at),
            dip::consumable_id.eq(self.item_id.0),
            dip::open_quantity.eq(self.open.get()),
            dip::sealed_quantity.eq(self.sealed.get()),
        );
        insert_into(dip::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}
