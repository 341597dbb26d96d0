-- Meters that take over from one another see a stream in turn: what counts is the stream, not one of its meters.

comment on column day_fact.coverage is 'Share of the day, 0 to 1, between accepted readings, of the stream that was seen least.';
