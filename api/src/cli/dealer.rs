//! `weirbook add-dealer`.

use super::Outcome;
use crate::auth::{Role, password, secret};
use crate::config::Config;
use crate::db::gate::{NewDealer, NewPerson};
use crate::launch;
use clap::Args;
use domain::money::Currency;
use domain::zone::parse_zone;

/// A new tenant.
#[derive(Args)]
pub(super) struct AddDealer {
    /// Name of the dealer
    #[arg(long)]
    name: String,
    /// Its IANA time zone, such as Europe/Vienna
    #[arg(long)]
    zone: String,
    /// Its ISO 4217 currency, such as EUR
    #[arg(long)]
    currency: String,
    /// E-mail address of its owner
    #[arg(long)]
    owner_email: String,
}

/// Adds the dealer and its owner; the owner's first password is printed once and stored hashed.
pub(super) async fn add(config: Config, new: AddDealer) -> Outcome {
    let zone = parse_zone(&new.zone)
        .map_err(|_faults| format!("--zone {}: give an IANA zone such as Europe/Vienna", new.zone))?;
    let currency = Currency::parse(&new.currency)
        .map_err(|_faults| format!("--currency {}: give an ISO 4217 code such as EUR", new.currency))?;
    let launched = launch::launch(&config).await?;
    let db = &launched.services.db;
    let dealer = NewDealer { name: new.name, time_zone: zone.to_string(), currency: currency.to_string() };
    let id = db.add_dealer(&dealer).await?;
    let first_password = first_password();
    let owner = NewPerson {
        name: new.owner_email.clone(),
        email: new.owner_email,
        password_hash: password::hash(&first_password)?,
        role: Role::Owner,
        customer: None,
    };
    db.add_person(id, &owner).await?;
    launched.stop().await?;
    println!("Dealer {id} added. {} signs in with the password {first_password}", owner.email);
    Ok(())
}

/// 100 random bits in letters that can't be taken for one another.
pub(super) fn first_password() -> String {
    secret::letters::<20>()
}
