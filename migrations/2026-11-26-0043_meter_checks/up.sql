-- How far a meter may be off beyond its class: displacement meters have limits of their own, a
-- check against a known volume says what it is, and a declared share is unsure by itself. Read
-- periods have their balance, as months have.

alter table meter add column displacement text check (displacement in ('new', 'repaired'));
alter table meter add check (displacement is null or accuracy_class is null);
comment on column meter.displacement is 'State of a displacement meter, which has limits of its own in place of a class.';

alter table meter_attachment add column share_u float8 not null default 0 check (share_u between 0 and 1);
comment on column meter_attachment.share_u is 'Standard uncertainty of the declared share.';

alter table period_fact add column statement jsonb;
comment on column period_fact.statement is 'The parts of the balance with their errors, in the domain''s own JSON. Null: computed before these were kept.';

create table meter_check (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  meter_no int4 not null,
  at timestamptz not null,
  indicated_l float8 not null check (indicated_l >= 0),
  reference_l float8 not null check (reference_l > 0),
  u_reference_share float8 not null check (u_reference_share between 0 and 1),
  note text,
  created_at timestamptz not null,
  withdrawn_at timestamptz,
  withdrawn_by uuid,
  withdrawn_why text,
  primary key (dealer_id, id),
  foreign key (dealer_id, meter_no) references meter,
  check ((withdrawn_at is null) = (withdrawn_why is null))
);
comment on table meter_check is 'A meter held against a known volume: a bucket, a tank, a tested meter.';
comment on column meter_check.u_reference_share is 'Relative standard uncertainty of the known volume.';
call app.guard('meter_check', $$
  exists (select from meter_holding h where h.dealer_id = meter_check.dealer_id
    and h.meter_no = meter_check.meter_no and h.valid @> meter_check.at)$$);
create unique index meter_check_at on meter_check (dealer_id, meter_no, at) where withdrawn_at is null;
