//! Readings that people are asked for: by a link without signing in, from the request to the
//! reading with its photo; and what is due and missing.

use crate::support::{Answer, Client, Dealer, MailServer, TestApp, id, today_in_vienna};
use chrono::{Datelike, Duration, Utc};
use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

/// A site with a unit whose two dials the customer reads monthly, 3000 L each month for three
/// months, the last time thirty days ago.
pub(crate) struct Bay {
    pub(crate) customer: Uuid,
    pub(crate) site: Uuid,
    pub(crate) makeup: Uuid,
    pub(crate) wash: Uuid,
}

/// The register of both dials, thirty days ago.
pub(crate) const LAST: f64 = 59_000.0;
/// What a phone's camera sends, as far as anybody looks at it.
pub(crate) const JPEG: &[u8] = b"\xff\xd8\xff\xe0\0\x10JFIF\0\x01 a photo of a dial \xff\xd9";

impl Bay {
    pub(crate) async fn new(app: &TestApp, dealer: &Dealer) -> Self {
        let customer = dealer.customer("Harbour Haulage").await;
        let site = dealer.site(customer, "North bay").await;
        let unit = dealer.unit("W-1").await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        let [makeup, wash] =
            [dial(dealer, unit, "Make-up dial", "makeup").await, dial(dealer, unit, "Wash dial", "wash").await];
        for (days, register) in [(90, LAST - 6000.0), (60, LAST - 3000.0), (30, LAST)] {
            read(&dealer.technician, &[(makeup, days, register), (wash, days, register)]).await;
        }
        app.night(dealer.id, Utc::now()).await;
        Self { customer, site, makeup, wash }
    }

    pub(crate) fn request(&self) -> Value {
        json!({ "site_id": self.site, "meter_ids": [self.makeup, self.wash], "person": "Mia Berger",
            "email": "mia@example.com", "due_on": today_in_vienna() + Duration::days(2) })
    }

    /// Asks, and gives the path of a link to hand over.
    pub(crate) async fn link(&self, dealer: &Dealer) -> String {
        let request = dealer.office.create("/v1/reading-requests", &self.request()).await;
        new_link(dealer, &request).await
    }
}

pub(crate) async fn dial(dealer: &Dealer, unit: Uuid, label: &str, stream: &str) -> Uuid {
    let meter = json!({ "label": label, "stream": stream, "unit": "l", "digits": 6, "read_by": "customer",
        "read_every_h": 720 });
    let attachment = json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" });
    id(&dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await)
}

/// Enters readings of so many days ago.
pub(crate) async fn read(client: &Client, readings: &[(Uuid, i64, f64)]) -> Value {
    let rows: Vec<Value> = readings
        .iter()
        .map(|(meter, days, register)| {
            let at = Utc::now() - Duration::days(*days) - Duration::minutes(1);
            json!({ "meter_id": meter, "read_at": at, "register": register, "source": "hand" })
        })
        .collect();
    client.post("/v1/readings", &json!({ "readings": rows })).await.json()
}

async fn new_link(dealer: &Dealer, request: &Value) -> String {
    let path = format!("/v1/reading-requests/{}/links", id(request));
    let made = dealer.office.post(&path, &json!({})).await;
    assert_eq!(made.status(), 201, "{made:?}");
    let link = made.json()["link"].as_str().unwrap().to_owned();
    link.strip_prefix("https://water.example.com").expect("links begin with the public address").to_owned()
}

/// Sends the page's form as a phone does; a part whose name begins with `photo` is a file.
pub(crate) async fn send(client: &Client, path: &str, parts: &[(&str, &[u8])]) -> Answer {
    let mut body = Vec::new();
    for (name, content) in parts {
        let file = if name.starts_with("photo") { "; filename=\"IMG_1.JPG\"\r\nContent-Type: image/jpeg" } else { "" };
        body.extend(format!("--edge\r\nContent-Disposition: form-data; name=\"{name}\"{file}\r\n\r\n").into_bytes());
        body.extend_from_slice(content);
        body.extend_from_slice(b"\r\n");
    }
    body.extend_from_slice(b"--edge--\r\n");
    let request = client.request(Method::POST, path).header("content-type", "multipart/form-data; boundary=edge");
    client.send(request.body(body)).await
}

