//! `weirbook serve`.

use super::Outcome;
use weirbook::config::Config;
use weirbook::{launch, server};

pub(super) async fn run(config: Config) -> Outcome {
    let launched = launch::launch(&config).await?;
    let (address, server) = server::listen(launched.services.clone(), config.listen, config.workers)?;
    tracing::info!("serving on http://{address}");
    // actix ends on SIGINT and SIGTERM, once the running requests are answered.
    server.await?;
    launched.stop().await?;
    Ok(())
}
