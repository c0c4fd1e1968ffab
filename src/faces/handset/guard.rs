//! Who is let in: only requests for this very address, from this very page, by a paired phone. Everybody else gets the
//! page that pairs, or nothing.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::faces::handset::pairing::PhoneKey;
use crate::faces::handset::{Shared, lock, serve, socket};
use crate::view::Action;

/// Connections at a time: four phones with a few pages each, and as many again that only knock.
const MOST_CONNECTIONS: usize = 64;
/// Of those, from one address, so that one neighbour cannot take them all.
const MOST_FROM_ONE: usize = 24;

/// How the name of every handset's cookie begins.
const COOKIES: &str = "evenbass-";
/// So many of them are looked at; a phone has one for each port it was paired on within a month.
const MOST_COOKIES: usize = 64;

/// What the laptop says when somebody's phone has a cookie, but none of this visit.
const STRANGER: &str =
    "A phone of another visit, or a removed one, asked for the handset's page. It has to be paired anew.";

/// A paired phone behind a request.
#[derive(Debug, Clone, Copy)]
pub(super) struct Paired {
    pub number: u16,
    pub key: PhoneKey,
}

/// What a request is measured against.
#[derive(Clone)]
pub(super) struct Gate {
    pub shared: Arc<Shared>,
    /// What the page's address is called: the only Host.
    hosts: Arc<[String]>,
    cookie: Arc<str>,
}

impl Gate {
    pub fn new(shared: Arc<Shared>, address: SocketAddr) -> Self {
        let mut hosts = vec![address.to_string()];
        if address.port() == 80 {
            hosts.push(address.to_string().trim_end_matches(":80").to_owned());
        }
        if address.ip().is_loopback() {
            hosts.push(format!("localhost:{}", address.port()));
        }
        Self { shared, hosts: hosts.into(), cookie: cookie_name(address).into() }
    }

    /// The header that gives a phone its cookie. It lives for a month; what it is worth ends with the visit's list of
    /// phones.
    pub fn cookie_header(&self, value: &str) -> String {
        format!("{}={value}; Path=/; Max-Age=2592000; HttpOnly; SameSite=Strict", self.cookie)
    }

    /// Where the page may open its socket, for its policy: 'self' does not stand for sockets in every browser.
    pub fn sockets(&self) -> String {
        let sockets: Vec<String> = self.hosts.iter().map(|host| format!("ws://{host}")).collect();
        sockets.join(" ")
    }

    fn is_host(&self, host: &str) -> bool {
        self.hosts.iter().any(|known| known.eq_ignore_ascii_case(host))
    }

    fn is_own(&self, origin: &str) -> bool {
        origin.strip_prefix("http://").is_some_and(|host| self.is_host(host))
    }

