-- Two dealers. The first has customers a and b, and a unit "u" that stood at a's site until
-- noon of 10 March 2026 (UTC) and stands at b's since then. Every tenant table has a row.
-- `id('x')` is the key of whatever is called x.

create function pg_temp.id(name text) returns uuid immutable language sql return md5(name)::uuid;
create function pg_temp.at(text) returns timestamptz immutable language sql return ('2026-' || $1 || ':00Z')::timestamptz;
create function pg_temp.during(text, text) returns tstzrange language sql
  return tstzrange(pg_temp.at($1), pg_temp.at($2));
select app.make_month('2026-03-01');

insert into dealer (name, time_zone, currency) values ('Brookside', 'Europe/Vienna', 'EUR'), ('Millrace', 'UTC', 'EUR');
insert into account (id, email, name, password_hash) values (pg_temp.id('person'), 'x@example.com', 'x', '-');

set app.dealer_id = '2';
insert into customer (id, name, created_at, changed_at) values (pg_temp.id('foreign'), 'foreign', now(), now());

set app.dealer_id = '1';
insert into customer (id, name, created_at, changed_at)
  select pg_temp.id(n), n, now(), now() from unnest(array['a', 'b']) n;
insert into membership (id, account_id, role, customer_id) values
  (pg_temp.id('ma'), pg_temp.id('person'), 'customer_viewer', pg_temp.id('a')),
  (pg_temp.id('mb'), pg_temp.id('person'), 'customer_viewer', pg_temp.id('b'));
insert into site (id, customer_id, name, time_zone, country, created_at, changed_at)
  select pg_temp.id('site ' || n), pg_temp.id(n), 'site ' || n, 'UTC', 'AT', now(), now() from unnest(array['a', 'b']) n;
insert into site_access (membership_id, site_id) values (pg_temp.id('ma'), pg_temp.id('site a'));
insert into api_client (id, name, customer_id, scopes, created_at, changed_at)
  values (pg_temp.id('program'), 'program', pg_temp.id('a'), '{read-water}', now(), now());
insert into api_client_site (client_id, site_id) values (pg_temp.id('program'), pg_temp.id('site a'));
insert into client_secret (id, client_id, secret_hash, created_at)
  values (gen_random_uuid(), pg_temp.id('program'), sha256('secret'), now());
insert into ended_token (token_id, client_id, expires_at) values (pg_temp.id('token'), pg_temp.id('program'), now());
insert into discharge_link (id, site_id, customer_id, token_hash, person, first_day, last_day, expires_at, created_at)
  values (gen_random_uuid(), pg_temp.id('site a'), pg_temp.id('a'), sha256('link'), 'inspector', '2026-01-01', '2026-12-31', now(), now());
insert into invitation (id, email, name, role, expires_at, created_at, changed_at)
  values (pg_temp.id('invited'), 'y@example.com', 'invited', 'office', now(), now(), now());
insert into invitation_link (token_hash, invitation_id, created_at) values (sha256('link'), pg_temp.id('invited'), now());
insert into sign_in_rule (owners_second_factor, created_at, changed_at) values (true, now(), now());
insert into water_account (id, site_id, customer_id, supplier, created_at, changed_at)
  select pg_temp.id('water ' || n), pg_temp.id('site ' || n), pg_temp.id(n), n, now(), now() from unnest(array['a', 'b']) n;
