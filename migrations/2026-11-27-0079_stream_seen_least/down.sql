comment on column day_fact.coverage is 'Share of the day, 0 to 1, between accepted readings, of the least covered meter.';
