//! Who asks in the sweep, and what none of them may ever be shown.

use super::world::{INSIDE, MOVING_METERS, World, Yard};
use crate::api_clients::Program;
use crate::support::{Answer, Client};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use weirbook::auth::{Role, Row, table};

/// Somebody who is signed in.
pub(super) struct Asker {
    pub(super) name: String,
    pub(super) client: Client,
    pub(super) role: Role,
    dealer: usize,
    /// The yard of a customer's person or program.
    yard: Option<usize>,
    /// What a program was granted.
    scopes: Option<Vec<&'static str>>,
    /// What must never be shown to them.
    forbidden: Vec<String>,
}

/// What goes with a unit: its meters, and a state that lasts.
const MOVES: [&str; 4] = ["units", "meters", "meters/attachments", "units/spells"];

/// Which dealer each yard belongs to.
const DEALER_OF: [usize; 3] = [0, 0, 1];

/// Every kind of person and program: all roles of both dealers, both of each customer, and a program
/// of each dealer and customer that was granted whatever can be.
pub(super) async fn askers(world: &World) -> Vec<Asker> {
    let mut askers = Vec::new();
    for (dealer, people) in world.dealers.iter().enumerate() {
        for (role, client) in
            [(Role::Owner, &people.owner), (Role::Office, &people.office), (Role::Technician, &people.technician)]
        {
            askers.push(Asker::new(world, client.clone(), role, dealer, None));
        }
    }
    for (yard, dealer) in DEALER_OF.into_iter().enumerate() {
        let (people, customer) = (&world.dealers[dealer], world.yards[yard].customer);
        let viewer = people.customer_viewer(customer).await;
        askers.push(Asker::new(world, viewer, Role::CustomerViewer, dealer, Some(yard)));
        let reader = people.customer_reader(customer).await;
        askers.push(Asker::new(world, reader, Role::CustomerReader, dealer, Some(yard)));
        let limits = json!({ "customer_id": customer });
        askers.push(program(world, grantable(true), limits, (dealer, Some(yard))).await);
    }
    for dealer in 0..world.dealers.len() {
        askers.push(program(world, grantable(false), json!({}), (dealer, None)).await);
    }
    askers
}

/// Kinds of records that stand at no site: who is limited to some may see them.
pub(super) const AT_NO_SITE: [&str; 2] = ["customers", "unit-models"];

/// A viewer and a program of the first customer, limited to a site of its own at which none of its records is.
pub(super) async fn limited(world: &World) -> Vec<Asker> {
    let (dealer, yard) = (&world.dealers[0], &world.yards[0]);
    let site = dealer.site(yard.customer, "Far yard").await;
    let viewer = dealer.limited_viewer(yard.customer, &[site]).await;
    let limits = json!({ "customer_id": yard.customer, "site_ids": [site] });
    let mut askers = vec![
        Asker::new(world, viewer, Role::CustomerViewer, 0, Some(0)),
        program(world, grantable(true), limits, (0, Some(0))).await,
    ];
    for asker in &mut askers {
        let of_sites = yard.ids.iter().filter(|(kind, _)| !AT_NO_SITE.contains(&kind.as_str()) && !kind.is_empty());
        asker.forbidden.extend(of_sites.flat_map(|(_, ids)| ids.iter().filter(|id| id.len() >= 32).cloned()));
        asker.forbidden.extend([yard.moving.to_owned(), format!("{}00.25", yard.register)]);
    }
    askers
}

/// A program of the first dealer for each scope there is, with that one alone.
pub(super) async fn programs(world: &World) -> Vec<Asker> {
    let mut programs = Vec::new();
    for scope in grantable(false) {
        programs.push(program(world, vec![scope], json!({}), (0, None)).await);
    }
    programs
}

/// The scopes that a program may be granted.
fn grantable(to_customer: bool) -> Vec<&'static str> {
    table().iter().filter(|row| row.may_be_granted(to_customer)).map(|row| row.name).collect()
}

async fn program(
    world: &World,
    scopes: Vec<&'static str>,
    limits: Value,
    (dealer, yard): (usize, Option<usize>),
) -> Asker {
    let name = format!("{yard:?} {}", scopes.join(" "));
    let name: String = name.chars().take(110).collect();
    let made = Program::add(&world.dealers[dealer], &name, &scopes, limits).await;
    let client = made.client(world.app.anyone()).await;
    Asker { scopes: Some(scopes), ..Asker::new(world, client, Role::Client, dealer, yard) }
}

