//! How dosing pumps of a unit were left, and what they took in a draw-down test, in the database.

use super::owner::Place;
use super::{Head, INSTANT, Note, head_of_unit};
use crate::db::error::{known, named};
use crate::db::schema::{dosing_setting, draw_down};
use crate::db::stock::item;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_types::{Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query};
use diesel_async::RunQueryDsl;
use domain::dosing::draw_down::DrawDown;
use domain::dosing::fitted::FittedPump;
use domain::dosing::pump::{Control, DosingPump, Setting};
use domain::ids::{ItemId, UnitId};
use domain::span::Span;
use uuid::Uuid;

/// How the pump of an item was left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DosingSetting {
    /// What it doses.
    pub(crate) item_id: ItemId,
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// The pump.
    pub(crate) pump: DosingPump,
    /// Share of all time in which it runs.
    pub(crate) run_share: f64,
}

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = dosing_setting)]
pub(crate) struct SettingRow {
    at: DateTime<Utc>,
    consumable_id: Uuid,
    full_ml_per_min: f64,
    control: String,
    stroke_share: Option<f64>,
    speed_share: Option<f64>,
    run_share: f64,
}

impl From<&DosingSetting> for SettingRow {
    fn from(new: &DosingSetting) -> Self {
        let (control, setting) = match new.pump.control {
            Control::Fixed(setting) => ("fixed", Some(setting)),
            Control::ByPh => ("by_ph", None),
        };
        Self {
            at: new.at,
            consumable_id: new.item_id.0,
            full_ml_per_min: new.pump.full_ml_per_min,
            control: control.to_owned(),
            stroke_share: setting.map(|setting| setting.stroke_share),
            speed_share: setting.map(|setting| setting.speed_share),
            run_share: new.run_share,
        }
    }
}

impl TryFrom<SettingRow> for DosingSetting {
    type Error = DbError;

    fn try_from(row: SettingRow) -> Result<Self, DbError> {
        let setting = row.stroke_share.zip(row.speed_share);
        let control = match (row.control.as_str(), setting) {
            ("fixed", Some((stroke_share, speed_share))) => Some(Control::Fixed(Setting { stroke_share, speed_share })),
            ("by_ph", None) => Some(Control::ByPh),
            _ => None,
        };
        let pump = DosingPump { full_ml_per_min: row.full_ml_per_min, control: known("control", control)? };
        Ok(Self { item_id: ItemId(row.consumable_id), at: row.at, pump, run_share: row.run_share })
    }
}

impl Note for DosingSetting {
    type Owner = UnitId;
    type Row = SettingRow;
    const TABLE: &'static str = "dosing_setting";
    const TIME: &'static str = INSTANT;

    fn span(&self, _zone: Tz) -> Span {
        Span::moment(self.at)
    }

    /// No water figure rests on it.
    fn counts(&self) -> bool {
        false
    }

    fn tells_condition(&self) -> bool {
        true
    }

    async fn prepare(&self, tx: &Tx<'_>, _owner: UnitId, _place: &Place) -> Result<(), DbError> {
        named("/item_id", item::get(tx, self.item_id).await)?;
        Ok(())
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_unit!(dosing_setting, head), SettingRow::from(self));
        insert_into(dosing_setting::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

/// A draw-down test of the pump of an item.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PumpTest {
    /// What it doses.
    pub(crate) item_id: ItemId,
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// What was read off the cylinder.
    pub(crate) test: DrawDown,
}

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = draw_down)]
pub(crate) struct TestRow {
    at: DateTime<Utc>,
    consumable_id: Uuid,
    taken_ml: f64,
    run_s: f64,
    division_ml: f64,
}

impl From<&PumpTest> for TestRow {
    fn from(new: &PumpTest) -> Self {
        let DrawDown { taken_ml, run_s, division_ml } = new.test;
        Self { at: new.at, consumable_id: new.item_id.0, taken_ml, run_s, division_ml }
    }
}

impl TryFrom<TestRow> for PumpTest {
    type Error = DbError;

    fn try_from(row: TestRow) -> Result<Self, DbError> {
        let TestRow { at, consumable_id, taken_ml, run_s, division_ml } = row;
        Ok(Self { item_id: ItemId(consumable_id), at, test: DrawDown { taken_ml, run_s, division_ml } })
    }
}

impl Note for PumpTest {
    type Owner = UnitId;
    type Row = TestRow;
    const TABLE: &'static str = "draw_down";
    const TIME: &'static str = INSTANT;

    fn span(&self, _zone: Tz) -> Span {
        Span::moment(self.at)
    }

    /// No water figure rests on it.
    fn counts(&self) -> bool {
        false
    }

    fn tells_condition(&self) -> bool {
        true
    }

    async fn prepare(&self, tx: &Tx<'_>, _owner: UnitId, _place: &Place) -> Result<(), DbError> {
        named("/item_id", item::get(tx, self.item_id).await)?;
        Ok(())
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_unit!(draw_down, head), TestRow::from(self));
        insert_into(draw_down::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

const LAST_SETTING: &str = "
select at, consumable_id, full_ml_per_min, control, stroke_share, speed_share, run_share
  from dosing_setting
 where unit_id = $1 and consumable_id = $2 and at <= $3 and withdrawn_at is null
 order by at desc, id desc limit 1";

const LAST_TEST: &str = "
select at, consumable_id, taken_ml, run_s, division_ml
  from draw_down
 where unit_id = $1 and consumable_id = $2 and at between $4 and $3 and withdrawn_at is null
 order by at desc, id desc limit 1";

/// How a unit's pump of an item was left, with its last test since; `None` where nobody noted it.
///
/// # Errors
/// When the database fails.
pub(crate) async fn fitted(
    tx: &Tx<'_>,
    unit: UnitId,
    item: ItemId,
) -> Result<Option<(FittedPump, DateTime<Utc>)>, DbError> {
    let setting: Option<SettingRow> = sql_query(LAST_SETTING)
        .bind::<SqlUuid, _>(unit.0)
        .bind::<SqlUuid, _>(item.0)
        .bind::<Timestamptz, _>(tx.now())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let Some(setting) = setting.map(DosingSetting::try_from).transpose()? else { return Ok(None) };
    let test: Option<TestRow> = sql_query(LAST_TEST)
        .bind::<SqlUuid, _>(unit.0)
        .bind::<SqlUuid, _>(item.0)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Timestamptz, _>(setting.at)
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let test = test.map(PumpTest::try_from).transpose()?.map(|test| test.test);
    Ok(Some((FittedPump { pump: setting.pump, run_share: setting.run_share, test }, setting.at)))
}
