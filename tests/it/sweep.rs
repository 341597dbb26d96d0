//! The sweep: every operation of the document, asked by everybody, with ids of their own, of another customer and of another dealer. What comes back is what
//! the permission table says, and nothing of anybody else's is in it. A new operation is swept as it
//! is: the document says what it demands.

mod document;
mod people;
mod tokens;
mod world;

use crate::conventions::items;
use crate::support::{Client, Unguarded};
use document::{Document, Filling, Operation, pointers};
use futures_util::StreamExt;
use people::{AT_NO_SITE, Asker, askers, exchanged, limited, programs};
use reqwest::Method;
use reqwest::header::IF_MATCH;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use tokens::KeyFile;
use tokio_postgres::Client as Sql;
use world::World;

/// Requests under way at once.
const AT_ONCE: usize = 4;

async fn world(document: &Document) -> (KeyFile, World) {
    let key = KeyFile::new();
    let world = World::make(document, &key).await;
    (key, world)
}

/// What there is only of an issued report that came out otherwise since then.
const OF_ISSUED: &str = "get_proposal";

/// Sends all requests, a few at a time, and gives what was wrong with their answers.
async fn all<F: Future<Output = Vec<String>>>(requests: impl IntoIterator<Item = F>) -> Vec<String> {
    futures_util::stream::iter(requests).buffer_unordered(AT_ONCE).collect::<Vec<_>>().await.concat()
}

#[track_caller]
fn none(wrong: &[String]) {
    let shown: Vec<_> = wrong.iter().take(40).map(String::as_str).collect();
    assert!(wrong.is_empty(), "{} answers are wrong:\n{}", wrong.len(), shown.join("\n"));
}

fn request(client: &Client, operation: &Operation, path: &str, body: Option<&Value>) -> reqwest::RequestBuilder {
    let request = client.request(operation.method.clone(), path);
    match body {
        Some(body) => request.header(IF_MATCH, "\"1\"").json(body),
        None => request,
    }
}

#[tokio::test]
async fn the_world_has_a_record_of_every_kind() {
    let document = Document::read();
    let (_key, world) = world(&document).await;
    let named: Vec<String> = document.operations().iter().flat_map(Operation::kinds).collect();
    // The second yard shares what its dealer has one of, such as consumables of a name.
    for yard in [&world.yards[0], &world.yards[2]] {
        let lacking = named.iter().filter(|kind| !yard.ids.contains_key(*kind));
        assert_eq!(lacking.collect::<Vec<_>>(), [""; 0], "of {}: say in `help` what it takes to make one", yard.mark);
    }
}

#[tokio::test]
async fn nobody_is_let_in_without_a_good_token() {
    let document = Document::read();
    let key = KeyFile::new();
    let app = crate::support::TestApp::start_with(|services| services.keys = key.keys()).await;
    let dealer = app.dealer("North").await;
    let mut askers = vec![("without a token", app.anyone().clone())];
    for (what, token) in tokens::bad(&key, dealer.owner.token().unwrap()) {
        askers.push((what, app.anyone().with_token(token)));
    }
    let operations = document.operations();
    let guarded: Vec<_> = operations.iter().filter(|operation| operation.permission.is_some()).collect();
    let pairs = guarded.iter().flat_map(|operation| askers.iter().map(move |asker| (operation, asker)));
    let wrong = all(pairs.map(async |(operation, (what, client))| {
        let path = operation.path.replace(['{', '}'], "");
        let answer = client.send(request(client, operation, &path, Some(&json!({})))).await;
        let refused = answer.status() == 401 && answer.header("www-authenticate").starts_with("Bearer");
        let foreign = answer.whole().contains("North");
        (!refused || foreign).then(|| format!("{what}: {answer:?}")).into_iter().collect()
    }))
    .await;
    println!("{} operations x {} bad tokens: all refused but {}", guarded.len(), askers.len(), wrong.len());
    none(&wrong);
}

