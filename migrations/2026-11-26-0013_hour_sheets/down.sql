-- Forced row-level security would hide the sheets from the owner, who joins them here.
alter table day_sheet no force row level security;
create temporary table whole_day on commit drop as
  select s.dealer_id, s.meter_no, s.day, array_agg(r.second order by r.second) as at,
         array_agg(r.value order by r.second) as register, array_agg(coalesce(r.flag, 0::int2) order by r.second) as flags
    from day_sheet s
    cross join lateral unnest(s.at, s.register, s.flags) as r (second, value, flag)
   where (s.dealer_id, s.meter_no, s.day) in (select dealer_id, meter_no, day from day_sheet where hour > 0)
   group by s.dealer_id, s.meter_no, s.day;
delete from day_sheet where (dealer_id, meter_no, day) in (select dealer_id, meter_no, day from whole_day);
insert into day_sheet (dealer_id, meter_no, day, at, register, flags)
  select dealer_id, meter_no, day, at, register, flags from whole_day;
alter table day_sheet drop constraint day_sheet_pkey;
alter table day_sheet drop column hour;
alter table day_sheet add primary key (dealer_id, meter_no, day);
alter table day_sheet force row level security;
comment on table day_sheet is 'All readings of one meter in one UTC day that count now, in time order.';
alter table meter drop column hourly_from;
