//! `weirbook openapi`.

use super::Outcome;

pub(super) fn print() -> Outcome {
    println!("{}", crate::server::openapi().to_pretty_json()?);
    Ok(())
}
