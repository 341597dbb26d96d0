//! `weirbook rotate-key`.

use super::Outcome;
use crate::auth::token;
use crate::config::Config;
use chrono::{SecondsFormat, Utc};
use clap::Args;

/// How much the old keys are trusted.
#[derive(Args)]
pub(super) struct RotateKey {
    /// Believe no token of the keys before: for a key that may be in wrong hands
    #[arg(long)]
    distrust: bool,
}

/// Adds a key to the file; running services read it anew by themselves.
pub(super) async fn run(config: Config, told: RotateKey) -> Outcome {
    let rotated = token::rotate(&config.signing_key, Utc::now(), told.distrust)?;
    let from = rotated.signs_from.to_rfc3339_opts(SecondsFormat::Secs, true);
    println!("Key {} signs from {from}. Keys before it that are still believed: {}.", rotated.kid, rotated.kept);
    Ok(())
}
