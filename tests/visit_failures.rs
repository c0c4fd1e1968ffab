//! What happens to a visit file when the disk fails: nothing half-written stays, and the words say what to do.

use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};

use crossbeam_channel::{Receiver, unbounded};
use evenbass::routine::{Brief, Event, Kit, Stamped};
use evenbass::visit::{
    FileStorage, Header, Journal, JournalMoment, QUEUE, Refused, Storage, VisitError, WallTime, header_line, read,
    spawn,
};
use proptest::prelude::*;

fn header() -> Header {
    let brief = Brief {
        name: "a".to_owned(),
        seed: 1,
        minutes: None,
        room: None,
        seat: 0,
        kit: Kit::default(),
        note_set: evenbass::presets::note_set("walk-16", None).expect("an embedded preset"),
        loudness_phon: 50.0,
        rehearsal: true,
        asks_more: false,
        blend: None,
    };
    Header::new("evenbass 0.1.0", WallTime::parse("2026-03-14T10:20:30.250+01:00").unwrap(), None, brief)
}

fn quieter(at_s: f64) -> Stamped {
    Stamped { at_s, event: Event::Quieter }
}

/// How the next writes go: taken one by one from the front; when none is left, they succeed.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fate {
    Works,
    /// Only this many bytes get there.
    Short(usize),
    SyncFails,
    /// Neither the write nor its removal works.
    Stuck,
}

#[derive(Default)]
struct Disk {
    bytes: Vec<u8>,
    fates: Vec<Fate>,
}

#[derive(Clone, Default)]
struct FakeDisk(Arc<Mutex<Disk>>);

impl FakeDisk {
    fn journal(fates: &[Fate]) -> (Journal, Self) {
        let line = header_line(&header()).unwrap();
        let disk = Self(Arc::new(Mutex::new(Disk { bytes: line.clone().into_bytes(), fates: fates.to_vec() })));
        (Journal::over(Path::new("a.visit.jsonl"), Box::new(disk.clone()), 0, line.len() as u64), disk)
    }

    fn contents(&self) -> Vec<u8> {
        self.0.lock().unwrap().bytes.clone()
    }

    /// Events that a reader finds, and whether there is a torn tail.
    fn read_back(&self) -> (usize, bool) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.visit.jsonl");
        std::fs::write(&path, self.contents()).unwrap();
        let opened = read(&path).unwrap();
        (opened.events.len(), opened.notice.is_some())
    }
}

impl Storage for FakeDisk {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut disk = self.0.lock().unwrap();
        let whole = match disk.fates.first() {
            Some(Fate::Short(count)) => (*count).min(bytes.len().saturating_sub(1)),
            Some(Fate::Stuck) => 5,
            _ => {
                disk.bytes.extend_from_slice(bytes);
                return Ok(());
            }
        };
        disk.bytes.extend_from_slice(&bytes[..whole]);
        Err(io::ErrorKind::StorageFull.into())
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut disk = self.0.lock().unwrap();
        if disk.fates.is_empty() {
            return Ok(());
        }
        match disk.fates[0] {
            Fate::Works => disk.fates.remove(0),
            Fate::SyncFails => return Err(io::Error::other("input/output error")),
            Fate::Short(_) | Fate::Stuck => return Ok(()),
        };
        Ok(())
    }

    fn truncate(&mut self, length: u64) -> io::Result<()> {
        let mut disk = self.0.lock().unwrap();
        if disk.fates.first() == Some(&Fate::Stuck) {
            return Err(io::Error::other("input/output error"));
        }
        disk.fates.remove(0);
        disk.bytes.truncate(usize::try_from(length).unwrap());
        Ok(())
    }
}

#[test]
fn a_full_disk_leaves_the_file_as_it_was_and_the_next_try_can_work() {
    let (mut journal, disk) = FakeDisk::journal(&[Fate::Works, Fate::Short(40)]);
    journal.append(&quieter(1.0)).unwrap();
    let before = disk.contents();
    let error = journal.append(&quieter(2.0)).unwrap_err().to_string();
    assert!(error.contains("make space on the disk"), "{error}");
    assert_eq!(disk.contents(), before);
    assert_eq!(journal.append(&quieter(2.0)).unwrap(), 2);
    assert_eq!(disk.read_back(), (2, false));
}

#[test]
fn a_failed_sync_takes_the_line_back_too() {
    let (mut journal, disk) = FakeDisk::journal(&[Fate::SyncFails]);
    let before = disk.contents();
    assert!(matches!(journal.append(&quieter(1.0)), Err(VisitError::Io { .. })));
    assert_eq!(disk.contents(), before);
}

#[test]
fn nothing_follows_a_half_line_that_could_not_be_cut() {
    let (mut journal, disk) = FakeDisk::journal(&[Fate::Works, Fate::Stuck]);
    journal.append(&quieter(1.0)).unwrap();
    assert!(matches!(journal.append(&quieter(2.0)), Err(VisitError::Poisoned { .. })));
    disk.0.lock().unwrap().fates.clear();
    let error = journal.append(&quieter(3.0)).unwrap_err();
    assert!(matches!(error, VisitError::Poisoned { .. }), "{error}");
    assert!(error.to_string().contains("resume"), "{error}");
    assert_eq!(disk.read_back(), (1, true));
}

