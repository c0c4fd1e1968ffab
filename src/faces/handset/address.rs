//! Where the handset is served: an address of this machine that somebody named or chose, never all of them.

use std::fmt;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener};
use std::str::FromStr;

use crate::faces::handset::{HandsetError, reach};

/// What was asked for: an address, a port, both or neither.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wanted {
    /// The address; without one it is loopback, or one that is chosen on the screen.
    pub ip: Option<IpAddr>,
    /// The port; without one the port of last time, or any that is free.
    pub port: Option<u16>,
}

impl Wanted {
    /// Nothing in particular.
    pub const ANY: Self = Self { ip: None, port: None };
}

impl FromStr for Wanted {
    type Err = String;

    /// `192.168.1.20`, `192.168.1.20:8080`, `[fd00::5]:8080`, `:8080`, or nothing at all.
    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let port_of = |text: &str| {
            text.parse::<u16>().map_err(|_| format!("'{text}' is not a port; a port is a number from 0 to 65535"))
        };
        let wanted = if text.is_empty() {
            Self::ANY
        } else if let Some(port) = text.strip_prefix(':').filter(|rest| !rest.contains(':')) {
            Self { ip: None, port: Some(port_of(port)?) }
        } else if let Ok(address) = text.parse::<SocketAddr>() {
            Self { ip: Some(address.ip()), port: Some(address.port()) }
        } else if let Ok(ip) = text.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>() {
            Self { ip: Some(ip), port: None }
        } else {
            return Err(format!(
                "'{text}' is not an address of this machine; give numbers such as 192.168.1.20:8080 (`ip address` lists them)"
            ));
        };
        match wanted.ip {
            Some(ip) if ip.is_unspecified() || ip.is_multicast() => Err(format!(
                "{ip} stands for every network this machine is on, and a handset serves one; name the address of that one"
            )),
            _ => Ok(wanted),
        }
    }
}

/// An address that phones could reach this machine by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Interface {
    /// What the system calls it.
    pub name: String,
    /// Its address.
    pub ip: IpAddr,
}

impl fmt::Display for Interface {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.ip.is_loopback() {
            write!(f, "{} (this machine only)", self.ip)
        } else {
            write!(f, "{} ({})", self.ip, self.name)
        }
    }
}

/// Every address that can be chosen: those of networks first, loopback last. IPv6 addresses of one cable alone, which
/// need a scope that browsers do not take, are left out.
pub fn interfaces() -> Vec<Interface> {
    let usable = |ip: &IpAddr| match ip {
        IpAddr::V4(ip) => !ip.is_unspecified(),
        IpAddr::V6(ip) => !ip.is_unicast_link_local() && !ip.is_loopback(),
    };
    let mut found: Vec<Interface> = if_addrs::get_if_addrs()
        .unwrap_or_default()
        .into_iter()
        .map(|interface| Interface { ip: interface.ip(), name: interface.name })
        .filter(|interface| usable(&interface.ip))
        .collect();
    found.sort_by_key(|interface| (interface.ip.is_loopback(), interface.ip.is_ipv6()));
    if !found.iter().any(|interface| interface.ip.is_loopback()) {
        found.push(Interface { name: "loopback".into(), ip: Ipv4Addr::LOCALHOST.into() });
    }
    found
}

/// An open port, before anybody is served.
#[derive(Debug)]
pub struct Listening {
    pub(super) listener: TcpListener,
    /// Where it is.
    pub address: SocketAddr,
    /// What everybody has to know: the port of last time was taken.
    pub notice: Option<String>,
    /// What the person at the machine has to know: no phone can reach it, although nobody has chosen that.
    pub only_here: Option<String>,
}

/// Whether none of these addresses leads out of this machine.
pub fn on_no_network(known: &[Interface]) -> bool {
    known.iter().all(|interface| interface.ip.is_loopback())
}

