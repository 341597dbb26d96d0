-- Calibrations of probes, and what they say about the samples before them.

create table calibration (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  component_id uuid,
  at timestamptz not null,
  probe text not null check (probe in ('ph', 'orp', 'dissolved_oxygen')),
  record jsonb not null,
  found_good boolean not null,
  left_good boolean not null,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, component_id) references component
);
comment on column calibration.record is 'Checks as found and as left with the limits of that day, in the domain''s own JSON.';
comment on column calibration.found_good is 'Whether the probe, as it was found, was within the limits.';
call app.guard('calibration',
  'exists (select from placement p where p.dealer_id = calibration.dealer_id
     and p.unit_id = calibration.unit_id and p.valid @> calibration.at)');
call app.write_once('calibration');
create index calibration_unit on calibration (dealer_id, unit_id, probe, at) where withdrawn_at is null;

create table calibration_limits (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  limits jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null
);
comment on table calibration_limits is 'How far a probe may be off, where the dealer has said so, in the domain''s own JSON.';
call app.guard('calibration_limits', 'false');

-- A sample is in doubt when the next check of the probe found it out of its limits.
create view sample_seen with (security_invoker = true) as
  select s.*, not coalesce((
           select c.found_good from calibration c
            where c.dealer_id = s.dealer_id and c.unit_id = s.unit_id and c.probe = s.what
              and c.at >= s.at and c.withdrawn_at is null
            order by c.at, c.id limit 1), true) as in_doubt
    from sample s;
comment on view sample_seen is 'Samples, and whether the check of the probe after them leaves them in doubt.';
grant select on sample_seen to weirbook_app;
