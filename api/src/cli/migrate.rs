//! `weirbook migrate`.

use super::Outcome;
use crate::config::Config;
use crate::launch;

pub(super) async fn run(config: Config) -> Outcome {
    let launched = launch::launch(&config).await?;
    launched.stop().await?;
    println!("The schema is up to date.");
    Ok(())
}