async fn due(client: &Client, query: &str) -> Vec<Value> {
    client.get(&format!("/v1/readings-due{query}")).await.json()["items"].as_array().unwrap().clone()
}

fn labels(items: &[Value]) -> Vec<&str> {
    items.iter().map(|item| item["meter"].as_str().unwrap()).collect()
}

async fn stored(client: &Client, meter: Uuid) -> Vec<(f64, String)> {
    let path = format!("/v1/meters/{meter}/readings?from=2020-01-01T00:00:00Z&to=2100-01-01T00:00:00Z");
    let items = client.get(&path).await.json()["items"].as_array().unwrap().clone();
    items.iter().map(|item| (item["register"].as_f64().unwrap(), item["source"].as_str().unwrap().to_owned())).collect()
}

#[tokio::test]
async fn who_was_asked_by_mail_reads_without_signing_in_and_the_link_is_then_spent() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let attachment = json!({ "site_id": bay.site, "from": "2026-01-01T00:00:00Z" });
    let unasked = json!({ "label": "Yard tap", "stream": "rinse", "unit": "l", "read_by": "customer" });
    dealer.office.create("/v1/meters", &json!({ "meter": unasked, "attachment": attachment })).await;
    let request = dealer.technician.create("/v1/reading-requests", &bay.request()).await;
    assert_eq!((&request["state"], &request["mail"]), (&json!("open"), &json!("waiting")));
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let mails = server.mails();
    assert_eq!(
        (mails.len(), mails[0].from.as_str(), &mails[0].to[..]),
        (1, "weirbook@example.com", &["mia@example.com".to_owned()][..])
    );
    assert!(mails[0].header("From").contains("Brookside"), "{:?}", mails[0]);
    assert!(mails[0].text().contains("North bay") && mails[0].text().contains("- Make-up dial (W-1)"));
    let link = mails[0].link();

    let page = app.anyone().get(&link).await;
    assert_eq!(page.status(), 200, "{page:?}");
    for shown in ["North bay", "Make-up dial", "Wash dial", "W-1", "Mia Berger", "59\u{202f}000\u{a0}L", "Now probably"]
    {
        assert!(page.text().contains(shown), "{shown} in {page:?}");
    }
    for hidden in ["Harbour Haulage", "Vienna", "Yard tap", "mia@example.com", &bay.makeup.to_string()] {
        assert!(!page.text().contains(hidden), "{hidden} in {page:?}");
    }

    // One good row with a photo, one that nobody expects.
    let first = send(
        app.anyone(),
        &link,
        &[("register-1", b"62 000"), ("photo-1", JPEG), ("register-2", b"990000"), ("photo-2", b"")],
    )
    .await;
    assert_eq!(first.status(), 200, "{first:?}");
    assert!(first.text().contains("1 reading was taken. Still open: 1."), "{first:?}");
    assert!(first.text().contains("The register says 990\u{202f}000\u{a0}L?"), "{first:?}");
    assert_eq!(stored(&dealer.office, bay.makeup).await.last(), Some(&(62_000.0, "customer".to_owned())));
    assert_eq!(
        stored(&dealer.office, bay.wash).await.last(),
        Some(&(LAST, "hand".to_owned())),
        "not before it is confirmed"
    );
    let confirmed = send(app.anyone(), &link, &[("register-2", b"990000"), ("sure-2", b"990000")]).await;
    assert!(confirmed.text().contains("Thank you"), "{confirmed:?}");
    assert_eq!(stored(&dealer.office, bay.wash).await.last(), Some(&(990_000.0, "customer".to_owned())));

    for again in [app.anyone().get(&link).await, send(app.anyone(), &link, &[("register-1", b"62001")]).await] {
        assert_eq!(again.status(), 410, "{again:?}");
        assert!(again.text().contains("All readings asked for by this link are in"), "{again:?}");
    }
    let after = dealer.office.get(&format!("/v1/reading-requests/{}", id(&request))).await.json();
    assert_eq!((&after["state"], &after["mail"]), (&json!("taken"), &json!("sent")));
    photo_is_within_reach(&app, &dealer, &bay).await;
}

