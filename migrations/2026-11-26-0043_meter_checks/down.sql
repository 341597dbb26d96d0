drop table meter_check;
alter table period_fact drop column statement;
alter table meter_attachment drop column share_u;
alter table meter drop column displacement;
