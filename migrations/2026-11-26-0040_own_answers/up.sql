-- Answers kept for retries are their sender's: a customer's people saw those of the whole dealer as far as
-- policies go. Who holds a link has no account.
alter policy customer_people on idempotency using (account_id = (select coalesce(
  (select m.account_id from membership m where m.id = app.holder_id()), app.holder_id(),
  '00000000-0000-0000-0000-000000000000')));
