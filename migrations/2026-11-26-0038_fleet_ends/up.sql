-- How the lives of all parts ended, over the whole fleet: what takes parts of several kinds is one event.

alter table forecast_night add column ends jsonb;
comment on column forecast_night.ends is 'Lives by how they ended, all kinds together; null of nights before it was kept.';
