//! Which tables stand in one of diesel's queries: it asks for each pair, and says `TableNotEqual` where
//! one is missing. Allowing every pair of tables would be some ninety thousand impls for the compiler to
//! check, in each build of this crate.

use super::schema::{
    account, calendar_feed, component, day_fact, dealer, event_issue, file, file_content, file_link, membership, meter,
    meter_attachment, password_reset, period_fact, placement, report_revision, savings_report, session_family, site,
    spell, stock_movement, unit, unit_model, webhook_delivery, webhook_endpoint,
};
use diesel::allow_tables_to_appear_in_same_query as together;

together!(account, membership);
together!(account, password_reset);
together!(calendar_feed, membership);
together!(component, meter, meter_attachment);
together!(day_fact, site);
together!(dealer, membership, session_family);
together!(event_issue, stock_movement);
together!(file, file_content);
together!(file, file_link);
together!(meter_attachment, site);
together!(period_fact, site);
together!(placement, stock_movement);
together!(placement, site, unit, unit_model);
together!(report_revision, savings_report);
together!(spell, unit);
together!(webhook_delivery, webhook_endpoint);