insert into tariff (id, water_account_id, customer_id, valid, currency, terms, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('water ' || n), pg_temp.id(n), '[2026-01-01,)', 'EUR', to_jsonb(n), now(), now()
    from unnest(array['a', 'b']) n;
insert into baseline (id, site_id, customer_id, valid, method, figures, evidence, agreed_by, agreed_on, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-01-01,)', 'bills', '{}', n, n, '2026-01-01', now(), now()
    from unnest(array['a', 'b']) n;
insert into water_bill (id, water_account_id, customer_id, period, currency, bill, created_at)
  select gen_random_uuid(), pg_temp.id('water ' || n), pg_temp.id(n), '[2026-01-01,2026-02-01)', 'EUR', to_jsonb(n), now()
    from unnest(array['a', 'b']) n;
insert into cost_terms (id, site_id, customer_id, valid, terms, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-01-01,)', to_jsonb(n), now(), now()
    from unnest(array['a', 'b']) n;

insert into unit_list (id, account_id, name, find, sort, created_at)
  values (gen_random_uuid(), pg_temp.id('person'), 'kept', '', 'site', now());
insert into unit_model (id, name, rated_flow_l_per_h, working_volume_l, float_band_l, created_at, changed_at)
  values (pg_temp.id('model'), 'model', 1000, 500, 50, now(), now());
-- "v" never left a; "w" was never placed.
insert into unit (id, serial_number, label, created_at, changed_at)
  select pg_temp.id(n), n, n, now(), now() from unnest(array['u', 'v', 'w']) n;
insert into placement (id, unit_id, site_id, customer_id, valid, terms, at_start, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id(unit), pg_temp.id('site ' || customer), pg_temp.id(customer),
         tstzrange(pg_temp.at(since), pg_temp.at(until)), 'rented', to_jsonb(unit || customer), now(), now()
    from (values ('u', 'a', '01-01 00:00', '03-10 12:00'), ('u', 'b', '03-10 12:00', null),
                 ('v', 'a', '01-01 00:00', null)) p (unit, customer, since, until);
insert into spell (id, unit_id, state, reason, valid, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('u'), 'running', reason, pg_temp.during(since, until), now(), now()
    from (values ('before', '01-01 00:00', '03-01 00:00'), ('across', '03-01 00:00', '03-20 00:00'),
                 ('after', '03-20 00:00', '03-30 00:00')) s (reason, since, until);
insert into component (id, unit_id, kind, duty, run_basis, fitted_at, out_at, out_why, created_at, changed_at)
  select pg_temp.id(kind), pg_temp.id('u'), kind, 'timed', 'days', pg_temp.at(fitted), pg_temp.at(out),
         case when out is not null then 'preventive' end, now(), now()
    from (values ('filter', '01-05 00:00', '02-01 00:00'), ('pump', '01-05 00:00', null),
                 ('valve', '03-15 00:00', null)) c (kind, fitted, out);

insert into model_stage (model_id, n, name, volume_l) values (pg_temp.id('model'), 0, 'stage', 1);
insert into model_component (model_id, n, kind, duty, run_basis, parts_cost_class, call_out, down_town_water_d, down_second_unit_d, down_none_d)
  values (pg_temp.id('model'), 0, 'seal', 'timed', 'days', 'low', false, 0, 0, 0);
insert into model_routine (model_id, n, plan) values (pg_temp.id('model'), 0, to_jsonb('plan'::text));
insert into model_consumable (model_id, n, name, unit, dose, dose_per) values (pg_temp.id('model'), 0, 'acid', 'l', 1, 'day');
insert into model_kit_line (model_id, n, task, item, quantity, unit) values (pg_temp.id('model'), 0, 'task', 'line', 1, 'piece');
insert into component_failure (component_id, parts_cost_class, call_out, down_town_water_d, down_second_unit_d, down_none_d)
  values (pg_temp.id('pump'), 'low', false, 0, 0, 0);
insert into routine (id, unit_id, name, every_days, rests, checklist, cautions, counts_from, created_at, changed_at)
  values (pg_temp.id('work'), pg_temp.id('u'), 'work', 30, false, '[]', '[]', '2026-01-01', now(), now());
insert into routine_done (routine_id, n, done_on, checked, note, created_at)
  values (pg_temp.id('work'), 1, '2026-02-01', '[]', 'noted', now());

insert into meter_number (last_no) values (5);
insert into meter (no, id, label, stream, unit, read_by, created_at, changed_at)
  select n, pg_temp.id('meter ' || n), n, 'makeup', 'l', 'telemetry', now(), now() from generate_series(1, 5) n;
-- 1 on u, 2 on its filter, 3 on a's site, 4 on v, 5 on nothing.
insert into meter_attachment (meter_no, valid, unit_id, component_id, site_id, created_at) values
  (1, pg_temp.during('01-01 00:00', null), pg_temp.id('u'), null, null, now()),
  (2, pg_temp.during('01-05 00:00', null), null, pg_temp.id('filter'), null, now()),
  (3, pg_temp.during('01-01 00:00', null), null, null, pg_temp.id('site a'), now()),
  (4, pg_temp.during('01-01 00:00', null), pg_temp.id('v'), null, null, now());
-- What happened at an instant: before the move, at it, after it.
create temp table happened (n, at) as
  values ('before', pg_temp.at('02-01 00:00')), ('at', pg_temp.at('03-10 12:00')), ('after', pg_temp.at('03-20 00:00'));
insert into meter_exchange (meter_no, at, old_final, new_start, note, created_at) select 1, at, 9, 0, n, now() from happened;
insert into meter_check (id, meter_no, at, indicated_l, reference_l, u_reference_share, note, created_at)
  select gen_random_uuid(), 1, at, 9, 9, 0, n, now() from happened;
insert into reading_correction (meter_no, at, n, was, why, corrected_by, corrected_at)
  select 1, at, 1, 9, n, pg_temp.id('person'), now() from happened;
insert into reading_exception (id, meter_no, from_at, to_at, kind, from_register, to_register, opened_at)
  select gen_random_uuid(), 1, pg_temp.at(since), pg_temp.at(until), kind, 0, 9, now()
    from (values ('before', '02-01 00:00', '02-02 00:00'), ('across', '03-10 00:00', '03-11 00:00'),
                 ('after', '03-20 00:00', '03-21 00:00')) e (kind, since, until);
insert into day_sheet (meter_no, day, at, register) values
  (1, '2026-03-09', '{3600,64800}', '{1,2}'), -- a's
  (1, '2026-03-10', '{3600,64800}', '{3,4}'), -- spans the move: the dealer's alone
  (1, '2026-03-11', '{3600,64800}', '{5,6}'), -- b's
  (4, '2026-03-10', '{3600,64800}', '{1,2}'), -- v has not moved
  (5, '2026-03-10', '{3600,64800}', '{1,2}'); -- measures nothing
insert into touched (id, meter_nos, from_day, to_day) values (gen_random_uuid(), '{1}', '2026-03-09', '2026-03-11');

insert into meter_month (subject_id, meter_no, month, days, spread_days, upper_day, mean_day)
  select subject, 1, '2026-02-01', 28, 0, upper_day, 5
    from (values (pg_temp.id('subject gone'), 9), (pg_temp.id('site a'), 7), (pg_temp.id('site b'), 8)) m (subject, upper_day);
insert into meter_watch (id, meter_no, kind, since, size, opened_at, seen_at)
  values (gen_random_uuid(), 1, 'stuck', now(), 9, now(), now());

insert into gauge_reading (id, unit_id, at, gauge, value, unit, place, created_at)
  select gen_random_uuid(), pg_temp.id('u'), at, 'level', 1, 'mm', n, now() from happened;
insert into sample (id, unit_id, at, point, what, value, unit, created_at)
  select gen_random_uuid(), pg_temp.id('u'), at, n, 'ph', 7, 'ph', now() from happened;
-- Checked an hour later, and found good at the move alone.
insert into calibration (id, unit_id, at, probe, record, found_good, left_good, created_at)
  select gen_random_uuid(), pg_temp.id('u'), at + interval '1 hour', 'ph', to_jsonb(n), n = 'at', true, now() from happened;
insert into calibration_limits (limits, created_at, changed_at) values (to_jsonb('limits'::text), now(), now());
insert into fit_limits (limits, created_at, changed_at) values (to_jsonb('asked'::text), now(), now());
insert into volume_event (id, unit_id, at, kind, volume_l, note, created_at)
  select gen_random_uuid(), pg_temp.id('u'), at, 'refill', 9, n, now() from happened;
insert into wash_tally (id, site_id, customer_id, period, machine_class, washes, source, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-03-01,2026-04-01)', n, 9, 'typed', now()
    from unnest(array['a', 'b']) n;
insert into rain_day (id, site_id, customer_id, day, depth_mm, source, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '2026-03-01', ascii(n), 'gauge', now()
    from unnest(array['a', 'b']) n;
insert into rain_intake (id, site_id, customer_id, valid, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), pg_temp.during('03-01 00:00', null), now()
    from unnest(array['a', 'b']) n;
insert into flow_test (id, site_id, customer_id, day, gun, litres, seconds, u_share, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '2026-03-01', n, 20, 80, 0, now()
    from unnest(array['a', 'b']) n;
insert into wash_derivation (id, site_id, customer_id, valid, gun, method, meter_id, source, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-03-01,)', n, 'trigger_hours', pg_temp.id('meter 3'), n, now()
    from unnest(array['a', 'b']) n;
insert into wash_sessions (id, site_id, customer_id, valid, meter_id, pause_min, source, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-03-01,)', pg_temp.id('meter 3'), 15, n, now()
    from unnest(array['a', 'b']) n;
insert into loss_coefficient (id, site_id, customer_id, valid, loss, basis, value, u_share, source, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-03-01,)', 'evaporation', 'day', 9, 0, n, now()
    from unnest(array['a', 'b']) n;
insert into working_days (id, site_id, customer_id, valid, week, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-03-01,)', to_jsonb(n), now()
    from unnest(array['a', 'b']) n;
insert into billed_item (id, site_id, customer_id, day, kind, what, quantity, unit, price, currency, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '2026-03-01', 'billed_part', n, 1, 'piece', 9, 'EUR', now()
    from unnest(array['a', 'b']) n;
insert into investment (id, site_id, customer_id, day, amount, currency, discount_rate, life_years, evidence, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '2026-03-01', 9, 'EUR', 0, 10, n, now()
    from unnest(array['a', 'b']) n;
insert into price (id, what, valid, unit, amount, currency, created_at)
  values (gen_random_uuid(), 'labour', '[2026-03-01,)', 'h', 9, 'EUR', now());
insert into service_event (id, revision, unit_id, at, kind, customer_note, created_at)
  select pg_temp.id('event ' || n), 1, pg_temp.id('u'), at, 'visit', n, now() from happened;
insert into event_internal (event_id, revision, note) select id, 1, 'for the dealer alone' from service_event where customer_note = 'at';
insert into event_line (event_id, revision, n, kind, quantity, unit) values (pg_temp.id('event at'), 1, 1, 'labour', 1, 'h');
insert into event_note (event_id, record, note_id)
  select pg_temp.id('event at'), 'volume_event', id from volume_event where note = 'at';
insert into call_out (id, unit_id, site_id, customer_id, at, record, created_at, changed_at)
  select pg_temp.id('call ' || n), pg_temp.id('u'), pg_temp.id('site ' || n), pg_temp.id(n), now(), to_jsonb(n), now(), now()
    from unnest(array['a', 'b']) n;
insert into call_out_internal (call_out_id, record) values (pg_temp.id('call a'), '"for the dealer alone"');
insert into process_upset (id, unit_id, site_id, customer_id, at, record, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('u'), pg_temp.id('site ' || n), pg_temp.id(n), now(), to_jsonb(n), now(), now()
    from unnest(array['a', 'b']) n;
insert into wash_chemical (id, site_id, customer_id, valid, product, standing, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), '[2026-03-01,)', n, 'untested', now()
    from unnest(array['a', 'b']) n;
insert into visit (id, site_id, customer_id, at, record, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('site a'), pg_temp.id('a'), now(), '"visit"', now(), now();
insert into agreement (id, site_id, customer_id, at, record, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), now(), to_jsonb(n), now(), now()
    from unnest(array['a', 'b']) n;
-- A supplier's cover is of no customer.
insert into cover (id, unit_id, site_id, customer_id, at, record, created_at, changed_at)
  select gen_random_uuid(), pg_temp.id('u'), case when n <> 'own' then pg_temp.id('site ' || n) end,
      case when n <> 'own' then pg_temp.id(n) end, now(), to_jsonb(n), now(), now()
    from unnest(array['a', 'b', 'own']) n;
insert into consumable (id, name, unit, created_at, changed_at) values (pg_temp.id('salt'), 'salt', 'kg', now(), now());
insert into place (id, name, kind, created_at) values (pg_temp.id('van'), 'van', 'van', now());
insert into stock_movement (id, consumable_id, to_place_id, kind, quantity, at, created_at)
  values (pg_temp.id('movement'), pg_temp.id('salt'), pg_temp.id('van'), 'received', 1, now(), now());
insert into event_issue (event_id, revision, movement_id) values (pg_temp.id('event at'), 1, pg_temp.id('movement'));
insert into supplier (id, name, created_at) values (pg_temp.id('mine'), 'mine', now());
insert into stock_lot (id, consumable_id, number, created_at) values (pg_temp.id('lot'), pg_temp.id('salt'), 'lot', now());
insert into stock_posting (place_id, consumable_id, lot_id, at, is_count, movement_id, is_issue, is_use, change, balance)
  values (pg_temp.id('van'), pg_temp.id('salt'), pg_temp.id('lot'), now(), false, pg_temp.id('movement'), false, false, 1, 1);
insert into stock_balance (place_id, consumable_id, lot_id, quantity) values (pg_temp.id('van'), pg_temp.id('salt'), pg_temp.id('lot'), 1);
insert into item_price (id, consumable_id, kind, valid, amount, currency, created_at)
  values (gen_random_uuid(), pg_temp.id('salt'), 'purchase', '[2026-01-01,)', 1, 'EUR', now());
insert into kit (id, name, lines, created_at, changed_at) values (pg_temp.id('kit'), 'kit', '[]', now(), now());
insert into stock_reservation (id, place_id, planned_on, lines, created_at, changed_at)
  values (gen_random_uuid(), pg_temp.id('van'), '2026-03-10', '[]', now(), now());
insert into stock_order (id, supplier_id, consumable_id, place_id, quantity, ordered_on, expected_on, created_at, changed_at)
  values (gen_random_uuid(), pg_temp.id('mine'), pg_temp.id('salt'), pg_temp.id('van'), 25, '2026-03-10', '2026-03-20', now(), now());
insert into stock_forecast (place_id, consumable_id, night, on_hand, stood_on, months)
  values (pg_temp.id('van'), pg_temp.id('salt'), '2026-03-10', 1, '2026-03-10', 0);
insert into dip (id, site_id, customer_id, at, consumable_id, open_quantity, sealed_quantity, created_at)
  select gen_random_uuid(), pg_temp.id('site ' || n), pg_temp.id(n), now(), pg_temp.id('salt'), ascii(n), 0, now()
    from unnest(array['a', 'b']) n;
insert into dosing_setting (id, unit_id, at, consumable_id, full_ml_per_min, control, run_share, created_at)
  select gen_random_uuid(), pg_temp.id('u'), pg_temp.at('03-' || day || ' 00:00'), pg_temp.id('salt'), day::int, 'by_ph', 1, now()
    from unnest(array['09', '11']) day;
insert into draw_down (id, unit_id, at, consumable_id, taken_ml, run_s, division_ml, created_at)
  select gen_random_uuid(), unit_id, at, consumable_id, full_ml_per_min, 60, 1, now() from dosing_setting;

insert into night_run (id, as_of, started_at) values (gen_random_uuid(), now(), now());
insert into day_fact (subject_id, day, site_id, customer_id, coverage, estimated_share, open_exceptions)
  select pg_temp.id('subject ' || n), '2026-03-10', pg_temp.id('site ' || n), pg_temp.id(n), 1, 0, 0 from unnest(array['a', 'b']) n;
insert into period_fact (subject_id, from_at, to_at, site_id, customer_id, grade, volumes, open_exceptions)
  select subject_id, day, day + 1, site_id, customer_id, 'measured', '{}', 0 from day_fact;
insert into month_fact (subject_id, month, site_id, customer_id, grade, volumes, coverage, estimated_share, open_exceptions)
  select subject_id, '2026-03-01', site_id, customer_id, 'measured', '{}', 1, 0, 0 from day_fact;
insert into savings_report (id, customer_id, month, created_at, changed_at)
  select pg_temp.id('report ' || n), pg_temp.id(n), '2026-03-01', now(), now() from unnest(array['a', 'b']) n;
insert into report_revision (report_id, n, customer_id, figures, reason, made_at)
  select id, 1, customer_id, '{}', 'first', now() from savings_report;
insert into report_standing (report_id, customer_id, month, standing, changed_at)
  select id, customer_id, month, '{}', now() from savings_report;
insert into report_rule (rule, created_at, changed_at) values ('{}', now(), now());
insert into report_style (style, created_at, changed_at) values ('{}', now(), now());
insert into report_recipient (id, customer_id, email, created_at)
  select pg_temp.id('reader ' || n), pg_temp.id(n), n || '@example.com', now() from unnest(array['a', 'b']) n;
insert into report_unsubscribe (token_hash, recipient_id, created_at)
  values (sha256('no more'), pg_temp.id('reader a'), now());
insert into monthly_file (id, customer_id, email, day_of_month, created_at, changed_at)
  select pg_temp.id('file ' || n), pg_temp.id(n), n || '@example.com', 5, now(), now() from unnest(array['a', 'b']) n;
insert into monthly_file_unsubscribe (token_hash, monthly_file_id, created_at)
  values (sha256('no file'), pg_temp.id('file a'), now());
insert into report_question (id, report_id, customer_id, figure, words, by_customer, asked_at)
  select gen_random_uuid(), id, customer_id, 'fresh_used', 'why', true, now() from savings_report;

insert into file (sha256, media_type, size_bytes, customer_id, created_at)
  select sha256(n::bytea), 'image/jpeg', 9, case when n = 'sent by a' then pg_temp.id('a') end, now()
    from unnest(array['sent by a', 'behind a', 'behind b', 'own']) n;
insert into file_content (sha256, bytes)
  select sha256(n::bytea), n::bytea from unnest(array['sent by a', 'behind a', 'behind b', 'own']) n;
insert into file_sender (sha256, customer_id, created_at)
  values (sha256('sent by a'::bytea), pg_temp.id('a'), now());
insert into file_link (record, record_id, n, sha256, at, customer_id, created_at)
  select 'reading', pg_temp.id('meter 1'), n, sha256(f::bytea), pg_temp.at(at), c, now()
    from (values (1, 'behind b', '03-11 00:00', pg_temp.id('b')), (2, 'own', '03-11 00:00', null),
                 (3, 'behind a', '03-09 00:00', pg_temp.id('a'))) l (n, f, at, c);
insert into reading_request (id, site_id, customer_id, person, due_on, expires_at, created_at, changed_at)
  select pg_temp.id('request ' || n), pg_temp.id('site ' || n), pg_temp.id(n), n, '2026-03-31', now(), now(), now()
    from unnest(array['a', 'b']) n;
insert into reading_request_meter (request_id, n, meter_no)
  select pg_temp.id('request ' || n), 1, 1 from unnest(array['a', 'b']) n;
insert into reading_link (token_hash, request_id, created_at) values (sha256('secret'), pg_temp.id('request a'), now());
insert into reminder_rule (days_before, days_after, reminders_most, created_at, changed_at) values (1, 2, 3, now(), now());
insert into job (id, kind, once, payload, due_at, created_at) values (gen_random_uuid(), 'mail', 'x', '{}', now(), now());

insert into risk_cost (figures, created_at, changed_at) values ('{}', now(), now());
insert into forecast_night (night, made_at, parts, looked_at) values ('2026-03-10', now(), 1, now());
insert into life_model (night, grp, kind, duty, run_basis, lives, failures, basis, figures)
  values ('2026-03-10', 0, 'pump', 'timed', 'days', 1, 0, 'nothing', '{}');
insert into forecast (night, component_id, unit_id, grp, age, age_from, reach, alike_failed, alike_known, use_30, rate_p_30,
    use_90, rate_p_90)
  values ('2026-03-10', pg_temp.id('pump'), pg_temp.id('u'), 0, 1, 'calendar', 31, 0, 0, 30, 0, 90, 0);
insert into forecast_outcome (night, component_id, horizon_days, state, after_days)
  values ('2026-03-10', pg_temp.id('pump'), 30, 'failed', 12);
insert into unit_night (unit_id, night, made_at, p_30, p_90, rate_p_30, rate_p_90, components, chances_30, chances_90)
  values (pg_temp.id('u'), '2026-03-10', now(), 0, 0, 0, 0, '{}', '{}', '{}');
insert into risk_pooling (figures, created_at, changed_at) values ('{}', now(), now());
-- Both see their units' risk, the first what failures cost too; the unit stood at a's when it was forecast, and at
-- b's when something was found wrong with it.
insert into risk_sharing (customer_id, risk, expected_loss, created_at, changed_at)
  select pg_temp.id(n), true, n = 'a', now(), now() from unnest(array['a', 'b']) n;
insert into unit_risk (unit_id, night, made_at, rank, p_30, p_90, not_forecast)
  values (pg_temp.id('u'), '2026-03-10', pg_temp.at('03-10 03:00'), 1, 0.5, 0.6, 0),
         (pg_temp.id('w'), '2026-03-10', pg_temp.at('03-10 03:00'), 2, 0.5, 0.6, 0);
insert into unit_loss (unit_id, made_at, expected_loss)
  select pg_temp.id('u'), pg_temp.at('03-10 03:00'), '"lost at a"'::jsonb
  union all select pg_temp.id('v'), pg_temp.at('03-10 03:00'), '"lost at v"'::jsonb;

insert into finding (id, unit_id, kind, since, size, opened_at, seen_at)
  values (gen_random_uuid(), pg_temp.id('u'), 'falling_flow', '2026-03-10', 0.2, now(), now());
insert into condition_test (unit_id, kind, tested_at, why_not)
  values (pg_temp.id('u'), 'starts_above', now(), 'no meter');
insert into condition_due (id, unit_id) values (gen_random_uuid(), pg_temp.id('u'));
insert into finding_followed (finding, part_kind, failures, expected, failures_without, expected_without)
  values ('falling_flow', 'tube', 1, 1, 0, 0);
insert into sign_limits (figures, created_at, changed_at) values ('{}', now(), now());

insert into change (id, at, record, record_id, verb, customer_id)
  select gen_random_uuid(), now(), 'site', n, 'created', case when n <> 'own' then pg_temp.id(n) end
    from unnest(array['a', 'b', 'own']) n;
insert into change_place (seq, change_id, customer_id, hash, below_xid)
  select row_number() over (order by record_id), id, customer_id, sha256(record_id::bytea), 0 from change;
insert into webhook_endpoint (id, url, events, customer_id, created_at, changed_at)
  select pg_temp.id('hook ' || n), n, '[]', pg_temp.id(n), now(), now() from unnest(array['a', 'b']) n;
insert into webhook_secret (endpoint_id, n, secret, created_at) values (pg_temp.id('hook a'), 1, sha256('secret'), now());
insert into webhook_delivery (id, endpoint_id, change_id, event, seq, due_at, created_at)
  select pg_temp.id('delivery ' || record_id), pg_temp.id('hook a'), id, 'event ' || record_id, 1, now(), now() from change;
insert into webhook_attempt (delivery_id, at, took_ms, error) values (pg_temp.id('delivery a'), now(), 1, 'tried');
insert into idempotency (account_id, key, request_hash, created_at) values (pg_temp.id('person'), 'key', '', now());
reset app.dealer_id;
