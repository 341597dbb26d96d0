-- What the night run foresees of every item at every place.

create table stock_forecast (
  dealer_id int4 not null default app.dealer_id() references dealer,
  place_id uuid not null,
  consumable_id uuid not null,
  night date not null,
  on_hand numeric not null,
  stood_on date not null,
  months int4 not null,
  model text check (model in ('smoothing', 'croston_sba', 'tsb', 'month_index', 'per_day')),
  per_day float8,
  earliest date,
  likely date,
  latest date,
  order_by date,
  safety_stock float8,
  reorder_point float8,
  order_quantity float8,
  use_is text check (use_is in ('above', 'below')),
  use_since timestamptz,
  use_actual float8,
  use_expected float8,
  primary key (dealer_id, place_id, consumable_id),
  foreign key (dealer_id, place_id) references place,
  foreign key (dealer_id, consumable_id) references consumable,
  check (num_nonnulls(model, per_day, safety_stock, reorder_point, order_quantity) in (0, 5)),
  check (num_nonnulls(use_is, use_since, use_actual, use_expected) in (0, 4))
);
comment on column stock_forecast.stood_on is 'The day on_hand stood at: of a dip, its day.';
comment on column stock_forecast.model is 'The demand model that fits; null while there is too little of a past.';
comment on column stock_forecast.earliest is 'The cautious day on which the stock does not suffice any more; null is beyond three years.';
comment on column stock_forecast.use_is is 'Which way the use at a site is out of line, if it is.';
call app.guard('stock_forecast', 'false');
grant delete on stock_forecast to weirbook_app;
