//! `weirbook serve`.

use super::Outcome;
use tokio::sync::watch;
use weirbook::config::Config;
use weirbook::jobs::scheduler;
use weirbook::{launch, server};

pub(super) async fn run(config: Config) -> Outcome {
    let launched = launch::launch(&config).await?;
    let (address, server) = server::listen(launched.services.clone(), config.listen, config.workers)?;
    tracing::info!("serving on http://{address}");
    let (stop, stopped) = watch::channel(());
    let nights = scheduler::run(launched.services.db.clone(), stopped);
    // actix ends on SIGINT and SIGTERM, once the running requests are answered.
    let serving = async move {
        let ended = server.await;
        drop(stop);
        ended
    };
    futures_util::future::join(serving, nights).await.0?;
    launched.stop().await?;
    Ok(())
}
