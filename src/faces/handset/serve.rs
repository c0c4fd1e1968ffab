//! The server: one port, one thread, a handful of routes, and a bound on everything that somebody else could fill.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use axum::extract::{DefaultBodyLimit, Extension, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Router, middleware};
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::time::MissedTickBehavior;

use crate::faces::handset::address::Listening;
use crate::faces::handset::guard::{self, Door, Gate, Paired, Place, plain};
use crate::faces::handset::pairing::{Unpaired, nonce};
use crate::faces::handset::reach::{self, LOOK_EVERY, Reach};
use crate::faces::handset::{Shared, lock, socket};
use crate::view::Action;

/// Bytes in the body of a request: a secret is 26.
const BODY_BYTES: usize = 256;
/// Bytes in a request's first line and headers, and how many headers.
const HEAD_BYTES: usize = 16 * 1024;
const HEADERS: usize = 48;
/// A request's headers are here within this, and everything about it is over within the other.
const HEADERS_WITHIN: Duration = Duration::from_secs(5);
const REQUEST_WITHIN: Duration = Duration::from_secs(10);
/// A stop by request so soon after one by the phone's socket is the same press.
const SAME_PRESS: Duration = Duration::from_secs(2);
/// How long pages are given to hear that the visit has ended.
const FAREWELL: Duration = Duration::from_millis(500);

/// The page is one answer, with its style and its script in it: nothing of it is waited for, and there is no page whose
/// script is still on its way, on which stop would do nothing.
const PAGE: &str = include_str!("page/page.html");
const STYLE: &str = include_str!("page/page.css");
const SCRIPT: &str = concat!(
    include_str!("page/base.js"),
    include_str!("page/link.js"),
    include_str!("page/draw.js"),
    include_str!("page/answers.js"),
    include_str!("page/keys.js"),
    include_str!("page/life.js"),
);
const PAIR: &str = include_str!("page/pair.html");

/// Starts to serve.
pub(super) fn start(shared: Arc<Shared>, listening: Listening) -> io::Result<JoinHandle<()>> {
    let Listening { listener, address, .. } = listening;
    listener.set_nonblocking(true)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build()?;
    let listener = {
        let _inside = runtime.enter();
        TcpListener::from_std(listener)?
    };
    std::thread::Builder::new().name("handset".into()).spawn(move || {
        runtime.block_on(serve(shared, listener, address));
        runtime.shutdown_timeout(Duration::from_millis(100));
    })
}

async fn serve(shared: Arc<Shared>, listener: TcpListener, address: SocketAddr) {
    let router = router(Gate::new(shared.clone(), address));
    let door = Door::default();
    let mut ended = shared.ended.subscribe();
    // On its own: while it waits for room among the actions, stop is still let in.
    tokio::spawn(keep_looking(shared.clone(), address.ip()));
    loop {
        tokio::select! {
            accepted = listener.accept() => match accepted {
                // Who finds no place is hung up on.
                Ok((stream, peer)) => if let Some(place) = door.enter(peer.ip()) {
                    tokio::spawn(connection(stream, router.clone(), Arc::new(place)));
                },
                // The system is out of something: it is asked again, not at once.
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            },
            _ = ended.wait_for(|ended| *ended) => break,
        }
    }
    drop(listener);
    tokio::time::timeout(FAREWELL, door.empty()).await.ok();
}

/// Tells the visit whenever the served address goes or comes back, in that order.
async fn keep_looking(shared: Arc<Shared>, ip: IpAddr) {
    let mut reach = Reach::of(ip);
    let mut look = tokio::time::interval(LOOK_EVERY);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        look.tick().await;
        if let Some(notice) = reach.see(reach::has(ip))
            && !socket::hand_in(&shared, shared.face, Action::Notice(notice)).await
        {
            // The visit has ended: nobody needs to know any more.
            return;
        }
    }
}

fn router(gate: Gate) -> Router {
    let page: Arc<str> = PAGE.replace("STYLE", STYLE).replace("SCRIPT", SCRIPT).into();
    let allowed = format!("img-src data:; media-src blob: data:; connect-src 'self' {}", gate.sockets());
    Router::new()
        .route("/", get(move || async move { with_nonce(&page, &allowed) }))
        .route("/socket", get(socket::open))
        .route("/stop", post(stop))
        .route("/pair", post(pair))
        .fallback(|| async { plain(StatusCode::NOT_FOUND, "There is nothing here.\n") })
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .layer(middleware::from_fn_with_state(gate.clone(), guard::check))
        .with_state(gate)
}

/// One request, or one socket.
async fn connection(stream: TcpStream, router: Router, place: Arc<Place>) {
    // Answers are small and must not wait for each other; a system that cannot do that is only slower.
    let _ = stream.set_nodelay(true);
    let router = TowerToHyperService::new(router);
    let service = service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(place.clone());
        router.call(request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS_WITHIN)
        .max_buf_size(HEAD_BYTES)
        .max_headers(HEADERS)
        .serve_connection(TokioIo::new(stream), service)
        .with_upgrades();
    // What goes wrong here goes wrong on the other side.
    let _ = tokio::time::timeout(REQUEST_WITHIN, connection).await;
}

