alter table stock_posting drop column is_use;