/// The photo stands behind the reading, for the dealer and the customer alone.
async fn photo_is_within_reach(app: &TestApp, dealer: &Dealer, bay: &Bay) {
    let list = format!("/v1/files?record=reading&record_id={}", bay.makeup);
    let files = dealer.office.get(&list).await.json();
    let file = &files["items"][0];
    assert_eq!((files["items"].as_array().unwrap().len(), &file["media_type"]), (1, &json!("image/jpeg")));
    let path = format!("/v1/files/{}", file["sha256"].as_str().unwrap());
    let viewer = dealer.customer_viewer(bay.customer).await;
    let stranger = dealer.customer_viewer(dealer.customer("Other").await).await;
    for client in [&dealer.office, &viewer] {
        let photo = client.get(&path).await;
        assert_eq!((photo.status(), photo.bytes()), (200, JPEG));
        assert!(photo.header("content-disposition").starts_with("attachment"));
        assert_eq!(photo.header("x-content-type-options"), "nosniff");
        assert!(photo.header("content-security-policy").contains("sandbox"));
    }
    for client in [&stranger, &app.dealer("Elsewhere").await.office] {
        client.get(&path).await.refused(404, "not-found");
        assert_eq!(client.get(&list).await.json()["items"], json!([]));
    }
}

#[tokio::test]
async fn a_wrong_row_costs_no_good_one_and_says_what_to_mend() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let link = bay.link(&dealer).await;
    let words = send(app.anyone(), &link, &[("register-1", b"sixty"), ("register-2", b"62000")]).await;
    assert!(words.text().contains("Type the digits that the register shows"), "{words:?}");
    assert!(words.text().contains("1 reading was taken. Still open: 1."), "{words:?}");
    assert_eq!(stored(&dealer.office, bay.wash).await.len(), 4);
    let below = send(app.anyone(), &link, &[("register-1", b"58000")]).await;
    assert!(below.text().contains("That is less than at the last reading. Is it right?"), "{below:?}");
    // A word for another value confirms nothing, nor does a photo that is none.
    let other = send(app.anyone(), &link, &[("register-1", b"58000"), ("sure-1", b"62000")]).await;
    assert!(other.text().contains("Is it right?"), "{other:?}");
    let past = send(app.anyone(), &link, &[("register-1", b"1234567"), ("sure-1", b"1234567")]).await;
    assert!(past.text().contains("The register has 6 digits"), "{past:?}");
    let page = send(app.anyone(), &link, &[("register-1", b"62000"), ("photo-1", b"<svg onload=alert(1)>")]).await;
    assert!(
        page.text().contains("The photo can&#39;t be kept") || page.text().contains("The photo can't be kept"),
        "{page:?}"
    );
    assert_eq!(stored(&dealer.office, bay.makeup).await.len(), 3, "nothing doubtful was taken");
    // A photo sent with a doubtful row is there when the row is confirmed.
    let doubtful = send(app.anyone(), &link, &[("register-1", b"99000"), ("photo-1", JPEG)]).await;
    assert!(doubtful.text().contains("one is here already"), "{doubtful:?}");
    let done = send(app.anyone(), &link, &[("register-1", b"99000"), ("sure-1", b"99000")]).await;
    assert!(done.text().contains("Thank you"), "{done:?}");
    let files = dealer.office.get(&format!("/v1/files?record=reading&record_id={}", bay.makeup)).await.json();
    assert_eq!(files["items"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn links_end_and_guesses_are_held_against_who_makes_them() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let (revoked, expired) = (bay.link(&dealer).await, bay.link(&dealer).await);
    let requests = dealer.office.get("/v1/reading-requests").await.json();
    let path = |n: usize| format!("/v1/reading-requests/{}", id(&requests["items"][n]));
    let answer = dealer.office.post_at(&format!("{}/revoke", path(0)), "\"1\"").await;
    assert_eq!((answer.status(), &answer.json()["state"]), (200, &json!("revoked")));
    dealer.office.post(&format!("{}/links", path(0)), &json!({})).await.refused_for(409, &[("", "not_open")]);
    let sql = format!("update reading_request set expires_at = now() where id = '{}'", id(&requests["items"][1]));
    app.superuser().await.execute(&sql, &[]).await.unwrap();
    for (link, words) in [(&revoked, "was withdrawn"), (&expired, "has expired")] {
        let answer = app.anyone().get(link).await;
        assert_eq!(answer.status(), 410);
        assert!(answer.text().contains(words), "{answer:?}");
        assert_eq!(send(app.anyone(), link, &[("register-1", b"62000")]).await.status(), 410);
    }
    assert_eq!(stored(&dealer.office, bay.makeup).await.len(), 3);

    // A good secret opens nothing under another dealer's key.
    let other = app.dealer("Elsewhere").await;
    let good = bay.link(&dealer).await;
    let foreign = of_second_dealer(&good);
    assert_eq!((dealer.id.0, other.id.0), (1, 2));
    assert_eq!(app.anyone().get(&foreign).await.status(), 404);
    for _ in 0..weirbook::guesses::GUESSES_MOST - 1 {
        assert_eq!(app.anyone().get("/read/AAAAAQnonsense").await.status(), 404);
    }
    assert_eq!(app.anyone().get(&good).await.status(), 429, "even a good one, for a while");
    let elsewhere = app.anyone().request(Method::GET, &good).header("x-forwarded-for", "203.0.113.5");
    assert_eq!(app.anyone().send(elsewhere).await.status(), 200);
}

/// The link with the second dealer's key instead of the first one's: the last two bits of the key
/// stand in the sixth letter of its base64url (RFC 4648, section 5).
fn of_second_dealer(link: &str) -> String {
    const LETTERS: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    let (start, rest) = link.split_at("/read/AAAAA".len());
    let value = LETTERS.find(&rest[..1]).unwrap();
    assert_eq!(value >> 4, 1, "the first dealer's key in {link}");
    let other = (value & 0b1111) | 2 << 4;
    format!("{start}{}{}", &LETTERS[other..=other], &rest[1..])
}

#[tokio::test]
async fn only_a_hash_of_the_link_is_stored() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let request = dealer.office.post_once("/v1/reading-requests", "key", &bay.request()).await;
    let again = dealer.office.post_once("/v1/reading-requests", "key", &bay.request()).await;
    assert_eq!(request.json(), again.json(), "asked once");
    let link = new_link(&dealer, &request.json()).await;
    let token = link.trim_start_matches("/read/");
    let superuser = app.superuser().await;
    for table in ["reading_link", "reading_request", "job", "idempotency", "change"] {
        let sql = format!("select count(*) from {table} t where t::text like '%{token}%'");
        assert_eq!(superuser.query_one(&sql, &[]).await.unwrap().get::<_, i64>(0), 0, "{table}");
    }
    let links: i64 = superuser.query_one("select count(*) from reading_link", &[]).await.unwrap().get(0);
    assert_eq!(links, 1);
}

