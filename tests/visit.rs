//! The visit file from outside: what is written is there, what is damaged is named, nothing is replaced.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use evenbass::evidence::Rating;
use evenbass::judge::Advice;
use evenbass::room::{Floor, Place, Room};
use evenbass::routine::question::{Answer, QuestionId};
use evenbass::routine::{AnswerBy, Brief, Event, Kit, Stamped};
use evenbass::units::Dbfs;
use evenbass::visit::{Header, Journal, Opened, VisitError, WallTime, read};
use proptest::prelude::*;

fn wall() -> WallTime {
    WallTime::parse("2026-03-14T10:20:30.250+01:00").unwrap()
}

fn header() -> Header {
    let place = |name: &str, at_m| Place { name: name.to_owned(), at_m };
    let room = Room {
        name: "Front room".to_owned(),
        floor: Some(Floor::Rectangle { length_m: 5.2, width_m: 3.9 }),
        height_m: Some(2.5),
        seats: vec![place("sofa", Some([3.6, 1.9, 1.1]))],
        spots: vec![place("left corner", Some([0.4, 0.4, 0.3])), place("beside the door", None)],
        ..Room::default()
    };
    let brief = Brief {
        name: "front-room".to_owned(),
        seed: 20_260_314,
        minutes: Some(18.0),
        room: Some(room),
        seat: 0,
        kit: Kit { rated_low_hz: Some(28.0), meter: Some(true), ..Kit::default() },
        note_set: evenbass::presets::note_set("walk-16", None).expect("an embedded preset"),
        loudness_phon: 50.0,
        rehearsal: false,
        asks_more: false,
        blend: None,
    };
    Header::new("evenbass 0.1.0", wall(), Some("Europe/Madrid".to_owned()), brief)
}

fn rated(question: u64, step: i8, at_s: f64) -> Stamped {
    let answer = Answer::Rating(Rating::new(step).unwrap());
    Stamped { at_s, event: Event::Answered { question: QuestionId(question), answer, rattles: false, parts_begun: 1 } }
}

/// Opens a file that nobody has open. The snapshots ask a process of its own where they belong, and until that runs it
/// holds a copy of every file that was open when it was started, with its lock.
fn open(path: &Path) -> Result<(Journal, Opened), VisitError> {
    let until = Instant::now() + Duration::from_secs(30);
    loop {
        match Journal::open(path) {
            Err(VisitError::InUse(_)) if Instant::now() < until => std::thread::yield_now(),
            opened => return opened,
        }
    }
}

fn written(path: &Path, events: &[Stamped]) {
    let mut journal = Journal::create(path, &header()).unwrap().with_clock(Box::new(wall));
    for (index, event) in events.iter().enumerate() {
        assert_eq!(journal.append(event).unwrap(), index as u64 + 1);
    }
    journal.close().unwrap();
}

#[test]
fn the_file_is_what_the_documentation_shows() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("front-room.visit.jsonl");
    let mut header = header();
    header.brief.room = None;
    let mut journal = Journal::create(&path, &header).unwrap().with_clock(Box::new(wall));
    journal.append(&rated(12, -1, 341.25)).unwrap();
    let text = fs::read_to_string(&path).unwrap();
    insta::assert_snapshot!(text);
    let page = include_str!("../docs/visit-file.md");
    for line in text.lines() {
        assert!(page.contains(line), "docs/visit-file.md should show this line:\n{line}");
    }
}

#[test]
fn begin_never_replaces_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    fs::write(&path, "something of somebody's").unwrap();
    assert!(matches!(Journal::create(&path, &header()), Err(VisitError::Exists(_))));
    assert_eq!(fs::read_to_string(&path).unwrap(), "something of somebody's");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside it");
}

#[cfg(unix)]
#[test]
fn begin_does_not_follow_a_dangling_link_either() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    std::os::unix::fs::symlink(folder.path().join("elsewhere"), &path).unwrap();
    assert!(matches!(Journal::create(&path, &header()), Err(VisitError::Exists(_))));
}

#[cfg(unix)]
#[test]
fn others_may_read_a_visit_file_like_any_other_new_file() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    written(&path, &[]);
    let ordinary = folder.path().join("ordinary");
    fs::write(&ordinary, "").unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
    assert_eq!(mode(&path), mode(&ordinary));
}

#[test]
fn a_folder_that_is_not_there_is_said_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let error = Journal::create(&folder.path().join("gone/a.visit.jsonl"), &header()).err().unwrap().to_string();
    assert!(error.contains("the folder is not there"), "{error}");
    let error = open(&folder.path().join("a.visit.jsonl")).err().unwrap().to_string();
    assert!(error.contains("there is no visit file"), "{error}");
}

