//! `weirbook serve`.

use super::Outcome;
use crate::config::Config;
use crate::jobs::{feed, mail, scheduler};
use crate::launch::{self, Launched};
use crate::server;
use tokio::sync::watch;

pub(super) async fn run(config: Config) -> Outcome {
    let launched = launch::launch(&config).await?;
    serve_until_told(launched, &config, || ()).await
}

/// Serves, calls `listening` once it does, runs the nights and sends the mails until SIGINT or SIGTERM.
pub(super) async fn serve_until_told(launched: Launched, config: &Config, listening: impl FnOnce()) -> Outcome {
    let (address, server) = server::listen(launched.services.clone(), config.listen, config.workers)?;
    tracing::info!("serving on http://{address}");
    listening();
    let (stop, stopped) = watch::channel(());
    let nights = scheduler::run(launched.services.db.clone(), stopped.clone());
    let mails = mail::run(launched.services.db.clone(), launched.services.post.clone(), stopped.clone());
    let feed = feed::run(launched.services.db.clone(), launched.services.hooks.clone(), stopped);
    // actix ends on SIGINT and SIGTERM, once the running requests are answered.
    let serving = async move {
        let ended = server.await;
        drop(stop);
        ended
    };
    futures_util::future::join4(serving, nights, mails, feed).await.0?;
    launched.stop().await?;
    Ok(())
}