    /// The phone whose cookie came with the request. It may be from another port, where this visit was served before;
    /// one of this port that no phone has is a stranger's.
    fn phone(&self, headers: &HeaderMap) -> Option<Paired> {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let mut named: Vec<(&str, &str)> = cookies
            .flat_map(|line| line.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .filter(|(name, _)| name.starts_with(COOKIES))
            .collect();
        named.sort_by_key(|(name, _)| *name != &*self.cookie);
        let mut strange = false;
        let mut pairing = lock(&self.shared.pairing);
        for (name, value) in named.into_iter().take(MOST_COOKIES) {
            match pairing.phone(value) {
                Some((number, key)) => return Some(Paired { number, key }),
                None => strange |= name == &*self.cookie,
            }
        }
        if strange && pairing.stranger() {
            drop(pairing);
            let shared = self.shared.clone();
            // Whoever knocks does not wait for room among the actions. Once is enough: it is there to be read.
            tokio::spawn(async move { socket::hand_in(&shared, shared.face, Action::Notice(STRANGER.into())).await });
        }
        None
    }
}

/// Browsers keep cookies by host, not by port: two visits on one machine must not take each other's.
fn cookie_name(address: SocketAddr) -> String {
    format!("{COOKIES}{}", address.port())
}

/// Stands before every route.
pub(super) async fn check(State(gate): State<Gate>, mut request: Request, next: Next) -> Response {
    let headers = request.headers();
    let text = |name| headers.get(name).and_then(|value: &HeaderValue| value.to_str().ok());
    // Another name for this address would be a page of somebody else's that was led here (DNS rebinding).
    if !text(header::HOST).is_some_and(|host| gate.is_host(host)) {
        return finish(plain(StatusCode::MISDIRECTED_REQUEST, "This address is not served here.\n"));
    }
    let is_socket = headers.contains_key(header::UPGRADE);
    let must_say = is_socket || request.method() != Method::GET && request.method() != Method::HEAD;
    let foreign = match headers.get(header::ORIGIN) {
        None => must_say,
        Some(_) => !text(header::ORIGIN).is_some_and(|origin| gate.is_own(origin)),
    };
    if foreign {
        return finish(plain(StatusCode::FORBIDDEN, "Only the handset's own page may ask for this.\n"));
    }
    let paired = gate.phone(headers);
    let path = request.uri().path();
    let response = match paired {
        Some(paired) => {
            request.extensions_mut().insert(paired);
            next.run(request).await
        }
        None if path == "/pair" && request.method() == Method::POST => next.run(request).await,
        None if path == "/" && request.method() == Method::GET && !is_socket => serve::pairing_page(),
        None => plain(StatusCode::UNAUTHORIZED, "This screen is not paired.\n"),
    };
    finish(response)
}

pub(super) fn plain(status: StatusCode, words: &'static str) -> Response {
    (status, [(header::CONTENT_TYPE, "text/plain; charset=utf-8")], words).into_response()
}

/// Adds what every answer carries.
fn finish(mut response: Response<Body>) -> Response {
    let is_socket = response.status() == StatusCode::SWITCHING_PROTOCOLS;
    let headers = response.headers_mut();
    if !is_socket {
        // One request a connection: nothing is kept open for those who only knock.
        headers.insert(header::CONNECTION, HeaderValue::from_static("close"));
    }
    let mut set = |name: header::HeaderName, value: &'static str| {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    };
    set(header::REFERRER_POLICY, "no-referrer");
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::X_FRAME_OPTIONS, "DENY");
    set(header::CACHE_CONTROL, "no-store");
    // No opener policy: browsers heed it at a loopback address only, where it costs a process of its own before the
    // first paint, and a page that opens this one holds nothing by it: its request comes without the cookie.
    set(header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    set(header::HeaderName::from_static("permissions-policy"), "camera=(), microphone=(), geolocation=()");
    // The two pages bring a wider one of their own.
    set(
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'",
    );
    response
}

/// Counts connections.
#[derive(Clone, Default)]
pub(super) struct Door {
    inside: Arc<Mutex<HashMap<IpAddr, usize>>>,
}

/// One connection's place inside; given back when it goes.
pub(super) struct Place {
    door: Door,
    ip: IpAddr,
}

impl Door {
    /// A place, unless it is full.
    pub fn enter(&self, ip: IpAddr) -> Option<Place> {
        let mut inside = lock(&self.inside);
        let all: usize = inside.values().sum();
        let from_there = inside.get(&ip).copied().unwrap_or(0);
        if all >= MOST_CONNECTIONS || from_there >= MOST_FROM_ONE {
            return None;
        }
        inside.insert(ip, from_there + 1);
        Some(Place { door: self.clone(), ip })
    }

    /// Waits until everybody has gone.
    pub async fn empty(&self) {
        while !lock(&self.inside).is_empty() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut inside = lock(&self.door.inside);
        if let Some(count) = inside.get_mut(&self.ip) {
            *count -= 1;
            if *count == 0 {
                inside.remove(&self.ip);
            }
        }
    }
}

/// How much may be said: a burst, and so much a second.
#[derive(Debug)]
pub(super) struct Allowance {
    burst: f64,
    per_second: f64,
    left: f64,
    at: Instant,
}

impl Allowance {
    pub fn new(burst: f64, per_second: f64, now: Instant) -> Self {
        Self { burst, per_second, left: burst, at: now }
    }

    /// Whether one more may be said now.
    pub fn take(&mut self, now: Instant) -> bool {
        let passed_s = now.saturating_duration_since(self.at).as_secs_f64();
        self.at = now;
        self.left = (self.left + passed_s * self.per_second).min(self.burst);
        let may = self.left >= 1.0;
        if may {
            self.left -= 1.0;
        }
        may
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_allowance_is_spent_and_comes_back() {
        let start = Instant::now();
        let mut allowance = Allowance::new(3.0, 2.0, start);
        let said = |allowance: &mut Allowance, at_ms| {
            let now = start + Duration::from_millis(at_ms);
            (0..100).filter(|_| allowance.take(now)).count()
        };
        assert_eq!(said(&mut allowance, 0), 3);
        assert_eq!(said(&mut allowance, 1000), 2);
        assert_eq!(said(&mut allowance, 60_000), 3);
    }

    #[test]
    fn a_door_counts_all_and_each() {
        let door = Door::default();
        let from = |last| IpAddr::from([192, 0, 2, last]);
        let mut inside: Vec<Place> = (0..100).filter_map(|_| door.enter(from(1))).collect();
        assert_eq!(inside.len(), MOST_FROM_ONE);
        inside.extend((0..100).filter_map(|at| door.enter(from(2 + at % 50))));
        assert_eq!(inside.len(), MOST_CONNECTIONS);
        inside.clear();
        assert!(lock(&door.inside).is_empty());
    }
}
