//! Bringing a database to this version's schema, as its owner.

use super::login::{APP_ROLE, GATE_ROLE, Login};
use super::{Db, DbError};
use chrono::{DateTime, Datelike, Months, NaiveDate, Utc};
use diesel_async::AsyncPgConnection;
use diesel_async::async_connection_wrapper::AsyncConnectionWrapper;
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};
use tokio::runtime::Handle;

/// The migrations, in the binary.
const MIGRATIONS: EmbeddedMigrations = embed_migrations!("../migrations");

/// Any number that no other program on the server uses for its advisory locks.
const MIGRATION_LOCK: i64 = 0x5745_4952_424f_4f4b;

/// Why the database could not be brought up to date.
#[derive(Debug, thiserror::Error)]
pub enum MigrateError {
    /// The server did not take the connection or a statement.
    #[error("the database refused: {0}")]
    Server(#[from] tokio_postgres::Error),
    /// The server could not be reached.
    #[error("the database can't be reached: {0}")]
    Unreachable(#[from] DbError),
    /// A migration failed; its own changes are undone.
    #[error("a migration failed: {0}")]
    Migration(String),
    /// The service's role may do more than it should.
    #[error("role {0} is a superuser, bypasses row-level security or owns tables: give the service a role of its own")]
    Privileged(&'static str),
}

/// Runs the pending migrations as `owner`, lets the service's roles log in, and makes the
/// partitions of the months around `now`. Several instances may start at once: one migrates,
/// the others wait.
///
/// # Errors
/// When the server or a migration refuses.
pub async fn migrate(owner: &Login, now: DateTime<Utc>) -> Result<Vec<String>, MigrateError> {
    let client = owner.open().await?;
    client.execute("select pg_advisory_lock($1)", &[&MIGRATION_LOCK]).await?;
    let ran = run_pending(owner.clone()).await?;
    for role in [APP_ROLE, GATE_ROLE] {
        let password = owner.role_password(role).map_or("null".to_owned(), |hex| format!("'{hex}'"));
        client.batch_execute(&format!("alter role {role} login password {password}")).await?;
        client.batch_execute(&english_messages(role)).await?;
    }
    for month in months_around(now.date_naive()) {
        client.execute("select app.make_month($1)", &[&month]).await?;
    }
    client.execute("select pg_advisory_unlock($1)", &[&MIGRATION_LOCK]).await?;
    check_roles(&client).await?;
    Ok(ran)
}

/// Has the server speak English to a role, which only a superuser may choose for it; with
/// another owner the server's own language stays.
fn english_messages(role: &str) -> String {
    format!(
        "do $$ begin
           alter role {role} set lc_messages = 'C';
         exception when insufficient_privilege then null;
         end $$"
    )
}

/// The running month, the one before and the next three: partitions made ahead.
pub(in crate::db) fn months_around(today: NaiveDate) -> impl Iterator<Item = NaiveDate> {
    let first = today.with_day(1).unwrap_or(today);
    (0..5).filter_map(move |n| first.checked_add_months(Months::new(n))?.checked_sub_months(Months::new(1)))
}

async fn run_pending(owner: Login) -> Result<Vec<String>, MigrateError> {
    let runtime = Handle::current();
    let done = tokio::task::spawn_blocking(move || {
        let opened = runtime.block_on(super::login::establish(&runtime, owner));
        let conn: AsyncPgConnection = opened.map_err(|error| error.to_string())?;
        let mut conn = AsyncConnectionWrapper::<AsyncPgConnection>::from(conn);
        let ran = conn.run_pending_migrations(MIGRATIONS).map_err(|error| error.to_string())?;
        Ok(ran.into_iter().map(|version| version.to_string()).collect())
    });
    done.await.map_err(|error| MigrateError::Migration(error.to_string()))?.map_err(MigrateError::Migration)
}

/// Refuses roles for which row-level security would be void.
async fn check_roles(client: &tokio_postgres::Client) -> Result<(), MigrateError> {
    for role in [APP_ROLE, GATE_ROLE] {
        let row = client
            .query_one(
                "select r.rolsuper or r.rolbypassrls or exists (select from pg_class c where c.relowner = r.oid)
                 from pg_roles r where r.rolname = $1",
                &[&role],
            )
            .await?;
        if row.get::<_, bool>(0) {
            return Err(MigrateError::Privileged(role));
        }
    }
    Ok(())
}

impl Db {
    /// Whether the database answers and carries a schema: the readiness probe.
    ///
    /// # Errors
    /// When it doesn't answer.
    pub async fn ready(&self) -> Result<(), DbError> {
        self.at_gate(async |conn| super::gate::probe(conn).await).await
    }
}
