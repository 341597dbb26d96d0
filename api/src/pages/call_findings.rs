//! What the dealer's people say of a call-out: what the bay did meanwhile, why it came about, who pays, and
//! words of their own. A part of the page of call-outs.

use super::call_outs::{BAYS, back, said_again};
use super::fault::Fault;
use super::form::{Typed, field};
use super::sheet;
use super::visitor::Sender;
use crate::auth::{Caller, Permission, perm};
use crate::db::service::call_out::{self, Known};
use crate::db::{Db, Tx};
use crate::problem::Problem;
use actix_web::web::{Data, Form, Path};
use actix_web::{HttpResponse, post};
use domain::fault::Faults;
use domain::service::call_out::{Bay, Internal};
use domain::service::failure::Cause;
use uuid::Uuid;

/// A name, its words, and whether it was chosen.
type Named = (&'static str, &'static str, bool);

/// What stands in the form by which something is said of a call-out.
pub(super) struct Findings {
    pub(super) bays: Vec<Named>,
    pub(super) causes: Vec<Named>,
    pub(super) payers: [Named; 2],
    pub(super) order_number: String,
    pub(super) note: String,
    /// Why it came about, in words; empty while nobody said.
    pub(super) cause: &'static str,
    /// What is wrong with what was typed.
    pub(super) faults: Vec<String>,
}

impl Findings {
    pub(super) fn of(known: &Known) -> Self {
        let (call, internal) = (&known.kept.stored.value, &known.internal);
        let cause = |cause: &Cause| (cause.as_str(), cause.says(), internal.cause == Some(*cause));
        Self {
            bays: BAYS.iter().map(|(bay, says)| (bay.as_str(), *says, call.bay == *bay)).collect(),
            causes: Cause::ALL.iter().map(cause).collect(),
            payers: [
                ("yes", "the customer", call.chargeable == Some(true)),
                ("no", "we ourselves", call.chargeable == Some(false)),
            ],
            order_number: call.order_number.clone().unwrap_or_default(),
            note: internal.note.clone().unwrap_or_default(),
            cause: internal.cause.map_or("", Cause::says),
            faults: Vec::new(),
        }
    }

    /// Where what was typed differs from what stands there, and what that is.
    pub(super) fn differing(&self, typed: &Typed) -> Vec<String> {
        let chosen = |all: &[Named]| all.iter().find(|one| one.2).map_or(("", ""), |(name, says, _)| (*name, *says));
        let (bay, cause, payer) = (chosen(&self.bays), chosen(&self.causes), chosen(&self.payers));
        let (order, note) = (self.order_number.as_str(), self.note.as_str());
        let all = [
            ("bay", "The bay meanwhile", bay),
            ("cause", "Cause", cause),
            ("pays", "Who pays", payer),
            ("order_number", "The customer\u{2019}s order number", (order, order)),
            ("internal_note", "For us alone", (note, note)),
        ];
        // Browsers end lines in a way of their own.
        let sent = |name: &str| field(typed, name).unwrap_or_default().replace("\r\n", "\n");
        let differing = all.into_iter().filter(|(name, _, (now, _))| sent(name) != *now);
        let line = |label: &str, says: &str| match says {
            "" => format!("{label}, now: empty"),
            says => format!("{label}, now: {says}"),
        };
        differing.map(|(_, label, (_, says))| line(label, says)).collect()
    }

    /// The same as it was typed, with what is wrong.
    pub(super) fn typed(self, typed: &Typed, faults: Vec<String>) -> Self {
        let text = |name: &str| field(typed, name).unwrap_or_default();
        let chosen = |(name, says, _): Named, among: &str| (name, says, text(among) == name);
        Self {
            bays: self.bays.into_iter().map(|bay| chosen(bay, "bay")).collect(),
            causes: self.causes.into_iter().map(|cause| chosen(cause, "cause")).collect(),
            payers: self.payers.map(|payer| chosen(payer, "pays")),
            order_number: text("order_number").to_owned(),
            note: text("internal_note").to_owned(),
            cause: self.cause,
            faults,
        }
    }
}

/// What was typed of a call-out.
struct Said {
    bay: Bay,
    chargeable: Option<bool>,
    order_number: Option<String>,
    internal: Internal,
}

fn read(typed: &Typed) -> Result<Said, Faults> {
    let mut faults = Faults::default();
    let cause = field(typed, "cause").map(Cause::parse).transpose();
    let internal = Internal {
        cause: faults.take_or("/cause", cause, None),
        note: field(typed, "internal_note").map(str::to_owned),
    };
    let said = Said {
        bay: faults.take_or("/bay", Bay::parse(field(typed, "bay").unwrap_or_default()), Bay::Washing),
        chargeable: field(typed, "pays").map(|who| who == "yes"),
        order_number: field(typed, "order_number").map(str::to_owned),
        internal: faults.take_or("", internal.checked(), Internal::default()),
    };
    faults.or(said)
}

#[post("/call-outs/{id}/findings")]
pub(super) async fn say(
    sender: Sender<perm::WorkCallOuts>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    match kept(&caller, &db, *id, &typed).await {
        Ok(()) => Ok(back()),
        Err(problem) => said_again(&caller, &db, *id, (&typed, problem)).await,
    }
}

async fn kept<P: Permission>(caller: &Caller<P>, db: &Db, id: Uuid, typed: &Typed) -> Result<(), Problem> {
    let (said, at) = (read(typed)?, sheet::revision(typed));
    let update = async |tx: &Tx<'_>| {
        let of_call = (said.bay, said.chargeable, said.order_number.clone());
        call_out::update(tx, id, at, of_call, &said.internal).await
    };
    db.write(caller.scope(), caller.now(), update).await?;
    Ok(())
}
