//! Forms of work at a unit that is told in fields alone: a clean-out, a probe held against standards, a part that
//! failed, settings that were changed, an inspection. Each is a service event, written down on a telephone beside
//! the unit.

use super::at_unit::{self, Ground};
use super::form::{self, LOCAL, Typed, field};
use super::parts;
use super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::work_kinds::{CleanedOut, Failed, HeldAgainst};
use super::work_rows::{Adjusted, LookedOver};
use super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::chart::escaped;
use crate::db::service::event;
use crate::db::{Db, DbError, Stored, Tx};
use crate::extract::from_value;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::{DateTime, Utc};
use domain::component::Component;
use domain::fault::Faults;
use domain::ids::{ComponentId, UnitId};
use domain::routine::caution::{AT_A_UNIT, Caution, heed};
use domain::service::details::Details;
use domain::service::event::ServiceEvent;
use serde_json::{Map, Value, json};
use std::marker::PhantomData;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    of::<CleanedOut>(config);
    of::<HeldAgainst>(config);
    of::<Failed>(config);
    of::<Adjusted>(config);
    of::<LookedOver>(config);
}

fn of<K: Kind>(config: &mut ServiceConfig) {
    let path = format!("/units/{{id}}/{}", K::PATH);
    config.route(&path, web::get().to(writing::show::<Told<K>>)).route(&path, web::post().to(writing::take::<Told<K>>));
}

/// A fitted part, by its record's id and in words.
pub(super) type Fitted = (String, String);

/// What differs from one kind of work to the other.
pub(super) trait Kind: 'static {
    /// The last step of its address.
    const PATH: &'static str;
    /// The kind of its event.
    const EVENT: &'static str;
    /// The heading of its form, before the unit's name.
    const TITLE: &'static str;
    /// What to heed besides what is heeded at any unit.
    const HEED: &'static [Caution];

    /// Its fields, of a unit with these parts.
    fn specs(parts: &[Fitted]) -> Vec<Spec>;

    /// Whether the fields are all that is needed, beyond what is needed of each.
    fn check(_fields: &Map<String, Value>) -> Result<(), Faults> {
        Ok(())
    }

    /// What the event says of itself, from the fields.
    fn details(fields: Map<String, Value>, parts: &[Fitted]) -> Value;

    /// The fields that an event of this kind was told in: [`Self::details`] makes the same of them.
    fn fields(details: Map<String, Value>, _parts: &[Fitted]) -> Map<String, Value> {
        details
    }

    /// The field of a fault within that, where it is not called as the last step of its pointer.
    fn field(_pointer: &str) -> Option<String> {
        None
    }
}

/// The form of a kind of work.
struct Told<K>(PhantomData<K>);

/// The unit, and the parts that are fitted to it.
///
/// # Errors
/// [`DbError::NotFound`] for a unit outside the scope, or that never stood anywhere.
pub(super) async fn known(tx: &Tx<'_>, id: UnitId) -> Result<(Ground, Vec<Fitted>), DbError> {
    let part = |part: Stored<ComponentId, Component>| {
        let plate = part.value.serial_number.as_ref().map_or_else(String::new, |number| format!(", {number}"));
        (part.id.to_string(), format!("{}{plate}", parts::name(&part.value)))
    };
    Ok((at_unit::ground(tx, id).await?, parts::records(tx, id).await?.into_iter().map(part).collect()))
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: UnitId) -> Result<(Ground, Vec<Fitted>), Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?)
}

/// What every one of these forms asks besides.
fn beside() -> Vec<Spec> {
    vec![
        spec("customer_note", "What the customer is told", Takes::Lines),
        spec("internal_note", "For us alone", Takes::Lines),
        spec("hours", "Hours of work", Takes::Number),
        spec("km", "Kilometres driven for it", Takes::Number),
        spec("signed_by", "Signed by, for the customer", Takes::Text),
    ]
}

/// When it was, and what the kind asks.
fn own<K: Kind>(parts: &[Fitted]) -> Vec<Spec> {
    let when = spec("at", "When, by the clock of the site", Takes::Instant).needed();
    std::iter::once(when).chain(K::specs(parts)).collect()
}

/// What to heed, as markup of our own.
fn heeded(cautions: &[Caution]) -> String {
    let words = heed(AT_A_UNIT.into_iter().chain(cautions.iter().copied()));
    let items: String = words.into_iter().map(|words| format!("<li>{}</li>\n", escaped(words))).collect();
    format!("<h2>Heed</h2>\n<ul>{items}</ul>")
}

impl<K: Kind> Written for Told<K> {
    type May = perm::WriteService;
    type Id = UnitId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: UnitId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (ground, parts) = look(caller, db, id).await?;
        let specs: Vec<Spec> = own::<K>(&parts).into_iter().chain(beside()).collect();
        let about = About {
            title: format!("{}: {}", K::TITLE, ground.label),
            lead: format!("{}.", ground.site),
            action: format!("/units/{id}/{}", K::PATH),
            button: "Record it",
            revision: None,
            back: (format!("/units/{id}"), format!("Back to {}", ground.label)),
            end: None,
            specs: &specs,
        };
        let now = caller.now().with_timezone(&ground.zone).format(LOCAL).to_string();
        let begun = form::begun(&Typed::new(), [("at", now)]);
        let sheet = Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults);
        Ok(sheet.with_sample(heeded(K::HEED)))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: UnitId, typed: &Typed) -> Result<String, Problem> {
        let (ground, parts) = look(caller, db, id).await?;
        let event = read::<K>((id, &ground, &parts), typed, caller.now());
        let event = event.map_err(|faults| sheet::renamed(faults.into(), K::field))?;
        let record = async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(event::create(tx, &event).await?.id)).await;
        let recorded = db.write(caller.scope(), caller.now(), record).await.map_err(Problem::from);
        recorded.map_err(|problem| sheet::renamed(problem, K::field))?;
        Ok(format!("/units/{id}"))
    }
}

/// What an event says of itself, from the fields of its kind.
///
/// # Errors
/// What can't be read.
pub(super) fn told<K: Kind>(fields: Map<String, Value>, parts: &[Fitted]) -> Result<Details, Faults> {
    from_value(&json!({ "kind": K::EVENT, "details": K::details(fields, parts) }))
}

/// What was typed, as an event.
fn read<K: Kind>(
    (unit_id, ground, parts): (UnitId, &Ground, &[Fitted]),
    typed: &Typed,
    now: DateTime<Utc>,
) -> Result<ServiceEvent, Faults> {
    let mut faults = Faults::default();
    let at = form::local(&mut faults, typed, "at", ground.zone).unwrap_or(now);
    let lines = at_unit::effort(&mut faults, typed, K::TITLE);
    let fields = faults.take("", sheet::read(&K::specs(parts), typed, ground.zone));
    let Some(fields) = fields else { return Err(faults) };
    if faults.take("", K::check(&fields)).is_none() {
        return Err(faults);
    }
    let Some(details) = faults.take("", told::<K>(fields, parts)) else { return Err(faults) };
    let event = ServiceEvent {
        unit_id,
        at,
        order_number: None,
        details,
        customer_note: field(typed, "customer_note").map(str::to_owned),
        internal_note: field(typed, "internal_note").map(str::to_owned),
        signature: at_unit::signature(typed, now),
        lines,
        samples: Vec::new(),
        gauges: Vec::new(),
    };
    faults.and(event.checked(now))
}
