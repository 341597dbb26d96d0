-- Meters and their readings. The readings of one meter in one UTC day are one row.

create table meter (
  dealer_id int4 not null default app.dealer_id() references dealer,
  no int4 not null check (no > 0),
  id uuid not null,
  label text not null,
  stream text not null check (stream in
    ('makeup', 'wash', 'rinse', 'bypass', 'recirculation', 'hand_fill', 'to_sewer', 'to_holding', 'hauled',
     'blowdown', 'energy', 'run_hours', 'starts', 'wash_count')),
  unit text not null check (unit in ('l', 'm3', 'us_gal', 'ft3', 'ccf', 'kgal', 'kwh', 'h', 'count')),
  multiplier int2 not null default 1 check (multiplier in (1, 10, 100, 1000)),
  digits int2 check (digits between 3 and 12),
  resolution float8 check (resolution > 0),
  flow_max_per_h float8 check (flow_max_per_h > 0),
  flow_q1_l_per_h float8,
  flow_q2_l_per_h float8,
  flow_q3_l_per_h float8,
  flow_q4_l_per_h float8,
  accuracy_class int2 check (accuracy_class in (1, 2)),
  in_service_factor float8 not null default 2 check (in_service_factor >= 1),
  position text,
  serial_number text,
  read_by text not null check (read_by in ('telemetry', 'technician', 'customer', 'never')),
  read_every_h int4 check (read_every_h > 0),
  dial_meter_no int4,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, no),
  unique (dealer_id, id),
  foreign key (dealer_id, dial_meter_no) references meter
);
comment on column meter.digits is 'Digits of the register as it is typed in; it rolls over at 10^digits. Null: never.';
comment on column meter.multiplier is 'Painted zeros: what one count stands for, in `unit`.';
comment on column meter.flow_max_per_h is 'Most that can pass in an hour, in litres, kWh, hours or events.';
comment on column meter.in_service_factor is 'Permissible error in service over that of a new meter; 2 is common.';
comment on column meter.dial_meter_no is 'This register is the pulse total of that dial.';

create table meter_number (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  last_no int4 not null
);
comment on table meter_number is 'The last meter number given out, one row a dealer.';
call app.guard('meter_number', 'false');

create table meter_attachment (
  dealer_id int4 not null default app.dealer_id() references dealer,
  meter_no int4 not null,
  valid tstzrange not null check (not isempty(valid) and lower(valid) is not null),
  unit_id uuid,
  site_id uuid,
  component_id uuid,
  share float8 not null default 1 check (share > 0 and share <= 1),
  created_at timestamptz not null,
  primary key (dealer_id, meter_no, valid),
  foreign key (dealer_id, meter_no) references meter,
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, component_id) references component,
  check (num_nonnulls(unit_id, site_id, component_id) = 1),
  constraint meter_attachment_overlap exclude using gist (dealer_id with =, meter_no with =, valid with &&)
);
comment on table meter_attachment is 'What a meter measures: one unit, a site with several, or one part.';
call app.guard('meter_attachment', $$
  exists (select from site s where s.dealer_id = meter_attachment.dealer_id and s.id = meter_attachment.site_id)
  or exists (select from placement p where p.dealer_id = meter_attachment.dealer_id
     and p.unit_id = meter_attachment.unit_id and p.valid && meter_attachment.valid)
  or exists (select from component c where c.dealer_id = meter_attachment.dealer_id
     and c.id = meter_attachment.component_id)$$);
create index meter_attachment_unit on meter_attachment (dealer_id, unit_id) where unit_id is not null;
create index meter_attachment_site on meter_attachment (dealer_id, site_id) where site_id is not null;

call app.guard('meter',
  'exists (select from meter_attachment a where a.dealer_id = meter.dealer_id and a.meter_no = meter.no)');

-- What a customer's people may see of a meter: the stretches in which it served them.
create view meter_holding with (security_invoker = true) as
  select a.dealer_id, a.meter_no, s.customer_id, a.valid, null::uuid as placement_id, s.id as site_id
    from meter_attachment a
    join site s on s.dealer_id = a.dealer_id and s.id = a.site_id
  union all
  select a.dealer_id, a.meter_no, p.customer_id, a.valid * p.valid, p.id, p.site_id
    from meter_attachment a
    left join component c on c.dealer_id = a.dealer_id and c.id = a.component_id
    join placement p on p.dealer_id = a.dealer_id and p.unit_id = coalesce(a.unit_id, c.unit_id)
     and p.valid && a.valid;
comment on view meter_holding is 'Which customer a meter served when: its attachment cut by the placement of its unit.';
grant select on meter_holding to weirbook_app;

create table meter_exchange (
  dealer_id int4 not null default app.dealer_id() references dealer,
  meter_no int4 not null,
  at timestamptz not null,
  old_final float8 not null check (old_final >= 0),
  new_start float8 not null check (new_start >= 0),
  note text,
  created_at timestamptz not null,
  primary key (dealer_id, meter_no, at),
  foreign key (dealer_id, meter_no) references meter
);
comment on table meter_exchange is 'A new register behind the same connection: the old one''s last value and the new one''s first.';
call app.guard('meter_exchange', $$
  exists (select from meter_holding h where h.dealer_id = meter_exchange.dealer_id
    and h.meter_no = meter_exchange.meter_no and h.valid @> meter_exchange.at)$$);

