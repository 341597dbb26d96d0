alter table consumable
  drop constraint consumable_order_costs,
  drop column holding_cost_per_year,
  drop column order_cost;
