//! The world of the sweep: two dealers; the first has two customers, and a unit that stood at the
//! first one's yard until noon of 1 July 2026 and stands at the second one's since then. Each yard
//! has a record of every kind that can be made from the document, and each record a word in it that
//! tells whose it is.

use super::document::{Document, Filling, Ids, Operation};
use super::tokens::KeyFile;
use crate::conventions::items;
use crate::support::{Client, Dealer, PASSWORD, TestApp, id};
use chrono::{TimeDelta, Utc};
use reqwest::header::IF_MATCH;
use serde_json::{Value, json};
use uuid::Uuid;

/// A customer with its site, its unit, and whatever is recorded of them.
pub(super) struct Yard {
    pub(super) customer: Uuid,
    /// The word in its records.
    pub(super) mark: &'static str,
    /// The word in what whoever gets the unit may see: of the unit, its meters, and a state that
    /// lasts.
    pub(super) moving: &'static str,
    /// The word in what its dealer keeps for itself.
    inside: &'static str,
    /// How the registers of its meters begin.
    pub(super) register: u32,
    pub(super) ids: Ids,
}

/// Both dealers and their customers' yards.
pub(super) struct World {
    pub(super) app: TestApp,
    pub(super) dealers: [Dealer; 2],
    /// Two of the first dealer, one of the second.
    pub(super) yards: [Yard; 3],
}

/// The words in what each dealer keeps for itself.
pub(super) const INSIDE: [&str; 2] = ["firinside", "yewinside"];
/// The kinds of the meters that are made for what needs one of their stream; they move with their unit.
pub(super) const MOVING_METERS: [&str; 2] = ["run-hours", "wash-meter"];

/// What every customer of a dealer may see: the unit models.
const SHARED: &str = "commonword";

impl World {
    pub(super) async fn make(document: &Document, key: &KeyFile) -> Self {
        let app = TestApp::start_with(|services| services.keys = key.keys()).await;
        let dealers = [app.dealer("North").await, app.dealer("South").await];
        let mut yards = [
            Yard::new(&dealers[0], ["oakmark", "oakmoves", INSIDE[0]], 7_711).await,
            Yard::new(&dealers[0], ["elmmark", "elmmoves", INSIDE[0]], 8_822).await,
            Yard::new(&dealers[1], ["ashmark", "ashmoves", INSIDE[1]], 9_933).await,
        ];
        for (yard, dealer) in yards.iter_mut().zip([&dealers[0], &dealers[0], &dealers[1]]) {
            yard.furnish(document, dealer).await;
        }
        let mut world = Self { app, dealers, yards };
        world.night().await;
        for (at, dealer) in [(0, 0), (1, 0), (2, 1)] {
            let dealer = &world.dealers[dealer];
            world.yards[at].find_what_was_computed(dealer).await;
            world.yards[at].do_what_the_document_does_not_tell(dealer, world.app.anyone()).await;
            world.yards[at].make(document, &dealer.owner).await;
        }
        world.move_unit().await;
        world
    }

    async fn night(&self) {
        for dealer in &self.dealers {
            self.app.night(dealer.id, "2026-08-01T02:00:00Z".parse().unwrap()).await;
        }
    }