-- The hot table. No foreign key to the meter: the service looks every meter up before it
-- writes, and the check for each row costs more than the row.
create table day_sheet (
  dealer_id int4 not null default app.dealer_id(),
  meter_no int4 not null,
  day date not null,
  at int4[] not null,
  register float8[] not null,
  flags int2[],
  primary key (dealer_id, meter_no, day)
) partition by range (day);
comment on table day_sheet is 'All readings of one meter in one UTC day that count now, in time order.';
comment on column day_sheet.at is 'Second of the UTC day, 0 to 86399, strictly rising.';
comment on column day_sheet.register is 'Register value at each instant, in the meter''s own unit.';
comment on column day_sheet.flags is 'For each reading: bit 0 read by hand, bit 1 read by the customer, bit 2 imported. Null: none has any.';
-- A sheet that spans the instant at which a meter changed hands is for the dealer alone;
-- the placement itself carries the registers of that instant.
call app.guard('day_sheet', $$
  exists (select from meter_holding h
    where h.dealer_id = day_sheet.dealer_id and h.meter_no = day_sheet.meter_no
      and h.valid @> (day_sheet.day::timestamp at time zone 'UTC' + make_interval(secs => at[1]))
      and h.valid @> (day_sheet.day::timestamp at time zone 'UTC' + make_interval(secs => at[cardinality(at)])))$$,
  customer_writes => true);

create function reading(of_meter int4, from_day date, to_day date)
  returns table (read_at timestamptz, register float8, flags int2)
  language sql stable parallel safe
  begin atomic
    select s.day::timestamp at time zone 'UTC' + make_interval(secs => r.second), r.value, coalesce(r.flag, 0::int2)
      from day_sheet s
      cross join lateral unnest(s.at, s.register, s.flags) as r (second, value, flag)
     where s.meter_no = of_meter and s.day between from_day and to_day
     order by s.day, r.second;
  end;
comment on function reading is 'The readings of a meter, one a row, for a person at psql; row-level security of the caller applies.';
grant execute on function reading to weirbook_app;

create table reading_correction (
  dealer_id int4 not null default app.dealer_id() references dealer,
  meter_no int4 not null,
  at timestamptz not null,
  n int2 not null,
  was float8 not null,
  became float8,
  why text not null,
  corrected_by uuid not null,
  corrected_at timestamptz not null,
  primary key (dealer_id, meter_no, at, n),
  foreign key (dealer_id, meter_no) references meter
);
comment on column reading_correction.became is 'Null: the reading was taken out.';
call app.guard('reading_correction', $$
  exists (select from meter_holding h where h.dealer_id = reading_correction.dealer_id
    and h.meter_no = reading_correction.meter_no and h.valid @> reading_correction.at)$$);

create table reading_exception (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  meter_no int4 not null,
  from_at timestamptz not null,
  to_at timestamptz not null,
  kind text not null,
  from_register float8 not null,
  to_register float8 not null,
  slip text,
  likely_register float8,
  opened_at timestamptz not null,
  closed_at timestamptz,
  ruling text check (ruling in ('accept', 'void', 'exchange', 'correct', 'no_longer_there')),
  ruled_by uuid,
  note text,
  primary key (dealer_id, id),
  unique (dealer_id, meter_no, to_at, kind),
  foreign key (dealer_id, meter_no) references meter,
  check ((closed_at is null) = (ruling is null))
);
comment on table reading_exception is 'A step that does not count until a person has decided.';
comment on column reading_exception.slip is 'What probably happened; suggested, never applied unasked.';
call app.guard('reading_exception', $$
  exists (select from meter_holding h where h.dealer_id = reading_exception.dealer_id
    and h.meter_no = reading_exception.meter_no
    and h.valid @> reading_exception.from_at and h.valid @> reading_exception.to_at)$$);
create index reading_exception_open on reading_exception (dealer_id, meter_no) where closed_at is null;

create table touched (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  meter_nos int4[] not null,
  from_day date not null,
  to_day date not null,
  primary key (dealer_id, id),
  check (from_day <= to_day)
);
alter table touched alter column meter_nos set storage external;
comment on table touched is 'What the next night run has to compute again: meters and UTC days.';
call app.guard('touched', 'true', customer_writes => true);
grant delete on touched to weirbook_app;

-- Partitions of the monthly tables, made ahead by the night run and on demand for old readings.
-- Sheets of the running month grow in place, so their pages keep room for the next version;
-- those of months gone by are written once.
create function app.make_month(month date) returns void
  language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
  first date := date_trunc('month', month)::date;
  last date := (date_trunc('month', month) + interval '1 month')::date;
  name text := 'day_sheet_' || to_char(first, 'YYYY_MM');
  fill int := case when last < now() then 100 else 50 end;
begin
  if first < date '1990-01-01' or first > now() + interval '2 years' then
    raise exception 'no partition for %: readings reach from 1990 to two years ahead', first
      using errcode = 'check_violation';
  end if;
  -- The catalogue's rows are asked, not to_regclass: while this waited for the lock, another
  -- session may have made the partition, and the cache of names would not know yet.
  if exists (select from pg_class where relnamespace = 'sheets'::regnamespace and relname = name) then
    return;
  end if;
  perform pg_advisory_xact_lock(hashtext('weirbook.make_month'));
  if not exists (select from pg_class where relnamespace = 'sheets'::regnamespace and relname = name) then
    execute format('create table sheets.%I (like public.day_sheet including defaults including constraints) with (fillfactor = %s)', name, fill);
    execute format('alter table sheets.%I alter column at set storage main, alter column register set storage main', name);
    execute format('alter table public.day_sheet attach partition sheets.%I for values from (%L) to (%L)', name, first, last);
  end if;
end $$;
revoke execute on function app.make_month from public;
grant execute on function app.make_month to weirbook_app;
