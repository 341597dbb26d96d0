//! The migrations: they run down and up again, and the tables that diesel sees are theirs.

use crate::support::{Database, generated, repository, runtime};
use std::fs;
use tokio_postgres::Client;
use weirbook::db::login::APP_ROLE;
use weirbook::db::migrate::migrate;

const HEADER: &str =
    "//! The tables as diesel sees them. Generated from the migrations (`cargo gen`), never edited.\n\n";

/// What `schema_rs.sql` writes of a database.
async fn tables(client: &Client) -> String {
    let row = client.query_one(include_str!("schema_rs.sql"), &[]).await.unwrap();
    row.get(0)
}

#[tokio::test]
async fn the_generated_tables_are_those_of_the_migrations() {
    let database = Database::migrated().await;
    let tables = tables(&database.superuser().await).await;
    generated("api/src/db/schema.rs", &format!("{HEADER}{}\n", tables.trim_end()));
}

#[tokio::test]
async fn migrations_run_down_and_up_again() {
    let database = Database::bare().await;
    let client = database.superuser().await;
    let now = chrono::Utc::now();
    let ran = migrate(&database.login(), now).await.unwrap();
    let (made, everything) = (tables(&client).await, objects(&client).await);
    let mut folders: Vec<_> =
        fs::read_dir(repository("migrations")).unwrap().map(|entry| entry.unwrap().path()).collect();
    folders.sort();
    assert_eq!(ran.len(), folders.len());
    for folder in folders.iter().rev() {
        let down = fs::read_to_string(folder.join("down.sql")).unwrap();
        let undone = client.batch_execute(&format!("begin; {down}; commit")).await;
        undone.unwrap_or_else(|error| panic!("{}: {error:?}", folder.display()));
    }
    assert_eq!(objects(&client).await, ["table __diesel_schema_migrations"], "left behind");
    client.batch_execute("delete from __diesel_schema_migrations").await.unwrap();
    assert_eq!(migrate(&database.login(), now).await.unwrap(), ran);
    assert_eq!((tables(&client).await, objects(&client).await), (made, everything));
    assert_eq!(migrate(&database.login(), now).await.unwrap(), Vec::<String>::new(), "nothing is pending");
}

/// Everything of ours in the database by kind and name, policies with their text.
async fn objects(client: &Client) -> Vec<String> {
    let sql = "
        with ours as (
          select oid from pg_namespace where nspname not like 'pg\\_%' and nspname <> 'information_schema')
        select 'schema ' || nspname from pg_namespace where oid in (select oid from ours) and nspname <> 'public'
        union all
        select case relkind when 'i' then 'index ' when 'I' then 'index ' when 'v' then 'view ' when 'S' then 'sequence ' else 'table ' end
               || oid::regclass || coalesce(' ' || relacl::text, '')
          from pg_class where relnamespace in (select oid from ours)
           and relname not in ('__diesel_schema_migrations_pkey')
        union all
        select 'function ' || p.oid::regprocedure || coalesce(' ' || proacl::text, '')
          from pg_proc p where pronamespace in (select oid from ours)
           and not exists (select from pg_depend d where d.objid = p.oid and d.deptype = 'e')
        union all
        select 'policy ' || polname || ' on ' || polrelid::regclass || ' ' || coalesce(pg_get_expr(polqual, polrelid), '')
          from pg_policy
        union all
        select 'constraint ' || conname || ' on ' || conrelid::regclass || ' ' || pg_get_constraintdef(oid)
          from pg_constraint where connamespace in (select oid from ours)
           and conrelid <> '__diesel_schema_migrations'::regclass
        order by 1";
    client.query(sql, &[]).await.unwrap().iter().map(|row| row.get(0)).collect()
}

/// The service's roles belong to the server, and PostgreSQL refuses to alter one twice at once.
#[tokio::test]
async fn databases_of_one_server_migrate_at_once() {
    let databases = [Database::bare().await, Database::bare().await, Database::bare().await, Database::bare().await];
    let migrations = databases.iter().map(|database| {
        let login = database.login();
        runtime().spawn(async move { migrate(&login, chrono::Utc::now()).await })
    });
    for migration in migrations.collect::<Vec<_>>() {
        assert!(!migration.await.unwrap().unwrap().is_empty());
    }
}

#[tokio::test]
async fn two_writers_at_once_make_one_partition() {
    let database = Database::migrated().await;
    let (first, second) = (database.as_role(APP_ROLE).await, database.as_role(APP_ROLE).await);
    first.batch_execute("begin; select app.make_month('2020-02-01')").await.unwrap();
    let waiting = runtime().spawn(async move { second.batch_execute("select app.make_month('2020-02-01')").await });
    let superuser = database.superuser().await;
    let sql = "select count(*) from pg_stat_activity where datname = current_database() and wait_event = 'advisory'";
    while superuser.query_one(sql, &[]).await.unwrap().get::<_, i64>(0) == 0 {
        assert!(!waiting.is_finished(), "it does not wait for the first: {:?}", waiting.await);
    }
    first.batch_execute("commit").await.unwrap();
    waiting.await.unwrap().unwrap();
    let sql = "select count(*) from pg_inherits where inhrelid = 'sheets.day_sheet_2020_02'::regclass";
    assert_eq!(superuser.query_one(sql, &[]).await.unwrap().get::<_, i64>(0), 1);
}
