//! What holds for every resource that is created, read, listed, changed and retired.

use crate::support::{Answer, Client, Dealer, TestApp, id};
use reqwest::Method;
use serde_json::{Value, json};

/// A resource and what it takes to walk through its life.
pub(crate) struct Resource<'a> {
    /// Its address.
    pub(crate) path: &'a str,
    /// A good creation.
    pub(crate) input: Value,
    /// A good change.
    pub(crate) patch: Value,
    /// Another good creation that its rules allow beside the first.
    pub(crate) other: Value,
    /// What to send to retire one.
    pub(crate) retire: Value,
    /// The list without retired ones.
    pub(crate) running: &'a str,
    /// The list with them.
    pub(crate) all: &'a str,
}

impl Resource<'_> {
    /// Walks through the life of one record, and then tries what must not work.
    pub(crate) async fn holds_to_the_conventions(&self, app: &TestApp, dealer: &Dealer) {
        self.holds(app, dealer, (404, "not-found")).await;
    }

    /// The same of a resource that no customer's person may look at.
    pub(crate) async fn holds_for_the_dealer_alone(&self, app: &TestApp, dealer: &Dealer) {
        self.holds(app, dealer, (403, "not-allowed")).await;
    }

    async fn holds(&self, app: &TestApp, dealer: &Dealer, onlooker: (u16, &str)) {
        let path = self.is_created_once(&dealer.office).await;
        self.is_changed_at_its_revision(&dealer.office, &path).await;
        self.is_out_of_others_reach(app, dealer, &path, onlooker).await;
        self.is_paged(&dealer.office).await;
        self.is_retired(&dealer.office, &path).await;
        self.names_unknown_and_missing_fields(&dealer.office).await;
    }

    async fn is_created_once(&self, office: &Client) -> String {
        let first = office.post_once(self.path, "key-1", &self.input).await;
        assert_eq!((first.status(), first.etag()), (201, "\"1\""), "{first:?}");
        let again = office.post_once(self.path, "key-1", &self.input).await;
        assert_eq!((again.status(), again.etag(), again.json()), (201, "\"1\"", first.json()));
        let used = office.post_once(self.path, "key-1", &self.other).await;
        used.refused_for(409, &[("", "key_used")]);
        assert_eq!(items(office, self.all).await, [first.json()], "created once");
        let path = format!("{}/{}", self.path, id(&first.json()));
        let read = office.get(&path).await;
        assert_eq!((read.status(), read.etag(), read.json()), (200, "\"1\"", first.json()));
        path
    }

    async fn is_changed_at_its_revision(&self, office: &Client, path: &str) {
        let before = office.get(path).await.json();
        let unguarded = office.request(Method::PATCH, path).json(&self.patch);
        office.send(unguarded).await.refused(428, "no-revision");
        office.patch(path, "\"7\"", &self.patch).await.refused(412, "stale");
        assert_eq!(office.get(path).await.json(), before);
        let changed = office.patch(path, "\"1\"", &self.patch).await;
        assert_eq!((changed.status(), changed.etag()), (200, "\"2\""), "{changed:?}");
        for (field, value) in self.patch.as_object().unwrap() {
            assert_eq!(changed.json().get(field).unwrap_or(&Value::Null), value, "{field}");
        }
        assert_eq!(office.get(path).await.json(), changed.json());
        office.patch(path, "\"1\"", &self.patch).await.refused(412, "stale");
        office.post_at_with(&format!("{path}/retire"), "\"1\"", &self.retire).await.refused(412, "stale");
        office.patch(path, "\"2\"", &json!([])).await.refused(422, "invalid");
    }

    /// Another dealer finds nothing there; a customer's person may not write.
    async fn is_out_of_others_reach(&self, app: &TestApp, dealer: &Dealer, path: &str, onlooker: (u16, &str)) {
        let before = dealer.office.get(path).await;
        let foreign = app.dealer("Elsewhere").await;
        foreign.owner.get(path).await.refused(404, "not-found");
        foreign.owner.patch(path, before.etag(), &self.patch).await.refused(404, "not-found");
        let retire = format!("{path}/retire");
        foreign.owner.post_at_with(&retire, before.etag(), &self.retire).await.refused(404, "not-found");
        assert_eq!(items(&foreign.owner, self.all).await, [Value::Null; 0]);

        let viewer = dealer.customer_viewer(dealer.customer("Onlooker").await).await;
        viewer.get(path).await.refused(onlooker.0, onlooker.1);
        viewer.post(self.path, &self.other).await.refused(403, "not-allowed");
        viewer.patch(path, before.etag(), &self.patch).await.refused(403, "not-allowed");
        viewer.post_at_with(&retire, before.etag(), &self.retire).await.refused(403, "not-allowed");
        app.anyone().get(path).await.refused(401, "not-signed-in");
        assert_eq!(dealer.office.get(path).await.json(), before.json(), "nothing has changed");
    }

    async fn is_paged(&self, office: &Client) {
        office.create(self.path, &self.other).await;
        let whole = items(office, self.all).await;
        let glue = if self.all.contains('?') { '&' } else { '?' };
        let first = office.get(&format!("{}{glue}limit=1", self.all)).await;
        let chosen = office.get(&format!("{}{glue}limit=1&fields=id,revision", self.all)).await.json();
        let only = json!({ "id": first.json()["items"][0]["id"], "revision": first.json()["items"][0]["revision"] });
        assert_eq!((&chosen["items"][0], &chosen["next_cursor"]), (&only, &first.json()["next_cursor"]));
        let cursor = first.json()["next_cursor"].as_str().unwrap().to_owned();
        let link = first.header("link").to_owned();
        assert!(link.starts_with('<') && link.ends_with(">; rel=\"next\""), "{link}");
        let second = office.get(link.trim_start_matches('<').split_once('>').unwrap().0).await;
        assert!(link.contains(&cursor));
        let pages = [first.json()["items"][0].clone(), second.json()["items"][0].clone()];
        assert_eq!((&pages[..], &second.json()["next_cursor"]), (&whole[..], &Value::Null));
    }

    async fn is_retired(&self, office: &Client, path: &str) {
        let retired = office.post_at_with(&format!("{path}/retire"), "\"2\"", &self.retire).await;
        assert_eq!((retired.status(), retired.etag()), (200, "\"3\""), "{retired:?}");
        assert_ne!(retired.json()["ended_at"], Value::Null);
        assert_eq!(office.get(path).await.json(), retired.json(), "it stays readable");
        let listed = |list: Vec<Value>| list.contains(&retired.json());
        assert!(!listed(items(office, self.running).await));
        assert!(listed(items(office, self.all).await));
    }

    async fn names_unknown_and_missing_fields(&self, office: &Client) {
        let mut unknown = self.other.clone();
        unknown["colour"] = json!("blue");
        let answer = office.post(self.path, &unknown).await;
        answer.refused(422, "invalid");
        assert!(answer.text().contains("colour"), "{answer:?}");
        for field in self.other.as_object().unwrap().keys() {
            let mut wrong = self.other.clone();
            wrong[field] = json!({ "of": ["another", "type"] });
            let answer = office.post(self.path, &wrong).await;
            answer.refused(422, "invalid");
            let pointer = answer.faults().remove(0).0;
            assert!(pointer.starts_with(&format!("/{field}")), "{answer:?}");
        }
    }
}

/// The records of a list's first page.
pub(crate) async fn items(client: &Client, path: &str) -> Vec<Value> {
    let answer: Answer = client.get(path).await;
    answer.json()["items"].as_array().unwrap().clone()
}
