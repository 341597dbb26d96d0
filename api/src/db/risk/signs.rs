//! Signs of process upsets, as far as notes carry them.

use super::figures;
use super::fleet::Records;
use crate::db::error::known;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Double, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::UnitId;
use domain::risk::sign::{Noted, Sign, SignLimits};
use uuid::Uuid;

#[derive(QueryableByName)]
struct SignRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    sign: String,
    #[diesel(sql_type = Timestamptz)]
    from_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    to_at: DateTime<Utc>,
}

/// What was measured holds for some days; a clean-out is late until the next one. A sample is of the
/// biology where its point says so. A dose is missed from the night on that found a pump to give less than
/// its setting says, until a test finds it in line. What counts is what had been written down by then, and not
/// yet withdrawn; or, of a history that was taken over later, what stands now.
fn noted_sql(records: Records) -> String {
    let of = |alias: &str, withdrawn: bool| match (records, withdrawn) {
        (Records::FittedByThen, true) => format!("{alias}withdrawn_at is null"),
        (Records::FittedByThen, false) => "true".to_owned(),
        (Records::WrittenByThen, true) => {
            format!("{alias}created_at <= $1 and ({alias}withdrawn_at is null or {alias}withdrawn_at > $1)")
        }
        (Records::WrittenByThen, false) => format!("{alias}created_at <= $1"),
    };
    let (note, sample, chemical) = (of("", true), of("s.", true), of("w.", true));
    let (event, later, spell) = (of("e.", false), of("o.", false), of("", false));
    format!(
        "
with measured as (
  select unit_id, 'oxygen_low' as sign, at from sample
   where what = 'dissolved_oxygen' and {note} and value < $2 and qualifier is distinct from '>'
  union all
  select unit_id, 'sludge_deep', at from sample
   where what = 'sludge_depth' and {note} and value >= $3 and qualifier is distinct from '<'
  union all
  select unit_id, 'disinfectant_in_biology', at from sample
   where what in ('free_chlorine', 'dissolved_ozone') and {note} and value >= $4
     and qualifier is distinct from '<' and point ~* 'biolog'
  union all
  select unit_id, 'orp_falling', at
    from (select s.unit_id, s.at, s.value - lag(s.value) over w as change, s.at - lag(s.at) over w as since
            from sample s
            join placement p on p.dealer_id = s.dealer_id and p.unit_id = s.unit_id and p.valid @> s.at
           where s.what = 'orp' and s.at <= $1 and {sample}
          window w as (partition by p.id, s.point order by s.at, s.id)) o
   where change <= -$5 and since <= interval '31 days'
  union all
  select unit_id, case when value < $6 then 'too_cold' else 'too_hot' end, at from gauge_reading
   where gauge = 'temperature' and {note}
     and (value < $6 and qualifier is distinct from '>' or value > $7 and qualifier is distinct from '<')),
cleaned as (
  select e.unit_id, e.at, lead(e.at) over (partition by e.unit_id order by e.at, e.id) as next_at
    from service_event e
   where e.kind = 'clean_out' and e.at <= $1 and {event}
     and not exists (select from service_event o
       where o.dealer_id = e.dealer_id and o.id = e.id and o.revision > e.revision and {later})),
noted as (
  select unit_id, sign, at as from_at, at + make_interval(secs => $8 * 86400) as to_at from measured
  union all
  select unit_id, 'clean_out_late', at + make_interval(secs => $9 * 86400), coalesce(next_at, $1 + interval '1 day')
    from cleaned
   where coalesce(next_at, $1) > at + make_interval(secs => $9 * 86400)
  union all
  select p.unit_id, 'new_chemical', greatest(lower(p.valid), lower(w.valid)::timestamp at time zone s.time_zone),
         least(coalesce(upper(p.valid), $1 + interval '1 day'), coalesce(upper(w.valid)::timestamp at time zone s.time_zone,
               $1 + interval '1 day'),
               case when w.standing = 'accepted'
                 then lower(w.valid)::timestamp at time zone s.time_zone + make_interval(secs => $10 * 86400) end)
    from wash_chemical w
    join site s on s.dealer_id = w.dealer_id and s.id = w.site_id
    join placement p on p.dealer_id = w.dealer_id and p.site_id = w.site_id
   where {chemical}
  union all
  select unit_id, 'idle', lower(valid) + make_interval(secs => $11 * 86400),
         coalesce(upper(valid), $1) + make_interval(secs => $8 * 86400)
    from spell
   where state in ('stopped', 'laid_up', 'bypassed') and lower(valid) <= $1 and {spell}
     and coalesce(upper(valid), $1) - lower(valid) >= make_interval(secs => $11 * 86400)
  union all
  select unit_id, 'dose_missed', opened_at, coalesce(closed_at, $1 + interval '1 day')
    from finding
   where kind = 'dose_off' and size < 0)
select unit_id, sign, from_at, to_at from noted where from_at < to_at and from_at <= $1 order by unit_id, from_at, sign"
    )
}

/// The signs of all units up to the transaction's instant.
///
/// # Errors
/// When the database fails.
pub(super) async fn noted(tx: &Tx<'_>, records: Records) -> Result<Vec<(UnitId, Noted)>, DbError> {
    let limits = figures::get::<SignLimits>(tx).await?.value;
    let rows: Vec<SignRow> = sql_query(noted_sql(records))
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Double, _>(limits.oxygen_low_mg_l)
        .bind::<Double, _>(limits.sludge_deep_mm)
        .bind::<Double, _>(limits.disinfectant_mg_l)
        .bind::<Double, _>(limits.orp_fall_mv)
        .bind::<Double, _>(limits.cold_c)
        .bind::<Double, _>(limits.hot_c)
        .bind::<Double, _>(limits.holds_days)
        .bind::<Double, _>(limits.clean_out_days)
        .bind::<Double, _>(limits.new_chemical_days)
        .bind::<Double, _>(limits.idle_days)
        .load(&mut tx.conn())
        .await?;
    let noted = |row: SignRow| {
        let sign = known("sign", Sign::from_name(&row.sign))?;
        Ok((UnitId(row.unit_id), Noted { sign, from: row.from_at, to: row.to_at }))
    };
    rows.into_iter().map(noted).collect()
}