/// Why no phone reaches a page that is served on loopback because no address was named, and what to do about it.
fn only_here(known: &[Interface]) -> String {
    if on_no_network(known) {
        "Only this machine's own browser can show that page, for the machine is on no network. For a phone, join its network \
         or open a hotspot, then leave and start again with --handset and the address that the machine has there \
         (`ip address` lists it)."
            .into()
    } else {
        let networks: Vec<Interface> = known.iter().filter(|interface| !interface.ip.is_loopback()).cloned().collect();
        format!(
            "Only this machine's own browser can show that page. For a phone, leave and start again with --handset and this \
             machine's address on the phone's network: {}.",
            list(&networks)
        )
    }
}

/// Why an address cannot be served that this machine does not have, and what to do about it.
pub(super) fn elsewhere(ip: IpAddr, of_last_time: bool, known: &[Interface]) -> String {
    let missing = match of_last_time {
        true => format!("this machine does not have the handset's address of last time, {ip}, any more"),
        false => format!("this machine has no address {ip}"),
    };
    if on_no_network(known) {
        format!(
            "{missing}, for it is on no network; join the phone's network or open a hotspot, and name the address that the \
             machine has there (`ip address` lists it), or leave --handset out and answer at this machine"
        )
    } else {
        format!("{missing}; its addresses are {}; name one of them", list(known))
    }
}

fn list(known: &[Interface]) -> String {
    known.iter().map(Interface::to_string).collect::<Vec<_>>().join(", ")
}

