//! Volume events in the database.

use super::{Head, INSTANT, Note, head_of_unit};
use crate::db::error::known;
use crate::db::schema::volume_event;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::UnitId;
use domain::measures::volume_event::{Happened, Load, VolumeEvent};
use domain::span::Span;
use domain::units::Litres;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = volume_event)]
pub(crate) struct Row {
    at: DateTime<Utc>,
    kind: String,
    volume_l: f64,
    u_share: f64,
    passed_a_meter: bool,
    hauler: Option<String>,
    ticket: Option<String>,
    destination: Option<String>,
    waste_class: Option<String>,
    note: Option<String>,
}

impl From<&VolumeEvent> for Row {
    fn from(new: &VolumeEvent) -> Self {
        let load = new.happened.papers();
        Self {
            at: new.at,
            kind: new.happened.kind().to_owned(),
            volume_l: new.volume.0,
            u_share: new.u_share,
            passed_a_meter: new.passed_a_meter,
            hauler: load.map(|load| load.hauler.clone()),
            ticket: load.map(|load| load.ticket.clone()),
            destination: load.map(|load| load.destination.clone()),
            waste_class: load.map(|load| load.waste_class.clone()),
            note: new.note.clone(),
        }
    }
}

impl TryFrom<Row> for VolumeEvent {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let load = match (row.hauler, row.ticket, row.destination, row.waste_class) {
            (Some(hauler), Some(ticket), Some(destination), Some(waste_class)) => {
                Some(Load { hauler, ticket, destination, waste_class })
            }
            _ => None,
        };
        Ok(Self {
            at: row.at,
            happened: known("kind", Happened::parse(&row.kind, load).ok())?,
            volume: Litres(row.volume_l),
            u_share: row.u_share,
            passed_a_meter: row.passed_a_meter,
            note: row.note,
        })
    }
}

impl Note for VolumeEvent {
    type Owner = UnitId;
    type Row = Row;
    const TABLE: &'static str = "volume_event";
    const TIME: &'static str = INSTANT;

    fn span(&self, _zone: Tz) -> Span {
        Span::moment(self.at)
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_unit!(volume_event, head), Row::from(self));
        insert_into(volume_event::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}
