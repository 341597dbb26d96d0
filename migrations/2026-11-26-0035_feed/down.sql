drop table change_place;
delete from change where verb in ('opened', 'closed', 'asked');
alter table change drop constraint change_verb_check;
alter table change add constraint change_verb_check check (verb in
  ('created', 'updated', 'retired', 'added', 'computed', 'signed_in', 'signed_out'));
drop index change_record, change_xid;
alter table change drop column address, drop column line, drop column xid;
