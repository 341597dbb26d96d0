-- What ordering and keeping an item cost, by which an order is as large as costs least.

alter table consumable
  add column order_cost numeric check (order_cost > 0),
  add column holding_cost_per_year numeric check (holding_cost_per_year > 0),
  add constraint consumable_order_costs
    check (num_nonnulls(order_cost, holding_cost_per_year) in (0, 2)
      and (order_cost is null or supplier_id is not null));
comment on column consumable.order_cost is 'What one order costs, whatever its size, in the dealer''s currency. Never shown to a customer.';
comment on column consumable.holding_cost_per_year is 'What keeping one of its unit for a year costs, in the dealer''s currency. Never shown to a customer.';
