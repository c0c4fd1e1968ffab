//! A bad network between phone and laptop: a proxy that passes everything on, late, in another order, or not at all.

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// What the network is like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weather {
    /// Everything passes at once.
    Fair,
    /// Everything passes, this much later.
    Late(Duration),
    /// Every second connection passes only after the next one.
    Shuffled,
    /// Nothing passes, and what was open is cut.
    Cut,
    /// Nothing passes, and nobody is told: as when somebody walks out of reach.
    Silent,
}

pub struct Proxy {
    pub port: u16,
    inside: Arc<Inside>,
}

struct Inside {
    to: SocketAddr,
    weather: Mutex<Weather>,
    open: Mutex<Vec<TcpStream>>,
    connections: AtomicUsize,
}

impl Proxy {
    /// In front of an address.
    pub fn before(to: SocketAddr) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("an address").port();
        let inside = Arc::new(Inside {
            to,
            weather: Mutex::new(Weather::Fair),
            open: Mutex::new(Vec::new()),
            connections: AtomicUsize::new(0),
        });
        let accepting = inside.clone();
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let inside = accepting.clone();
                thread::spawn(move || inside.carry(stream));
            }
        });
        Self { port, inside }
    }

    pub fn weather(&self, weather: Weather) {
        *self.inside.weather.lock().unwrap() = weather;
        if weather == Weather::Cut {
            for stream in self.inside.open.lock().unwrap().drain(..) {
                let _ = stream.shutdown(Shutdown::Both);
            }
        }
    }
}

impl Inside {
    fn weather(&self) -> Weather {
        *self.weather.lock().unwrap()
    }

    fn carry(self: Arc<Self>, from: TcpStream) {
        let number = self.connections.fetch_add(1, Ordering::SeqCst);
        match self.weather() {
            Weather::Cut => return,
            Weather::Shuffled if number.is_multiple_of(2) => thread::sleep(Duration::from_millis(300)),
            _ => {}
        }
        let Ok(to) = TcpStream::connect(self.to) else { return };
        for stream in [&from, &to] {
            let _ = stream.set_nodelay(true);
            self.open.lock().unwrap().push(stream.try_clone().expect("a socket can be shared"));
        }
        let (back_from, back_to) = (to.try_clone().expect("shared"), from.try_clone().expect("shared"));
        let inside = self.clone();
        thread::spawn(move || inside.pass(back_from, back_to));
        self.pass(from, to);
    }

    fn pass(&self, mut from: TcpStream, mut to: TcpStream) {
        let mut bytes = [0; 16 * 1024];
        while let Ok(count @ 1..) = from.read(&mut bytes) {
            match self.weather() {
                // One after the other, so that nothing is reordered within a connection.
                Weather::Late(late) => thread::sleep(late),
                Weather::Silent => continue,
                _ => {}
            }
            if to.write_all(&bytes[..count]).is_err() {
                break;
            }
        }
        let _ = to.shutdown(Shutdown::Both);
        let _ = from.shutdown(Shutdown::Both);
    }
}
