//! Which phones may answer: a secret that pairs one phone, and what is kept so that a paired phone stays paired.

use std::fs;
use std::io::{self, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// Phones that can be paired at a time.
pub const MOST_PHONES: usize = 4;
/// Letters that cannot be mistaken for each other when read aloud or copied by hand (as in Crockford's base 32).
const LETTERS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
/// Random bytes in a secret, and in what a paired phone shows from then on.
const SECRET_BYTES: usize = 16;
const COOKIE_BYTES: usize = 32;

/// The hash of a phone's cookie: what is kept. The cookie is long and random, so that one round of SHA-256 (FIPS 180-4)
/// will do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PhoneKey([u8; 32]);

/// A paired phone.
#[derive(Debug)]
struct Phone {
    /// From 1 to [`MOST_PHONES`]; free again when it is removed.
    number: u16,
    key: PhoneKey,
    /// Pages of it that are open.
    pages: usize,
}

/// A paired phone, for a list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PhoneLine {
    /// What it is called: phone 1, 2, 3 or 4.
    pub number: u16,
    /// A page of it is connected.
    pub in_touch: bool,
}

/// Why a phone was not paired.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unpaired {
    /// The secret is not the present one.
    Wrong,
    /// As many phones as there may be.
    Full,
    /// It could not be written down.
    Unwritten,
}

/// Who is paired, and the secret for the next one.
#[derive(Debug)]
pub struct Pairing {
    secret: String,
    phones: Vec<Phone>,
    store: Store,
    address: Option<SocketAddr>,
    /// Knocks of phones that this visit does not know.
    strangers: u32,
}

/// Where a visit's paired phones are kept between sessions.
#[derive(Debug, Clone)]
pub struct Store {
    visit: PathBuf,
    file: Option<PathBuf>,
}

/// The file's contents.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Kept {
    /// The visit, for people who look.
    visit: PathBuf,
    address: Option<SocketAddr>,
    phones: Vec<KeptPhone>,
}

#[derive(Debug, Serialize, Deserialize)]
struct KeptPhone {
    number: u16,
    /// SHA-256 of its cookie, in hex.
    cookie_hash: String,
}

impl Store {
    /// The file of a visit in the data folder: its name is a hash of the visit file's place.
    pub fn of_visit(data_folder: &Path, visit: &Path) -> Self {
        // The file itself may not be there yet.
        let folder = visit.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let folder = fs::canonicalize(folder).unwrap_or_else(|_| folder.to_path_buf());
        let place = visit.file_name().map_or_else(|| visit.to_path_buf(), |name| folder.join(name));
        let name = hex(&Sha256::digest(place.as_os_str().as_encoded_bytes())[..12]);
        Self { visit: visit.into(), file: Some(data_folder.join("handset").join(format!("{name}.json"))) }
    }

    /// Nothing is kept.
    pub fn none() -> Self {
        Self { visit: PathBuf::new(), file: None }
    }

    /// The address of last time, if there was one.
    pub fn address(&self) -> Option<SocketAddr> {
        self.read().address
    }

    /// A file that is missing or cannot be read pairs nobody: phones scan the code once more.
    fn read(&self) -> Kept {
        let text = self.file.as_ref().and_then(|file| fs::read_to_string(file).ok());
        text.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default()
    }

    fn write(&self, kept: &Kept) -> io::Result<()> {
        let Some(file) = &self.file else { return Ok(()) };
        let folder = file.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder)?;
        // Nobody but this person may read it: temporary files are made with mode 0600.
        let mut whole = tempfile::NamedTempFile::new_in(folder)?;
        whole.write_all(serde_json::to_string_pretty(kept)?.as_bytes())?;
        whole.as_file().sync_data()?;
        whole.persist(file).map_err(|error| error.error)?;
        Ok(())
    }
}

impl Pairing {
    /// The phones of last time, and a first secret.
    ///
    /// # Errors
    /// The system gives no random numbers.
    pub fn new(store: Store) -> io::Result<Self> {
        let phones = store.read().phones;
        let phones = phones
            .iter()
            .filter(|phone| (1..=MOST_PHONES as u16).contains(&phone.number))
            .filter_map(|phone| Some((phone.number, unhex(&phone.cookie_hash)?)))
            .map(|(number, hash)| Phone { number, key: PhoneKey(hash), pages: 0 })
            .take(MOST_PHONES)
            .collect();
        Ok(Self { secret: fresh_secret()?, phones, store, address: None, strangers: 0 })
    }

