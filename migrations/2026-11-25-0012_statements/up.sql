-- The parts of a month's balance, each with its errors: every figure of the month is computed
-- from them.

alter table month_fact add column statement jsonb not null default '{"all": {}, "whole": {}, "washes": null}';
comment on column month_fact.statement is 'Volumes of the balance''s parts with where they come from and what makes them unsure; of all days, and of whole ones.';
