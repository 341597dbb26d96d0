-- Customers, their sites, and the water supplier's account and prices behind a saving.

create table customer (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  name text not null,
  own_number text,
  fiscal_year_start int2 not null default 1 check (fiscal_year_start between 1 and 12),
  unit_system text check (unit_system in ('metric', 'us')),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id)
);
comment on column customer.own_number is 'The number the customer''s own books use for the dealer or the contract.';
comment on column customer.fiscal_year_start is 'Month, 1 to 12.';
comment on column customer.unit_system is 'Null: as the dealer.';
call app.guard('customer', 'id = (select app.customer_id())');
create index customer_name on customer (dealer_id, name, id);

alter table membership add foreign key (dealer_id, customer_id) references customer;

create table site (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  customer_id uuid not null,
  name text not null,
  time_zone text not null,
  country text not null check (country ~ '^[A-Z]{2}$'),
  address text,
  latitude float8 check (latitude between -90 and 90),
  longitude float8 check (longitude between -180 and 180),
  own_number text,
  cost_centre text,
  bay_roofed boolean not null default true,
  catchment_m2 float8 check (catchment_m2 >= 0),
  rain_diverter boolean not null default false,
  pit_volume_l float8 check (pit_volume_l >= 0),
  fallback text not null default 'town_water' check (fallback in ('town_water', 'second_unit', 'none')),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, customer_id) references customer
);
comment on column site.time_zone is 'IANA zone: the site''s days and months begin by it.';
comment on column site.fallback is 'What the bay washes with when its unit stands.';
call app.guard('site', 'customer_id = (select app.customer_id())');
create index site_customer on site (dealer_id, customer_id, id);

create table site_access (
  dealer_id int4 not null default app.dealer_id() references dealer,
  membership_id uuid not null,
  site_id uuid not null,
  primary key (dealer_id, membership_id, site_id),
  foreign key (dealer_id, membership_id) references membership,
  foreign key (dealer_id, site_id) references site
);
comment on table site_access is 'Limits a membership to chosen sites; without rows it has all of its customer''s.';
call app.guard('site_access', 'false');

create table water_account (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  supplier text not null,
  account_number text,
  meter_size_mm int2 check (meter_size_mm > 0),
  billing_months int2 not null default 1 check (billing_months between 1 and 12),
  other_use_l_per_month float8 check (other_use_l_per_month >= 0),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on column water_account.other_use_l_per_month is 'Use on the same account that the unit does not touch; null: unknown, and then a saving is a range.';
call app.guard('water_account', 'customer_id = (select app.customer_id())');

create table tariff (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  water_account_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid)),
  currency text not null check (currency ~ '^[A-Z]{3}$'),
  terms jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, water_account_id) references water_account,
  exclude using gist (dealer_id with =, water_account_id with =, valid with &&)
);
comment on column tariff.terms is 'Fixed charges, blocks, allowances, sewer, taxes; the domain parses and checks them.';
call app.guard('tariff', 'customer_id = (select app.customer_id())');

create table baseline (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid)),
  method text not null check (method in ('measured_before', 'bucket_test', 'bills', 'equivalence')),
  figures jsonb not null,
  evidence text not null,
  agreed_by text not null,
  agreed_on date not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  exclude using gist (dealer_id with =, site_id with =, valid with &&)
);
comment on table baseline is 'What the site would have used without the unit, as the customer agreed to it.';
call app.guard('baseline', 'customer_id = (select app.customer_id())');
