//! A service with a dealer, and a superuser's connection beside it.

use chrono::{NaiveDate, Utc};
use domain::ids::DealerId;
use std::error::Error;
use std::net::SocketAddr;
use std::num::NonZeroU32;
use std::path::PathBuf;
use tokio_postgres::{Client, NoTls};
use uuid::Uuid;
use weirbook::auth::revoked::Revoked;
use weirbook::auth::token::{Identity, Keys};
use weirbook::auth::{Role, password};
use weirbook::db::Db;
use weirbook::db::cluster::{Cluster, ClusterOptions, Durability};
use weirbook::db::gate::{NewDealer, NewPerson};
use weirbook::db::login::{APP_ROLE, GATE_ROLE, Login};
use weirbook::db::migrate::migrate;
use weirbook::guesses::Guesses;
use weirbook::mail::Post;
use weirbook::rates::{Allowance, Rates};
use weirbook::server::{Limits, Services, listen};
use weirbook::telemetry::Metrics;
use weirbook::webhook::Sender;

pub(crate) type Outcome<T = ()> = Result<T, Box<dyn Error>>;

/// The running service.
pub(crate) struct Bench {
    pub(crate) db: Db,
    pub(crate) dealer: DealerId,
    pub(crate) address: SocketAddr,
    pub(crate) token: String,
    keys: Keys,
    cluster: Cluster,
    folder: PathBuf,
}

/// The first day of the invented readings.
pub(crate) fn first_day() -> NaiveDate {
    NaiveDate::from_ymd_opt(2024, 1, 1).unwrap_or_default()
}

impl Bench {
    pub(crate) async fn start() -> Outcome<Self> {
        let folder = std::env::temp_dir().join(format!("weirbook-bench-{}", std::process::id()));
        let options = ClusterOptions { data_dir: folder.clone(), bindir: None, durability: Durability::Safe };
        let cluster = tokio::task::spawn_blocking(move || Cluster::start(&options)).await??;
        // For the measurements' own clients; a second call changes nothing.
        let _installed = rustls::crypto::ring::default_provider().install_default();
        let login = |database| Login::at_socket(cluster.host(), cluster.port(), cluster.superuser(), database);
        login("postgres").create_database("bench").await?;
        migrate(&login("bench"), Utc::now()).await?;
        let owner = login("bench");
        let db = Db::connect(owner.as_role(APP_ROLE), owner.as_role(GATE_ROLE), 16)?;
        let keys = Keys::load_or_make(&folder.join("signing-key.pem"), "http://bench")?;
        let limits = Limits { batch_bytes_max: 16 << 20 };
        let services = Services {
            db: db.clone(),
            keys: keys.clone(),
            revoked: Revoked::default(),
            metrics: Metrics::default(),
            limits,
            post: Post::new(None, "http://bench"),
            guesses: Guesses::default(),
            hooks: Sender::new(true)?,
            rates: Rates::new(Allowance { signed_in: NonZeroU32::MAX, unknown: NonZeroU32::MAX }),
        };
        let (address, server) = listen(services, SocketAddr::from(([127, 0, 0, 1], 0)), 2)?;
        tokio::spawn(server);
        let (dealer, token) = dealer(&db, &keys).await?;
        Ok(Self { db, dealer, address, token, keys, cluster, folder })
    }

    /// Goes on as a new dealer, whom nothing that was filled in before belongs to.
    pub(crate) async fn renew(&mut self) -> Outcome {
        (self.dealer, self.token) = dealer(&self.db, &self.keys).await?;
        Ok(())
    }

    /// A connection that row-level security does not hold.
    pub(crate) async fn superuser(&self) -> Outcome<Client> {
        let mut config = tokio_postgres::Config::new();
        config.host_path(self.cluster.host()).port(self.cluster.port()).user(self.cluster.superuser()).dbname("bench");
        let (client, connection) = config.connect(NoTls).await?;
        tokio::spawn(connection);
        Ok(client)
    }

