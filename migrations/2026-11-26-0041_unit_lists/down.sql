drop table unit_list;
