-- A meter that reports every minute would write its day again with each reading. Its sheets hold
-- an hour each, from a day on that has not begun when that is found.

alter table meter add column hourly_from date;
comment on column meter.hourly_from is 'From this UTC day on each hour has a sheet of its own; null: a sheet is a whole day.';

alter table day_sheet add column hour int2 not null default 0 check (hour between 0 and 23);
comment on table day_sheet is 'All readings of one meter in one UTC day, or in one hour of it, that count now, in time order.';
comment on column day_sheet.hour is 'The hour of the UTC day, where the meter''s hours have sheets of their own; 0 for a whole day.';
alter table day_sheet drop constraint day_sheet_pkey;
alter table day_sheet add primary key (dealer_id, meter_no, day, hour);
