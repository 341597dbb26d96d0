drop table idempotency, change;
