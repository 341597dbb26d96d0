//! Forms that write a record, each shown and taken in the same way: what differs from one to the other are its
//! fields and what becomes of what was typed.

use super::fault::Fault;
use super::form::Typed;
use super::sheet::{self, Sheet};
use super::visitor::{Sender, Visitor};
use crate::auth::{Caller, Permission};
use crate::db::{Db, Revision};
use crate::problem::Problem;
use actix_web::HttpResponse;
use actix_web::web::{Data, Form, Path};
use serde::de::DeserializeOwned;

/// A form with the id of a record in its address: of the one that it changes, or of the one to which it adds.
pub(super) trait Written: 'static {
    /// What whoever is shown it or sends it has to have.
    type May: Permission;
    /// The id in its address.
    type Id: Copy + DeserializeOwned + 'static;

    /// The form: filled with what was typed, or else with what it begins with; with what is wrong by its fields.
    ///
    /// # Errors
    /// [`Problem`] outside the scope.
    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: Self::Id,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem>;

    /// Writes what was typed, and says the way on.
    ///
    /// # Errors
    /// What is wrong with it, by its fields where other words would mend it.
    async fn keep(caller: &Caller<Self::May>, db: &Db, id: Self::Id, typed: &Typed) -> Result<String, Problem>;
}

/// A form of a record that may be parted with there.
pub(super) trait Retired: Written {
    /// Retires the record that is still at revision `at`, and says the way on.
    ///
    /// # Errors
    /// [`Problem`] at another revision, and where something stands against it.
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: Self::Id, at: Revision) -> Result<String, Problem>;
}

/// Shows a form that was not sent yet.
pub(super) async fn show<W: Written>(
    visitor: Visitor<W::May>,
    id: Path<W::Id>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    sheet::fresh(&caller, &W::sheet(&caller, &db, *id, None, &[]).await?)
}

/// Takes a form that was sent.
pub(super) async fn take<W: Written>(
    sender: Sender<W::May>,
    id: Path<W::Id>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let kept = W::keep(&caller, &db, *id, &typed).await;
    let again = async |faults: Vec<_>| W::sheet(&caller, &db, *id, Some(&typed), &faults).await;
    sheet::answer(&caller, kept, again).await
}

/// Parts with a record; where that can't be, its form is shown as it is now, with the reason.
pub(super) async fn retire<R: Retired>(
    sender: Sender<R::May>,
    id: Path<R::Id>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let retired = R::retire(&caller, &db, *id, sheet::revision(&typed)).await;
    let again = async |faults: Vec<_>| R::sheet(&caller, &db, *id, None, &faults).await;
    sheet::answer(&caller, retired, again).await
}