#[tokio::test]
async fn a_request_names_what_can_not_be_asked() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let logger =
        json!({ "label": "Logger", "stream": "energy", "unit": "kwh", "read_by": "telemetry", "read_every_h": 1 });
    let attachment = json!({ "site_id": bay.site, "from": "2026-01-01T00:00:00Z" });
    let logger = id(&dealer.office.create("/v1/meters", &json!({ "meter": logger, "attachment": attachment })).await);
    let mut wrong = bay.request();
    wrong["meter_ids"] = json!([logger, Uuid::nil()]);
    let refused = dealer.office.post("/v1/reading-requests", &wrong).await;
    refused.refused_for(422, &[("/meter_ids/0", "read_by_telemetry"), ("/meter_ids/1", "not_at_site")]);
    wrong["email"] = json!("mia");
    wrong["due_on"] = json!("2020-01-01");
    let refused = dealer.office.post("/v1/reading-requests", &wrong).await;
    refused.refused_for(422, &[("/email", "not_an_address"), ("/due_on", "out_of_range")]);
    app.dealer("Elsewhere").await.office.post("/v1/reading-requests", &bay.request()).await.refused(404, "not-found");
    let viewer = dealer.customer_viewer(bay.customer).await;
    viewer.post("/v1/reading-requests", &bay.request()).await.refused(403, "not-allowed");

    // A customer's people type in what dials show, and leave telemetry alone.
    let reader = dealer.customer_reader(bay.customer).await;
    let answer = read(&reader, &[(bay.makeup, 1, 61_900.0), (logger, 1, 5.0)]).await;
    assert_eq!((&answer["accepted"], &answer["rejected"][0]["code"]), (&json!(1), &json!("read_by_telemetry")));
    assert_eq!(read(&dealer.technician, &[(logger, 1, 5.0)]).await["accepted"], json!(1));
}

