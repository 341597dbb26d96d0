-- A dealer may open the risk of its units, and beside it what failures are expected to cost, to a customer.
-- Closed unless it does.

create table risk_sharing (
  dealer_id int4 not null default app.dealer_id() references dealer,
  customer_id uuid not null,
  risk boolean not null,
  expected_loss boolean not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, customer_id),
  foreign key (dealer_id, customer_id) references customer,
  check (risk or not expected_loss)
);
comment on table risk_sharing is 'What a customer sees of risk; without a row nothing.';
call app.guard('risk_sharing', 'customer_id = (select app.customer_id())');

alter table unit_risk add column made_at timestamptz;
comment on column unit_risk.made_at is 'Whose unit it was then: whoever it is opened to.';
comment on column unit_risk.expected_loss is 'Of nights of earlier versions; else in unit_loss.';

create table unit_loss (
  dealer_id int4 not null default app.dealer_id() references dealer,
  unit_id uuid not null,
  made_at timestamptz not null,
  expected_loss jsonb not null,
  primary key (dealer_id, unit_id),
  foreign key (dealer_id, unit_id) references unit
);
comment on table unit_loss is 'What failures and upsets at a unit are expected to cost within 30 days, as of the last night.';
call app.guard('unit_loss',
  'exists (select from risk_sharing s where s.dealer_id = unit_loss.dealer_id and s.expected_loss)
     and exists (select from placement p where p.dealer_id = unit_loss.dealer_id and p.unit_id = unit_loss.unit_id
       and p.valid @> unit_loss.made_at)');
grant delete on unit_loss to weirbook_app;

-- Losses of the last night move; the owner of the tables reads the rows of all dealers for it.
alter table unit_risk no force row level security;
alter table forecast_night no force row level security;
alter table unit_loss no force row level security;
insert into unit_loss (dealer_id, unit_id, made_at, expected_loss)
  select r.dealer_id, r.unit_id, n.made_at, r.expected_loss
    from unit_risk r join forecast_night n on n.dealer_id = r.dealer_id and n.night = r.night
   where r.expected_loss is not null;
update unit_risk set expected_loss = null;
alter table unit_risk force row level security;
alter table forecast_night force row level security;
alter table unit_loss force row level security;

-- Whoever asks sees the switches of their own customer and their own placements alone.
alter policy customer_people on unit_risk using (
  exists (select from risk_sharing s where s.dealer_id = unit_risk.dealer_id and s.risk)
     and exists (select from placement p where p.dealer_id = unit_risk.dealer_id and p.unit_id = unit_risk.unit_id
       and p.valid @> unit_risk.made_at));
alter policy customer_people on forecast using (
  exists (select from unit_risk r
     where r.dealer_id = forecast.dealer_id and r.unit_id = forecast.unit_id and r.night = forecast.night));
alter policy customer_people on finding using (
  exists (select from risk_sharing s where s.dealer_id = finding.dealer_id and s.risk)
     and exists (select from placement p where p.dealer_id = finding.dealer_id and p.unit_id = finding.unit_id
       and p.valid @> finding.opened_at));