    /// The first yard's unit goes to the second one's site, and something is recorded there.
    async fn move_unit(&mut self) {
        let [from, to, _] = &self.yards;
        let owner = &self.dealers[0].owner;
        let unit = from.one("units");
        for part in items(owner, &format!("/v1/components?unit_id={unit}&fitted=true")).await {
            let out = json!({ "out_at": "2026-06-20T08:00:00Z", "out_why": "preventive" });
            let (path, etag) = (format!("/v1/components/{}/retire", id(&part)), format!("\"{}\"", part["revision"]));
            assert_eq!(owner.post_at_with(&path, &etag, &out).await.status(), 200, "{part}");
        }
        let end = format!("/v1/units/{unit}/placements/{}/end", from.one("units/placements"));
        let ended = owner.post_at_with(&end, "\"1\"", &json!({ "to": "2026-07-01T12:00:00Z" })).await;
        assert_eq!(ended.status(), 200, "{ended:?}");
        let placement = json!({ "site_id": to.one("sites"), "from": "2026-07-01T12:00:00Z", "terms": "rented" });
        owner.create(&format!("/v1/units/{unit}/placements"), &placement).await;
        let point = format!("Clean tank {}", to.mark);
        let sample = json!({ "at": "2026-07-10T08:00:00Z", "point": point, "what": "ph", "value": 7.0, "unit": "ph" });
        owner.create(&format!("/v1/units/{unit}/samples"), &sample).await;
        let level =
            json!({ "at": "2026-07-10T08:00:00Z", "gauge": "level", "value": 900.0, "unit": "l", "place": to.mark });
        owner.create(&format!("/v1/units/{unit}/gauge-readings"), &level).await;
        read(owner, from.one("meters"), to.register, &["2026-07-20T08:00:00Z", "2026-07-30T08:00:00Z"]).await;
        let (unit, mark) = (unit.to_owned(), to.mark);
        let since = records_since(owner, &unit, mark).await;
        since.iter().for_each(|(kind, id)| self.yards[1].add(kind, id));
        self.night().await;
    }
}

impl Yard {
    async fn new(dealer: &Dealer, [mark, moving, inside]: [&'static str; 3], register: u32) -> Self {
        let customer = dealer.customer(&format!("Yard {mark}")).await;
        let mut ids = Ids::new();
        ids.insert("customers".to_owned(), vec![customer.to_string()]);
        Self { customer, mark, moving, inside, register, ids }
    }

    /// The first of its records of a kind.
    #[track_caller]
    pub(super) fn one(&self, kind: &str) -> &str {
        self.ids.get(kind).and_then(|ids| ids.first()).unwrap_or_else(|| panic!("no {kind} of {}", self.mark))
    }

    fn add(&mut self, kind: &str, id: &str) {
        let known = self.ids.entry(kind.to_owned()).or_default();
        if !known.iter().any(|one| one == id) {
            known.push(id.to_owned());
        }
    }

    async fn furnish(&mut self, document: &Document, dealer: &Dealer) {
        let models = items(&dealer.owner, "/v1/unit-models").await;
        models.iter().for_each(|model| self.add("unit-models", &id(model).to_string()));
        let photo = [&b"\x89PNG\r\n\x1a\n"[..], self.mark.as_bytes()].concat();
        let sent = dealer.owner.request(reqwest::Method::POST, "/v1/files");
        let sent = sent.header("content-type", "application/octet-stream").body(photo);
        let file = dealer.owner.send(sent).await.json();
        self.add("files", file["sha256"].as_str().unwrap());
        self.make(document, &dealer.owner).await;
        for (kind, stream, unit) in [("run-hours", "run_hours", "h"), ("wash-meter", "wash", "l")] {
            let meter = json!({ "meter": { "label": kind, "stream": stream, "unit": unit, "read_by": "never" },
                "attachment": { "unit_id": self.one("units"), "from": "2026-01-12T09:30:00Z" } });
            let meter = id(&dealer.owner.create("/v1/meters", &meter).await);
            self.ids.insert(kind.to_owned(), vec![meter.to_string()]);
        }
        let times = ["2026-02-01T08:00:00Z", "2026-03-01T08:00:00Z", "2026-04-01T08:00:00Z", "2026-05-01T08:00:00Z"];
        read(&dealer.owner, self.one("meters"), self.register, &times).await;
        self.make(document, &dealer.owner).await;
    }

    /// Makes a record of every kind that is not there yet; one may need another, so again as long
    /// as that helps.
    async fn make(&mut self, document: &Document, owner: &Client) {
        let operations = document.operations();
        loop {
            let mut made = 0;
            for operation in operations.iter().filter(|operation| operation.creates()) {
                if !self.ids.contains_key(&operation.kind()) && self.try_to_make(document, owner, operation).await {
                    made += 1;
                }
            }
            if made == 0 {
                return;
            }
        }
    }

    /// Tries bodies from the fullest to the barest.
    async fn try_to_make(&mut self, document: &Document, owner: &Client, operation: &Operation) -> bool {
        let Some(path) = operation.filled(&self.ids) else { return false };
        for (is_full, with) in [(true, &[][..]), (false, &[]), (true, &["unit_id"]), (true, &["site_id"])] {
            let body = self.body(
                document,
                operation,
                &Filling { ids: &self.ids, mark: self.mark_of(operation), is_full, with },
            );
            let request = owner.request(operation.method.clone(), &path).header(IF_MATCH, "\"1\"");
            let request = if body.is_null() { request } else { request.json(&body) };
            let answer = owner.send(request).await;
            if answer.status() == 201 {
                let record = answer.json();
                // What holds a record beside others names it by its kind.
                let nested = record.as_object().unwrap().values().find_map(|inner| inner["id"].as_str());
                let made = record["id"].as_str().or(nested).unwrap_or_default().to_owned();
                self.add(&operation.kind(), &made);
                return true;
            }
        }
        false
    }

    /// The word for what an operation makes: another one for what no customer may see, and for what
    /// all of them may.
    fn mark_of(&self, operation: &Operation) -> &'static str {
        let reads = ["customers", "sites", "units", "components", "meters"];
        let kind = operation.kind();
        match kind.as_str() {
            "unit-models" => SHARED,
            "units" | "meters" | "units/spells" => self.moving,
            _ if reads.iter().any(|open| kind.starts_with(open)) && !kind.contains("consumables") => self.mark,
            "water-accounts"
            | "water-accounts/tariffs"
            | "water-accounts/bills"
            | "call-outs"
            | "service-events"
            | "process-upsets"
            | "agreements"
            | "covers"
            | "savings-reports/questions"
            | "reading-requests" => self.mark,
            _ => self.inside,
        }
    }

