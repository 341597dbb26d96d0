//! What the night run foresees of every item at every place, in the database.

use crate::db::page::{After, day_of, unknown_cursor};
use crate::db::schema::stock_forecast;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::delete;
use diesel::dsl::sql;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{
    Array, BigInt, Bool, Date, Double, Integer, Jsonb, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid,
};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{ItemId, PlaceId};
use rust_decimal::Decimal;
use serde::Serialize;
use serde_json::json;
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// What is foreseen of an item at a place.
#[derive(Debug, Clone, PartialEq, Serialize, QueryableByName)]
pub struct Forecast {
    /// Where.
    #[diesel(sql_type = SqlUuid)]
    pub place_id: Uuid,
    /// Which item.
    #[diesel(sql_type = SqlUuid)]
    pub consumable_id: Uuid,
    /// The dealer's local day of the night run.
    #[diesel(sql_type = Date)]
    pub night: NaiveDate,
    /// What was there.
    #[diesel(sql_type = Numeric)]
    pub on_hand: Decimal,
    /// The day that stood at: of a dip, its day.
    #[diesel(sql_type = Date)]
    pub stood_on: NaiveDate,
    /// Months of the past behind it.
    #[diesel(sql_type = Integer)]
    pub months: i32,
    /// The model that fits; none while there is too little of a past, and no demand then.
    #[diesel(sql_type = Nullable<Text>)]
    pub model: Option<String>,
    /// Expected use of a running day of the coming month.
    #[diesel(sql_type = Nullable<Double>)]
    pub per_day: Option<f64>,
    /// The cautious day of running out; none beyond three years.
    #[diesel(sql_type = Nullable<Date>)]
    pub earliest: Option<NaiveDate>,
    /// The expected one.
    #[diesel(sql_type = Nullable<Date>)]
    pub likely: Option<NaiveDate>,
    /// The one with less use than expected.
    #[diesel(sql_type = Nullable<Date>)]
    pub latest: Option<NaiveDate>,
    /// The day to order by.
    #[diesel(sql_type = Nullable<Date>)]
    pub order_by: Option<NaiveDate>,
    /// Kept for use beyond the expected.
    #[diesel(sql_type = Nullable<Double>)]
    pub safety_stock: Option<f64>,
    /// The stock at which to order.
    #[diesel(sql_type = Nullable<Double>)]
    pub reorder_point: Option<f64>,
    /// What to order at a time.
    #[diesel(sql_type = Nullable<Double>)]
    pub order_quantity: Option<f64>,
    /// Which way the use is out of line, if it is.
    #[diesel(sql_type = Nullable<Text>)]
    pub use_is: Option<String>,
    /// Since when.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub use_since: Option<DateTime<Utc>>,
    /// What was used since then.
    #[diesel(sql_type = Nullable<Double>)]
    pub use_actual: Option<f64>,
    /// What was expected since then.
    #[diesel(sql_type = Nullable<Double>)]
    pub use_expected: Option<f64>,
    /// What was on its way there, and counted on.
    #[diesel(sql_type = Numeric)]
    pub on_order: Decimal,
}

impl Forecast {
    /// Whether a use is foreseen of something that neither the ledger nor a dip knows the stock of.
    #[must_use]
    pub fn nothing_says_how_much(&self) -> bool {
        self.model.is_some() && self.reorder_point.is_none()
    }
}

/// Rows written by one statement.
const ROWS_AT_ONCE: usize = 5_000;

/// Puts tonight's forecasts in the place of the last ones.
///
/// # Errors
/// When the database fails.
pub async fn replace(tx: &Tx<'_>, forecasts: &[Forecast]) -> Result<(), DbError> {
    let before = below(tx).await?;
    delete(stock_forecast::table).execute(&mut tx.conn()).await?;
    for some in forecasts.chunks(ROWS_AT_ONCE) {
        let rows = serde_json::to_value(some).map_err(DbError::internal)?;
        let sql = "insert into stock_forecast
          select app.dealer_id(), r.* from jsonb_to_recordset($1) as r (
            place_id uuid, consumable_id uuid, night date, on_hand numeric, stood_on date, months int4, model text,
            per_day float8, earliest date, likely date, latest date, order_by date, safety_stock float8,
            reorder_point float8, order_quantity float8, use_is text, use_since timestamptz, use_actual float8,
            use_expected float8, on_order numeric)";
        sql_query(sql).bind::<Jsonb, _>(rows).execute(&mut tx.conn()).await?;
    }
    log(tx, &before, &below(tx).await?).await
}

/// Items at places of which less is there than the stock at which to order.
async fn below(tx: &Tx<'_>) -> Result<BTreeSet<(Uuid, Uuid)>, DbError> {
    let reorder_point = sql::<Bool>("on_hand::float8 < reorder_point");
    let short = stock_forecast::table.filter(reorder_point);
    let keys: Vec<(Uuid, Uuid)> =
        short.select((stock_forecast::place_id, stock_forecast::consumable_id)).load(&mut tx.conn()).await?;
    Ok(keys.into_iter().collect())
}

/// Adds what came below its order point, and what is no longer, to the change log.
async fn log(tx: &Tx<'_>, before: &BTreeSet<(Uuid, Uuid)>, after: &BTreeSet<(Uuid, Uuid)>) -> Result<(), DbError> {
    let line = |verb| {
        move |(place_id, item_id): &(Uuid, Uuid)| Change {
            record: "stock_forecast",
            record_id: format!("{place_id}/{item_id}"),
            revision: None,
            verb,
            customer: None,
            detail: json!({ "place_id": place_id, "item_id": item_id, "is": "below_order_point" }),
        }
    };
    let opened = after.difference(before).map(line("opened"));
    tx.log_all(opened.chain(before.difference(after).map(line("closed"))).collect()).await
}

