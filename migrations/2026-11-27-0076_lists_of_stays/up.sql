-- For lists of placements and spells of all units, and of baselines and cost terms of all sites, as notes have them:
-- by when they were first and last written.

create index placement_created on placement (dealer_id, created_at, id);
create index spell_created on spell (dealer_id, created_at, id);
create index baseline_created on baseline (dealer_id, created_at, id);
create index cost_terms_created on cost_terms (dealer_id, created_at, id);
create index placement_changed on placement (dealer_id, changed_at, id);
create index spell_changed on spell (dealer_id, changed_at, id);
create index baseline_changed on baseline (dealer_id, changed_at, id);
create index cost_terms_changed on cost_terms (dealer_id, changed_at, id);