    /// A body by the document, and what it takes beside the examples.
    pub(super) fn body(&self, document: &Document, operation: &Operation, filling: &Filling<'_>) -> Value {
        let mut body = document.body(operation, filling).unwrap_or_default();
        let help = filled(help(&operation.id), filling.ids);
        merge(&mut body, help);
        if operation.id == "create_service_event" {
            body["internal_note"] = json!(self.inside);
            body["lines"] = json!([{ "kind": "labour", "what": self.inside, "quantity": "1.5", "unit": "h" }]);
        }
        body
    }

    /// What the night made of the yard's records, and whom it lets in.
    async fn find_what_was_computed(&mut self, dealer: &Dealer) {
        dealer.somebody_else(self.customer).await;
        let people = items(&dealer.owner, "/v1/people?limit=100").await;
        let own = people.iter().find(|person| person["customer_id"] == json!(self.customer)).unwrap();
        self.add("people", &id(own).to_string());
        let reports = items(&dealer.owner, &format!("/v1/savings-reports?customer_id={}", self.customer)).await;
        // The oldest first: what comes later does not reach back to it.
        reports.iter().rev().for_each(|report| self.add("savings-reports", &id(report).to_string()));
        let raised = items(&dealer.owner, &format!("/v1/reading-exceptions?unit_id={}", self.one("units"))).await;
        raised.iter().for_each(|one| self.add("reading-exceptions", &id(one).to_string()));
    }
}