#[tokio::test]
async fn what_is_due_names_who_when_and_how_much() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    // Last read forty-five days ago and more: overdue, whatever day of the month it is.
    let unit = dealer.unit("W-2").await;
    dealer.place(unit, bay.site, "2026-01-01T00:00:00Z").await;
    let old = dial(&dealer, unit, "Old dial", "makeup").await;
    read(&dealer.technician, &[(old, 80, 500.0)]).await;
    bay.link(&dealer).await;
    let late = due(&dealer.office, "?late=true").await;
    assert!(labels(&late).contains(&"Old dial"), "{late:?}");
    let all = due(&dealer.office, "").await;
    let first = all.first().unwrap();
    assert_eq!(first["meter"], "Old dial", "the longest due comes first: {all:?}");
    assert_eq!(
        (&first["last"]["register"], &first["asked"], &first["read_by"]),
        (&json!(500.0), &json!(null), &json!("customer"))
    );
    let one = dealer.office.get("/v1/readings-due?limit=1").await.json();
    assert_eq!(one["items"], json!([first]));
    let next = one["next_cursor"].as_str().map(|cursor| format!("/v1/readings-due?limit=500&cursor={cursor}"));
    let rest = match next {
        Some(path) => dealer.office.get(&path).await.json()["items"].as_array().unwrap().len(),
        None => 0,
    };
    assert_eq!(rest + 1, all.len());

    let path = format!("/v1/rounds?site_id={}", bay.site);
    let sheet = dealer.technician.get(&path).await.json();
    let meters = sheet["items"][0]["meters"].as_array().unwrap();
    assert_eq!(labels(meters), ["Make-up dial", "Wash dial", "Old dial"], "by unit and label");
    let makeup = &meters[0];
    let (from, to) = (makeup["expected"]["from"].as_f64().unwrap(), makeup["expected"]["to"].as_f64().unwrap());
    assert!((LAST..LAST + 3000.0).contains(&from) && (LAST + 3000.0..LAST + 8000.0).contains(&to), "{makeup}");
    assert_eq!(makeup["asked"]["person"], "Mia Berger");

    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(due(&viewer, "").await.len(), all.len(), "its own");
    assert_eq!(due(&viewer, "").await[0]["expected"], first["expected"]);
    viewer.get(&path).await.refused(403, "not-allowed");
    let stranger = dealer.customer_viewer(dealer.customer("Other").await).await;
    assert_eq!(due(&stranger, "").await, Vec::<Value>::new());
    assert_eq!(due(&app.dealer("Elsewhere").await.office, "").await, Vec::<Value>::new());
}

#[tokio::test]
async fn what_is_missing_for_a_month_shrinks_with_each_reading() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "North bay").await;
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, site, "2020-01-01T00:00:00Z").await;
    let meters = [dial(&dealer, unit, "A", "makeup").await, dial(&dealer, unit, "B", "wash").await];
    let first = today_in_vienna().with_day(1).unwrap();
    let end = first.pred_opt().unwrap();
    let month = end.format("%Y-%m").to_string();
    let missing = async |client: &Client| due(client, &format!("/missing?month={month}")).await;
    assert_eq!(missing(&dealer.office).await.len(), 2);
    let at = |day: chrono::NaiveDate| day.and_hms_opt(10, 0, 0).unwrap().and_utc();
    let post = async |meter: Uuid, day: chrono::NaiveDate| {
        let row = json!({ "meter_id": meter, "read_at": at(day), "register": 10, "source": "hand" });
        dealer.technician.post("/v1/readings", &json!({ "readings": [row] })).await.json()
    };
    post(meters[0], end - Duration::days(10)).await;
    let left = missing(&dealer.office).await;
    assert_eq!((left.len(), &left[0]["due_on"]), (2, &json!(end)), "ten days before its end is not near it");
    post(meters[0], end - Duration::days(2)).await;
    assert_eq!(labels(&missing(&dealer.office).await), ["B"]);
    assert_eq!(labels(&missing(&dealer.customer_viewer(customer).await).await), ["B"]);
    post(meters[1], end).await;
    assert_eq!(missing(&dealer.office).await, Vec::<Value>::new());
    dealer.office.get("/v1/readings-due/missing?month=2026-13").await.refused_for(422, &[("/month", "unknown_month")]);
}