#[tokio::test]
async fn each_role_may_do_what_the_table_says() {
    let document = Document::read();
    let (_key, world) = world(&document).await;
    let (mut askers, operations) = (askers(&world).await, document.operations());
    askers.extend(programs(&world).await);
    let pairs = operations.iter().flat_map(|operation| askers.iter().map(move |asker| (operation, asker)));
    let wrong = all(pairs.map(async |(operation, asker)| {
        let Some(row) = operation.permission else { return Vec::new() };
        let yard = (0..world.yards.len()).find(|yard| asker.reaches(*yard)).unwrap();
        let Some(path) = operation.filled(&world.yards[yard].ids) else { return Vec::new() };
        let body = (operation.method != Method::GET).then(|| json!([]));
        let answer = asker.client.send(request(&asker.client, operation, &path, body.as_ref())).await;
        let lacks = answer.status() == 403 && answer.text().contains(&format!("lacks the permission {}.", row.name));
        let may = asker.may(&row);
        let as_said = if may { ![401, 403].contains(&answer.status()) && answer.status() < 500 } else { lacks };
        (!as_said)
            .then(|| format!("{} {} {answer:?}", asker.name, if may { "may" } else { "may not" }))
            .into_iter()
            .collect()
    }))
    .await;
    println!("{} operations x {} people by the table: {} differ", operations.len(), askers.len(), wrong.len());
    none(&wrong);
}

/// What comes of reading everything as everybody, with everybody's ids.
#[derive(Default)]
struct Swept {
    requests: usize,
    foreign: usize,
    wrong: Vec<String>,
}

/// Reads everything; `guarded` tells whether the permission table is in force.
async fn read_everything(document: &Document, world: &World, askers: &[Asker], guarded: bool) -> Swept {
    let operations = document.operations();
    let mut asked = Vec::new();
    for operation in operations.iter().filter(|operation| operation.is_read() && operation.permission.is_some()) {
        for (at, yard) in world.yards.iter().enumerate() {
            let Some(path) = operation.filled(&yard.ids) else { continue };
            let queries = operation.queries(&yard.ids);
            if !queries.is_empty() {
                asked.extend(askers.iter().map(|asker| (operation, at, path.clone(), queries.clone(), asker)));
            }
        }
    }
    let found = asked.into_iter().map(async |(operation, yard, path, queries, asker)| {
        let mut swept = Swept::default();
        let mut statuses = Vec::new();
        for query in queries {
            let path = format!("{path}{query}");
            let answer = asker.client.get(&path).await;
            statuses.push(answer.status());
            swept.requests += 1;
            for word in asker.foreign_in(&answer, &path) {
                swept.foreign += word.len();
                swept.wrong.push(format!("{} is shown {word}: {path} answers {}", asker.name, answer.whole()));
            }
        }
        swept.wrong.extend(fault(operation, yard, &path, &statuses, asker, guarded));
        swept
    });
    let found: Vec<Swept> = futures_util::stream::iter(found).buffer_unordered(AT_ONCE).collect().await;
    found.into_iter().fold(Swept::default(), |mut sum, one| {
        sum.requests += one.requests;
        sum.foreign += one.foreign;
        sum.wrong.extend(one.wrong);
        sum
    })
}

/// What is wrong with the statuses of reading a yard's record.
fn fault(
    operation: &Operation,
    yard: usize,
    path: &str,
    statuses: &[u16],
    asker: &Asker,
    guarded: bool,
) -> Option<String> {
    let row = operation.permission?;
    let may = asker.may(&row);
    let kinds = operation.kinds();
    let only = |status| statuses.iter().all(|one| *one == status);
    let as_said = if !may && guarded {
        only(403)
    } else if !may {
        // A handler that is shown half of what it works with may well fail, as one for people does
        // when a program asks.
        statuses.iter().all(|status| [200, 401, 403, 404, 422, 500].contains(status))
    } else if operation.id == OF_ISSUED {
        only(404)
    } else if kinds.is_empty() {
        // A query that names what is not there may find nothing, or say so.
        statuses.contains(&200) && statuses.iter().all(|status| [200, 404, 422].contains(status))
    } else if kinds[0] == "files" && asker.is_a_customers() {
        // It stands behind no record of theirs.
        only(404)
    } else if asker.reaches(yard) {
        statuses.contains(&200) && statuses.iter().all(|status| [200, 422].contains(status))
    } else {
        let inherits = asker.inherits(yard, &kinds[0]);
        statuses.iter().all(|status| [404, 422].contains(status) || inherits && *status == 200)
            && (inherits || statuses.contains(&404))
    };
    (!as_said).then(|| format!("{} with ids of yard {yard}: {} {path} answers {statuses:?}", asker.name, operation.id))
}

