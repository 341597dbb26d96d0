alter table unit_risk drop column upset;
drop table condition_test, finding;
