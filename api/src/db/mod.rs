//! All SQL. A query function takes a [`Tx`], a `Tx` exists only inside [`Db::read`] and
//! [`Db::write`], and those take a [`Scope`]: nothing is asked without one.
//!
//! The scope becomes two `SET LOCAL` settings at the start of the transaction, and row-level
//! security holds every statement to them. This is the only file that sees the pools.

pub mod accounts;
mod agreed_fees;
pub(crate) mod api_client;
pub mod asking;
pub mod attachment;
pub mod changes;
pub mod cluster;
pub mod component;
pub mod condition;
pub mod condition_inputs;
pub mod condition_notes;
pub mod correction;
pub mod cost_to_serve;
pub mod customer;
pub mod dealer;
pub(crate) mod discharge;
pub mod due;
pub mod error;
pub mod exception;
pub mod exchange;
pub mod fact;
mod failure;
pub mod file;
pub mod fill;
pub mod fleet;
pub mod gate;
mod holding;
pub(crate) mod idempotency;
pub mod job;
mod joins;
pub mod login;
mod makeup_held;
pub(crate) mod measures;
pub mod meter;
pub mod meter_check;
mod meter_facts;
pub mod meter_known;
pub mod meter_month;
pub mod meter_watch;
pub mod migrate;
mod model_lines;
pub mod money_inputs;
pub mod monthly_file;
pub mod night_meters;
pub mod night_plan;
pub mod night_run;
pub mod night_store;
pub(crate) mod notes;
pub mod own_record;
pub mod page;
pub mod people;
pub mod period_fact;
pub mod placement;
pub mod price;
mod range;
pub(crate) mod read_then;
pub mod reading;
pub mod report;
pub mod risk;
pub mod routine;
pub mod routine_done;
pub mod ruling;
pub(in crate::db) mod schema;
pub mod series;
pub(crate) mod service;
mod share;
pub mod sheet_stream;
pub mod site;
pub mod site_balance;
pub mod site_cost;
pub mod spell;
mod stamp;
mod stays;
pub mod stock;
pub mod subject_meters;
pub mod today;
mod touched;
pub mod trace;
pub mod treatment;
pub mod unit;
pub mod unit_list;
pub mod unit_model;
pub mod water_year;
pub mod wear;
pub mod webhook;
pub mod written;

pub use error::DbError;
pub use stamp::{Revision, Stored};

use crate::auth::Scope;
use chrono::{DateTime, NaiveDate, Utc};
use deadpool::managed::Object as Pooled;
use deadpool::managed::{Pool, QueueMode, Timeouts};
use diesel_async::pooled_connection::{AsyncDieselConnectionManager, ManagerConfig, RecyclingMethod};
use diesel_async::{AsyncPgConnection, SimpleAsyncConnection};
use futures_util::FutureExt;
use login::Login;
use share::{Share, Shares};
use std::collections::{BTreeSet, HashSet};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use written::Written;

type Manager = AsyncDieselConnectionManager<AsyncPgConnection>;

/// The service's way to its database: one pool a role.
#[derive(Clone)]
pub struct Db {
    app: Pool<Manager>,
    gate: Pool<Manager>,
    shares: Shares,
    app_login: Login,
    written: Written,
    months: Arc<Mutex<HashSet<NaiveDate>>>,
}

/// A transaction within a scope, and the instant it counts as now.
pub struct Tx<'c> {
    conn: &'c AsyncPgConnection,
    scope: &'c Scope,
    now: DateTime<Utc>,
    logged: AtomicBool,
}

impl<'c> Tx<'c> {
    pub(in crate::db) fn conn(&self) -> &'c AsyncPgConnection {
        self.conn
    }

    /// The scope it runs in.
    #[must_use]
    pub fn scope(&self) -> &'c Scope {
        self.scope
    }

    /// The instant of the request or job.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.now
    }
}

/// How long a request waits for a free connection before it is told to come back.
const POOL_WAIT: Duration = Duration::from_secs(5);

