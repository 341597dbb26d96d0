//! What a savings report is made of: the customer's subjects of thirteen months, with their
//! days, meters, states and open exceptions.

use super::{bills, style, upkeep};
use crate::db::error::known;
use crate::db::fact::{self, Of, Whose};
use crate::db::fill::Fills;
use crate::db::range::{self, Range};
use crate::db::schema::{customer, dealer, placement};
use crate::db::{DbError, Tx, fill, money_inputs, notes, period_fact};
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Double, Nullable, Text, Timestamptz, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::day_uses::SiteDay;
use domain::accounts::site_account::SiteAccount;
use domain::accounts::site_money::{AccountMoney, SiteMoney};
use domain::customer::UnitSystem;
use domain::facts::{DayFact, MonthFact};
use domain::ids::CustomerId;
use domain::measures::volume_event::VolumeEvent;
use domain::metering::step::ExceptionKind;
use domain::metering::stream::{ReadBy, Stream};
use domain::period_facts::PeriodFact;
use domain::placement::Terms;
use domain::report::inputs::{CYCLE_MONTHS, Inputs, MeterLine, OpenException, PlacedUnit, ReadStretch, Subject};
use domain::report::style::ReportStyle;
use domain::report::upkeep::Upkeep;
use domain::span::Span;
use domain::spell::{Spell, SpellState};
use domain::trace::Window;
use domain::water::statement::Statement;
use domain::zone::{Month, parse_zone};
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// The inputs of one customer's month.
///
/// # Errors
/// [`DbError::NotFound`] for a customer outside the scope.
pub(in crate::db) async fn gather(tx: &Tx<'_>, of: CustomerId, month: Month) -> Result<Inputs, DbError> {
    let money = money_inputs::of_customer(tx, of).await?;
    let bills = bills::of_month(tx, of, month, &money).await?;
    Ok(Inputs { bills, ..gather_with(tx, of, month, money).await? })
}

/// The same with the customer's money, which is that of all months, and without its bills as they came.
///
/// # Errors
/// As [`gather`].
pub(in crate::db) async fn gather_with(
    tx: &Tx<'_>,
    of: CustomerId,
    month: Month,
    money: Vec<SiteMoney>,
) -> Result<Inputs, DbError> {
    let (dealer, dealer_units): (String, String) =
        dealer::table.select((dealer::name, dealer::unit_system)).first(&mut tx.conn()).await?;
    let (name, units): (String, Option<String>) = customer::table
        .filter(customer::id.eq(of.0))
        .select((customer::name, customer::unit_system))
        .first(&mut tx.conn())
        .await?;
    let first_shown = (0..12).fold(month, |month, _| month.previous());
    let mut subjects = subjects(tx, of, first_shown, month).await?;
    add_months(tx, of, first_shown, month, &mut subjects).await?;
    let billed = money.iter().any(|site| !site.accounts.is_empty());
    let around = if billed { CYCLE_MONTHS } else { 0 };
    let (first, last) = (0..around).fold((month, month), |(first, last), _| (first.previous(), last.next()));
    let site_days = add_days(tx, of, month, (first, last), &mut subjects).await?;
    let reach = cycles_reach(&money, month);
    let fresh = fact::fresh_of_sites(tx, of, reach, month).await?;
    let stays = stays(tx, of, first, last).await?;
    add_periods(tx, of, (first_shown, month), &mut subjects).await?;
    add_meters(tx, month, &mut subjects).await?;
    add_spells(tx, &mut subjects).await?;
    let placed: Vec<Uuid> = subjects.iter().filter_map(|subject| Some(subject.unit.as_ref()?.unit_id)).collect();
    let moved = notes::all::<VolumeEvent>(tx, &placed).await?;
    Ok(Inputs {
        dealer,
        customer: name,
        month,
        unit_system: UnitSystem::parse(units.as_deref().unwrap_or(&dealer_units))?,
        now: tx.now(),
        subjects,
        site_days,
        fresh,
        stays,
        money,
        bills: Vec::new(),
        upkeep: Upkeep::default(),
        style: ReportStyle::default(),
        moved,
    })
}

/// The same with what a report tells beside its figures: the records of the month, and how the
/// dealer's reports look.
///
/// # Errors
/// As [`gather`].
pub(in crate::db) async fn gather_whole(
    tx: &Tx<'_>,
    of: CustomerId,
    month: Month,
    money: Vec<SiteMoney>,
) -> Result<Inputs, DbError> {
    let bills = bills::of_month(tx, of, month, &money).await?;
    let inputs = gather_with(tx, of, month, money).await?;
    let style = style::get(tx).await?.style;
    let upkeep = upkeep::of(tx, of, month, &inputs.subjects, &style.limits).await?;
    Ok(Inputs { bills, upkeep, style, ..inputs })
}

