drop table routine_done, routine, component_failure;
alter table component drop column assumed_per_day;
drop table model_kit_line, model_consumable, model_routine, model_component, model_stage;