#[tokio::test]
async fn everybody_reads_their_own_and_nothing_else() {
    let document = Document::read();
    let (_key, world) = world(&document).await;
    let askers = askers(&world).await;
    let swept = read_everything(&document, &world, &askers, true).await;
    println!("{} reads by {} people: {} foreign bytes", swept.requests, askers.len(), swept.foreign);
    none(&swept.wrong);
}

/// Everybody at an address where the permission table is not in force.
async fn unguarded(world: &World) -> (Unguarded, Vec<Asker>) {
    let unguarded = world.app.without_permissions();
    let mut askers = askers(world).await;
    for asker in &mut askers {
        asker.client = unguarded.anyone.with_token(asker.client.token().unwrap().to_owned());
    }
    let technician = world.dealers[0].technician.token().unwrap().to_owned();
    let people = unguarded.anyone.with_token(technician).get("/v1/people").await;
    assert_eq!(people.status(), 200, "owners alone may: {people:?}");
    (unguarded, askers)
}

#[tokio::test]
async fn the_database_alone_shows_nobody_anything_foreign() {
    let document = Document::read();
    let (_key, world) = world(&document).await;
    let (_unguarded, askers) = unguarded(&world).await;
    let swept = read_everything(&document, &world, &askers, false).await;
    println!(
        "{} reads without permissions by {} people: {} foreign bytes",
        swept.requests,
        askers.len(),
        swept.foreign
    );
    none(&swept.wrong);
}

#[tokio::test]
async fn who_is_limited_to_a_site_reads_nothing_of_the_others() {
    let document = Document::read();
    let (_key, world) = world(&document).await;
    let (askers, operations, yard) = (limited(&world).await, document.operations(), &world.yards[0]);
    for asker in &askers {
        let sites = items(&asker.client, "/v1/sites").await;
        let names: Vec<_> = sites.iter().map(|site| &site["name"]).collect();
        assert_eq!(names, ["Far yard"], "{} reads its own", asker.name);
    }
    let mut asked = Vec::new();
    for operation in operations.iter().filter(|operation| operation.is_read() && operation.permission.is_some()) {
        let Some(path) = operation.filled(&yard.ids) else { continue };
        for query in operation.queries(&yard.ids) {
            asked.extend(askers.iter().map(|asker| (operation, asker, format!("{path}{query}"))));
        }
    }
    let count = asked.len();
    let wrong = all(asked.into_iter().map(async |(operation, asker, path)| {
        let answer = asker.client.get(&path).await;
        let shown = asker.foreign_in(&answer, &path).map(|word| format!("{} is shown {word}: {path}", asker.name));
        let mut wrong: Vec<String> = shown.collect();
        let of_a_site = operation.kinds().first().is_some_and(|kind| !AT_NO_SITE.contains(&kind.as_str()));
        if answer.status() >= 500 || of_a_site && ![403, 404, 422].contains(&answer.status()) {
            wrong.push(format!("{}: {path} answers {answer:?}", asker.name));
        }
        wrong
    }))
    .await;
    println!("{count} reads by {} who are limited to another site: {} wrong", askers.len(), wrong.len());
    none(&wrong);
}

/// All rows of the tenants' tables, in a few letters each.
async fn fingerprint(sql: &Sql) -> BTreeMap<String, String> {
    let tables =
        "select c.relname::text from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'dealer_id'
                   where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p')";
    let mut prints = BTreeMap::new();
    for row in sql.query(tables, &[]).await.unwrap() {
        let table: String = row.get(0);
        let print = format!("select coalesce(md5(string_agg(t::text, '|' order by t::text)), '') from {table} t");
        prints.insert(table, sql.query_one(&print, &[]).await.unwrap().get(0));
    }
    prints
}

#[tokio::test]
async fn nobody_writes_to_what_is_not_theirs() {
    let document = Document::read();
    let (_key, world) = world(&document).await;
    let askers = askers(&world).await;
    let (count, wrong, changed) = write_everything(&document, &world, &askers, true).await;
    println!("{count} writes with foreign ids: {} taken or leaking, tables changed: {changed:?}", wrong.len());
    none(&wrong);
    assert_eq!(changed, [""; 0], "nothing was written");
}

