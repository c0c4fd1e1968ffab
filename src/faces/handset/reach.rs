//! Whether the served address is still this machine's: a cable is pulled, a router gives out another one.

use std::io::ErrorKind;
use std::net::{IpAddr, UdpSocket};
use std::time::Duration;

/// How often that is looked at.
pub(super) const LOOK_EVERY: Duration = Duration::from_secs(2);

/// Whether this machine has an address; `None`, where the system does not say.
pub(super) fn has(ip: IpAddr) -> Option<bool> {
    // Nothing is sent: the system only lends a port on the address, which most cannot do on one that is not there,
    // whoever is listed as having it. Linux can where it is set to (net.ipv4.ip_nonlocal_bind), or while loopback has
    // never been up.
    match UdpSocket::bind((ip, 0)) {
        Ok(_) if ip.is_loopback() => Some(true),
        Ok(_) => if_addrs::get_if_addrs().ok().map(|all| all.iter().any(|interface| interface.ip() == ip)),
        Err(error) if error.kind() == ErrorKind::AddrNotAvailable => Some(false),
        Err(_) => None,
    }
}

/// What is known of the served address.
#[derive(Debug)]
pub(super) struct Reach {
    ip: IpAddr,
    is_there: bool,
}

impl Reach {
    /// Of an address that is served, so that it is there.
    pub fn of(ip: IpAddr) -> Self {
        Self { ip, is_there: true }
    }

    /// Takes up whether it is there now; what everybody has to know if that has changed.
    pub fn see(&mut self, is_there: Option<bool>) -> Option<String> {
        let is_there = is_there.filter(|is_there| *is_there != self.is_there)?;
        self.is_there = is_there;
        let ip = self.ip;
        Some(if is_there {
            format!("This machine has the address {ip} again: phones reach the visit as before.")
        } else {
            format!(
                "This machine has lost the address {ip}, so no phone can reach the visit. It goes on here. Join that \
                 network again; if the machine gets another address there, leave and resume with --handset and that one."
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_missed_once_and_greeted_once() {
        let mut reach = Reach::of("192.0.2.7".parse().unwrap());
        assert_eq!(reach.see(Some(true)), None);
        let lost = reach.see(Some(false)).unwrap();
        assert!(lost.contains("lost the address 192.0.2.7") && lost.contains("goes on here"), "{lost}");
        // Nothing new, or nothing known, is not said.
        assert_eq!((reach.see(Some(false)), reach.see(None)), (None, None));
        assert!(reach.see(Some(true)).unwrap().contains("has the address 192.0.2.7 again"));
        assert_eq!(reach.see(Some(true)), None);
    }

    #[test]
    fn the_system_says_which_addresses_are_its_own() {
        assert_eq!(has("127.0.0.1".parse().unwrap()), Some(true));
        // Reserved for documentation (RFC 5737).
        assert_eq!(has("192.0.2.1".parse().unwrap()), Some(false));
    }
}
