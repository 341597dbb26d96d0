-- The order of the change log. A line's place is given after its transaction has committed, by
-- whoever holds the dealer's lock, so that a reader who goes on from one place misses nothing.

alter table change
  add column xid int8 not null default pg_current_xact_id()::text::int8,
  add column line int8 generated always as identity,
  add column address text;
comment on column change.xid is 'The transaction that wrote it; all below a snapshot''s xmin are seen or will never be.';
comment on column change.line is 'Order of writing, also within a transaction. Not that of the feed: a slow one commits late.';
comment on column change.address is 'From which IP address; null for the service itself.';
create index change_xid on change (dealer_id, xid, line);
create index change_record on change (dealer_id, record, record_id);

alter table change drop constraint change_verb_check;
alter table change add constraint change_verb_check check (verb in
  ('created', 'updated', 'retired', 'added', 'computed', 'opened', 'closed', 'signed_in', 'signed_out', 'asked'));

create table change_place (
  dealer_id int4 not null default app.dealer_id() references dealer,
  seq int8 not null check (seq > 0),
  change_id uuid not null,
  customer_id uuid,
  hash bytea not null check (length(hash) = 32),
  below_xid int8 not null,
  primary key (dealer_id, seq),
  unique (dealer_id, change_id),
  foreign key (dealer_id, change_id) references change
);
comment on table change_place is 'Where each line of the change log stands in its dealer''s feed and hash chain. Append-only by its grants.';
comment on column change_place.customer_id is 'The customer whose people see it; null where it is the dealer''s alone.';
comment on column change_place.hash is 'SHA-256 of the hash before it and the line''s text, so that no line can be changed unnoticed.';
comment on column change_place.below_xid is 'All lines of transactions below this one have their place by now.';
create index change_place_customer on change_place (dealer_id, customer_id, seq);
call app.guard('change_place', 'customer_id = (select app.customer_id())');
-- As of the log itself: it does not say at which site a record is.
call app.guard_sites('change_place', 'false');
revoke update on change_place from weirbook_app;