impl Yard {
    /// An issued report, a rain day, a sign-in by password and an event that was sent on: their ids come
    /// another way than from an answer to a creation.
    async fn do_what_the_document_does_not_tell(&mut self, dealer: &Dealer, anyone: &Client) {
        let report = format!("/v1/savings-reports/{}", self.one("savings-reports"));
        let etag = dealer.owner.get(&report).await.etag().to_owned();
        let issued =
            dealer.owner.post_at_with(&format!("{report}/issue"), &etag, &json!({ "reason": self.mark })).await;
        assert_eq!(issued.status(), 200, "{issued:?}");
        let revisions = items(&dealer.owner, &format!("{report}/revisions")).await;
        self.add("savings-reports/revisions", &revisions[0]["revision"].to_string());

        let rain_days = format!("/v1/sites/{}/rain-days", self.one("sites"));
        let rained = json!({ "rain_days": [{ "day": "2026-03-02", "depth_mm": 7.5, "source": "gauge" }] });
        let taken = dealer.owner.post(&rain_days, &rained).await;
        assert_eq!(taken.json()["accepted"], 1, "{taken:?}");
        self.add("sites/rain-days", &id(&items(&dealer.owner, &rain_days).await[0]).to_string());

        let email = format!("somebody-else-{}@example.com", self.customer);
        let signed_in = anyone.post("/v1/sessions", &json!({ "email": email, "password": PASSWORD })).await;
        let own = anyone.with_token(signed_in.json()["access_token"].as_str().unwrap().to_owned());
        self.add("sessions", &id(&items(&own, "/v1/sessions").await[0]).to_string());

        let endpoint = format!("/v1/webhook-endpoints/{}", self.one("webhook-endpoints"));
        assert_eq!(dealer.owner.post(&format!("{endpoint}/test"), &json!({})).await.status(), 202);
        // Whoever reads the feed has its lines put in order, which is when deliveries are made.
        dealer.owner.get("/v1/changes").await.json();
        self.add(
            "webhook-deliveries",
            &id(&items(&dealer.owner, &format!("{endpoint}/deliveries")).await[0]).to_string(),
        );
    }
}

/// A part, an event with a photo that its customer may see, and an upset of the unit after it moved.
async fn records_since(owner: &Client, unit: &str, mark: &str) -> Vec<(&'static str, String)> {
    let part = json!({ "unit_id": unit, "kind": "pump_tube", "model": mark, "duty": "timed", "run_basis": "days",
        "fitted_at": "2026-07-02T08:00:00Z" });
    let part = id(&owner.create("/v1/components", &part).await).to_string();
    let photo = owner.request(reqwest::Method::POST, "/v1/files").header("content-type", "application/octet-stream");
    let photo = photo.body([&b"\x89PNG\r\n\x1a\n after the move "[..], mark.as_bytes()].concat());
    let photo = owner.send(photo).await.json()["sha256"].as_str().unwrap().to_owned();
    let event = json!({ "unit_id": unit, "at": "2026-07-12T08:00:00Z", "kind": "inspection", "customer_note": mark,
        "details": { "looked_at": [{ "what": "Floats", "found": "good", "note": mark }] } });
    let event = id(&owner.create("/v1/service-events", &event).await).to_string();
    let shown = json!({ "sha256": photo, "shown_to_customer": true });
    assert_eq!(owner.post(&format!("/v1/service-events/{event}/files"), &shown).await.status(), 204);
    let upset = json!({ "unit_id": unit, "kind": "foam", "began_at": "2026-07-14T08:00:00Z" });
    let upset = id(&owner.create("/v1/process-upsets", &upset).await).to_string();
    vec![("components", part), ("files", photo), ("service-events", event), ("process-upsets", upset)]
}

/// Readings whose registers begin with `register`.
async fn read(client: &Client, meter: &str, register: u32, times: &[&str]) {
    let reading = |(at, time): (usize, &&str)| json!({ "meter_id": meter, "read_at": time, "register": format!("{register}{at}0.25").parse::<f64>().unwrap() });
    let readings: Vec<Value> = times.iter().enumerate().map(reading).collect();
    let taken = client.post("/v1/readings", &json!({ "readings": readings })).await.json();
    assert_eq!(taken["accepted"], json!(times.len()), "{taken}");
}