    /// Where and as whom to connect, for a pool of the measurement's own.
    pub(crate) fn connection_string(&self) -> String {
        let host = self.cluster.host().display();
        format!("host={host} port={} user={} dbname=bench", self.cluster.port(), self.cluster.superuser())
    }

    /// Makes `units` units with `meters` meters each at one site, numbered from `first_no`.
    pub(crate) async fn make_meters(&self, first_no: i32, units: i32, meters: i32) -> Outcome<Vec<Uuid>> {
        let client = self.superuser().await?;
        client.batch_execute(&make_meters_sql(self.dealer, first_no, units, meters)).await?;
        let last_no = first_no + units * meters - 1;
        let rows =
            client.query("select id from meter where no between $1 and $2 order by no", &[&first_no, &last_no]).await?;
        Ok(rows.iter().map(|row| row.get(0)).collect())
    }

    pub(crate) async fn stop(self) -> Outcome {
        self.db.close();
        let cluster = self.cluster;
        tokio::task::spawn_blocking(move || cluster.stop()).await??;
        std::fs::remove_dir_all(self.folder)?;
        Ok(())
    }
}

/// Adds a dealer; its key, and the token of a person of its office.
async fn dealer(db: &Db, keys: &Keys) -> Outcome<(DealerId, String)> {
    let new = NewDealer { name: "Bench".to_owned(), time_zone: "Europe/Vienna".to_owned(), currency: "EUR".to_owned() };
    let dealer = db.add_dealer(&new).await?;
    let person = NewPerson {
        email: format!("office-{dealer}@bench.test"),
        name: "Office".to_owned(),
        password_hash: password::hash("not used")?,
        role: Role::Office,
        customer: None,
    };
    let account = db.add_person(dealer, &person).await?;
    let (role, session) = (Role::Office, Uuid::now_v7());
    let identity =
        Identity { account, dealer, membership: Uuid::nil(), revision: 1, role, customer: None, session, grant: None };
    Ok((dealer, keys.issue(&identity, Utc::now())?))
}

/// The usual streams of a fully metered unit, in turn.
fn make_meters_sql(dealer: DealerId, first_no: i32, units: i32, meters: i32) -> String {
    format!(
        "begin;
         set local app.dealer_id = '{dealer}';
         insert into customer (id, name, created_at, changed_at)
           values (gen_random_uuid(), 'Bench customer {first_no}', now(), now());
         insert into site (id, customer_id, name, time_zone, country, created_at, changed_at)
           select gen_random_uuid(), id, 'Bay {first_no}', 'Europe/Vienna', 'AT', now(), now()
             from customer where name = 'Bench customer {first_no}';
         with units as (
           insert into unit (id, serial_number, label, created_at, changed_at)
             select gen_random_uuid(), 'B-{first_no}-' || n, 'Unit ' || n, now(), now()
               from generate_series(1, {units}) as n
             returning id)
         insert into placement (id, unit_id, site_id, customer_id, valid, terms, created_at, changed_at)
           select gen_random_uuid(), u.id, s.id, s.customer_id, '[2020-01-01,)', 'sold', now(), now()
             from units u cross join site s where s.name = 'Bay {first_no}';
         insert into meter (no, id, label, stream, unit, digits, read_by, read_every_h, created_at, changed_at)
           select {first_no} + n, gen_random_uuid(), 'Meter ' || n,
                  (array['makeup', 'wash', 'rinse', 'to_sewer', 'bypass', 'blowdown'])[1 + n % 6], 'l', 9,
                  'telemetry', 1, now(), now()
             from generate_series(0, {units} * {meters} - 1) as n;
         insert into meter_attachment (meter_no, valid, unit_id, created_at)
           select {first_no} + (u.place - 1) * {meters} + k, '[2020-01-01,)', u.id, now()
             from (select unit_id as id, row_number() over (order by p.id) as place
                     from placement p join site s on s.id = p.site_id where s.name = 'Bay {first_no}') as u
             cross join generate_series(0, {meters} - 1) as k;
         commit"
    )
}