impl Db {
    /// Opens pools of at most `size` connections for the service's two roles. Connections are
    /// made when first wanted.
    ///
    /// # Errors
    /// When called outside a Tokio runtime.
    pub fn connect(app: Login, gate: Login, size: usize) -> Result<Self, DbError> {
        Ok(Self {
            app: pool(app.clone(), size)?,
            gate: pool(gate, size.div_ceil(4))?,
            shares: Shares::of(size),
            app_login: app,
            written: Written::default(),
            months: Arc::default(),
        })
    }

    /// Runs `work` in a read-only transaction within `scope`.
    ///
    /// The first query of `work` travels with the statements that open the transaction, in one
    /// round trip; the connection is thrown away unless the transaction ended in good order.
    ///
    /// # Errors
    /// What `work` answers, or the database's own failure.
    pub async fn read<T>(
        &self,
        scope: &Scope,
        now: DateTime<Utc>,
        work: impl AsyncFnOnce(&Tx<'_>) -> Result<T, DbError>,
    ) -> Result<T, DbError> {
        let held = self.held(scope).await?;
        let tx = held.tx(scope, now);
        let opening = scope.opening_sql("READ ONLY");
        // `join` polls in the order of its arguments, so BEGIN is on the wire first.
        let (begun, answer) = futures_util::future::join(run(tx.conn, &opening), work(&tx)).await;
        begun?;
        let left = held.leave(answer.is_ok()).await;
        answer.and_then(|value| left.map(|()| value))
    }

    /// Runs `work` in a transaction within `scope`; commits when it answers well. A deadlock or
    /// serialization failure is tried once more.
    ///
    /// # Errors
    /// What `work` answers, or the database's own failure; nothing is kept then.
    pub async fn write<T>(
        &self,
        scope: &Scope,
        now: DateTime<Utc>,
        work: impl AsyncFn(&Tx<'_>) -> Result<T, DbError>,
    ) -> Result<T, DbError> {
        let mut is_first = true;
        loop {
            let held = self.begun(scope).await?;
            let tx = held.tx(scope, now);
            let answer = work(&tx).await;
            let logged = tx.logged.into_inner();
            let ended = self.ended(held, scope, answer.is_ok(), logged).await;
            match answer.and_then(|value| ended.map(|()| value)) {
                Err(DbError::Collided) if is_first => is_first = false,
                answer => return answer,
            }
        }
    }

    // What stands in `read` and `write` themselves is compiled anew for each of some eight hundred uses;
    // what follows is compiled once.

    async fn held(&self, scope: &Scope) -> Result<Held, DbError> {
        Held::take(&self.app, Some(self.shares.take(scope.dealer()).await?)).await
    }

    async fn begun(&self, scope: &Scope) -> Result<Held, DbError> {
        let held = self.held(scope).await?;
        run(held.conn(), &scope.opening_sql("READ WRITE")).await?;
        Ok(held)
    }

    async fn ended(&self, held: Held, scope: &Scope, is_well: bool, logged: bool) -> Result<(), DbError> {
        held.end(is_well).await?;
        if is_well && logged {
            self.written.note(scope.dealer());
        }
        Ok(())
    }

    /// Tells of transactions that added to the change log, once they are committed.
    #[must_use]
    pub fn written(&self) -> &Written {
        &self.written
    }

    /// Runs `work` as the gate: sign-in and the list of dealers, before there is a scope.
    pub(in crate::db) async fn at_gate<T>(
        &self,
        work: impl AsyncFnOnce(&AsyncPgConnection) -> Result<T, DbError>,
    ) -> Result<T, DbError> {
        let held = Held::take(&self.gate, None).await?;
        run(held.conn(), "BEGIN").await?;
        let answer = work(held.conn()).await;
        let ended = held.end(answer.is_ok()).await;
        answer.and_then(|value| ended.map(|()| value))
    }

    /// The login of the scoped role, for connections that stream with COPY.
    pub(in crate::db) fn app_login(&self) -> &Login {
        &self.app_login
    }

    /// Those of `months` that this process has not yet seen a partition of.
    pub(in crate::db) fn months_unseen(&self, months: impl Iterator<Item = NaiveDate>) -> BTreeSet<NaiveDate> {
        let seen = self.months.lock().unwrap_or_else(PoisonError::into_inner);
        months.filter(|month| !seen.contains(month)).collect()
    }

    /// Notes that these months have their partitions.
    pub(in crate::db) fn months_seen(&self, months: BTreeSet<NaiveDate>) {
        self.months.lock().unwrap_or_else(PoisonError::into_inner).extend(months);
    }

    /// Closes the pools: nothing can be asked any more.
    pub fn close(&self) {
        self.app.close();
        self.gate.close();
    }

    /// Connections in use and open, of the scoped role's pool: for the metrics page.
    #[must_use]
    pub fn pool_state(&self) -> (usize, usize) {
        let status = self.app.status();
        (status.size.saturating_sub(status.available), status.size)
    }
}

fn pool(login: Login, size: usize) -> Result<Pool<Manager>, DbError> {
    let runtime = tokio::runtime::Handle::try_current().map_err(DbError::internal)?;
    let mut config = ManagerConfig::default();
    // `Fast` asks no `SELECT 1` at each checkout; a connection that died meanwhile fails its
    // first query, and the caller is told to come back.
    config.recycling_method = RecyclingMethod::Fast;
    // A connection's task lives where it was made: on the shared runtime, never on a worker.
    config.custom_setup = Box::new(move |_url| {
        let (runtime, login) = (runtime.clone(), login.clone());
        Box::pin(async move { login::establish(&runtime, login).await })
    });
    let manager = Manager::new_with_config(String::new(), config);
    let timeouts = Timeouts { wait: Some(POOL_WAIT), create: Some(POOL_WAIT), recycle: Some(POOL_WAIT) };
    Pool::builder(manager)
        .max_size(size)
        // Whoever asks gets the connection that was used last: it is the likeliest to have planned the
        // statement already.
        .queue_mode(QueueMode::Lifo)
        .runtime(deadpool::Runtime::Tokio1)
        .timeouts(timeouts)
        .build()
        .map_err(DbError::internal)
}

async fn run(mut conn: &AsyncPgConnection, sql: &str) -> Result<(), DbError> {
    Ok(conn.batch_execute(sql).await?)
}

/// A pooled connection that goes back to the pool only after its transaction has ended.
/// Dropped before that, by an error or a cancelled request, it is closed: a scope never
/// outlives its transaction.
struct Held {
    pooled: Option<Pooled<Manager>>,
    /// The dealer's place, given up with the connection.
    _share: Option<Share>,
}

impl Held {
    async fn take(pool: &Pool<Manager>, share: Option<Share>) -> Result<Self, DbError> {
        Ok(Self { pooled: Some(pool.get().await?), _share: share })
    }

    #[expect(clippy::expect_used, reason = "only `end`, which consumes the value, and `drop` empty it")]
    fn conn(&self) -> &AsyncPgConnection {
        self.pooled.as_ref().expect("held until the end")
    }

    fn tx<'c>(&'c self, scope: &'c Scope, now: DateTime<Utc>) -> Tx<'c> {
        Tx { conn: self.conn(), scope, now, logged: AtomicBool::new(false) }
    }

    /// Ends the transaction: commits what went well.
    async fn end(mut self, is_well: bool) -> Result<(), DbError> {
        let ended = run(self.conn(), if is_well { "COMMIT" } else { "ROLLBACK" }).await;
        if ended.is_ok() {
            drop(self.pooled.take());
        }
        ended
    }

    /// Ends a transaction that wrote nothing. Where it went well nobody waits for the server's
    /// word: COMMIT is on the wire before anything the connection's next user sends, and there
    /// is nothing that could be lost with it.
    async fn leave(mut self, is_well: bool) -> Result<(), DbError> {
        if !is_well {
            return self.end(false).await;
        }
        let sent = run(self.conn(), "COMMIT").now_or_never();
        if !matches!(sent, Some(Err(_))) {
            drop(self.pooled.take());
        }
        Ok(())
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        if let Some(pooled) = self.pooled.take() {
            drop(Pooled::take(pooled));
        }
    }
}