/// The months around one into which a billing cycle that touches it may reach: none where every cycle
/// is a calendar month.
fn cycles_reach(money: &[SiteMoney], month: Month) -> (Month, Month) {
    let calendar = |from: NaiveDate, to: NaiveDate| from.day() == 1 && to == Month::of(from).next().first_day();
    let aligned = |account: &AccountMoney| {
        let SiteAccount { cycle_anchor, account: known, .. } = &account.record;
        let billed = account.bills.iter().all(|bill| calendar(bill.period.from, bill.period.to));
        known.cycle_months == 1 && cycle_anchor.day() == 1 && billed
    };
    let all = money.iter().flat_map(|site| &site.accounts).all(aligned);
    let around = if all { 0 } else { CYCLE_MONTHS };
    (0..around).fold((month, month), |(first, last), _| (first.previous(), last.next()))
}

#[derive(QueryableByName)]
struct SubjectRow {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Text)]
    site: String,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    unit_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<Text>)]
    label: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    serial_number: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    model: Option<String>,
    #[diesel(sql_type = Nullable<Tstzrange>)]
    valid: Option<Range>,
    #[diesel(sql_type = Nullable<Text>)]
    terms: Option<String>,
}

/// The customer's placements in the time, and its sites that have meters of their own.
const SUBJECTS: &str = "
select p.id as subject_id, s.id as site_id, s.name as site, s.time_zone, u.id as unit_id, u.label, u.serial_number,
       m.name as model, p.valid, p.terms
  from placement p
  join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
  join unit u on u.dealer_id = p.dealer_id and u.id = p.unit_id
  left join unit_model m on m.dealer_id = u.dealer_id and m.id = u.model_id
 where p.customer_id = $1 and p.valid && tstzrange($2, $3)
union all
select s.id, s.id, s.name, s.time_zone, null, null, null, null, null, null
  from site s
 where s.customer_id = $1
   and exists (select from meter_attachment a
                where a.dealer_id = s.dealer_id and a.site_id = s.id and a.valid && tstzrange($2, $3))
 order by site, label nulls first, subject_id";

/// A month of the widest zones on both sides: 14 hours before and 12 after UTC.
fn around(first: Month, last: Month) -> (DateTime<Utc>, DateTime<Utc>) {
    let zone = Tz::UTC;
    let (from, to) = (first.bounds(zone).0, last.bounds(zone).1);
    (from - chrono::Duration::hours(14), to + chrono::Duration::hours(12))
}

async fn subjects(tx: &Tx<'_>, of: CustomerId, first: Month, last: Month) -> Result<Vec<Subject>, DbError> {
    let (from, to) = around(first, last);
    let rows: Vec<SubjectRow> = sql_query(SUBJECTS)
        .bind::<SqlUuid, _>(of.0)
        .bind::<Timestamptz, _>(from)
        .bind::<Timestamptz, _>(to)
        .load(&mut tx.conn())
        .await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.subject_id).collect();
    let fills = fill::of(tx, &ids).await?;
    rows.into_iter().map(|row| subject(row, &fills, last)).collect()
}

/// A subject whose fill is that of the units that stood there in the month of the report.
fn subject(row: SubjectRow, fills: &Fills, month: Month) -> Result<Subject, DbError> {
    Ok(Subject {
        id: row.subject_id,
        site_id: row.site_id,
        zone: parse_zone(&row.time_zone)?,
        fill: fills.at(row.subject_id, Window::Month(month)),
        unit: placed_unit(&row)?,
        site: row.site,
        meters: Vec::new(),
        days: Vec::new(),
        months: Vec::new(),
        periods: Vec::new(),
        statement: Statement::default(),
        exceptions: Vec::new(),
    })
}

fn placed_unit(row: &SubjectRow) -> Result<Option<PlacedUnit>, DbError> {
    let (Some(unit_id), Some(valid)) = (row.unit_id, row.valid) else { return Ok(None) };
    Ok(Some(PlacedUnit {
        unit_id,
        label: row.label.clone().unwrap_or_default(),
        serial_number: row.serial_number.clone().unwrap_or_default(),
        model: row.model.clone(),
        span: range::to_span(valid)?,
        terms: known("terms", row.terms.as_deref().and_then(Terms::from_name))?,
        spells: Vec::new(),
    }))
}