/// RFC 7396.
fn merge(into: &mut Value, patch: Value) {
    let Value::Object(patch) = patch else { return };
    for (name, value) in patch {
        match value {
            Value::Null => drop(into.as_object_mut().map(|fields| fields.remove(&name))),
            Value::Object(_) if into[&name].is_object() => merge(&mut into[&name], value),
            other => into[&name] = other,
        }
    }
}

/// Texts such as `$units` become the first id of that kind.
fn filled(value: Value, ids: &Ids) -> Value {
    match value {
        Value::String(text) => match text.strip_prefix('$') {
            Some(kind) => ids.get(kind).and_then(|ids| ids.first()).map_or(Value::Null, |id| json!(id)),
            None => Value::String(text),
        },
        Value::Array(all) => all.into_iter().map(|one| filled(one, ids)).collect(),
        Value::Object(fields) => fields.into_iter().map(|(name, one)| (name, filled(one, ids))).collect(),
        other => other,
    }
}

/// What a body takes that its schema does not say: the domain's own shapes, and what has to agree
/// with other records. Null takes a field out.
fn help(operation: &str) -> Value {
    let buffer = |standard: f64, mv: f64| json!({ "standard": standard, "shown": standard, "mv": mv, "lot": "B-1", "expires_on": "2027-12-31" });
    let soon = (Utc::now() + TimeDelta::days(9)).date_naive();
    match operation {
        "create_consumable" => json!({ "by_lot": true }),
        "create_meter" => json!({ "attachment": { "unit_id": "$units" } }),
        // Of work and places that are not there nothing is planned, whoever's the rest is.
        "plan_visit" => json!({ "routine_ids": null, "reserve_at": null }),
        "create_attachment" => json!({ "unit_id": "$units" }),
        "invite" => json!({ "role": "customer_viewer", "customer_id": "$customers", "site_ids": ["$sites"] }),
        "create_cover" => json!({ "claims": null, "consumables": null, "labour": null, "travel": null,
            "parts": { "from": "2026-01-01", "to": "2028-01-01" } }),
        "create_reading_request" => json!({ "meter_ids": ["$meters"], "due_on": soon, "email": null }),
        "create_service_event" => json!({ "kind": "inspection",
            "details": { "looked_at": [{ "what": "Floats", "found": "good", "note": "Dry" }] } }),
        "create_baseline" => json!({ "method": { "by": "per_wash", "classes": [{ "machine_class": "truck",
                "l_per_wash": 300.0, "washes_measured": 25, "sd_l": 50.0, "u_scale_share": 0.02, "meter": null }] },
            "agreed": { "by": "A. Rowe", "role": "yard manager", "on": "2026-02-01" } }),
        "create_calibration" => json!({ "as_found": [buffer(7.0, 0.0), buffer(4.0, 170.0)], "as_left": null }),
        "create_bill" => json!({ "total": { "amount": "41.16", "currency": "USD" } }),
        "create_tariff" => json!({ "terms": { "from": "2025-01-01", "unit": "m3", "per": "month", "water": {
            "fixed": [{ "code": "base", "words": "Base charge", "price": "20.00" }],
            "blocks": [{ "up_to": "100", "price": "1.115" }, { "price": "3.905" }] } } }),
        "create_stock_movement" => json!({ "kind": "received", "to_place_id": "$places", "supplier": "Valley",
            "lot_id": "$consumables/lots", "buyer": null, "why": null, "overdraw_reason": null, "payer": null }),
        "create_webhook_endpoint" => json!({ "url": "https://192.0.1.1/", "events": ["call_out.opened"] }),
        "create_wash_derivation" => json!({ "meter_id": "$run-hours" }),
        "create_wash_sessions" => json!({ "meter_id": "$wash-meter" }),
        _ => json!({}),
    }
}
