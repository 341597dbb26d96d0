alter table forecast_night drop column ends;
