//! Dealers and their people, signed in.

use super::{Client, id};
use domain::ids::{CustomerId, DealerId};
use serde_json::json;
use std::sync::OnceLock;
use uuid::Uuid;
use weirbook::auth::token::{Identity, Keys};
use weirbook::auth::{Role, password};
use weirbook::db::Db;
use weirbook::db::gate::{NewDealer, NewPerson};
use weirbook::server::Services;

/// Everybody's password.
pub(crate) const PASSWORD: &str = "quiet water runs deep";

/// What it takes to add people and let them in.
#[derive(Clone)]
pub(crate) struct Access {
    pub(super) db: Db,
    pub(super) keys: Keys,
    pub(super) anyone: Client,
}

/// A dealer and its people. Their e-mail addresses are `owner-7@example.com` and so on, with
/// the dealer's id.
pub(crate) struct Dealer {
    /// Its key.
    pub(crate) id: DealerId,
    /// Signed in as the owner.
    pub(crate) owner: Client,
    /// Signed in as an office person.
    pub(crate) office: Client,
    /// Signed in as a technician.
    pub(crate) technician: Client,
    access: Access,
}

impl Dealer {
    pub(crate) async fn add(access: &Access, name: &str) -> Self {
        let new =
            NewDealer { name: name.to_owned(), time_zone: "Europe/Vienna".to_owned(), currency: "EUR".to_owned() };
        let id = access.db.add_dealer(&new).await.unwrap();
        Self {
            id,
            owner: access.person(id, Role::Owner, None).await,
            office: access.person(id, Role::Office, None).await,
            technician: access.person(id, Role::Technician, None).await,
            access: access.clone(),
        }
    }

    /// Adds a customer's person who looks, signed in.
    pub(crate) async fn customer_viewer(&self, customer: Uuid) -> Client {
        self.access.person(self.id, Role::CustomerViewer, Some(customer)).await
    }

    /// Adds a customer's person who looks and is limited to some of its sites, signed in.
    pub(crate) async fn limited_viewer(&self, customer: Uuid, sites: &[Uuid]) -> Client {
        let account = self.customer_viewer(customer).await.get("/v1/me").await.json()["account_id"].clone();
        let people = self.owner.get("/v1/people?limit=200").await.json();
        let row = people["items"].as_array().unwrap().iter().find(|row| row["account_id"] == account).unwrap();
        let (path, etag) = (format!("/v1/people/{}", id(row)), format!("\"{}\"", row["revision"]));
        assert_eq!(self.owner.patch(&path, &etag, &json!({ "site_ids": sites })).await.status(), 200);
        // What was signed in before is believed no more.
        let signing_in = json!({ "email": row["email"], "password": PASSWORD });
        let signed_in = self.access.anyone.post("/v1/sessions", &signing_in).await.json();
        self.access.anyone.with_token(signed_in["access_token"].as_str().unwrap().to_owned())
    }

    /// Adds a customer's person who asks for nothing, and may be let go.
    pub(crate) async fn somebody_else(&self, customer: Uuid) {
        let new = NewPerson {
            email: format!("somebody-else-{customer}@example.com"),
            name: "Somebody else".to_owned(),
            password_hash: password_hash().to_owned(),
            role: Role::CustomerViewer,
            customer: Some(CustomerId(customer)),
        };
        self.access.db.add_person(self.id, &new).await.unwrap();
    }

    /// Adds a customer's person who also enters readings, signed in.
    pub(crate) async fn customer_reader(&self, customer: Uuid) -> Client {
        self.access.person(self.id, Role::CustomerReader, Some(customer)).await
    }
}

impl Access {
    /// To a service over the same database, called by `anyone`.
    pub(crate) fn of(services: &Services, anyone: &Client) -> Self {
        Self { db: services.db.clone(), keys: services.keys.clone(), anyone: anyone.clone() }
    }

    /// Adds an account with one membership. Its token is issued rather than asked for: the
    /// check of a password takes longer than most tests.
    async fn person(&self, dealer: DealerId, role: Role, customer: Option<Uuid>) -> Client {
        let of = customer.map_or(dealer.to_string(), |customer| customer.to_string());
        let name = format!("{}-{of}", role.as_str().replace('_', "-"));
        let customer = customer.map(CustomerId);
        let new = NewPerson {
            email: format!("{name}@example.com"),
            name,
            password_hash: password_hash().to_owned(),
            role,
            customer,
        };
        let account = self.db.add_person(dealer, &new).await.unwrap();
        let membership = self.db.memberships(account).await.unwrap()[0].id;
        let session = Uuid::now_v7();
        let identity = Identity { account, dealer, membership, revision: 1, role, customer, session, grant: None };
        let token = self.keys.issue(&identity, chrono::Utc::now()).unwrap();
        self.anyone.with_token(token)
    }
}

/// The hash of [`PASSWORD`], made once: it is slow on purpose.
pub(crate) fn password_hash() -> &'static str {
    static HASH: OnceLock<String> = OnceLock::new();
    HASH.get_or_init(|| password::hash(PASSWORD).unwrap())
}