proptest! {
    #[test]
    fn whatever_fails_every_acknowledged_event_is_there_and_no_other(
        fates in prop::collection::vec(
            prop_oneof![4 => Just(Fate::Works), 2 => (0_usize..200).prop_map(Fate::Short), 1 => Just(Fate::SyncFails), 1 => Just(Fate::Stuck)],
            1..30,
        )
    ) {
        let (mut journal, disk) = FakeDisk::journal(&fates);
        let acknowledged = (0..30).filter(|index| journal.append(&quieter(f64::from(*index))).is_ok()).count();
        prop_assert_eq!(disk.read_back().0, acknowledged);
        prop_assert_eq!(journal.last_seq(), acknowledged as u64);
    }
}

#[cfg(target_os = "linux")]
#[test]
fn the_system_s_own_full_device_is_said_in_words() {
    let Ok(full) = std::fs::OpenOptions::new().append(true).open("/dev/full") else {
        eprintln!("no /dev/full here: not tested");
        return;
    };
    let mut journal = Journal::over(Path::new("/dev/full"), Box::new(FileStorage::new(full)), 0, 0);
    let error = journal.append(&quieter(1.0)).unwrap_err();
    // A device cannot be cut back, so the journal must have given up for good.
    assert!(matches!(error, VisitError::Poisoned { .. }), "{error}");
    assert!(error.to_string().contains("No space left"), "{error}");
}

/// Runs in a process of its own, started by the test below with a limit on the size of files.
#[test]
fn inner_write_until_the_limit() {
    let Some(path) = std::env::var_os("EVENBASS_TEST_LIMITED_FILE") else { return };
    let mut journal = Journal::create(Path::new(&path), &header()).unwrap();
    let mut acknowledged = 0;
    let error = loop {
        match journal.append(&quieter(1.0)) {
            Ok(seq) => acknowledged = seq,
            Err(error) => break error,
        }
    };
    assert!(error.to_string().contains("make space on the disk"), "{error}");
    drop(journal);
    let (_, opened) = Journal::open(Path::new(&path)).unwrap();
    assert_eq!((opened.events.len() as u64, opened.notice), (acknowledged, None));
    println!("acknowledged {acknowledged}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_real_limit_on_the_file_s_size_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    // 8 blocks of 512 bytes; the signal that would end the process is ignored, so that the write fails instead.
    let output = std::process::Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 8; exec \"$0\" --exact inner_write_until_the_limit --nocapture"])
        .arg(std::env::current_exe().unwrap())
        .env("EVENBASS_TEST_LIMITED_FILE", &path)
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{text}{}", String::from_utf8_lossy(&output.stderr));
    let count: usize =
        text.lines().find_map(|line| line.strip_prefix("acknowledged ")).unwrap().trim().parse().unwrap();
    assert!(count > 5, "{text}");
    assert_eq!(read(&path).unwrap().events.len(), count);
}

fn moments(receiver: &Receiver<JournalMoment>, count: usize) -> Vec<JournalMoment> {
    receiver.iter().take(count).collect()
}

#[test]
fn the_thread_answers_every_event_in_order() {
    let (journal, disk) = FakeDisk::journal(&[]);
    let (sender, receiver) = unbounded();
    let handle = spawn(journal, sender).unwrap();
    for ticket in 0..500 {
        handle.write(quieter(ticket as f64), 1000 + ticket).unwrap();
    }
    let journal = handle.close().unwrap();
    assert_eq!(journal.last_seq(), 500);
    let expected: Vec<_> =
        (0..500).map(|index| JournalMoment::Written { seq: index + 1, ticket: 1000 + index }).collect();
    assert_eq!(moments(&receiver, 500), expected);
    assert_eq!(disk.read_back(), (500, false));
}

#[test]
fn after_a_failure_nothing_is_written_until_its_sender_carries_on() {
    let (journal, disk) = FakeDisk::journal(&[Fate::Works, Fate::Short(3)]);
    let (sender, receiver) = unbounded();
    let handle = spawn(journal, sender).unwrap();
    for ticket in 1..=3 {
        handle.write(quieter(1.0), ticket).unwrap();
    }
    let found = moments(&receiver, 3);
    assert_eq!(found[0], JournalMoment::Written { seq: 1, ticket: 1 });
    assert!(matches!(&found[1], JournalMoment::Failed { ticket: 2, why } if why.contains("make space")), "{found:?}");
    assert!(matches!(&found[2], JournalMoment::Failed { ticket: 3, why } if why.contains("an event before it")));
    assert_eq!(disk.read_back(), (1, false));
    handle.carry_on();
    handle.write(quieter(2.0), 4).unwrap();
    assert_eq!(moments(&receiver, 1), [JournalMoment::Written { seq: 2, ticket: 4 }]);
    handle.close().unwrap();
    assert_eq!(disk.read_back(), (2, false));
}

#[test]
fn a_full_queue_gives_the_event_back() {
    let (journal, disk) = FakeDisk::journal(&[]);
    let (sender, _receiver) = unbounded::<JournalMoment>();
    let held = disk.0.lock().unwrap();
    let handle = spawn(journal, sender).unwrap();
    let mut taken = 0;
    // The thread may have taken one out of the queue before it stood still.
    let refused = loop {
        match handle.write(quieter(f64::from(taken)), 0) {
            Ok(()) => taken += 1,
            Err(refused) => break refused,
        }
    };
    let full = Refused::Full(Box::new(quieter(f64::from(taken))));
    assert_eq!(refused, full);
    assert!((QUEUE..=QUEUE + 1).contains(&(taken as usize)), "{taken}");
    drop(held);
    assert_eq!(handle.close().unwrap().last_seq(), taken as u64);
}