impl Asker {
    fn new(world: &World, client: Client, role: Role, dealer: usize, yard: Option<usize>) -> Self {
        let of = yard.map_or(String::new(), |yard| format!(" of {}", world.yards[yard].mark));
        let mut asker = Self {
            name: format!("{role} at {dealer}{of}"),
            client,
            role,
            dealer,
            yard,
            scopes: None,
            forbidden: Vec::new(),
        };
        asker.forbidden = asker.foreign(world);
        asker
    }

    /// Whether the table lets it do what that row allows.
    pub(super) fn may(&self, row: &Row) -> bool {
        row.roles.contains(&self.role) && self.scopes.as_ref().is_none_or(|scopes| scopes.contains(&row.name))
    }

    /// Whether it is a customer's.
    pub(super) fn is_a_customers(&self) -> bool {
        self.yard.is_some()
    }

    /// Whether a yard's records are within reach.
    pub(super) fn reaches(&self, yard: usize) -> bool {
        self.yard.map_or(self.dealer == DEALER_OF[yard], |own| own == yard)
    }

    /// Whether it may see a record of that kind in another yard because the unit came to it.
    pub(super) fn inherits(&self, yard: usize, kind: &str) -> bool {
        let of_dealer = self.dealer == DEALER_OF[yard];
        let goes_along = MOVES.contains(&kind) || MOVING_METERS.contains(&kind);
        let moved = (self.yard, yard) == (Some(1), 0) && goes_along;
        moved || of_dealer && kind == "unit-models"
    }

    /// Words, ids and beginnings of registers.
    fn foreign(&self, world: &World) -> Vec<String> {
        let mut all = BTreeSet::new();
        for (at, yard) in world.yards.iter().enumerate().filter(|(at, _)| !self.reaches(*at)) {
            all.insert(yard.mark.to_owned());
            all.extend((!self.inherits(at, "units")).then(|| yard.moving.to_owned()));
            all.insert(format!("{}00.25", yard.register));
            for (kind, ids) in yard.ids.iter().filter(|(kind, _)| !self.inherits(at, kind)) {
                // An id is told apart from its like by 32 digits; what has none of its own is no id.
                all.extend(ids.iter().filter(|id| id.len() >= 32 && !kind.is_empty()).cloned());
            }
        }
        let inside = INSIDE.into_iter().enumerate().filter(|(dealer, _)| *dealer != self.dealer || self.yard.is_some());
        all.extend(inside.map(|(_, word)| word.to_owned()));
        all.into_iter().collect()
    }

    /// What of an answer is not for it, besides what it sent itself.
    pub(super) fn foreign_in<'a>(&'a self, answer: &Answer, sent: &'a str) -> impl Iterator<Item = &'a str> {
        let mut shown = answer.whole();
        let cursors: Vec<String> = shown.split("cursor").skip(1).filter_map(opened).collect();
        shown.extend(cursors);
        let forbidden = self.forbidden.iter().map(String::as_str);
        forbidden.filter(move |word| !sent.contains(*word) && shown.contains(*word))
    }
}

/// The words and the id inside a cursor, from what follows its name.
fn opened(rest: &str) -> Option<String> {
    let is_coded = |letter: char| letter.is_ascii_alphanumeric() || letter == '-' || letter == '_';
    let coded = rest.trim_start_matches(['"', ':', '=']);
    let coded = coded.split(|letter| !is_coded(letter)).next()?;
    let bytes = URL_SAFE_NO_PAD.decode(coded).ok()?;
    let id = uuid::Uuid::from_slice(bytes.get(..16)?).ok()?;
    Some(format!(" {id} {}", String::from_utf8_lossy(&bytes)))
}

/// A yard's ids where a request names another's: the first of each kind that both have. What counts from 1,
/// such as revisions, names nobody's record by itself.
pub(super) fn exchanged(text: &str, own: &Yard, other: &Yard) -> String {
    let mut text = text.to_owned();
    for (kind, ids) in &own.ids {
        let theirs = other.ids.get(kind).and_then(|ids| ids.first());
        if let Some((mine, theirs)) = ids.first().filter(|mine| mine.len() >= 32).zip(theirs) {
            text = text.replace(mine, theirs);
        }
    }
    text
}
