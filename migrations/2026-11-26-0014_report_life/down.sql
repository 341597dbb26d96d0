drop table report_question, report_rule, report_standing;
alter table report_revision
  drop constraint report_revision_issued,
  drop column issued_how,
  drop column issued_by;
update report_revision set reason = '' where reason is null;
alter table report_revision alter column reason set not null;
