drop table unit_risk;
drop table forecast_outcome;
drop table forecast;
drop table life_model;
drop table forecast_night;
drop table risk_cost;
