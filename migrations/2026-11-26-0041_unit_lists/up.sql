-- Lists of units that a person keeps: what is looked for, in which states, in which order.

create table unit_list (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  account_id uuid not null,
  name text not null,
  find text not null,
  state text,
  sort text not null,
  created_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id)
);
comment on table unit_list is 'A person''s own list of installed units: the choice, not the units.';
call app.guard('unit_list', 'false');
create unique index unit_list_name on unit_list (dealer_id, account_id, name) where ended_at is null;
