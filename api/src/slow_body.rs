//! Bodies that come too slowly, or packed: who sends a byte now and then would hold a connection for as long
//! as they like, and a few thousand bytes unpack to as much memory as there is.

use crate::problem::{Kind, Problem};
use actix_web::body::MessageBody;
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::error::PayloadError;
use actix_web::http::header;
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage};
use async_stream::try_stream;
use bytes::Bytes;
use futures_util::{Stream, StreamExt};
use std::io;
use std::time::Duration;
use tokio::time::{Instant, timeout};

/// How long a body is waited for in all, beside what its bytes may take.
pub const WAITED_MOST: Duration = Duration::from_secs(20);

/// What a line out in the country does: each as many bytes received buy another second.
pub const BYTES_A_SECOND: u64 = 4096;

/// Around every request: ends the reading of a body that comes too slowly, and refuses one that is packed.
pub(crate) async fn in_time(
    mut request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let is_packed = |coding: &header::HeaderValue| !coding.as_bytes().eq_ignore_ascii_case(b"identity");
    if request.headers().get(header::CONTENT_ENCODING).is_some_and(is_packed) {
        return Err(Problem::new(Kind::UnknownMedia, "Send the body as it is, without Content-Encoding.").into());
    }
    match request.take_payload() {
        Payload::None => {}
        body => {
            request.set_payload(Payload::Stream { payload: Box::pin(waited_for(body)) });
        }
    }
    next.call(request).await
}

/// The same body. Only the waiting counts: the service may take its time over what has come.
fn waited_for(mut body: Payload) -> impl Stream<Item = Result<Bytes, PayloadError>> {
    try_stream! {
        let (mut waited, mut received) = (Duration::ZERO, 0);
        loop {
            let (allowed, begun) = (WAITED_MOST + Duration::from_secs(received / BYTES_A_SECOND), Instant::now());
            let chunk = timeout(allowed.saturating_sub(waited), body.next()).await;
            let Some(chunk) = chunk.map_err(|_elapsed| PayloadError::Io(io::ErrorKind::TimedOut.into()))? else { break };
            let chunk = chunk?;
            waited += begun.elapsed();
            received += u64::try_from(chunk.len()).unwrap_or(u64::MAX);
            yield chunk;
        }
    }
}
