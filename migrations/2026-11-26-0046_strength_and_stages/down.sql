alter table model_stage drop column weir_m, drop column surface_m2;
alter table consumable drop column per_day, drop column active_share;
