alter table month_fact drop column statement;
