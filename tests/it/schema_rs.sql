-- Writes api/src/db/schema.rs from the catalogue: tables in name order, comments as docs.
with kinds (udt, diesel) as (values
  ('bool', 'Bool'), ('bytea', 'Binary'), ('date', 'Date'), ('daterange', 'Daterange'), ('float4', 'Float4'),
  ('float8', 'Float8'), ('int2', 'Int2'), ('int4', 'Int4'), ('int8', 'Int8'), ('jsonb', 'Jsonb'),
  ('numeric', 'Numeric'), ('text', 'Text'), ('timestamptz', 'Timestamptz'), ('tstzrange', 'Tstzrange'),
  ('uuid', 'Uuid'), ('_float8', 'Array<Float8>'), ('_int2', 'Array<Int2>'), ('_int4', 'Array<Int4>'),
  ('_text', 'Array<Text>'), ('_uuid', 'Array<Uuid>')),
tables as (
  select c.oid, c.relname, obj_description(c.oid) as doc
    from pg_class c
   where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and c.relname not like '\_\_diesel%'),
columns as (
  select a.attrelid, string_agg(
           coalesce(E'        #[doc = "' || replace(col_description(a.attrelid, a.attnum), '"', '\"') || E'"]\n', '')
           || case when a.attname = 'table' then E'        #[sql_name = "table"]\n' else '' end
           || '        ' || a.attname || ' -> '
           || case when a.attnotnull then k.diesel else 'Nullable<' || k.diesel || '>' end || ',',
           E'\n' order by a.attnum) as lines
    from pg_attribute a
    join tables t on t.oid = a.attrelid
    join pg_type y on y.oid = a.atttypid
    join kinds k on k.udt = y.typname
   where a.attnum > 0 and not a.attisdropped
   group by a.attrelid),
keys as (
  select i.indrelid, string_agg(a.attname, ', ' order by k.n) as names
    from pg_index i
    cross join lateral unnest(i.indkey) with ordinality as k (att, n)
    join pg_attribute a on a.attrelid = i.indrelid and a.attnum = k.att
   where i.indisprimary
   group by i.indrelid)
select string_agg(format(
         E'diesel::table! {\n%s    %s (%s) {\n%s\n    }\n}\n',
         coalesce(E'    #[doc = "' || replace(t.doc, '"', '\"') || E'"]\n', ''), t.relname, k.names, c.lines),
         E'\n' order by t.relname)
  from tables t
  join columns c on c.attrelid = t.oid
  join keys k on k.indrelid = t.oid
