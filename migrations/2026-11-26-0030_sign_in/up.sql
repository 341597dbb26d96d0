-- People: invitations, forgotten passwords, second factors, what is known of each sign-in, and
-- wrong tries.

alter table account
  add column totp_sealed bytea,
  add column totp_since timestamptz,
  add column totp_step int8,
  add column password_set_at timestamptz not null default now();
comment on column account.totp_sealed is 'The secret of the second factor (RFC 6238), sealed by a key that is not in the database.';
comment on column account.totp_since is 'Since when codes are asked for; null: never, or not confirmed yet.';
comment on column account.totp_step is 'The time step of the last code that was taken: it and those before it are spent.';

create table recovery_code (
  account_id uuid not null references account,
  code_hash bytea not null check (length(code_hash) = 32),
  created_at timestamptz not null,
  used_at timestamptz,
  primary key (account_id, code_hash)
);
comment on table recovery_code is 'SHA-256 of codes of 120 random bits that stand in, once each, for a lost second factor.';

create table password_reset (
  token_hash bytea primary key check (length(token_hash) = 32),
  account_id uuid not null references account,
  created_at timestamptz not null,
  expires_at timestamptz not null,
  used_at timestamptz
);
create index password_reset_account on password_reset (account_id);
comment on table password_reset is 'SHA-256 of the links by which a forgotten password is set anew; the secret is never stored.';

alter table session_family
  add column key_hash bytea,
  add column previous_hash bytea,
  add column successor_sealed bytea,
  add column address text,
  add column network text,
  add column device text,
  add column device_hash bytea;
create unique index session_family_key on session_family (key_hash);
create index session_family_account on session_family (account_id, rotated_at);
create index session_family_revoked on session_family (revoked_at) where revoked_at is not null;
comment on column session_family.key_hash is 'SHA-256 of the part that all refresh tokens of the family share: whoever shows it had one of them.';
comment on column session_family.previous_hash is 'SHA-256 of the token before: shown again at once it gets the same successor, later it is a thief''s.';
comment on column session_family.successor_sealed is 'The present token under a pad that only the token before yields.';
comment on column session_family.address is 'Where it was used last.';
comment on column session_family.network is 'The network of that address, from which its owner is known.';
comment on column session_family.device is 'The browser or program in words.';
comment on column session_family.device_hash is 'SHA-256 of the browser''s own cookie, by which its owner is known elsewhere too.';

create table sign_in_try (
  key bytea primary key check (length(key) = 32),
  tries int4 not null,
  last_at timestamptz not null,
  next_at timestamptz not null
);
create index sign_in_try_last on sign_in_try (last_at);
comment on table sign_in_try is 'Tries that did not end in a sign-in, by address and account, by account, and by address.';
comment on column sign_in_try.key is 'SHA-256 of what is counted: of unknown accounts too, and nothing to be read from it.';
comment on column sign_in_try.next_at is 'Before that no further try is looked at.';

grant select, insert, update, delete on recovery_code, sign_in_try to weirbook_gate;
grant select, insert, update on password_reset to weirbook_gate;

create table invitation (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  email text not null,
  name text not null,
  role text not null check (role in ('owner', 'office', 'technician', 'customer_viewer', 'customer_reader')),
  customer_id uuid,
  site_ids uuid[] not null default '{}',
  invited_by uuid,
  expires_at timestamptz not null,
  accepted_at timestamptz,
  membership_id uuid,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, customer_id) references customer,
  foreign key (dealer_id, membership_id) references membership,
  check ((customer_id is not null) = (role in ('customer_viewer', 'customer_reader')))
);
comment on column invitation.site_ids is 'The customer''s sites it is limited to; empty: all of them.';
comment on column invitation.ended_at is 'When it was withdrawn.';
call app.guard('invitation', 'false');
create unique index invitation_open on invitation (dealer_id, lower(email), customer_id) nulls not distinct
  where accepted_at is null and ended_at is null;

create table invitation_link (
  dealer_id int4 not null default app.dealer_id() references dealer,
  token_hash bytea not null check (length(token_hash) = 32),
  invitation_id uuid not null,
  created_at timestamptz not null,
  primary key (dealer_id, token_hash),
  foreign key (dealer_id, invitation_id) references invitation
);
comment on table invitation_link is 'SHA-256 of each link sent for an invitation; the secret itself is never stored.';
call app.guard('invitation_link', 'false');
revoke update on invitation_link from weirbook_app;

create table sign_in_rule (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  owners_second_factor boolean not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null
);
comment on table sign_in_rule is 'What a dealer asks of sign-ins; without a row nothing beyond the service''s own rules.';
call app.guard('sign_in_rule', 'false');

grant delete on site_access to weirbook_app;