    /// The address of last time, if there was one.
    pub fn address_before(&self) -> Option<SocketAddr> {
        self.store.address()
    }

    /// The address that is served from now on.
    ///
    /// # Errors
    /// It cannot be written down.
    pub fn served_at(&mut self, address: SocketAddr) -> io::Result<()> {
        self.address = Some(address);
        self.write()
    }

    /// The secret for the next phone; `None` while there are as many as there may be.
    pub fn secret(&self) -> Option<&str> {
        (self.phones.len() < MOST_PHONES).then_some(self.secret.as_str())
    }

    /// Trades the secret for a cookie. The secret is spent.
    ///
    /// # Errors
    /// [`Unpaired`].
    pub fn pair(&mut self, secret: &str) -> Result<String, Unpaired> {
        // Hashes are compared, so that the time it takes says nothing about the secret.
        if Sha256::digest(secret) != Sha256::digest(&self.secret) {
            return Err(Unpaired::Wrong);
        }
        let number = (1..=MOST_PHONES as u16)
            .find(|number| self.phones.iter().all(|phone| phone.number != *number))
            .ok_or(Unpaired::Full)?;
        let (next, cookie) = fresh_secret()
            .and_then(|next| Ok((next, hex(&random::<COOKIE_BYTES>()?))))
            .map_err(|_| Unpaired::Unwritten)?;
        self.phones.push(Phone { number, key: PhoneKey::of(&cookie), pages: 0 });
        if self.write().is_err() {
            self.phones.pop();
            return Err(Unpaired::Unwritten);
        }
        self.secret = next;
        Ok(cookie)
    }

    /// The phone that a cookie belongs to.
    pub fn phone(&self, cookie: &str) -> Option<(u16, PhoneKey)> {
        let key = PhoneKey::of(cookie);
        self.phones.iter().find(|phone| phone.key == key).map(|phone| (phone.number, key))
    }

    /// Whether a phone is still paired.
    pub fn knows(&self, key: PhoneKey) -> bool {
        self.phones.iter().any(|phone| phone.key == key)
    }

    /// A page of a phone came (+1) or went (-1).
    pub fn page(&mut self, key: PhoneKey, change: isize) {
        if let Some(phone) = self.phones.iter_mut().find(|phone| phone.key == key) {
            phone.pages = phone.pages.saturating_add_signed(change);
        }
    }

    /// How many pages of a phone are open.
    pub fn pages(&self, key: PhoneKey) -> usize {
        self.phones.iter().find(|phone| phone.key == key).map_or(0, |phone| phone.pages)
    }

    /// A cookie came that no phone of this visit has. Whether it was the first.
    pub fn stranger(&mut self) -> bool {
        self.strangers = self.strangers.saturating_add(1);
        self.strangers == 1
    }

    /// How often a phone of another visit, or one that was removed, has knocked.
    pub fn strangers(&self) -> u32 {
        self.strangers
    }

    /// Takes a phone's pairing away. Whether there was one.
    ///
    /// # Errors
    /// It cannot be written down; it is removed all the same until the program ends.
    pub fn remove(&mut self, number: u16) -> io::Result<bool> {
        let before = self.phones.len();
        self.phones.retain(|phone| phone.number != number);
        if self.phones.len() == before {
            return Ok(false);
        }
        self.write()?;
        Ok(true)
    }

    /// Every phone, by number.
    pub fn list(&self) -> Vec<PhoneLine> {
        let mut list: Vec<PhoneLine> =
            self.phones.iter().map(|phone| PhoneLine { number: phone.number, in_touch: phone.pages > 0 }).collect();
        list.sort_by_key(|phone| phone.number);
        list
    }

    fn write(&self) -> io::Result<()> {
        let kept = |phone: &Phone| KeptPhone { number: phone.number, cookie_hash: hex(&phone.key.0) };
        self.store.write(&Kept {
            visit: self.store.visit.clone(),
            address: self.address,
            phones: self.phones.iter().map(kept).collect(),
        })
    }
}

