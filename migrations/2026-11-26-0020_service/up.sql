-- Work done at units, call-outs, process upsets, and the wash chemicals in use at sites.

-- Row-level security hides rows, not columns: what is the dealer's alone stands in rows of its own.
alter table service_event
  drop column internal_note,
  add column why text,
  add column signed_by text,
  add column signed_at timestamptz,
  add constraint service_event_signed check ((signed_by is null) = (signed_at is null)),
  add constraint service_event_why check ((revision = 1) = (why is null));
comment on column service_event.why is 'Why a correction was made; null for the first revision.';
drop policy customer_people on service_event;
create policy customer_people on service_event for select using
  (exists (select from placement p where p.dealer_id = service_event.dealer_id
     and p.unit_id = service_event.unit_id and p.valid @> service_event.at));
create index service_event_unit on service_event (dealer_id, unit_id, at);
create index service_event_time on service_event (dealer_id, at, id);

alter table event_line add column what text not null default '';
comment on column event_line.what is 'Who worked or drove, or which part or consumable.';

create table event_internal (
  dealer_id int4 not null default app.dealer_id() references dealer,
  event_id uuid not null,
  revision int4 not null,
  note text not null,
  primary key (dealer_id, event_id, revision),
  foreign key (dealer_id, event_id, revision) references service_event
);
comment on table event_internal is 'The note of a service event that is the dealer''s alone.';
call app.guard('event_internal', 'false');
revoke update on event_internal from weirbook_app;

create table event_volume (
  dealer_id int4 not null default app.dealer_id() references dealer,
  event_id uuid not null,
  note_id uuid not null,
  primary key (dealer_id, event_id, note_id),
  foreign key (dealer_id, note_id) references volume_event
);
comment on table event_volume is 'Volume events that a service event brought about; a correction withdraws them and brings others.';
call app.guard('event_volume', 'false');
revoke update on event_volume from weirbook_app;

create table call_out (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid,
  site_id uuid not null,
  customer_id uuid not null,
  at timestamptz not null,
  record jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table call_out is 'A customer''s call, in the customer''s words, and the steps that followed.';
comment on column call_out.record is 'The record in the domain''s own JSON; the columns are what is looked for and judged.';
call app.guard('call_out', 'customer_id = (select app.customer_id())', customer_writes => true);
create index call_out_time on call_out (dealer_id, at, id);
create index call_out_unit on call_out (dealer_id, unit_id, at);

create table call_out_internal (
  dealer_id int4 not null default app.dealer_id() references dealer,
  call_out_id uuid not null,
  record jsonb not null,
  primary key (dealer_id, call_out_id),
  foreign key (dealer_id, call_out_id) references call_out
);
comment on table call_out_internal is 'What the dealer alone knows of a call-out: its cause and internal words.';
call app.guard('call_out_internal', 'false');

create table process_upset (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  site_id uuid,
  customer_id uuid,
  at timestamptz not null,
  record jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table process_upset is 'The water going wrong, with the customer of the day it began.';
comment on column process_upset.record is 'The record in the domain''s own JSON; the columns are what is looked for and judged.';
call app.guard('process_upset', 'customer_id = (select app.customer_id())');
create index process_upset_time on process_upset (dealer_id, at, id);

create table wash_chemical (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  product text not null,
  standing text not null check (standing in ('accepted', 'not_accepted', 'untested')),
  note text,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table wash_chemical is 'What a site washes with, and whether its unit''s biology takes it; a change of standing is a row that follows.';
call app.guard('wash_chemical', 'customer_id = (select app.customer_id())');
call app.write_once('wash_chemical');
grant update (valid) on wash_chemical to weirbook_app;
alter table wash_chemical add constraint wash_chemical_overlap exclude using gist
  (dealer_id with =, site_id with =, product with =, valid with &&) where (withdrawn_at is null);
