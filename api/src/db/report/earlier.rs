//! What a customer's reports say month by month, by the newest revision of each, and how investments stand
//! by it.

use crate::db::notes;
use crate::db::schema::site;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Date, Jsonb, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::investment::Investment;
use domain::ids::{CustomerId, SiteId};
use domain::report::SavingsReport;
use domain::report::payback::{MonthSaid, Said};
use domain::zone::Month;
use serde_json::Value;
use uuid::Uuid;

/// What a month's report says, and whether it is issued.
pub(in crate::db) type Made = (Month, bool, Said);

#[derive(QueryableByName)]
struct SaidRow {
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    #[diesel(sql_type = Text)]
    state: String,
    #[diesel(sql_type = Jsonb)]
    said: Value,
}

/// Of each report only what payback stands on: a report is large.
const SAID: &str = "
select newest.month, newest.state, jsonb_build_object(
         'savings', (select coalesce(jsonb_agg(jsonb_build_object('site_id', one -> 'site_id',
                              'saved', one #> '{saved,saved}', 'withheld', one -> 'withheld') order by n), '[]')
                       from jsonb_array_elements(newest.figures -> 'savings') with ordinality as of_site (one, n)),
         'costs', (select coalesce(jsonb_agg(jsonb_build_object('site_id', one -> 'site_id',
                            'running', one -> 'running', 'not_known', one -> 'not_known') order by n), '[]')
                     from jsonb_array_elements(coalesce(newest.figures -> 'costs', '[]')) with ordinality as of_site (one, n)),
         'adjustments', coalesce(newest.figures -> 'adjustments', '[]')) as said
  from (select distinct on (s.month) s.month, s.state, r.figures
          from savings_report s
          join report_revision r on r.dealer_id = s.dealer_id and r.report_id = s.id
         where s.customer_id = $1 and s.month >= $2
         order by s.month, r.n desc) newest
 order by newest.month";

/// What the reports of a customer say from `first` on, in order: what later ones carry counts too.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn since(tx: &Tx<'_>, of: CustomerId, first: Month) -> Result<Vec<Made>, DbError> {
    let rows: Vec<SaidRow> =
        sql_query(SAID).bind::<SqlUuid, _>(of.0).bind::<Date, _>(first.first_day()).load(&mut tx.conn()).await?;
    let read = |row: SaidRow| {
        let said: Said = serde_json::from_value(row.said).map_err(DbError::internal)?;
        Ok((Month::of(row.month), row.state == "issued", said))
    };
    rows.into_iter().map(read).collect()
}

/// A customer's investments with what the reports of their months say: read once, whatever number of
/// months is made anew after it.
pub(super) struct Invested {
    made: Vec<(SiteId, Investment)>,
    said: Vec<Made>,
}

impl Invested {
    /// Those at the customer's sites.
    ///
    /// # Errors
    /// When the database fails.
    pub(super) async fn of(tx: &Tx<'_>, customer: CustomerId) -> Result<Self, DbError> {
        let sites: Vec<Uuid> =
            site::table.filter(site::customer_id.eq(customer.0)).select(site::id).load(&mut tx.conn()).await?;
        let of_sites = notes::all::<Investment>(tx, &sites).await?;
        let counting = of_sites.into_iter().flat_map(|(site, all)| all.into_iter().map(move |one| (SiteId(site), one)));
        let mut made: Vec<(SiteId, Investment)> = counting.collect();
        made.sort_by_key(|(site, made)| (site.0, made.day));
        let first = made.iter().map(|(_, made)| Month::of(made.day)).min();
        let said = match first {
            Some(first) => since(tx, customer, first).await?,
            None => Vec::new(),
        };
        Ok(Self { made, said })
    }

    /// The report with how the investments at its sites stand.
    pub(super) fn stand_in(&self, report: SavingsReport) -> SavingsReport {
        if self.made.is_empty() {
            return report;
        }
        let earlier: Vec<MonthSaid<'_>> =
            self.said.iter().map(|(month, issued, said)| (*month, *issued, said)).collect();
        report.with_investments(&self.made, &earlier)
    }

    /// Takes note of a draft that was made anew: the months after it stand on it.
    pub(super) fn note(&mut self, draft: &SavingsReport) {
        if !self.made.is_empty() {
            self.said.retain(|(month, ..)| *month != draft.month);
            self.said.push((draft.month, false, Said::from(draft)));
        }
    }
}
