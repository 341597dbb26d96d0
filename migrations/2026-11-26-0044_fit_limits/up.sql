-- How well the rate of a baseline that is made of bills has to fit them.

create table fit_limits (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  limits jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null
);
comment on table fit_limits is 'What the dealer asks of fitted bills, in the domain''s own JSON.';
call app.guard('fit_limits', 'false');
