drop schema app cascade;
drop schema sheets cascade;
-- The roles stay: another database on this server may use them.
