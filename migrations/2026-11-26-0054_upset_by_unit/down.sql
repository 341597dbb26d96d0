drop index process_upset_unit;