/// Opens a port. What is not named is as it was last time (`before`), so that paired phones find it again.
///
/// # Errors
/// [`HandsetError::Taken`], [`HandsetError::Elsewhere`] and [`HandsetError::Closed`], for what was named; a port of
/// last time that is taken is replaced by a free one, with a notice.
pub fn listen(wanted: Wanted, before: Option<SocketAddr>) -> Result<Listening, HandsetError> {
    let known = before.filter(|before| wanted.ip.is_none_or(|ip| ip == before.ip()));
    let ip = wanted.ip.or(known.map(|before| before.ip())).unwrap_or(Ipv4Addr::LOCALHOST.into());
    let (port, named) = match (wanted.port, known) {
        (Some(port), _) => (port, true),
        (None, Some(before)) => (before.port(), false),
        (None, None) => (0, false),
    };
    let elsewhere = || HandsetError::Elsewhere { ip, of_last_time: wanted.ip.is_none(), known: interfaces() };
    // A system may lend an address that it does not have, and nobody would ever come by it.
    if reach::has(ip) == Some(false) {
        return Err(elsewhere());
    }
    let listening = |listener: TcpListener, notice| {
        let address = listener.local_addr().map_err(|error| HandsetError::Closed { ip, error })?;
        let is_here = wanted.ip.is_none() && address.ip().is_loopback();
        Ok(Listening { listener, address, notice, only_here: is_here.then(|| only_here(&interfaces())) })
    };
    match TcpListener::bind((ip, port)) {
        Ok(listener) => listening(listener, None),
        Err(error) => match error.kind() {
            io::ErrorKind::AddrInUse if !named => {
                let listener = TcpListener::bind((ip, 0)).map_err(|error| HandsetError::Closed { ip, error })?;
                let notice = format!(
                    "The handset's port of last time, {port}, is taken by another program. Phones have to scan the code again."
                );
                listening(listener, Some(notice))
            }
            io::ErrorKind::AddrInUse => Err(HandsetError::Taken { address: SocketAddr::new(ip, port) }),
            io::ErrorKind::AddrNotAvailable => Err(elsewhere()),
            _ => Err(HandsetError::Closed { ip, error }),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_read_as_it_is_meant() {
        let read = |text: &str| text.parse::<Wanted>();
        let home: IpAddr = "192.168.1.20".parse().unwrap();
        assert_eq!(read(""), Ok(Wanted::ANY));
        assert_eq!(read("192.168.1.20"), Ok(Wanted { ip: Some(home), port: None }));
        assert_eq!(read("192.168.1.20:8080"), Ok(Wanted { ip: Some(home), port: Some(8080) }));
        assert_eq!(read(":8080"), Ok(Wanted { ip: None, port: Some(8080) }));
        assert_eq!(read("[fd00::5]:80"), Ok(Wanted { ip: "fd00::5".parse().ok(), port: Some(80) }));
        assert_eq!(read("::1"), Ok(Wanted { ip: "::1".parse().ok(), port: None }));
        for every in ["0.0.0.0", "0.0.0.0:80", "[::]:80", "224.0.0.1"] {
            assert!(read(every).unwrap_err().contains("every network"), "{every}");
        }
        for wrong in ["lounge", "http://192.168.1.20/", "192.168.1", ":99999", "192.168.1.20:x"] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn without_a_word_only_this_machine_can_reach_it() {
        assert!(listen(Wanted::ANY, None).unwrap().address.ip().is_loopback());
    }

    #[test]
    fn the_port_of_last_time_is_taken_again_where_it_is_free() {
        let first = listen(Wanted::ANY, None).unwrap();
        let before = first.address;
        let beside = listen(Wanted::ANY, Some(before)).unwrap();
        assert_ne!(beside.address.port(), before.port());
        assert!(beside.notice.unwrap().contains(&before.port().to_string()));
        let named = Wanted { ip: None, port: Some(before.port()) };
        assert!(matches!(listen(named, None), Err(HandsetError::Taken { address }) if address == before));
        drop(first);
        let again = listen(Wanted::ANY, Some(before)).unwrap();
        assert_eq!((again.address, again.notice), (before, None));
    }

    fn at(name: &str, ip: &str) -> Interface {
        Interface { name: name.into(), ip: ip.parse().unwrap() }
    }

    #[test]
    fn who_can_open_the_page_is_said_by_the_networks_there_are() {
        let alone = [at("lo", "127.0.0.1"), at("lo", "::1")];
        let home = [at("wlan0", "192.168.1.20"), at("lo", "127.0.0.1")];
        assert!(on_no_network(&alone) && on_no_network(&[]) && !on_no_network(&home));
        let said = only_here(&alone);
        assert!(said.contains("on no network") && said.contains("hotspot") && said.contains("--handset"), "{said}");
        let said = only_here(&home);
        assert!(said.ends_with("the phone's network: 192.168.1.20 (wlan0)."), "{said}");

        let wanted: IpAddr = "192.168.1.33".parse().unwrap();
        let said = elsewhere(wanted, false, &alone);
        assert!(said.starts_with("this machine has no address 192.168.1.33, for it is on no network"), "{said}");
        assert!(said.contains("hotspot") && said.contains("leave --handset out"), "{said}");
        let said = elsewhere(wanted, true, &home);
        assert!(said.contains("address of last time, 192.168.1.33") && said.contains("192.168.1.20 (wlan0)"), "{said}");
    }

    #[test]
    fn whoever_names_an_address_knows_who_can_reach_it() {
        let named = listen("127.0.0.1".parse().unwrap(), None).unwrap();
        assert_eq!(named.only_here, None);
        assert!(listen(Wanted::ANY, None).unwrap().only_here.unwrap().contains("Only this machine's own browser"));
    }

    #[test]
    fn an_address_that_this_machine_has_not_is_said() {
        // Reserved for documentation (RFC 5737).
        let error = listen("192.0.2.1".parse().unwrap(), None).unwrap_err().to_string();
        assert!(error.contains("has no address 192.0.2.1"), "{error}");
        let gone = Some(SocketAddr::from(([192, 0, 2, 1], 4711)));
        let error = listen(Wanted::ANY, gone).unwrap_err().to_string();
        assert!(error.contains("address of last time, 192.0.2.1"), "{error}");
    }
}
