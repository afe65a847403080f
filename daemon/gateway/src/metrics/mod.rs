//! Metrics and health over HTTP, on loopback only and only where the configuration asks for it.
//!
//! | path | answer |
//! |---|---|
//! | `/metrics` | OpenMetrics text, gathered anew for each request |
//! | `/healthz` | 200 `ok` while the daemon does its work; 503 with one reason a line where it does not |
//!
//! Nobody waits for it: the engine answers between two inputs, and a client that is slow is dropped.

use std::convert::Infallible;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use http_body_util::Full;
use hyper::body::Incoming;
use hyper::header::{ALLOW, CONTENT_TYPE};
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::local::requests::Counter;
use crate::probes::tally::Tally;

mod families;
mod gather;
mod health;
mod machine;
#[cfg(test)]
mod tests;

/// Connections at one time: a collector or two, and a person looking.
const MOST_CLIENTS: usize = 8;

/// A client that has not sent its request after this long is dropped.
const REQUEST_WITHIN: Duration = Duration::from_secs(10);

/// A connection is for one request and is closed after this long, whatever it is doing: one who asks and does not read
/// must not keep a place from a collector.
const CONNECTION_AT_MOST: Duration = Duration::from_secs(30);

/// What the text is, as OpenMetrics 1.0 has it.
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
const PLAIN: &str = "text/plain; charset=utf-8";

/// What is asked for metrics.
#[derive(Debug)]
pub struct Sources {
    /// The engine, the store and what waits to be forwarded.
    pub counter: Arc<Counter>,
    /// How the probes answer.
    pub tally: Tally,
}

/// Opens the address.
///
/// # Errors
/// What the system says, with the address.
pub async fn listen(address: SocketAddr) -> io::Result<TcpListener> {
    TcpListener::bind(address).await
}

/// Answers until `stop` is cancelled.
pub async fn serve(listener: TcpListener, sources: Arc<Sources>, stop: CancellationToken) {
    let places = Arc::new(Semaphore::new(MOST_CLIENTS));
    let mut clients = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            Some(_) = clients.join_next(), if !clients.is_empty() => continue,
            accepted = listener.accept() => accepted,
        };
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) => {
                tracing::warn!(%error, "a client of the metrics could not be accepted");
                tokio::time::sleep(Duration::from_millis(200)).await;
                continue;
            }
        };
        // One too many is closed at once.
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else { continue };
        let sources = Arc::clone(&sources);
        clients.spawn(async move {
            let service = service_fn(move |request| {
                let sources = Arc::clone(&sources);
                async move { Ok::<_, Infallible>(answer(&sources, &request).await) }
            });
            let connection = hyper::server::conn::http1::Builder::new()
                .timer(TokioTimer::new())
                .keep_alive(false)
                .header_read_timeout(REQUEST_WITHIN)
                .serve_connection(TokioIo::new(stream), service);
            // A client that went away is no news.
            let _ = tokio::time::timeout(CONNECTION_AT_MOST, connection).await;
            drop(place);
        });
    }
    clients.shutdown().await;
}

async fn answer(sources: &Sources, request: &Request<Incoming>) -> Response<Full<Bytes>> {
    if request.method() != Method::GET && request.method() != Method::HEAD {
        let mut refused = reply(StatusCode::METHOD_NOT_ALLOWED, PLAIN, "accepted is GET\n".to_owned());
        refused.headers_mut().insert(ALLOW, hyper::header::HeaderValue::from_static("GET, HEAD"));
        return refused;
    }
    match request.uri().path() {
        "/metrics" => {
            let found = gather::gather(sources).await;
            match families::text(found) {
                Ok(text) => reply(StatusCode::OK, OPEN_METRICS, text),
                Err(error) => {
                    tracing::error!(%error, "the metrics could not be written");
                    reply(StatusCode::INTERNAL_SERVER_ERROR, PLAIN, format!("{error}\n"))
                }
            }
        }
        "/healthz" => match health::health(sources).await {
            Ok(()) => reply(StatusCode::OK, PLAIN, "ok\n".to_owned()),
            Err(reasons) => reply(StatusCode::SERVICE_UNAVAILABLE, PLAIN, reasons.join("\n") + "\n"),
        },
        _ => reply(StatusCode::NOT_FOUND, PLAIN, "known are /metrics and /healthz\n".to_owned()),
    }
}

fn reply(status: StatusCode, content: &'static str, text: String) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(Bytes::from(text)));
    *response.status_mut() = status;
    response.headers_mut().insert(CONTENT_TYPE, hyper::header::HeaderValue::from_static(content));
    response
}
