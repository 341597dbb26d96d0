//! Lists as tables: a list that is asked for as CSV, NDJSON or Parquet is given whole, page by page.

use super::order::sorted;
use super::{Cell, Column, Kind, Media, Row, streamed};
use crate::auth::Caller;
use crate::db::page::{After, PAGE_MAX};
use crate::db::{Db, DbError, Tx};
use crate::http::answer::{self, Arranging};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use futures_util::stream;
use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

/// A record of a list, as it is a row of a table: what its JSON shows, and no more.
pub(crate) trait Tabled: Serialize {
    /// Its fields; what stands within a field, by a path with dots, under its own name.
    const COLUMNS: &'static [(&'static str, Kind)];
    /// Fields that stand before these, where records of many kinds have them.
    const FIRST: &'static [(&'static str, Kind)] = &[];
    /// Fields that stand after them.
    const LAST: &'static [(&'static str, Kind)] = &[];
    /// How many are read at once for a table: fewer where each is large.
    const AT_ONCE: i64 = PAGE_MAX;
}

/// A list in what the request accepts: a page as JSON, or else all that comes after the cursor as a table.
///
/// # Errors
/// What `read` answers, or while too many tables of the same account are under way.
pub(crate) async fn listed<P, R: 'static, V: Tabled + 'static>(
    request: &HttpRequest,
    caller: &Caller<P>,
    (db, rates): (&Data<Db>, &Data<Rates>),
    after: After,
    read: impl AsyncFn(&Tx<'_>, &After) -> Result<Vec<R>, DbError> + 'static,
    shown: (impl Fn(&After, &R) -> (String, Uuid) + 'static, impl Fn(R) -> V + 'static),
) -> Result<HttpResponse, Problem> {
    let (db, scope, now) = (db.get_ref().clone(), caller.scope().clone(), caller.now());
    let read = async move |after: &After| db.read(&scope, now, async |tx| read(tx, after).await).await;
    listed_from(request, caller, rates, after, read, shown).await
}

/// The same of a list that is not read in one transaction: `read` sees to its own.
///
/// # Errors
/// As [`listed`].
pub(crate) async fn listed_from<P, R: 'static, V: Tabled + 'static>(
    request: &HttpRequest,
    caller: &Caller<P>,
    rates: &Data<Rates>,
    after: After,
    read: impl AsyncFn(&After) -> Result<Vec<R>, DbError> + 'static,
    (key, view): (impl Fn(&After, &R) -> (String, Uuid) + 'static, impl Fn(R) -> V + 'static),
) -> Result<HttpResponse, Problem> {
    if Media::of(request) == Media::Json {
        let rows = read(&after).await?;
        return Ok(answer::page(request, &after, rows, |row| key(&after, row), view));
    }
    let export = rates.begin_export(caller.account()?)?;
    let columns = columns::<V>(answer::chosen_fields(request).as_deref());
    let rows = move |found: Vec<R>| found.into_iter().map(|one| row(&columns.1, &view(one))).collect();
    let pages = async_stream::try_stream! {
        let mut next = Some(after.pages_of(V::AT_ONCE));
        while let Some(after) = next {
            let mut found = read(&after).await?;
            let more = after.cut_off(&mut found);
            next = found.last().filter(|_| more).map(|last| after.going_on(key(&after, last)));
            let rows: Result<Vec<Row>, DbError> = rows(found);
            yield rows?;
        }
    };
    Ok(streamed(request, columns.0, pages, export))
}

/// A list that is short by its nature, whole, in what the request accepts and in the order that it asks for.
///
/// # Errors
/// For a column to sort by that there is not, and while too many tables of the same account are under way.
pub(crate) fn whole<P, R, V: Tabled>(
    request: &HttpRequest,
    caller: &Caller<P>,
    rates: &Data<Rates>,
    rows: Vec<R>,
    view: impl Fn(R) -> V,
) -> Result<HttpResponse, Problem> {
    let asked = Arranging::of(request);
    let records: Vec<V> = rows.into_iter().map(view).collect();
    let records = match asked.sort() {
        Some(by) => sorted(records, by)?,
        None => records,
    };
    if Media::of(request) == Media::Json {
        return Ok(answer::entire(request, records));
    }
    let export = rates.begin_export(caller.account()?)?;
    let (columns, places) = columns::<V>(asked.names().as_deref());
    let rows: Result<Vec<Row>, DbError> = records.iter().map(|record| row(&places, record)).collect();
    Ok(streamed(request, columns, stream::iter([rows]), export))
}

/// The columns, or those of the chosen fields, and where each is found in a record.
pub(super) fn columns<V: Tabled>(fields: Option<&[String]>) -> (Vec<Column>, Vec<(String, Kind)>) {
    let is_wanted = |path: &str| {
        fields.is_none_or(|fields| fields.iter().any(|field| path.split('.').next() == Some(field.as_str())))
    };
    let wanted = [V::FIRST, V::COLUMNS, V::LAST].into_iter().flatten().filter(|(path, _)| is_wanted(path));
    let column = |(path, kind): &(&'static str, Kind)| {
        let name = path.rsplit('.').next().unwrap_or(path);
        (Column::new(name, *kind), (format!("/{}", path.replace('.', "/")), *kind))
    };
    wanted.map(column).unzip()
}

/// What a record has in those places.
pub(super) fn row(places: &[(String, Kind)], record: &impl Serialize) -> Result<Row, DbError> {
    let record = serde_json::to_value(record).map_err(|error| DbError::Internal(error.into()))?;
    Ok(places.iter().map(|(pointer, kind)| cell(record.pointer(pointer), *kind)).collect())
}

fn cell(value: Option<&Value>, kind: Kind) -> Cell {
    let Some(value) = value.filter(|value| !value.is_null()) else { return Cell::Null };
    let text = value.as_str();
    match kind {
        Kind::Text => text.map_or_else(|| Cell::Json(value.clone()), |text| Cell::Text(text.to_owned())),
        Kind::Whole => Cell::of(value.as_i64(), Cell::Whole),
        Kind::Number => Cell::of(value.as_f64(), Cell::Number),
        Kind::Instant => Cell::of(text.and_then(|text| text.parse().ok()), Cell::Instant),
        Kind::Day => Cell::of(text.and_then(|text| text.parse().ok()), Cell::Day),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[derive(Serialize)]
    struct Record(Value);

    impl Tabled for Record {
        const COLUMNS: &'static [(&'static str, Kind)] = &[("stands.since", Kind::Instant), ("n", Kind::Whole)];
        const FIRST: &'static [(&'static str, Kind)] = &[("id", Kind::Text)];
        const LAST: &'static [(&'static str, Kind)] = &[("lines", Kind::Text)];
    }

    fn shown(fields: Option<&[String]>, record: Value) -> (Vec<String>, String) {
        let (columns, places) = columns::<Record>(fields);
        let names = columns.into_iter().map(|column| column.name).collect();
        (names, format!("{:?}", row(&places, &Record(record)).unwrap()))
    }

    #[test]
    fn a_record_is_a_row_of_what_it_shows() {
        let record = json!({ "id": "a", "stands": { "since": "2026-01-12T09:30:00Z" }, "n": 2, "lines": [1] });
        let (names, cells) = shown(None, record);
        assert_eq!(names, ["id", "since", "n", "lines"]);
        assert_eq!(cells, "[Text(\"a\"), Instant(2026-01-12T09:30:00Z), Whole(2), Json(Array [Number(1)])]");
        let (names, cells) = shown(Some(&["stands".to_owned(), "n".to_owned()]), json!({ "stands": null }));
        assert_eq!((names, cells.as_str()), (vec!["since".to_owned(), "n".to_owned()], "[Null, Null]"));
    }
}
