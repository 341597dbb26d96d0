-- What a place used is summed each night over all lines: without looking up the movement and the place of each.

alter table stock_posting add column is_use bool;
comment on column stock_posting.is_use is 'Its change is use of the place: issued, returned, moved out of a warehouse or back, or a count explained by use. Null of a line that a version before wrote: an issue is.';
-- The owner of the tables reads the rows of all dealers.
alter table stock_posting no force row level security;
alter table stock_movement no force row level security;
alter table place no force row level security;
update stock_posting s
   set is_use = s.is_issue or m.kind = 'moved' and p.kind = 'warehouse' or m.kind = 'counted' and m.why is not distinct from 'used'
  from stock_movement m
  join place p on p.dealer_id = m.dealer_id
 where m.dealer_id = s.dealer_id and m.id = s.movement_id and p.id = s.place_id;
alter table stock_posting force row level security;
alter table stock_movement force row level security;
alter table place force row level security;
