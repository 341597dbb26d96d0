-- Forecasts are held against the upsets of their unit: a night's look-up must not pass those of the whole fleet.

create index process_upset_unit on process_upset (dealer_id, unit_id, at);
