//! Records that most tests need, made through the API.

use super::{Dealer, TestApp};
use chrono::{NaiveDate, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

/// A record's id.
#[track_caller]
pub(crate) fn id(record: &Value) -> Uuid {
    record["id"].as_str().unwrap().parse().unwrap()
}

impl Dealer {
    /// Adds a customer.
    pub(crate) async fn customer(&self, name: &str) -> Uuid {
        id(&self.office.create("/v1/customers", &json!({ "name": name })).await)
    }

    /// Adds a site in Vienna.
    pub(crate) async fn site(&self, customer: Uuid, name: &str) -> Uuid {
        let site = json!({ "customer_id": customer, "name": name, "time_zone": "Europe/Vienna", "country": "AT" });
        id(&self.office.create("/v1/sites", &site).await)
    }

    /// Adds a unit that is called like its serial number.
    pub(crate) async fn unit(&self, serial_number: &str) -> Uuid {
        let unit = json!({ "serial_number": serial_number, "label": serial_number });
        id(&self.office.create("/v1/units", &unit).await)
    }

    /// Places a unit from an instant on.
    pub(crate) async fn place(&self, unit: Uuid, site: Uuid, from: &str) -> Value {
        let placement = json!({ "site_id": site, "from": from, "terms": "rented" });
        self.office.create(&format!("/v1/units/{unit}/placements"), &placement).await
    }

    /// Ends a placement that was never changed.
    pub(crate) async fn end_placement(&self, placement: &Value, to: &str) -> Value {
        let path = format!("/v1/units/{}/placements/{}/end", placement["unit_id"].as_str().unwrap(), id(placement));
        self.office.post_at_with(&path, "\"1\"", &json!({ "to": to })).await.json()
    }

    /// Fits a transfer pump on 1 January 2026.
    pub(crate) async fn pump(&self, unit: Uuid) -> Uuid {
        let pump = json!({ "unit_id": unit, "kind": "transfer_pump", "duty": "on_demand", "run_basis": "hours",
            "fitted_at": "2026-01-01T00:00:00Z" });
        id(&self.office.create("/v1/components", &pump).await)
    }

    /// Adds a make-up dial that counts litres, measuring what `attachment` says.
    pub(crate) async fn makeup_meter(&self, attachment: &Value) -> Value {
        let meter =
            json!({ "label": "Make-up", "stream": "makeup", "unit": "l", "digits": 6, "read_by": "technician" });
        self.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await
    }
}

impl TestApp {
    /// What the next night run has to compute again: meter numbers, first and last day.
    pub(crate) async fn touched(&self) -> Vec<(Vec<i32>, String, String)> {
        let rows = self
            .superuser()
            .await
            .query("select meter_nos, from_day::text, to_day::text from touched order by id", &[])
            .await
            .unwrap();
        rows.iter().map(|row| (row.get(0), row.get(1), row.get(2))).collect()
    }

    /// Takes all of it as computed.
    pub(crate) async fn forget_touched(&self) {
        self.superuser().await.execute("delete from touched", &[]).await.unwrap();
    }
}

/// The present UTC day, as the database writes it.
pub(crate) fn today() -> String {
    Utc::now().date_naive().to_string()
}

/// The present day in Vienna, by which the service counts for [`Dealer`]s and their sites.
pub(crate) fn today_in_vienna() -> NaiveDate {
    domain::zone::local_date(chrono_tz::Europe::Vienna, Utc::now())
}

/// A record's meter number.
pub(crate) fn number(meter: &Value) -> i32 {
    i32::try_from(meter["number"].as_i64().unwrap()).unwrap()
}
