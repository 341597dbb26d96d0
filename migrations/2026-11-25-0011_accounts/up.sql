-- Water accounts with all that a bill is computed from, bills as they came, baselines of units
-- too, and what the customer pays besides.

alter table water_account
  add column name text not null default 'Water account',
  add column meter_size text,
  add column cycle_anchor date not null default '2026-01-01',
  add column other_use_most_l_per_month float8 check (other_use_most_l_per_month >= 0),
  add column strengths_mg_per_l jsonb not null default '{}',
  add column charged daterange check (charged is null or not isempty(charged) and lower(charged) is not null),
  add constraint water_account_charged exclude using gist (dealer_id with =, site_id with =, charged with &&);
comment on column water_account.meter_size is 'By the name that the tariff has for it; takes the place of meter_size_mm.';
comment on column water_account.cycle_anchor is 'A day on which a billing cycle begins.';
comment on column water_account.other_use_l_per_month is 'Least use on the same account that the unit does not touch; null: unknown, and then a saving is a range.';
comment on column water_account.other_use_most_l_per_month is 'The most of it; the same as the least when it is known, null for no bound.';
comment on column water_account.charged is 'Local days on which the water of the site''s units is charged to it; null: never.';
create index water_account_site on water_account (dealer_id, site_id, id);

alter table tariff
  add column name text not null default 'Tariff',
  add column rounding text not null default 'half_up' check (rounding in ('half_up', 'half_even'));
comment on column tariff.terms is 'One version in the domain''s own JSON; its days are those of valid.';

create table water_bill (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  water_account_id uuid not null,
  customer_id uuid not null,
  period daterange not null check (not isempty(period) and lower(period) is not null and upper(period) is not null),
  currency text not null check (currency ~ '^[A-Z]{3}$'),
  metered_l float8 check (metered_l >= 0),
  bill jsonb not null,
  recorded_by uuid,
  created_at timestamptz not null,
  withdrawn_at timestamptz,
  withdrawn_by uuid,
  withdrawn_why text,
  primary key (dealer_id, id),
  foreign key (dealer_id, water_account_id) references water_account,
  foreign key (dealer_id, customer_id) references customer,
  constraint water_bill_withdrawn check ((withdrawn_at is null) = (withdrawn_why is null)),
  constraint water_bill_overlap exclude using gist
    (dealer_id with =, water_account_id with =, period with &&) where (withdrawn_at is null)
);
comment on table water_bill is 'A bill as it came from the supplier; a wrong one is withdrawn.';
comment on column water_bill.bill is 'Lines and total.';
call app.guard('water_bill', 'customer_id = (select app.customer_id())');
revoke update on water_bill from weirbook_app;
grant update (withdrawn_at, withdrawn_by, withdrawn_why) on water_bill to weirbook_app;

alter table baseline
  add column unit_id uuid,
  add column replaced_at timestamptz,
  add constraint baseline_unit foreign key (dealer_id, unit_id) references unit;
alter table baseline drop constraint baseline_dealer_id_site_id_valid_excl;
alter table baseline add constraint baseline_overlap exclude using gist
  (dealer_id with =, site_id with =, coalesce(unit_id, site_id) with =, valid with &&) where (replaced_at is null);
comment on column baseline.unit_id is 'Null: all that washes at the site.';
comment on column baseline.replaced_at is 'When a revision took its place; its figures stay readable.';
comment on column baseline.figures is 'The whole record in the domain''s own JSON; its days are those of valid.';

create table cost_terms (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  terms jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  constraint cost_terms_overlap exclude using gist (dealer_id with =, site_id with =, valid with &&)
);
comment on table cost_terms is 'What the customer pays at a site besides water and sewer: never what serving it costs the dealer.';
call app.guard('cost_terms', 'customer_id = (select app.customer_id())');
