-- For lists of notes of all sites and units, as others have them: by when they were noted down, and by when they were
-- last written; those of units in order of time too.

create index rain_day_created on rain_day (dealer_id, created_at, id);
create index flow_test_created on flow_test (dealer_id, created_at, id);
create index billed_item_created on billed_item (dealer_id, created_at, id);
create index investment_created on investment (dealer_id, created_at, id);
create index rain_intake_created on rain_intake (dealer_id, created_at, id);
create index wash_derivation_created on wash_derivation (dealer_id, created_at, id);
create index wash_sessions_created on wash_sessions (dealer_id, created_at, id);
create index loss_coefficient_created on loss_coefficient (dealer_id, created_at, id);
create index working_days_created on working_days (dealer_id, created_at, id);
create index wash_chemical_created on wash_chemical (dealer_id, created_at, id);
create index dosing_setting_created on dosing_setting (dealer_id, created_at, id);
create index draw_down_created on draw_down (dealer_id, created_at, id);
create index rain_day_changed on rain_day (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index flow_test_changed on flow_test (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index billed_item_changed on billed_item (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index investment_changed on investment (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index dosing_setting_changed on dosing_setting (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index draw_down_changed on draw_down (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
-- What holds from-to may be ended.
create index rain_intake_changed on rain_intake (dealer_id, (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end), id);
create index wash_derivation_changed on wash_derivation (dealer_id, (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end), id);
create index wash_sessions_changed on wash_sessions (dealer_id, (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end), id);
create index loss_coefficient_changed on loss_coefficient (dealer_id, (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end), id);
create index working_days_changed on working_days (dealer_id, (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end), id);
create index wash_chemical_changed on wash_chemical (dealer_id, (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end), id);
create index dosing_setting_time on dosing_setting (dealer_id, at, id);
create index draw_down_time on draw_down (dealer_id, at, id);

-- Goods kept for visits, by when that was first and last written.
create index stock_reservation_created on stock_reservation (dealer_id, created_at, id);
create index stock_reservation_changed on stock_reservation (dealer_id, changed_at, id);
