-- The life of a savings report: issued by a person or by the dealer's rule, what comes of data
-- that arrives after that, and questions.

alter table report_revision
  alter column reason drop not null,
  add column issued_how text check (issued_how in ('person', 'rule')),
  add column issued_by uuid,
  add constraint report_revision_issued check ((issued_at is null) = (issued_how is null));
comment on column report_revision.n is 'A draft has one row, whose number counts how often it was made; each issued revision keeps its own.';
comment on column report_revision.reason is 'Why it was issued in spite of open exceptions, or revised.';

create table report_standing (
  dealer_id int4 not null default app.dealer_id() references dealer,
  report_id uuid not null,
  customer_id uuid not null,
  month date not null check (extract(day from month) = 1),
  version int4 not null default 1,
  standing jsonb not null,
  owes boolean not null default false,
  figures jsonb,
  proposed_at timestamptz,
  proposed_by uuid,
  proposed_why text,
  declined_at timestamptz,
  declined_by uuid,
  declined_why text,
  changed_at timestamptz not null,
  primary key (dealer_id, report_id),
  unique (dealer_id, customer_id, month),
  foreign key (dealer_id, report_id) references savings_report,
  foreign key (dealer_id, customer_id) references customer,
  constraint report_standing_declined check ((declined_at is null) = (declined_why is null)),
  constraint report_standing_proposed check (proposed_at is null or figures is not null)
);
comment on table report_standing is 'What issued reports state of a month beside what it comes to now; the dealer''s alone.';
comment on column report_standing.standing is 'Figures as issued, as decided on since, and as later data are held against.';
comment on column report_standing.owes is 'Whether the next report has something to carry.';
comment on column report_standing.figures is 'The report as it would be now; null while its reckoning is the issued one.';
comment on column report_standing.proposed_by is 'Null: the night run, because the difference is above the tolerance.';
call app.guard('report_standing', 'false');

create table report_rule (
  dealer_id int4 not null default app.dealer_id() references dealer,
  rule jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id)
);
comment on table report_rule is 'When the night run issues reports by itself, and which later differences it carries unasked.';
call app.guard('report_rule', 'false');

create table report_question (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  report_id uuid not null,
  customer_id uuid not null,
  figure text not null,
  words text not null,
  asked_by uuid,
  by_customer boolean not null,
  asked_at timestamptz not null,
  answer text,
  answered_by uuid,
  answered_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, report_id) references savings_report,
  foreign key (dealer_id, customer_id) references customer,
  constraint report_question_answered check ((answer is null) = (answered_at is null))
);
comment on table report_question is 'A question about a figure of a report, and its answer; the customer and the dealer see both.';
call app.guard('report_question', 'customer_id = (select app.customer_id())', customer_writes => true);
create index report_question_report on report_question (dealer_id, report_id, id);
