//! `weirbook audit`.

use super::Outcome;
use crate::config::{Config, Settings};
use crate::db::Db;
use crate::db::changes::verify::Walked;
use crate::http::audit::hex;
use crate::launch;
use clap::{Args, Subcommand};
use domain::ids::DealerId;

/// What to do with the change log.
#[derive(Subcommand)]
pub(super) enum Audit {
    /// Walk the chain of hashes over the change log and name the first break
    Verify(Verify),
}

/// Which chains.
#[derive(Args)]
pub(super) struct Verify {
    /// One dealer's number; all dealers when left out
    #[arg(long)]
    dealer: Option<i32>,
    /// A line and its hash from an earlier walk, which must still stand there: shows whether the end
    /// was cut off or the whole chain made anew
    #[arg(long, value_name = "LINE:HASH", requires = "dealer", value_parser = known)]
    known: Option<(i64, [u8; 32])>,
    #[command(flatten)]
    pub(super) settings: Settings,
}

fn known(text: &str) -> Result<(i64, [u8; 32]), String> {
    let fix = || "give a line and its 64 hexadecimal digits, such as 1042:5d41…".to_owned();
    let (line, digits) = text.split_once(':').ok_or_else(fix)?;
    let mut hash = [0; 32];
    if digits.len() != 64 || !digits.is_ascii() {
        return Err(fix());
    }
    for (place, byte) in hash.iter_mut().enumerate() {
        let two = digits.get(2 * place..2 * place + 2).unwrap_or_default();
        *byte = u8::from_str_radix(two, 16).map_err(|_not_hex| fix())?;
    }
    Ok((line.parse().map_err(|_no_number| fix())?, hash))
}

pub(super) async fn verify(config: Config, told: Verify) -> Outcome {
    let launched = launch::launch(&config).await?;
    let outcome = verify_all(&launched.services.db, &told).await;
    launched.stop().await?;
    outcome
}

async fn verify_all(db: &Db, told: &Verify) -> Outcome {
    let mut dealers = db.dealers().await?;
    dealers.retain(|dealer| told.dealer.is_none_or(|wanted| wanted == dealer.id));
    if dealers.is_empty() {
        return Err("there is no such dealer; `weirbook add-dealer` adds one".into());
    }
    let mut broken = 0;
    for dealer in dealers {
        let walked = db.walk_changes(DealerId(dealer.id), told.known).await?;
        println!("{} (dealer {}): {}", dealer.name, dealer.id, said(&walked));
        broken += usize::from(!walked.is_whole());
    }
    match broken {
        0 => Ok(()),
        1 => Err("a chain is broken".into()),
        several => Err(format!("{several} chains are broken").into()),
    }
}

fn said(walked: &Walked) -> String {
    let whole = format!("{} lines whole, up to {}:{}", walked.lines, walked.lines, hex(&walked.head));
    let left_out = match walked.left_out {
        0 => String::new(),
        count => format!("; {count} lines of the log are not in the chain"),
    };
    match &walked.broken {
        None => format!("{whole}{left_out}"),
        Some(broken) => {
            let change = broken.change.map_or_else(String::new, |id| format!(" ({id})"));
            format!("broken at line {}{change}: {}; {whole}", broken.seq, broken.why)
        }
    }
}
