-- A past night that is forecast again must not know of a failure that was written down later.

alter table component add column out_noted_at timestamptz;
comment on column component.out_noted_at is 'When it was written down that the part is out; null with out_at: then.';
update component set out_noted_at = changed_at where out_at is not null;