/// A forecast with names, and what the ledger has there now.
#[derive(Debug, Clone, PartialEq, QueryableByName)]
pub struct Foreseen {
    /// The forecast.
    #[diesel(embed)]
    pub forecast: Forecast,
    /// What the place is called.
    #[diesel(sql_type = Text)]
    pub place: String,
    /// What the item is called.
    #[diesel(sql_type = Text)]
    pub item: String,
    /// What it is counted in.
    #[diesel(sql_type = Text)]
    pub unit: String,
    /// What the ledger has there now.
    #[diesel(sql_type = Numeric)]
    pub ledger_now: Decimal,
}

impl Foreseen {
    /// What can be counted on now: of a place whose drums were dipped, what the night run found.
    #[must_use]
    pub fn on_hand(&self) -> Decimal {
        if self.forecast.stood_on < self.forecast.night { self.forecast.on_hand } else { self.ledger_now }
    }

    /// The sort text and id of its cursor.
    #[must_use]
    pub fn key(&self) -> (String, Uuid) {
        let day = self.forecast.earliest.unwrap_or(FAR);
        (format!("{day}{}", self.forecast.place_id.simple()), self.forecast.consumable_id)
    }
}

/// Stands for a day beyond three years in the order of lists.
const FAR: NaiveDate = match NaiveDate::from_ymd_opt(9999, 12, 31) {
    Some(day) => day,
    None => NaiveDate::MAX,
};

/// With what the ledger has there, looked up by its key.
const FORESEEN: &str = "
select f.*, p.name as place, c.name as item, c.unit, coalesce((
         select sum(b.quantity) from stock_balance b
          where b.dealer_id = f.dealer_id and b.place_id = f.place_id and b.consumable_id = f.consumable_id), 0)
         as ledger_now
  from stock_forecast f
  join place p on p.dealer_id = f.dealer_id and p.id = f.place_id
  join consumable c on c.dealer_id = f.dealer_id and c.id = f.consumable_id";

/// The forecasts of a place, or of all, the first to run out first; one more than the page holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub async fn list(tx: &Tx<'_>, place: Option<PlaceId>, after: &After) -> Result<Vec<Foreseen>, DbError> {
    let (text, item) = after.key();
    let (day, of_place) = of_cursor(text)?;
    let sql = format!(
        "{FORESEEN}
          where ($1 is null or f.place_id = $1)
            and (coalesce(f.earliest, '9999-12-31'), f.place_id, f.consumable_id) > ($2, $3, $4)
          order by coalesce(f.earliest, '9999-12-31'), f.place_id, f.consumable_id limit $5"
    );
    Ok(sql_query(sql)
        .bind::<Nullable<SqlUuid>, _>(place.map(|place| place.0))
        .bind::<Date, _>(day)
        .bind::<SqlUuid, _>(of_place)
        .bind::<SqlUuid, _>(item)
        .bind::<BigInt, _>(after.ask())
        .load(&mut tx.conn())
        .await?)
}

fn of_cursor(text: &str) -> Result<(NaiveDate, Uuid), Faults> {
    if text.is_empty() {
        return Ok((NaiveDate::default(), Uuid::nil()));
    }
    let (day, place) = text.split_at_checked(10).ok_or_else(unknown_cursor)?;
    Ok((day_of(day)?, Uuid::parse_str(place).map_err(|_not_ours| unknown_cursor())?))
}

/// The same of all that is foreseen at a place, or everywhere; what the ledger has there is summed in one pass.
const MAYBE_DUE: &str = "
select f.*, p.name as place, c.name as item, c.unit, coalesce(b.quantity, 0) as ledger_now
  from stock_forecast f
  join place p on p.dealer_id = f.dealer_id and p.id = f.place_id
  join consumable c on c.dealer_id = f.dealer_id and c.id = f.consumable_id
  left join (select place_id, consumable_id, sum(quantity) as quantity from stock_balance
              where $1 is null or place_id = $1 group by place_id, consumable_id) b
    on b.place_id = f.place_id and b.consumable_id = f.consumable_id
 where f.reorder_point is not null and ($1 is null or f.place_id = $1)
   and (f.order_by <= $2 or f.place_id = any($3) or least(f.on_hand, coalesce(b.quantity, 0)) <= f.reorder_point)
 order by p.name, c.name";

/// What may have to be ordered on a day: at or below its reorder point, due, or kept for visits.
///
/// # Errors
/// When the database fails.
pub async fn maybe_due(
    tx: &Tx<'_>,
    today: NaiveDate,
    place: Option<PlaceId>,
    reserved: &[PlaceId],
) -> Result<Vec<Foreseen>, DbError> {
    let places: Vec<Uuid> = reserved.iter().map(|place| place.0).collect();
    Ok(sql_query(MAYBE_DUE)
        .bind::<Nullable<SqlUuid>, _>(place.map(|place| place.0))
        .bind::<Date, _>(today)
        .bind::<Array<SqlUuid>, _>(places)
        .load(&mut tx.conn())
        .await?)
}

/// What is used in a day of each item at a site, as the night run found it.
///
/// # Errors
/// When the database fails.
pub async fn per_day(tx: &Tx<'_>, place: PlaceId) -> Result<HashMap<ItemId, f64>, DbError> {
    let rows: Vec<(Uuid, Option<f64>)> = stock_forecast::table
        .filter(stock_forecast::place_id.eq(place.0))
        .select((stock_forecast::consumable_id, stock_forecast::per_day))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().filter_map(|(item, per_day)| Some((ItemId(item), per_day?))).collect())
}
