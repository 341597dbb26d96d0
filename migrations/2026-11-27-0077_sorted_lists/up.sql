-- For lists of the notes of one unit or site: an index that brings all of them, withdrawn ones too, where there is one of
-- those that count alone. In each order they are sorted then, since they are few.
create index calibration_noted on calibration (dealer_id, unit_id, at);
create index rain_day_site on rain_day (dealer_id, site_id, day);
create index flow_test_site on flow_test (dealer_id, site_id, day);
create index investment_site on investment (dealer_id, site_id, day);
create index rain_intake_site on rain_intake (dealer_id, site_id);
create index wash_derivation_site on wash_derivation (dealer_id, site_id);
create index wash_sessions_site on wash_sessions (dealer_id, site_id);
create index wash_tally_site on wash_tally (dealer_id, site_id);
create index loss_coefficient_site on loss_coefficient (dealer_id, site_id);
create index working_days_site on working_days (dealer_id, site_id);
create index wash_chemical_site on wash_chemical (dealer_id, site_id);

-- For lists of stock movements, goods on order and prices by when they were first and last written. A movement is never
-- changed. Of goods on order there is one of those that are still to come alone.
create index stock_movement_created on stock_movement (dealer_id, created_at, id);
create index stock_order_expected on stock_order (dealer_id, expected_on, id);
create index stock_order_created on stock_order (dealer_id, created_at, id);
create index stock_order_changed on stock_order (dealer_id, changed_at, id);
create index price_created on price (dealer_id, created_at, id);
create index price_changed on price (dealer_id, (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end), id);
