-- For lists of what was written of late: what is written once and ended later has no stamp of that, nor has an exception
-- that was opened again. What was ended or opened again until now counts as written when it was first.

alter table loss_coefficient add column end_noted_at timestamptz;
alter table rain_intake add column end_noted_at timestamptz;
alter table wash_chemical add column end_noted_at timestamptz;
alter table wash_derivation add column end_noted_at timestamptz;
alter table wash_sessions add column end_noted_at timestamptz;
alter table working_days add column end_noted_at timestamptz;
alter table price add column end_noted_at timestamptz;
alter table item_price add column end_noted_at timestamptz;
alter table meter_attachment add column end_noted_at timestamptz;
comment on column loss_coefficient.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column rain_intake.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column wash_chemical.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column wash_derivation.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column wash_sessions.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column working_days.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column price.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column item_price.end_noted_at is 'When its end was written down, if that was later than the rest.';
comment on column meter_attachment.end_noted_at is 'When its end was written down, if that was later than the rest.';

-- Of what is written once, a column for each thing that is said later. `item_price` and `meter_attachment` are written freely.
grant update (end_noted_at) on loss_coefficient to weirbook_app;
grant update (end_noted_at) on rain_intake to weirbook_app;
grant update (end_noted_at) on wash_chemical to weirbook_app;
grant update (end_noted_at) on wash_derivation to weirbook_app;
grant update (end_noted_at) on wash_sessions to weirbook_app;
grant update (end_noted_at) on working_days to weirbook_app;
grant update (end_noted_at) on price to weirbook_app;

-- The version before writes none.
alter table reading_exception add column changed_at timestamptz not null default now();
comment on column reading_exception.changed_at is 'When it was last opened, found to be otherwise, or closed.';
-- The owner of the tables reads the rows of all dealers.
alter table reading_exception no force row level security;
update reading_exception set changed_at = greatest(opened_at, closed_at);
alter table reading_exception force row level security;
create index reading_exception_opened on reading_exception (dealer_id, opened_at, id);
create index reading_exception_changed on reading_exception (dealer_id, changed_at, id);

-- For lists of notes of all sites, as those of units have them.
create index wash_tally_created on wash_tally (dealer_id, created_at, id);
create index dip_created on dip (dealer_id, created_at, id);
create index wash_tally_changed on wash_tally (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index dip_changed on dip (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
