-- What people measure and declare at units and sites. Such a note is written once: a wrong one
-- is withdrawn, and the service may write nothing later but its withdrawal.

create procedure app.write_once(notes regclass)
  language plpgsql as $$
begin
  execute format(
    'alter table %s add column withdrawn_at timestamptz, add column withdrawn_by uuid, add column withdrawn_why text,
       add constraint %I check ((withdrawn_at is null) = (withdrawn_why is null))', notes, notes || '_withdrawn');
  execute format('revoke update on %s from weirbook_app', notes);
  execute format('grant update (withdrawn_at, withdrawn_by, withdrawn_why) on %s to weirbook_app', notes);
end $$;
revoke execute on procedure app.write_once from public;

call app.write_once('gauge_reading');
call app.write_once('sample');

alter table wash_tally add column recorded_by uuid;
call app.write_once('wash_tally');
alter table wash_tally drop constraint wash_tally_overlap;
alter table wash_tally add constraint wash_tally_overlap exclude using gist
  (dealer_id with =, site_id with =, machine_class with =, period with &&) where (withdrawn_at is null);

alter table volume_event
  add column u_share float8 not null default 0 check (u_share between 0 and 1),
  add column passed_a_meter boolean not null default false,
  add column hauler text,
  add column ticket text,
  add column destination text,
  add column waste_class text,
  add column recorded_by uuid,
  drop constraint volume_event_kind_check,
  add constraint volume_event_kind_check check (kind in ('first_fill', 'refill', 'drain', 'hand_fill', 'hauled')),
  add constraint volume_event_load check (num_nonnulls(hauler, ticket, destination, waste_class) = case kind when 'hauled' then 4 else 0 end);
comment on column volume_event.u_share is 'Relative standard uncertainty of the volume.';
comment on column volume_event.passed_a_meter is 'Whether a meter of the balance counted this water too.';
comment on column volume_event.waste_class is 'As its generator declared it.';
call app.write_once('volume_event');
create index volume_event_unit on volume_event (dealer_id, unit_id, at);

-- A customer's reader notes levels and washes; which gauges, the service says.
drop policy customer_people on gauge_reading;
create policy customer_people on gauge_reading using
  (exists (select from placement p where p.dealer_id = gauge_reading.dealer_id
     and p.unit_id = gauge_reading.unit_id and p.valid @> gauge_reading.at));
drop policy customer_people on wash_tally;
create policy customer_people on wash_tally using (customer_id = (select app.customer_id()));

alter table site
  add column runoff_coefficient float8 check (runoff_coefficient between 0 and 1),
  add column initial_loss_mm float8 check (initial_loss_mm >= 0);
comment on column site.runoff_coefficient is 'Part of the rain on the catchment that runs off.';
comment on column site.initial_loss_mm is 'Depth that wets the catchment before anything runs, a rain day.';

create table rain_day (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  day date not null,
  depth_mm float8 not null check (depth_mm >= 0),
  source text not null check (source in ('gauge', 'station', 'radar', 'model')),
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table rain_day is 'Rain at a site in one of its local days.';
call app.guard('rain_day', 'customer_id = (select app.customer_id())');
call app.write_once('rain_day');
create unique index rain_day_once on rain_day (dealer_id, site_id, day) where withdrawn_at is null;

create table rain_intake (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid tstzrange not null check (not isempty(valid) and lower(valid) is not null),
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table rain_intake is 'A stretch in which a site''s rain diverter leads to the pit; else it leads away.';
call app.guard('rain_intake', 'customer_id = (select app.customer_id())');
call app.write_once('rain_intake');
grant update (valid) on rain_intake to weirbook_app;
alter table rain_intake add constraint rain_intake_overlap exclude using gist
  (dealer_id with =, site_id with =, valid with &&) where (withdrawn_at is null);

create table flow_test (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  day date not null,
  gun text not null,
  litres float8 not null check (litres > 0),
  seconds float8 not null check (seconds > 0),
  u_share float8 not null check (u_share between 0 and 1),
  tested_by text,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table flow_test is 'A gun''s flow, measured by filling a bucket.';
comment on column flow_test.u_share is 'Relative standard uncertainty of the flow found.';
call app.guard('flow_test', 'customer_id = (select app.customer_id())');
call app.write_once('flow_test');
create unique index flow_test_once on flow_test (dealer_id, site_id, gun, day) where withdrawn_at is null;

create table wash_derivation (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  gun text not null,
  method text not null check (method in ('trigger_hours', 'share_of_pump_hours')),
  meter_id uuid not null,
  share float8 check (share > 0 and share <= 1),
  u_share float8 check (u_share between 0 and 1),
  source text not null,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  foreign key (dealer_id, meter_id) references meter (dealer_id, id),
  check (num_nonnulls(share, u_share) = case method when 'share_of_pump_hours' then 2 else 0 end)
);
comment on table wash_derivation is 'Which hours a gun''s flow is multiplied by, where no meter measures the wash water.';
comment on column wash_derivation.u_share is 'Standard uncertainty of the share.';
call app.guard('wash_derivation', 'customer_id = (select app.customer_id())');
call app.write_once('wash_derivation');
grant update (valid) on wash_derivation to weirbook_app;
alter table wash_derivation add constraint wash_derivation_overlap exclude using gist
  (dealer_id with =, site_id with =, gun with =, valid with &&) where (withdrawn_at is null);

create table loss_coefficient (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  loss text not null check (loss in ('evaporation', 'carry_off')),
  basis text not null check (basis in ('open_water', 'day', 'wash', 'flow')),
  value float8 not null check (value >= 0),
  surface_m2 float8 check (surface_m2 >= 0),
  u_share float8 not null check (u_share between 0 and 1),
  source text not null,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  check ((basis = 'open_water') = (surface_m2 is not null))
);
comment on table loss_coefficient is 'What leaves the loop unmeasured, as declared.';
comment on column loss_coefficient.value is 'Litres a square metre and day, a day or a wash; of flow, the part of the wash water.';
comment on column loss_coefficient.u_share is 'Relative standard uncertainty of the value.';
call app.guard('loss_coefficient', 'customer_id = (select app.customer_id())');
call app.write_once('loss_coefficient');
grant update (valid) on loss_coefficient to weirbook_app;
alter table loss_coefficient add constraint loss_coefficient_overlap exclude using gist
  (dealer_id with =, site_id with =, loss with =, valid with &&) where (withdrawn_at is null);
