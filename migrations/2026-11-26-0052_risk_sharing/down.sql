alter policy customer_people on finding using (false);
alter policy customer_people on forecast using (false);
alter policy customer_people on unit_risk using (false);
alter table unit_risk no force row level security;
alter table unit_loss no force row level security;
update unit_risk r set expected_loss = l.expected_loss
  from unit_loss l where l.dealer_id = r.dealer_id and l.unit_id = r.unit_id;
alter table unit_risk force row level security;
drop table unit_loss;
alter table unit_risk drop column made_at;
drop table risk_sharing;
