-- Programs that sign in by themselves (RFC 6749, section 4.4), and links to a site's discharge log.

create table api_client (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  name text not null,
  customer_id uuid,
  scopes text[] not null check (cardinality(scopes) > 0),
  expires_at timestamptz,
  last_used_at timestamptz,
  created_by uuid,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, name),
  foreign key (dealer_id, customer_id) references customer
);
comment on table api_client is 'A program with the permissions that were granted to it; of one customer alone, if so made.';
comment on column api_client.last_used_at is 'When it last asked for a token.';
call app.guard('api_client', 'id = (select app.holder_id())');

create table api_client_site (
  dealer_id int4 not null default app.dealer_id() references dealer,
  client_id uuid not null,
  site_id uuid not null,
  primary key (dealer_id, client_id, site_id),
  foreign key (dealer_id, client_id) references api_client,
  foreign key (dealer_id, site_id) references site
);
comment on table api_client_site is 'Limits a program of one customer to chosen sites; without rows it has all of them.';
call app.guard('api_client_site', 'client_id = (select app.holder_id())');
revoke update on api_client_site from weirbook_app;

create table client_secret (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  client_id uuid not null,
  secret_hash bytea not null check (length(secret_hash) = 32),
  created_at timestamptz not null,
  ends_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, secret_hash),
  foreign key (dealer_id, client_id) references api_client
);
comment on table client_secret is 'SHA-256 of each secret of a program. Two may hold at a time, while the program changes over.';
comment on column client_secret.ends_at is 'When it stops to hold; null: when the program ends.';
call app.guard('client_secret', 'false');

create table ended_token (
  dealer_id int4 not null default app.dealer_id() references dealer,
  token_id uuid not null,
  client_id uuid not null,
  expires_at timestamptz not null,
  primary key (dealer_id, token_id),
  foreign key (dealer_id, client_id) references api_client
);
comment on table ended_token is 'Access tokens that their program revoked before they ran out (RFC 7009).';
call app.guard('ended_token', 'client_id = (select app.holder_id())');
grant delete on ended_token to weirbook_app;

-- Lets a program's transaction begin: while neither it nor its token has ended, with its sites.
create function app.enter_client(token uuid) returns void
  language plpgsql volatile as $$
begin
  if not exists (select from api_client c where c.id = app.holder_id() and c.ended_at is null
                  and (c.expires_at is null or c.expires_at > now()))
     or exists (select from ended_token t where t.token_id = token) then
    raise exception 'the program or its token has ended'
      using errcode = 'invalid_authorization_specification', constraint = 'token_ended';
  end if;
  perform set_config('app.site_ids', coalesce(
    (select array_agg(s.site_id)::text from api_client_site s where s.client_id = app.holder_id()), 'all'), true);
end $$;
revoke execute on function app.enter_client from public;
grant execute on function app.enter_client to weirbook_app;

create table discharge_link (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  token_hash bytea not null check (length(token_hash) = 32),
  person text not null,
  first_day date not null,
  last_day date not null check (last_day >= first_day),
  expires_at timestamptz not null,
  created_by uuid,
  created_at timestamptz not null,
  opened_at timestamptz,
  revoked_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, token_hash),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table discharge_link is 'Lets an inspector read one site''s discharge and hauling of some days, without signing in, until it expires.';
comment on column discharge_link.person is 'Who was given it.';
comment on column discharge_link.opened_at is 'When it was last opened.';
call app.guard('discharge_link', 'false');
create index discharge_link_site on discharge_link (dealer_id, site_id, created_at);
