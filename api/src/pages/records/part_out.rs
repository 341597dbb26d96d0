//! `/parts/{id}/out`: a part was taken out, and no other takes its place.

use super::super::form::{self, LOCAL, Typed};
use super::super::parts::kind_name;
use super::super::replacement::why_words;
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::writing::{self, Written};
use super::unit_parts::known;
use crate::auth::{Caller, perm};
use crate::db::{Db, Tx, component};
use crate::http::components::ComponentOut;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use domain::component::OutWhy;
use domain::ids::ComponentId;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/parts/{id}/out", web::get().to(writing::show::<Out>))
        .route("/parts/{id}/out", web::post().to(writing::take::<Out>));
}

fn specs() -> Vec<Spec> {
    let whys = OutWhy::ALL.iter().map(|why| (why.as_str().to_owned(), why_words(*why).to_owned())).collect();
    vec![
        spec("out_at", "When, by the clock of the site", Takes::Instant).needed(),
        spec("out_why", "Why it went", Takes::OneOf(whys)).needed(),
    ]
}

/// The form that takes a part out.
struct Out;

impl Written for Out {
    type May = perm::WriteComponents;
    type Id = ComponentId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: ComponentId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (part, label, zone) = known(caller, db, id).await?;
        let about = About {
            title: format!("{} of {label} was taken out", kind_name(&part.value.kind)),
            lead: "For one that no other takes the place of; else say that it was replaced. Its age ends there."
                .to_owned(),
            action: format!("/parts/{id}/out"),
            button: "Take it out",
            revision: Some(part.revision),
            back: (format!("/parts/{id}"), "Back to the part".to_owned()),
            end: None,
            specs: &specs(),
        };
        let now = caller.now().with_timezone(&zone).format(LOCAL).to_string();
        let begun = form::begun(&Typed::new(), [("out_at", now)]);
        Ok(Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: ComponentId, typed: &Typed) -> Result<String, Problem> {
        let (part, _, zone) = known(caller, db, id).await?;
        let out = sheet::made::<ComponentOut>(&specs(), typed, zone)?.parse()?;
        let at = sheet::revision(typed);
        let take = async |tx: &Tx<'_>| {
            form::once(tx, typed, async || component::take_out(tx, id, at, out).await.map(drop)).await
        };
        db.write(caller.scope(), caller.now(), take).await?;
        Ok(format!("/units/{}", part.value.unit_id))
    }
}
