drop table component, spell, placement, unit, unit_model;