/// The page of those who are not paired. It trades the secret in its address for a cookie, and knows nothing of the
/// visit.
pub(super) fn pairing_page() -> Response {
    with_nonce(PAIR, "connect-src 'self'; img-src data:")
}

/// A page whose own style and script are allowed, by a number that nobody could know before, and no others.
fn with_nonce(page: &str, allowed: &str) -> Response {
    let Ok(nonce) = nonce() else {
        return plain(StatusCode::SERVICE_UNAVAILABLE, "This cannot be served now.\n");
    };
    let policy = format!(
        "default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; {allowed}; form-action 'none'; \
         base-uri 'none'; frame-ancestors 'none'"
    );
    let page = page.replace("NONCE", &nonce);
    let mut response = ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], page).into_response();
    if let Ok(policy) = HeaderValue::from_str(&policy) {
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    response
}

async fn pair(State(gate): State<Gate>, paired: Option<Extension<Paired>>, secret: String) -> Response {
    // A phone that is paired need not be again, whatever it scanned.
    if paired.is_some() {
        return StatusCode::NO_CONTENT.into_response();
    }
    let traded = lock(&gate.shared.pairing).pair(secret.trim());
    match traded {
        Ok(cookie) => {
            gate.shared.phones.send_modify(|count| *count += 1);
            gate.shared.announce();
            (StatusCode::NO_CONTENT, [(header::SET_COOKIE, gate.cookie_header(&cookie))]).into_response()
        }
        Err(Unpaired::Wrong) => plain(StatusCode::FORBIDDEN, "This code is not valid, or was used.\n"),
        Err(Unpaired::Full) => plain(StatusCode::CONFLICT, "Four phones are paired already.\n"),
        Err(Unpaired::Unwritten) => {
            plain(StatusCode::INSUFFICIENT_STORAGE, "The laptop could not write this pairing down.\n")
        }
    }
}

/// Stop, for a page whose socket is not there. A page sends a press again and again, under one name, until it is
/// answered.
async fn stop(State(gate): State<Gate>, Extension(paired): Extension<Paired>, press: String) -> Response {
    let face = gate.shared.face.hand(paired.number);
    // Two presses would be an emergency: the page sends one both ways when it cannot tell which will arrive, and anew
    // when it has heard nothing of the first.
    let by_socket = lock(&gate.shared.stopped).is_some_and(|(by, at)| by == face && at.elapsed() < SAME_PRESS);
    let is_known = !press.is_empty() && *lock(&gate.shared.posted) == Some((face, press.clone()));
    if by_socket || is_known {
        return StatusCode::NO_CONTENT.into_response();
    }
    if !socket::hand_in(&gate.shared, face, Action::Stop).await {
        return plain(StatusCode::GONE, "The visit has ended; nothing sounds.\n");
    }
    *lock(&gate.shared.posted) = Some((face, press));
    StatusCode::NO_CONTENT.into_response()
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Write};

    use super::*;
    use crate::faces::Wires;
    use crate::faces::handset::{Handset, Store};
    use crate::units::Dbfs;
    use crate::view::FaceId;

    /// Only keeps a broken test from hanging.
    const PATIENCE: Duration = Duration::from_secs(20);

    #[test]
    fn the_page_asks_no_clock_that_can_jump() {
        assert!(SCRIPT.contains("performance.now()"), "otherwise this looks at nothing");
        assert!(!SCRIPT.contains("Date"), "a phone that takes the time from the network would lose its question");
    }

    fn knock(at: SocketAddr) -> io::Result<String> {
        let mut stream = std::net::TcpStream::connect(at)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.write_all(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")?;
        let mut reply = String::new();
        stream.read_to_string(&mut reply)?;
        Ok(reply)
    }

    #[test]
    fn whoever_knocks_is_answered_while_there_is_no_room_for_a_notice() {
        let (_views_in, views) = crossbeam_channel::unbounded();
        let (actions, taken) = crossbeam_channel::bounded(1);
        actions.send((FaceId(2), Action::Alive)).unwrap();
        let wires = Wires { views, actions, face: FaceId(1) };
        let handset = Handset::new(wires, Store::none(), Dbfs::new(-30.0), Box::new(|_| ())).unwrap();
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let at = listener.local_addr().unwrap();
        // Served as an address that is reserved for documentation (RFC 5737), so that it is missed at the first look.
        let missed = SocketAddr::from(([192, 0, 2, 1], at.port()));
        let serving =
            start(handset.shared.clone(), Listening { listener, address: missed, notice: None, only_here: None })
                .unwrap();
        // The first of these may come before that look; not all of them.
        for _ in 0..20 {
            let reply = knock(at).expect("nobody answers");
            assert!(reply.starts_with("HTTP/1.1 421"), "{reply}");
        }
        // The notice has waited meanwhile, and comes once there is room.
        assert!(matches!(taken.recv(), Ok((FaceId(2), Action::Alive))));
        let notice = taken.recv_timeout(PATIENCE).expect("no notice").1;
        assert!(matches!(&notice, Action::Notice(words) if words.contains("lost the address 192.0.2.1")), "{notice:?}");
        handset.shared.ended.send_replace(true);
        serving.join().unwrap();
    }
}
