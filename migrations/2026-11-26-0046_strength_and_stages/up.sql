-- How strong a product is, what a unit is declared to use of it, and what loads a stage.

alter table consumable
  add column active_share float8 check (active_share > 0 and active_share <= 1),
  add column per_day jsonb;
comment on column consumable.active_share is 'Active substance by mass; null where nobody said.';
comment on column consumable.per_day is 'The declared daily use of one unit, in the domain''s own JSON.';

alter table model_stage
  add column surface_m2 float8 check (surface_m2 > 0),
  add column weir_m float8 check (weir_m > 0);
comment on column model_stage.surface_m2 is 'Water surface, of a stage that settles.';
comment on column model_stage.weir_m is 'Length of the weir it flows over.';