#[tokio::test]
async fn the_database_alone_lets_nobody_write_to_what_is_not_theirs() {
    let document = Document::read();
    let (_key, world) = world(&document).await;
    let (_unguarded, askers) = unguarded(&world).await;
    let (count, wrong, changed) = write_everything(&document, &world, &askers, false).await;
    println!("{count} writes with foreign ids without permissions: {} taken or leaking: {changed:?}", wrong.len());
    none(&wrong);
    assert_eq!(changed, [""; 0], "nothing was written");
}

/// Sends every write that names what is not the asker's; gives how many, what was wrong with the answers, and
/// the tables that changed. `guarded` tells whether the permission table is in force.
async fn write_everything(
    document: &Document,
    world: &World,
    askers: &[Asker],
    guarded: bool,
) -> (usize, Vec<String>, Vec<String>) {
    let (operations, sql) = (document.operations(), world.app.superuser().await);
    let before = fingerprint(&sql).await;
    let mut tried = Vec::new();
    for operation in operations.iter().filter(|operation| !operation.is_read()) {
        let may = |asker: &&Asker| operation.permission.is_some_and(|row| !guarded || asker.may(&row));
        for asker in askers.iter().filter(may) {
            let own = (0..world.yards.len()).find(|yard| asker.reaches(*yard)).unwrap();
            for other in (0..world.yards.len()).filter(|yard| !asker.reaches(*yard)) {
                tried.extend(foreign_writes(document, world, operation, (own, other), asker));
            }
        }
    }
    let count = tried.len();
    let wrong = all(tried.into_iter().map(async |(operation, path, body, asker)| {
        let answer = asker.client.send(request(&asker.client, operation, &path, Some(&body))).await;
        let sent = format!("{path} {body}");
        let mut wrong: Vec<String> = asker
            .foreign_in(&answer, &sent)
            .map(|word| format!("{} is shown {word}: {answer:?}", asker.name))
            .collect();
        // A batch is answered row by row.
        let none_taken = answer.status() == 200 && answer.json()["accepted"] == 0;
        let status = answer.status();
        // A handler that the database refuses in the middle of its work may well fail.
        let refused = (400..500).contains(&status) || !guarded && status == 500;
        if !none_taken && !refused || guarded && [401, 403].contains(&status) && !answer.text().contains("errors") {
            wrong.push(format!("{} sends {sent}: {answer:?}", asker.name));
        }
        wrong
    }))
    .await;
    let after = fingerprint(&sql).await;
    let changed = before.keys().filter(|table| before[*table] != after[*table]).cloned().collect();
    (count, wrong, changed)
}

/// A write with another yard's ids in its path, and those with them in the body alone: with each
/// pointer that may be left out, one at a time.
fn foreign_writes<'a>(
    document: &Document,
    world: &World,
    operation: &'a Operation,
    (own, other): (usize, usize),
    asker: &'a Asker,
) -> Vec<(&'a Operation, String, Value, &'a Asker)> {
    let (own, others) = (&world.yards[own], &world.yards[other]);
    let body =
        |with: &[&str]| own.body(document, operation, &Filling { ids: &own.ids, mark: "again", is_full: true, with });
    let mut writes = Vec::new();
    let inherits = operation.kinds().first().is_some_and(|kind| asker.inherits(other, kind));
    if let Some(path) = operation.filled(&others.ids).filter(|_| !operation.kinds().is_empty() && !inherits) {
        writes.push((operation, path, body(&[]), asker));
    }
    let Some(path) = operation.filled(&own.ids) else { return writes };
    let bodies = pointers().map(|pointer| body(&[pointer]).to_string()).collect::<BTreeSet<_>>();
    for body in bodies {
        let foreign = exchanged(&body, own, others);
        // The unit that moved is nobody's secret to whom it came to.
        let names_what_moved = asker.inherits(other, "units")
            && (foreign.contains(others.one("units")) || foreign.contains(others.one("meters")));
        if foreign != body && !names_what_moved {
            writes.push((operation, path.clone(), serde_json::from_str(&foreign).unwrap(), asker));
        }
    }
    writes
}
