-- Dealers who agreed to it lend each other how many lives of a kind of part they watched, for how long
-- together, and how many failed: counts, and nothing that tells whose or where.

create table risk_pooling (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  figures jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null
);
comment on table risk_pooling is 'Whether the dealer lends counts of lives and is lent those of others; without a row it does not.';
call app.guard('risk_pooling', 'false');

-- Global, like the sign-ins: no dealer's transaction reaches it, and the gate gives out sums alone.
create table lent_life (
  lender int4 not null references dealer,
  kind text not null,
  duty text not null,
  run_basis text not null,
  lives int4 not null check (lives >= 0),
  failures int4 not null check (failures between 0 and lives),
  time_at_risk float8 not null check (time_at_risk >= 0),
  primary key (lender, kind, duty, run_basis)
);
comment on table lent_life is 'Counts that a dealer lends; its rows go when it no longer does.';
grant select, insert, delete on lent_life to weirbook_gate;
