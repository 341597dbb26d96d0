alter table component drop column out_noted_at;
