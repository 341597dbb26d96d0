-- A past night that is forecast again must not know of a failure that was written down later.

alter table component add column out_noted_at timestamptz;
comment on column component.out_noted_at is 'When it was written down that the part is out; null with out_at: then.';
-- The owner of the tables reads the rows of all dealers.
alter table component no force row level security;
update component set out_noted_at = changed_at where out_at is not null;
alter table component force row level security;
