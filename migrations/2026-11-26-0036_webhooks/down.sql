alter table routine drop column late_for;
drop table webhook_attempt, webhook_delivery, webhook_secret, webhook_endpoint;
