-- What else is known of parts and sites where lives are compared, every night's forecast, and which kit a
-- part is replaced with.

alter table component
  add column tracked_from timestamptz,
  add constraint component_tracked check (tracked_from >= fitted_at and tracked_from <= coalesce(out_at, tracked_from));
comment on column component.tracked_from is 'From when on its failure would have been written down; null: since it was fitted.';

alter table site add column soil_class text check (soil_class in ('light', 'earth', 'oily', 'organic'));
comment on column site.soil_class is 'What mostly comes off what is washed; parts wear by it.';

alter table kit
  add column for_kind text,
  add column for_model text,
  add constraint kit_for_model check (for_model is null or for_kind is not null);
create unique index kit_for_part on kit (dealer_id, for_kind, for_model) nulls not distinct
  where for_kind is not null and ended_at is null;
comment on column kit.for_kind is 'The kind of part that is replaced with it.';
comment on column kit.for_model is 'The maker''s name of that part; null: of all models that have no kit of their own.';

alter table life_model
  add column soil_class text,
  drop constraint life_model_basis_check,
  add constraint life_model_basis_check
    check (basis in ('lives', 'rated_life_and_lives', 'counts_elsewhere_and_lives', 'nothing'));
comment on column life_model.soil_class is 'The soil, where the group is of one.';

alter table forecast add column loss jsonb;
comment on column forecast.loss is 'What its failure costs on top of the part; null while its unit stands nowhere.';

create table unit_night (
  dealer_id int4 not null default app.dealer_id() references dealer,
  unit_id uuid not null,
  night date not null,
  made_at timestamptz not null,
  p_30 float8 not null,
  p_90 float8 not null,
  rate_p_30 float8 not null,
  rate_p_90 float8 not null,
  worn_30 float8,
  worn_90 float8,
  components uuid[] not null,
  chances_30 float8[] not null,
  chances_90 float8[] not null,
  primary key (dealer_id, unit_id, night),
  foreign key (dealer_id, unit_id) references unit
);
comment on table unit_night is 'Every night''s forecast of each unit and its parts, for two years.';
comment on column unit_night.rate_p_30 is 'As if all parts alike failed at one rate, and upsets came at the dealer''s.';
comment on column unit_night.worn_30 is 'The greatest share of its rated life that one of its parts will have reached.';
comment on column unit_night.chances_30 is 'In the order of components; null where nothing is held of a part''s life.';
create index unit_night_night on unit_night (dealer_id, night);
call app.guard('unit_night', 'false');
grant delete on unit_night to weirbook_app;
