drop function app.make_month;
drop function reading;
drop table touched, reading_exception, reading_correction, day_sheet, meter_exchange cascade;
drop policy customer_people on meter;
drop view meter_holding;
drop table meter_attachment, meter_number, meter;
