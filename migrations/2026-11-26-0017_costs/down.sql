drop table price, investment, working_days, billed_item;
