-- Washes told apart by the pauses at single guns, and wash volumes beyond what the guns can pass.

create table wash_sessions (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  meter_id uuid not null,
  pause_min int4 not null check (pause_min > 0),
  source text not null,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  foreign key (dealer_id, meter_id) references meter (dealer_id, id)
);
comment on table wash_sessions is 'Which pause tells washes apart at a meter that serves a single gun.';
comment on column wash_sessions.pause_min is 'Minutes without water after which what comes is another wash.';
call app.guard('wash_sessions', 'customer_id = (select app.customer_id())');
call app.write_once('wash_sessions');
grant update (valid) on wash_sessions to weirbook_app;
alter table wash_sessions add constraint wash_sessions_overlap exclude using gist
  (dealer_id with =, site_id with =, meter_id with =, valid with &&) where (withdrawn_at is null);

alter table day_fact add column sessions int4;
comment on column day_fact.sessions is 'Washes told apart by pauses at single guns. Null: the readings can''t.';

alter table meter_watch drop constraint meter_watch_kind_check;
alter table meter_watch add constraint meter_watch_kind_check check
  (kind in ('readings_missing', 'stuck', 'pulses_lost', 'pulses_extra', 'pulse_drift', 'beyond_the_guns'));