/// When units stood at each of the customer's sites, in order.
async fn stays(tx: &Tx<'_>, of: CustomerId, first: Month, last: Month) -> Result<HashMap<Uuid, Vec<Span>>, DbError> {
    let (from, to) = around(first, last);
    let rows: Vec<(Uuid, Range)> = placement::table
        .filter(placement::customer_id.eq(of.0))
        .filter(placement::valid.overlaps_with(range::of_span(Span::parse(from, Some(to))?)))
        .select((placement::site_id, placement::valid))
        .order((placement::site_id, placement::valid))
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<Uuid, Vec<Span>> = HashMap::new();
    for (site, valid) in rows {
        found.entry(site).or_default().push(range::to_span(valid)?);
    }
    Ok(found)
}

/// Gives each subject its days of the month, and each site all its days of the months from `first`
/// to `last`, in order.
async fn add_days(
    tx: &Tx<'_>,
    of: CustomerId,
    month: Month,
    (first, last): (Month, Month),
    subjects: &mut [Subject],
) -> Result<HashMap<Uuid, Vec<SiteDay>>, DbError> {
    let mut days: HashMap<Uuid, Vec<DayFact>> = HashMap::new();
    let mut of_site: HashMap<Uuid, Vec<SiteDay>> = HashMap::new();
    for day in fact::days(tx, Of::Customer(of.0), first.first_day(), last.last_day()).await? {
        let of_site = of_site.entry(day.site_id).or_default();
        of_site.push(SiteDay { of_site: day.unit_id.is_none(), fact: day.fact.clone() });
        if Month::of(day.fact.date) == month {
            days.entry(day.subject_id).or_default().push(day.fact);
        }
    }
    for subject in subjects {
        subject.days = days.remove(&subject.id).unwrap_or_default();
    }
    Ok(of_site)
}

/// Gives each subject its read periods of the months shown, with the parts of those that ended in the last one;
/// at sites with meters of their own, of all: a period of the whole site may be made of some.
async fn add_periods(
    tx: &Tx<'_>,
    of: CustomerId,
    (first, last): (Month, Month),
    subjects: &mut [Subject],
) -> Result<(), DbError> {
    let mut periods: HashMap<Uuid, Vec<ReadStretch>> = HashMap::new();
    let own = around(last, last);
    let sites: BTreeSet<Uuid> = subjects.iter().filter(|one| one.unit.is_none()).map(|one| one.site_id).collect();
    let joined = subjects.iter().filter(|one| sites.contains(&one.site_id));
    let joined: BTreeSet<Uuid> = joined.map(|one| one.id).collect();
    for stored in period_fact::periods(tx, Of::Customer(of.0), first.first_day(), last.last_day()).await? {
        let fact =
            PeriodFact { from: stored.from, to: stored.to, grade: stored.amounts.grade(), amounts: stored.amounts };
        let counts = own.0 < fact.to && fact.to <= own.1 || joined.contains(&stored.subject_id);
        let statement = stored.statement.filter(|_| counts);
        periods.entry(stored.subject_id).or_default().push(ReadStretch { fact, statement });
    }
    for subject in subjects {
        subject.periods = periods.remove(&subject.id).unwrap_or_default();
    }
    Ok(())
}

async fn add_months(
    tx: &Tx<'_>,
    of: CustomerId,
    first: Month,
    last: Month,
    subjects: &mut [Subject],
) -> Result<(), DbError> {
    let mut months: HashMap<Uuid, Vec<MonthFact>> = HashMap::new();
    for month in fact::months(tx, Whose::Customer(of.0), first, last).await? {
        months.entry(month.subject_id).or_default().push(month.fact);
    }
    let ids: Vec<Uuid> = subjects.iter().map(|subject| subject.id).collect();
    let mut statements = fact::statements(tx, &ids, last, last).await?;
    for subject in subjects {
        subject.months = months.remove(&subject.id).unwrap_or_default();
        subject.statement = statements.remove(&(subject.id, last)).unwrap_or_default();
    }
    Ok(())
}

#[derive(QueryableByName)]
struct MeterRow {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Text)]
    label: String,
    #[diesel(sql_type = Text)]
    stream: String,
    #[diesel(sql_type = Text)]
    read_by: String,
    #[diesel(sql_type = Double)]
    share: f64,
    #[diesel(sql_type = Tstzrange)]
    valid: Range,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    last_read_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Text>)]
    kind: Option<String>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    from_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    to_at: Option<DateTime<Utc>>,
}

