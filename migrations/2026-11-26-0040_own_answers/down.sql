alter policy customer_people on idempotency using (true);