#[test]
fn one_writer_at_a_time_and_readers_always() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    let mut journal = Journal::create(&path, &header()).unwrap();
    journal.append(&rated(1, 0, 1.0)).unwrap();
    let error = Journal::open(&path).err().unwrap();
    assert!(error.to_string().contains("another evenbass has this visit open"), "{error}");
    assert_eq!(read(&path).unwrap().events.len(), 1);
    drop(journal);
    let (mut journal, opened) = open(&path).unwrap();
    assert_eq!(opened.events.len(), 1);
    assert!(matches!(Journal::open(&path), Err(VisitError::InUse(_))));
    assert_eq!(journal.append(&rated(2, 1, 2.0)).unwrap(), 2);
    assert_eq!(read(&path).unwrap().events.len(), 2);
}

#[test]
fn a_newer_schema_is_refused_and_an_unknown_first_line_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    for (text, expected) in [
        ("{\"schema\":2,\"program\":\"evenbass 9.9.9\",\"more\":[]}\n", "written by evenbass 9.9.9 in schema 2"),
        ("{\"schema\":4294967297}\n", "written by another program in schema 4294967297"),
        ("{\"schema\":1}\n", "too short to hold a checksum"),
        ("", "it is empty"),
        ("\n", "its first line is empty"),
        ("room = 3\n", "its first line is not a visit's"),
        ("\u{0}\u{1}", "its first line is not a visit's"),
    ] {
        fs::write(&path, text).unwrap();
        for error in [read(&path).err().unwrap(), open(&path).err().unwrap()] {
            assert!(error.to_string().contains(expected), "{text:?} gave: {error}");
        }
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
    }
}

#[test]
fn a_bad_line_in_the_middle_names_file_line_cause_and_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    written(&path, &[rated(1, 0, 1.0), rated(2, 3, 2.0), rated(3, 0, 3.0)]);
    let text = fs::read_to_string(&path).unwrap().replace("\"value\":3", "\"value\":2");
    fs::write(&path, &text).unwrap();
    let error = open(&path).err().unwrap().to_string();
    let error = error.replace(&folder.path().display().to_string(), "FOLDER");
    insta::assert_snapshot!(error);
    assert_eq!(fs::read_to_string(&path).unwrap(), text);
}

#[test]
fn missing_doubled_and_moved_lines_are_found() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    written(&path, &[rated(1, 0, 1.0), rated(2, 1, 2.0), rated(3, 2, 3.0)]);
    let text = fs::read_to_string(&path).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    for (order, bad_line) in [(vec![0, 2, 3], 2), (vec![0, 1, 1, 2], 3), (vec![0, 1, 3, 2], 3), (vec![0, 0, 1], 2)] {
        let shuffled: String = order.iter().map(|index| format!("{}\n", lines[*index])).collect();
        fs::write(&path, shuffled).unwrap();
        match read(&path) {
            Err(VisitError::BadLine { line, .. }) => assert_eq!(line, bad_line, "{order:?}"),
            other => panic!("{order:?} gave {other:?}"),
        }
    }
}

#[test]
fn a_file_cut_at_any_byte_opens_with_all_its_whole_lines_and_can_be_continued() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("whole.visit.jsonl");
    written(&path, &[rated(1, 0, 1.0), rated(2, -3, 2.5), rated(3, 2, 3.0)]);
    let bytes = fs::read(&path).unwrap();
    let header_bytes = bytes.iter().position(|byte| *byte == b'\n').unwrap();
    let cut_path = folder.path().join("cut.visit.jsonl");
    for length in 0..=bytes.len() {
        fs::write(&cut_path, &bytes[..length]).unwrap();
        if length < header_bytes {
            assert!(matches!(open(&cut_path), Err(VisitError::NotAVisit { .. })), "{length} bytes");
            continue;
        }
        // A line is whole when all of it but its line feed is there.
        let ends: Vec<usize> = (0..bytes.len()).filter(|index| bytes[*index] == b'\n').collect();
        let whole = ends.iter().filter(|end| **end <= length).count() - 1;
        let read_only = read(&cut_path).unwrap();
        let (mut journal, opened) = open(&cut_path).unwrap();
        assert_eq!(read_only, opened);
        assert_eq!(opened.events.len(), whole, "{length} bytes");
        let torn = !ends.contains(&(length.wrapping_sub(1)));
        assert_eq!(opened.notice.is_some(), torn, "{length} bytes");
        assert_eq!(journal.append(&rated(9, 1, 9.0)).unwrap(), whole as u64 + 1);
        journal.close().unwrap();
        let again = read(&cut_path).unwrap();
        assert_eq!((again.events.len(), again.notice), (whole + 1, None), "{length} bytes");
    }
}

#[test]
fn deleting_the_open_file_is_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.visit.jsonl");
    let mut journal = Journal::create(&path, &header()).unwrap();
    journal.append(&rated(1, 0, 1.0)).unwrap();
    fs::remove_file(&path).unwrap();
    if cfg!(unix) {
        assert!(matches!(journal.append(&rated(2, 0, 2.0)), Err(VisitError::Vanished(_))));
    }
}