impl PhoneKey {
    fn of(cookie: &str) -> Self {
        Self(Sha256::digest(cookie).into())
    }
}

/// Random bytes from the system.
fn random<const N: usize>() -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(io::Error::other)?;
    Ok(bytes)
}

/// 128 random bits as 26 letters.
fn fresh_secret() -> io::Result<String> {
    let mut number = u128::from_be_bytes(random::<SECRET_BYTES>()?);
    let mut letters = String::with_capacity(26);
    for _ in 0..26 {
        letters.push(char::from(LETTERS[(number % 32) as usize]));
        number /= 32;
    }
    Ok(letters)
}

/// A value used once, for the page of those who are not paired.
pub fn nonce() -> io::Result<String> {
    random::<16>().map(|bytes| hex(&bytes))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn unhex(text: &str) -> Option<[u8; 32]> {
    let mut bytes = [0; 32];
    if text.len() != 64 || !text.is_ascii() {
        return None;
    }
    for (at, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&text[2 * at..2 * at + 2], 16).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    const VISIT: &str = "attic.visit.jsonl";

    fn pairing(store: &Store) -> Pairing {
        Pairing::new(store.clone()).unwrap()
    }

    #[test]
    fn a_secret_pairs_one_phone() {
        let mut pairing = pairing(&Store::none());
        let secret = pairing.secret().unwrap().to_owned();
        assert_eq!(secret.len(), 26);
        assert_eq!(pairing.pair(""), Err(Unpaired::Wrong));
        assert_eq!(pairing.pair(&secret[1..]), Err(Unpaired::Wrong));
        let cookie = pairing.pair(&secret).unwrap();
        assert_eq!(pairing.pair(&secret), Err(Unpaired::Wrong), "it was used");
        assert_eq!(pairing.phone(&cookie).map(|(number, _)| number), Some(1));
        assert_eq!(pairing.phone(&secret), None);
        assert_eq!(pairing.phone(""), None);
    }

    #[test]
    fn four_phones_and_no_fifth_until_one_is_removed() {
        let mut pairing = pairing(&Store::none());
        for number in 1..=4 {
            let secret = pairing.secret().unwrap().to_owned();
            let cookie = pairing.pair(&secret).unwrap();
            assert_eq!(pairing.phone(&cookie).map(|(number, _)| number), Some(number));
        }
        assert_eq!(pairing.secret(), None);
        let hidden = pairing.secret.clone();
        assert_eq!(pairing.pair(&hidden), Err(Unpaired::Full));
        assert!(pairing.remove(2).unwrap());
        assert!(!pairing.remove(2).unwrap());
        let secret = pairing.secret().unwrap().to_owned();
        let cookie = pairing.pair(&secret).unwrap();
        assert_eq!(pairing.phone(&cookie).map(|(number, _)| number), Some(2));
    }

    #[test]
    fn what_is_kept_is_a_hash_that_nobody_else_may_read() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::of_visit(folder.path(), Path::new(VISIT));
        let address = "127.0.0.1:4711".parse().unwrap();
        let mut first = pairing(&store);
        first.served_at(address).unwrap();
        let secret = first.secret().unwrap().to_owned();
        let cookie = first.pair(&secret).unwrap();
        drop(first);

        let file = store.file.clone().unwrap();
        let text = fs::read_to_string(&file).unwrap();
        assert!(!text.contains(&cookie) && !text.contains(&secret), "{text}");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
        }
        let second = pairing(&store);
        assert_eq!(store.address(), Some(address));
        assert!(second.phone(&cookie).is_some());
        assert_ne!(second.secret(), Some(secret.as_str()));
        let other = pairing(&Store::of_visit(folder.path(), Path::new("cellar.visit.jsonl")));
        assert!(other.phone(&cookie).is_none(), "a phone of another visit");

        fs::write(&file, "not what we wrote").unwrap();
        assert!(pairing(&store).phone(&cookie).is_none());
    }

    #[test]
    fn hex_reads_what_it_wrote() {
        let bytes: [u8; 32] = std::array::from_fn(|at| (at * 9) as u8);
        assert_eq!(unhex(&hex(&bytes)), Some(bytes));
        assert_eq!(unhex("é"), None);
        assert_eq!(unhex(&"g".repeat(64)), None);
    }
}
