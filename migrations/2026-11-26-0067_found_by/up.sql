-- For lists over all units: notes of units in order of time, stock movements by when they happened, and work and
-- what is promised by when it was first or last written, parts by their kind.

create index gauge_reading_time on gauge_reading (dealer_id, at, id);
create index volume_event_time on volume_event (dealer_id, at, id);
create index calibration_time on calibration (dealer_id, at, id);
create index stock_movement_time on stock_movement (dealer_id, at, id);
create index process_upset_changed on process_upset (dealer_id, changed_at, id);
create index visit_changed on visit (dealer_id, changed_at, id);
create index agreement_changed on agreement (dealer_id, changed_at, id);
create index cover_changed on cover (dealer_id, changed_at, id);
create index process_upset_created on process_upset (dealer_id, created_at, id);
create index visit_created on visit (dealer_id, created_at, id);
create index agreement_created on agreement (dealer_id, created_at, id);
create index cover_created on cover (dealer_id, created_at, id);
create index call_out_created on call_out (dealer_id, created_at, id);
create index component_created on component (dealer_id, created_at, id);
create index routine_created on routine (dealer_id, created_at, id);
create index component_kind on component (dealer_id, kind, id);

-- The work that falls due next at a unit is the first of its own, not found by going through all that is due.
drop index routine_unit;
create index routine_unit on routine (dealer_id, unit_id, due_on, id);