fn any_answer() -> impl Strategy<Value = Answer> {
    prop_oneof![
        Just(Answer::Yes),
        Just(Answer::No),
        Just(Answer::Arrived),
        Just(Answer::Heard),
        Just(Answer::Matched),
        (0_usize..100).prop_map(Answer::Choice),
        (-1e6..1e6).prop_map(Answer::Number),
        (20.0..140.0).prop_map(Answer::Level),
        any::<String>().prop_map(Answer::Text),
        (-3_i8..=3).prop_map(|step| Answer::Rating(Rating::new(step).unwrap())),
    ]
}

fn any_advice() -> impl Strategy<Value = Advice> {
    let notes = || prop::collection::vec(0_usize..64, 0..16);
    prop_oneof![
        (0_usize..20, notes(), any::<String>()).prop_map(|(spot, notes, why)| Advice::Rate { spot, notes, why }),
        (0_usize..20, notes(), any::<String>()).prop_map(|(spot, notes, why)| Advice::Meter { spot, notes, why }),
        any::<String>().prop_map(|why| Advice::Stop { why }),
    ]
}

fn any_event() -> impl Strategy<Value = Event> {
    let answered =
        (any::<u64>(), any_answer(), any::<bool>(), 0_usize..9).prop_map(|(id, answer, rattles, parts_begun)| {
            Event::Answered { question: QuestionId(id), answer, rattles, parts_begun }
        });
    let finalists = prop::collection::vec(0_usize..20, 0..4);
    let advised = (any_advice(), prop::option::of(0_usize..20), 0.0..9.0, 0.0..1.0, finalists).prop_map(
        |(advice, leader, expected_regret_db, probability_best, finalists)| Event::Advised {
            advice,
            leader,
            expected_regret_db,
            probability_best,
            finalists,
        },
    );
    let opened = (any::<String>(), any::<String>(), any::<u32>(), prop::option::of(any::<u16>()))
        .prop_map(|(program, device, rate_hz, channels)| Event::Opened { program, device, rate_hz, channels });
    let note_set = evenbass::presets::note_set("walk-16", None).expect("an embedded preset");
    let sounded = (prop::option::of(0_usize..64), -90.0..0.0, any::<u64>(), 20.0..200.0, any::<u64>(), any::<String>())
        .prop_map(move |(note, level_dbfs, frames, frequency_hz, seed, ended)| {
            let recipe = note_set.recipe(frequency_hz, seed);
            Event::Sounded {
                note,
                recipe,
                level: Dbfs::new(level_dbfs),
                frames,
                ended,
                stop_waited: None,
                routes: Vec::new(),
            }
        });
    prop_oneof![
        2 => sounded,
        6 => answered,
        2 => advised,
        1 => opened,
        1 => any::<String>().prop_map(|why| Event::Paused { why }),
        1 => any::<String>().prop_map(|why| Event::DeviceLost { why }),
        1 => (any::<u64>(), any::<u64>()).prop_map(|(non_finite, over_ceiling)| Event::Guarded { non_finite, over_ceiling }),
        1 => prop::sample::select(vec![
            Event::Again, Event::Back, Event::Skip, Event::Undo, Event::Continued, Event::Louder, Event::Quieter,
            Event::Decide, Event::DeviceBack, Event::Nudged { up: true }, Event::Nudged { up: false },
            Event::AnswerBy { way: AnswerBy::Match }, Event::AnswerBy { way: AnswerBy::Rating },
        ]),
    ]
}

fn any_stamped() -> impl Strategy<Value = Stamped> {
    (0.0..1e5, any_event()).prop_map(|(at_s, event)| Stamped { at_s, event })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn what_is_written_is_what_is_read(events in prop::collection::vec(any_stamped(), 0..20)) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.visit.jsonl");
        written(&path, &events);
        let opened = read(&path).unwrap();
        prop_assert_eq!(opened.header, header());
        let back: Vec<Stamped> = opened.events.into_iter().map(|recorded| recorded.stamped).collect();
        prop_assert_eq!(back, events);
    }

    #[test]
    fn one_changed_byte_is_reported_with_its_line(
        events in prop::collection::vec(any_stamped(), 2..8), place in 0.0..1.0_f64, flip in 1_u8..=255,
    ) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.visit.jsonl");
        written(&path, &events);
        let mut bytes = fs::read(&path).unwrap();
        let ends: Vec<usize> = (0..bytes.len()).filter(|index| bytes[*index] == b'\n').collect();
        // Anywhere but in the last line feed, whose loss is a torn tail.
        let at = ((bytes.len() - 1) as f64 * place) as usize;
        let line = ends.iter().filter(|end| **end < at).count() + 1;
        bytes[at] ^= flip;
        fs::write(&path, &bytes).unwrap();
        let found = match read(&path) {
            Err(VisitError::BadLine { line, .. }) => line,
            Err(VisitError::NotAVisit { .. } | VisitError::Newer { .. }) => 1,
            other => return Err(TestCaseError::fail(format!("byte {at} of line {line}: {other:?}"))),
        };
        prop_assert_eq!(found, line);
        prop_assert_eq!(fs::read(&path).unwrap(), bytes);
    }
}
