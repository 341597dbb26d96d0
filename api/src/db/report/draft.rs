//! Drafts, made anew as long as nobody has issued them; and issued months counted again.

use super::earlier::Invested;
use super::inputs::gather_whole;
use super::{standing, style};
use crate::db::schema::{meter_attachment, placement, report_revision, savings_report, site};
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx, money_inputs, range};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_types::{Integer, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::accounts::site_money::SiteMoney;
use domain::ids::CustomerId;
use domain::report::SavingsReport;
use domain::report::inputs::CYCLE_MONTHS;
use domain::span::Span;
use domain::zone::Month;
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// The customers with a unit or a meter of a site in a month.
///
/// # Errors
/// When the database fails.
pub async fn customers_in(tx: &Tx<'_>, month: Month) -> Result<Vec<CustomerId>, DbError> {
    let (from, to) = month.bounds(Tz::UTC);
    let span = range::of_span(Span::parse(from, Some(to))?);
    let mut found: Vec<Uuid> = placement::table
        .filter(placement::valid.overlaps_with(span))
        .select(placement::customer_id)
        .distinct()
        .load(&mut tx.conn())
        .await?;
    let at_sites: Vec<Uuid> = meter_attachment::table
        .inner_join(site::table.on(meter_attachment::site_id.eq(site::id.nullable())))
        .filter(meter_attachment::valid.overlaps_with(span))
        .select(site::customer_id)
        .distinct()
        .load(&mut tx.conn())
        .await?;
    found.extend(at_sites);
    found.sort_unstable();
    found.dedup();
    Ok(found.into_iter().map(CustomerId).collect())
}

#[derive(QueryableByName)]
struct Reach {
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Integer)]
    months: i32,
}

/// How many months before one a billing cycle that touches it may have begun, by customer. Cycles
/// from the first of a month on lie in their own months; what was billed may be some days late.
///
/// # Errors
/// When the database fails.
pub async fn cycles_reach(tx: &Tx<'_>) -> Result<HashMap<CustomerId, usize>, DbError> {
    let rows: Vec<Reach> = sql_query(
        "select a.customer_id,
                max(a.billing_months + case
                      when exists (select from water_bill b
                                    where b.dealer_id = a.dealer_id and b.water_account_id = a.id
                                      and b.withdrawn_at is null) then 1
                      when extract(day from a.cycle_anchor) = 1 then -1
                      else 0 end)::int4 as months
           from water_account a
          where a.charged is not null
          group by a.customer_id",
    )
    .load(&mut tx.conn())
    .await?;
    let months = |row: Reach| (CustomerId(row.customer_id), usize::try_from(row.months).unwrap_or(0).min(CYCLE_MONTHS));
    Ok(rows.into_iter().map(months).collect())
}

/// A customer whose months are made anew, with what is the same in all of them.
pub struct Making {
    customer: CustomerId,
    money: Vec<SiteMoney>,
    invested: Invested,
}

impl Making {
    /// Reads what the customer's months have in common.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn of(tx: &Tx<'_>, customer: CustomerId) -> Result<Self, DbError> {
        let money = money_inputs::of_customer(tx, customer).await?;
        Ok(Self { customer, money, invested: Invested::of(tx, customer).await? })
    }

    /// Makes the draft of a month anew, or counts an issued month again; whether that changed anything.
    /// Earlier months come first: a draft carries what they are owed.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn month(&mut self, tx: &Tx<'_>, month: Month) -> Result<bool, DbError> {
        let customer = self.customer;
        let known: Option<(Uuid, String)> = savings_report::table
            .filter(savings_report::customer_id.eq(customer.0).and(savings_report::month.eq(month.first_day())))
            .select((savings_report::id, savings_report::state))
            .first(&mut tx.conn())
            .await
            .optional()?;
        let mut figures = SavingsReport::of(&gather_whole(tx, customer, month, self.money.clone()).await?);
        style::show_logo(tx, customer, &figures.style).await?;
        if let Some((id, _)) = known.as_ref().filter(|(_, state)| state != "draft") {
            return standing::recount(tx, *id, &figures).await;
        }
        figures.adjustments = standing::owed(tx, customer, month, figures.unit_system).await?;
        let figures = self.invested.stand_in(figures);
        self.invested.note(&figures);
        let figures = serde_json::to_value(figures).map_err(DbError::internal)?;
        match known {
            None => first_draft(tx, customer, month, &figures).await.map(|()| true),
            Some((id, _)) => next_draft(tx, customer, id, &figures).await,
        }
    }
}

