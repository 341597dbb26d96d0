drop table stock_movement, place, consumable, event_line, service_event, volume_event, wash_tally, sample, gauge_reading;
