-- What washing costs the customer beside the terms, what serving costs the dealer, what was
-- invested and promised, and when a site works.

create table billed_item (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  day date not null,
  kind text not null check (kind in ('billed_part', 'billed_consumable', 'billed_call_out', 'billed_other')),
  what text not null,
  quantity numeric not null,
  unit text not null,
  price numeric not null check (price >= 0),
  currency text not null check (currency ~ '^[A-Z]{3}$'),
  covers daterange check (covers is null or not isempty(covers) and lower(covers) is not null and upper(covers) is not null),
  component_id uuid,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  foreign key (dealer_id, component_id) references component,
  check (covers is null or component_id is null)
);
comment on table billed_item is 'Something the customer was billed for, at the customer''s price.';
comment on column billed_item.covers is 'Local days that it is for; null: the day it was billed, or the life of its part.';
comment on column billed_item.component_id is 'The part that it paid for: it accrues over that part''s life.';
call app.guard('billed_item', 'customer_id = (select app.customer_id())');
call app.write_once('billed_item');
create index billed_item_site on billed_item (dealer_id, site_id, day);

create table working_days (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  week jsonb not null,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table working_days is 'When a site works: hours by weekday, and the days on which it is closed.';
call app.guard('working_days', 'customer_id = (select app.customer_id())');
call app.write_once('working_days');
grant update (valid) on working_days to weirbook_app;
alter table working_days add constraint working_days_overlap exclude using gist
  (dealer_id with =, site_id with =, valid with &&) where (withdrawn_at is null);

create table investment (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  day date not null,
  amount numeric not null check (amount > 0),
  currency text not null check (currency ~ '^[A-Z]{3}$'),
  promised_per_year numeric check (promised_per_year >= 0),
  discount_rate float8 not null check (discount_rate between 0 and 1),
  life_years float8 not null check (life_years > 0),
  evidence text not null,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table investment is 'What the customer put into recycling at a site, and what was promised to come of it.';
comment on column investment.promised_per_year is 'Net saving of a year as promised; null: nothing was.';
call app.guard('investment', 'customer_id = (select app.customer_id())');
call app.write_once('investment');
create unique index investment_once on investment (dealer_id, site_id) where withdrawn_at is null;

create table price (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  what text not null check (what in ('item', 'labour', 'travel', 'disposal')),
  item_id uuid,
  kind text not null check (kind in ('purchase', 'selling')),
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  unit text not null,
  amount numeric not null check (amount >= 0),
  currency text not null check (currency ~ '^[A-Z]{3}$'),
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  check ((what = 'item') = (item_id is not null))
);
comment on table price is 'What goods and work cost the dealer, and what goods are sold at. Never shown to a customer.';
comment on column price.item_id is 'The item, as lines of service events and the stock ledger name it.';
call app.guard('price', 'false');
call app.write_once('price');
grant update (valid) on price to weirbook_app;
alter table price add constraint price_overlap exclude using gist
  (dealer_id with =, what with =, coalesce(item_id, '00000000-0000-0000-0000-000000000000') with =, kind with =,
   unit with =, valid with &&) where (withdrawn_at is null);
