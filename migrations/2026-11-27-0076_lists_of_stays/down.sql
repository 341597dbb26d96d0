drop index cost_terms_changed;
drop index baseline_changed;
drop index spell_changed;
drop index placement_changed;
drop index cost_terms_created;
drop index baseline_created;
drop index spell_created;
drop index placement_created;
