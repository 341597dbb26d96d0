//! The meters of subjects with the share of each that counts, for how unsure their figures are.

use super::meter_facts::FactsRow;
use super::range::{self, Range};
use super::schema::meter;
use super::{DbError, Tx, exchange, meter_check};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Double, Integer, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::metering::accuracy::{MeterCheck, ScaleKnown};
use domain::metering::meter::MeterFacts;
use domain::metering::step::Exchange;
use domain::span::Span;
use domain::zone::day_bounds;
use std::collections::HashMap;
use uuid::Uuid;

/// A meter of a subject.
#[derive(Debug, Clone)]
pub struct SubjectMeter {
    /// Its facts.
    pub facts: MeterFacts,
    /// The share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// Standard uncertainty of that share.
    pub share_u: f64,
    /// Checks against known volumes, and exchanges of its register.
    checks: Vec<MeterCheck>,
    exchanges: Vec<Exchange>,
    /// When it measured the subject.
    span: Span,
}

impl SubjectMeter {
    /// What is known of the scale error of what it passed up to the end of a local day.
    #[must_use]
    pub fn known(&self, last: NaiveDate) -> ScaleKnown {
        let end = day_bounds(Tz::UTC, last).1;
        self.facts.scale_known(&self.checks, &self.exchanges, end)
    }

    /// When it measured the subject.
    #[must_use]
    pub fn span(&self) -> Span {
        self.span
    }

    /// Whether it may have measured the subject in some of the local days from `first` to `last`.
    #[must_use]
    pub fn served(&self, first: NaiveDate, last: NaiveDate) -> bool {
        let began = self.span.from().date_naive() <= last;
        began && self.span.to().is_none_or(|to| to.date_naive() >= first)
    }
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Double)]
    share: f64,
    #[diesel(sql_type = Double)]
    share_u: f64,
    #[diesel(sql_type = Tstzrange)]
    valid: Range,
}

const HELD: &str = "
select p.id as subject_id, a.meter_no, a.share, a.share_u, a.valid * p.valid as valid
  from placement p
  join meter_attachment a on a.dealer_id = p.dealer_id and a.unit_id = p.unit_id and a.valid && p.valid
 where p.id = any ($1)
union all
select a.site_id, a.meter_no, a.share, a.share_u, a.valid from meter_attachment a where a.site_id = any ($1)";

/// The meters that ever measured these subjects.
///
/// # Errors
/// When the database fails.
pub async fn of(tx: &Tx<'_>, subjects: &[Uuid]) -> Result<HashMap<Uuid, Vec<SubjectMeter>>, DbError> {
    let rows: Vec<Row> = sql_query(HELD).bind::<Array<SqlUuid>, _>(subjects).load(&mut tx.conn()).await?;
    let numbers: Vec<i32> = rows.iter().map(|row| row.meter_no).collect();
    let checks = meter_check::of(tx, &numbers).await?;
    let exchanges = exchange::of(tx, &numbers).await?;
    let facts: Vec<(i32, FactsRow)> = meter::table
        .filter(meter::no.eq_any(&numbers))
        .select((meter::no, FactsRow::as_select()))
        .load(&mut tx.conn())
        .await?;
    let facts = facts
        .into_iter()
        .map(|(no, row)| Ok((no, MeterFacts::try_from(row)?)))
        .collect::<Result<HashMap<i32, MeterFacts>, DbError>>()?;
    let mut found: HashMap<Uuid, Vec<SubjectMeter>> = HashMap::new();
    for row in rows {
        let Some(facts) = facts.get(&row.meter_no) else { continue };
        let meter = SubjectMeter {
            facts: facts.clone(),
            share: row.share,
            share_u: row.share_u,
            checks: checks.get(&row.meter_no).cloned().unwrap_or_default(),
            exchanges: exchanges.get(&row.meter_no).cloned().unwrap_or_default(),
            span: range::to_span(row.valid)?,
        };
        found.entry(row.subject_id).or_default().push(meter);
    }
    Ok(found)
}
