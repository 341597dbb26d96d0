drop policy chosen_sites on file_link;
call app.guard_sites('file_link', $$record = 'reading' and exists (select from meter m
  where m.dealer_id = file_link.dealer_id and m.id = file_link.record_id)$$);

-- Counted anew: the numbers of the sequence don't fit.
alter table file_link no force row level security;
alter table file_link alter column n drop identity;
update file_link l set n = c.n from (
  select dealer_id, record, record_id, n as was, row_number() over (partition by dealer_id, record, record_id order by n) as n
    from file_link) c
 where (c.dealer_id, c.record, c.record_id, c.was) = (l.dealer_id, l.record, l.record_id, l.n);
alter table file_link alter column n type int4;
alter table file_link force row level security;
comment on column file_link.n is null;