/// The meters of subjects in a month, each once for every open exception it has in it.
const METERS: &str = "
with held as (
  select p.id as subject_id, a.meter_no, a.share, a.valid * p.valid as valid
    from placement p
    join meter_attachment a on a.dealer_id = p.dealer_id and a.unit_id = p.unit_id and a.valid && p.valid
   where p.id = any ($1)
  union all
  select a.site_id, a.meter_no, a.share, a.valid from meter_attachment a where a.site_id = any ($1))
select h.subject_id, m.label, m.stream, m.read_by, h.share, h.valid,
       (select s.day::timestamp at time zone 'UTC' + make_interval(secs => s.at[cardinality(s.at)])
          from day_sheet s
         where s.meter_no = h.meter_no and s.day <= $3::date
           and s.day >= coalesce((lower(h.valid) at time zone 'UTC')::date, '-infinity')
           and s.day <= coalesce((upper(h.valid) at time zone 'UTC')::date, 'infinity')
         order by s.day desc, s.hour desc limit 1) as last_read_at,
       e.kind, e.from_at, e.to_at
  from held h
  join meter m on m.no = h.meter_no
  left join reading_exception e on e.dealer_id = m.dealer_id and e.meter_no = m.no and e.closed_at is null
    and e.from_at < $3 and e.to_at >= $2 and h.valid @> e.to_at
 where h.valid && tstzrange($2, $3)
 order by h.subject_id, m.no, e.to_at";

async fn add_meters(tx: &Tx<'_>, month: Month, subjects: &mut [Subject]) -> Result<(), DbError> {
    let (from, to) = around(month, month);
    let ids: Vec<Uuid> = subjects.iter().map(|subject| subject.id).collect();
    let rows: Vec<MeterRow> = sql_query(METERS)
        .bind::<Array<SqlUuid>, _>(ids)
        .bind::<Timestamptz, _>(from)
        .bind::<Timestamptz, _>(to)
        .load(&mut tx.conn())
        .await?;
    for row in rows {
        let Some(subject) = subjects.iter_mut().find(|subject| subject.id == row.subject_id) else { continue };
        // By the site's clock: one that was fitted as the next month began measures nothing in this one.
        let (start, end) = month.bounds(subject.zone);
        if range::to_span(row.valid)?.within(Span::parse(start, Some(end))?).is_none() {
            continue;
        }
        let stream = known("stream", Stream::from_name(&row.stream))?;
        let exception = (&row.kind, row.from_at.filter(|from| *from < end), row.to_at.filter(|to| *to >= start));
        if let (Some(kind), Some(from), Some(to)) = exception {
            let kind = ExceptionKind::from_name(kind);
            subject.exceptions.push(OpenException { meter: row.label.clone(), stream, kind, from, to });
        }
        let line = MeterLine {
            stream,
            read_by: known("read_by", ReadBy::from_name(&row.read_by))?,
            label: row.label,
            share: row.share,
            last_read_at: row.last_read_at,
        };
        let again = subject.meters.last().is_some_and(|last| last.label == line.label && last.stream == line.stream);
        if !again {
            subject.meters.push(line);
        }
    }
    Ok(())
}

#[derive(QueryableByName)]
struct SpellRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    state: String,
    #[diesel(sql_type = Nullable<Text>)]
    reason: Option<String>,
    #[diesel(sql_type = Tstzrange)]
    valid: Range,
}

async fn add_spells(tx: &Tx<'_>, subjects: &mut [Subject]) -> Result<(), DbError> {
    let units: Vec<Uuid> = subjects.iter().filter_map(|subject| Some(subject.unit.as_ref()?.unit_id)).collect();
    let rows: Vec<SpellRow> =
        sql_query("select unit_id, state, reason, valid from spell where unit_id = any ($1) order by lower(valid)")
            .bind::<Array<SqlUuid>, _>(units)
            .load(&mut tx.conn())
            .await?;
    for row in rows {
        let spell = Spell {
            state: known("state", SpellState::from_name(&row.state))?,
            reason: row.reason,
            span: range::to_span(row.valid)?,
        };
        for unit in subjects.iter_mut().filter_map(|subject| subject.unit.as_mut()) {
            if unit.unit_id == row.unit_id {
                unit.spells.push(spell.clone());
            }
        }
    }
    Ok(())
}