/// Makes the adjustments of the next draft after a month anew, once what the month is owed has
/// changed.
///
/// # Errors
/// When the database fails.
pub(super) async fn carry_on(tx: &Tx<'_>, customer: CustomerId, month: Month) -> Result<(), DbError> {
    let later = savings_report::customer_id
        .eq(customer.0)
        .and(savings_report::month.gt(month.first_day()))
        .and(savings_report::state.eq("draft"));
    let next: Option<(Uuid, NaiveDate, Value)> = super::revised()
        .filter(later)
        .order(savings_report::month)
        .select((savings_report::id, savings_report::month, report_revision::figures))
        .first(&mut tx.conn())
        .await
        .optional()?;
    let Some((id, of, figures)) = next else { return Ok(()) };
    let mut figures: SavingsReport = serde_json::from_value(figures).map_err(DbError::internal)?;
    figures.adjustments = standing::owed(tx, customer, Month::of(of), figures.unit_system).await?;
    let figures = serde_json::to_value(figures).map_err(DbError::internal)?;
    next_draft(tx, customer, id, &figures).await.map(drop)
}

async fn first_draft(tx: &Tx<'_>, customer: CustomerId, month: Month, figures: &Value) -> Result<(), DbError> {
    let id = tx.new_id();
    insert_into(savings_report::table)
        .values((
            savings_report::id.eq(id),
            savings_report::customer_id.eq(customer.0),
            savings_report::month.eq(month.first_day()),
            savings_report::created_at.eq(tx.now()),
            savings_report::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    insert_into(report_revision::table)
        .values((
            report_revision::report_id.eq(id),
            report_revision::n.eq(1),
            report_revision::customer_id.eq(customer.0),
            report_revision::figures.eq(figures),
            report_revision::made_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    logged(tx, customer, id, 1).await
}

/// Replaces the figures of a draft, unless they are the same.
async fn next_draft(tx: &Tx<'_>, customer: CustomerId, id: Uuid, figures: &Value) -> Result<bool, DbError> {
    let own = report_revision::report_id.eq(id).and(report_revision::issued_at.is_null());
    let changed = report_revision::table.filter(own.and(report_revision::figures.ne(figures)));
    let there: i64 = changed.count().get_result(&mut tx.conn()).await?;
    if there == 0 {
        return Ok(false);
    }
    let revision = count_up(tx, id).await?;
    update(report_revision::table.filter(own))
        .set((
            report_revision::n.eq(revision),
            report_revision::figures.eq(figures),
            report_revision::made_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    logged(tx, customer, id, revision).await?;
    Ok(true)
}

/// Counts a version of a report that is about to be stored: its number.
pub(super) async fn count_up(tx: &Tx<'_>, id: Uuid) -> Result<Revision, DbError> {
    Ok(update(savings_report::table.filter(savings_report::id.eq(id)))
        .set((savings_report::revision.eq(savings_report::revision + 1), savings_report::changed_at.eq(tx.now())))
        .returning(savings_report::revision)
        .get_result(&mut tx.conn())
        .await?)
}

async fn logged(tx: &Tx<'_>, customer: CustomerId, id: Uuid, revision: Revision) -> Result<(), DbError> {
    tx.log(Change {
        record: "savings_report",
        record_id: id.to_string(),
        revision: Some(revision),
        verb: "computed",
        customer: Some(customer),
        detail: json!({}),
    })
    .await
}
