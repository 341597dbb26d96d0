alter table unit_risk drop column signs;
delete from forecast where age_from in ('own_counter', 'unit_counter');
alter table forecast
  drop column visit_more,
  drop column visit_on,
  drop column replace_saving,
  drop column factor,
  drop column age_estimated,
  drop constraint forecast_age_from_check,
  add constraint forecast_age_from_check check (age_from in ('calendar', 'counter', 'assumed'));
drop table sign_limits, finding_followed, condition_due;
delete from condition_test
 where kind in ('pressure_above', 'ph_probe_drifts', 'orp_probe_drifts', 'oxygen_probe_drifts', 'dose_off');
alter table condition_test
  drop constraint condition_test_kind_check,
  add constraint condition_test_kind_check check (kind in ('passing_fill_valve', 'falling_flow', 'energy_above', 'starts_above'));
delete from finding
 where kind in ('pressure_above', 'ph_probe_drifts', 'orp_probe_drifts', 'oxygen_probe_drifts', 'dose_off');
alter table finding
  drop column no_cost,
  drop column cost_per_day,
  drop column about,
  drop constraint finding_kind_check,
  add constraint finding_kind_check check (kind in ('passing_fill_valve', 'falling_flow', 'energy_above', 'starts_above'));
