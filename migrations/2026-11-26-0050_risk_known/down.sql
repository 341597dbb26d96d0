drop table unit_night;
alter table forecast drop column loss;
delete from forecast where (dealer_id, night, grp) in
  (select dealer_id, night, grp from life_model where basis = 'counts_elsewhere_and_lives');
delete from life_model where basis = 'counts_elsewhere_and_lives';
alter table life_model
  drop column soil_class,
  drop constraint life_model_basis_check,
  add constraint life_model_basis_check check (basis in ('lives', 'rated_life_and_lives', 'nothing'));
alter table kit drop column for_kind, drop column for_model;
alter table site drop column soil_class;
alter table component drop column tracked_from;
