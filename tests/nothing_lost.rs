//! The program is killed at any moment of a visit, again and again; what it had shown as taken is there.

mod support;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use evenbass::random::Random;
use evenbass::routine::Event;
use evenbass::routine::question::Answer;
use evenbass::visit;
use serde_json::Value;
use support::script::{Talk, answer_to, evenbass, rehearsal};

const KILLS: usize = 200;
/// Seeds the moments.
const SEED: u64 = 20_260_421;
/// A file of this length is gone on with; then it is finished and another one begun, so that the test's time is
/// bounded.
const LONG_BYTES: u64 = 400_000;

/// When one life of the program ends.
#[derive(Debug, Clone, Copy)]
enum Moment {
    /// While it starts, so long after.
    Starting(Duration),
    /// When it has said so many lines.
    Lines(usize),
    /// When so many answers were given, so long after the last one: while that one is being written.
    Answers(usize, Duration),
}

impl Moment {
    fn draw(random: &mut Random) -> Self {
        match random.below(4) {
            0 => Self::Starting(Duration::from_micros(random.below(60_000) as u64)),
            1 => Self::Lines(1 + random.below(30)),
            _ => Self::Answers(1 + random.below(14), Duration::from_micros(random.below(3_000) as u64)),
        }
    }
}

/// A visit over its many lives.
struct Visit {
    home: PathBuf,
    folder: PathBuf,
    seed: u64,
    /// What was said to each question.
    said: BTreeMap<u64, Value>,
    /// The questions whose answers were shown as taken.
    taken: Vec<u64>,
    /// How many answers the file holds that were never shown as taken: a kill fell between the disk and the word.
    unshown: usize,
    /// The whole lines that the file had.
    written: Vec<u8>,
}

#[derive(Debug, Default)]
struct Counts {
    kills: usize,
    before_a_question: usize,
    taken: usize,
    torn: usize,
    written_but_not_shown: usize,
    finished: usize,
}

impl Visit {
    fn begin(home: &Path, number: usize) -> Self {
        let folder = home.join(format!("visit-{number}"));
        fs::create_dir(&folder).unwrap();
        let seed = SEED + number as u64;
        Self {
            home: home.into(),
            folder,
            seed,
            said: BTreeMap::new(),
            taken: Vec::new(),
            unshown: 0,
            written: Vec::new(),
        }
    }

    fn file(&self) -> PathBuf {
        self.folder.join("rehearsal.visit.jsonl")
    }

    /// Begins the visit or, if it has a file, goes on with it.
    fn live(&self) -> Talk {
        if self.file().exists() {
            let mut command = evenbass(&self.home);
            command.arg("resume").arg(self.file()).args(["--face", "json"]);
            Talk::start(command)
        } else {
            Talk::start(rehearsal(&self.home, &self.folder, self.seed, "240"))
        }
    }

    /// One line from the program; whether it was answered.
    fn hear(&mut self, talk: &mut Talk, line: &Value) -> bool {
        if line.get("taken").is_some() {
            self.taken.push(line["id"].as_u64().expect("an answer that was taken has an id"));
        }
        assert!(line.get("refused").is_none(), "{line}");
        if line.get("ask").is_none() {
            return false;
        }
        let answer = answer_to(line);
        self.said.insert(line["id"].as_u64().unwrap(), answer.clone());
        talk.say(&answer);
        true
    }

    /// One life until `moment`, then none. Whether the visit was finished before.
    fn die(&mut self, moment: Moment, counts: &mut Counts) -> bool {
        let begun = Instant::now();
        let mut talk = self.live();
        let (mut lines, mut answers) = (0, 0);
        let (mut asked, mut done) = (false, false);
        if let Moment::Starting(after) = moment {
            let_pass(begun, after);
        } else {
            loop {
                let Some(line) = talk.hear() else {
                    assert!(done, "it ended by itself after {lines} lines: {}", talk.end().1);
                    break;
                };
                lines += 1;
                done |= line.get("done").is_some();
                if self.hear(&mut talk, &line) {
                    answers += 1;
                    asked = true;
                }
                match moment {
                    Moment::Lines(most) if lines >= most => break,
                    Moment::Answers(most, after) if answers >= most => {
                        let_pass(Instant::now(), after);
                        break;
                    }
                    _ => {}
                }
            }
        }
        counts.before_a_question += usize::from(!asked);
        for line in talk.kill() {
            done |= line.get("done").is_some();
            if line.get("taken").is_some() {
                self.taken.push(line["id"].as_u64().unwrap());
            }
        }
        counts.kills += 1;
        self.check(counts);
        done
    }

    /// Everything shown as taken is in the file, as it was said; nothing that was written has changed.
    fn check(&mut self, counts: &mut Counts) {
        if !self.file().exists() {
            assert!(self.taken.is_empty(), "a file is gone");
            return;
        }
        let opened = visit::read(&self.file()).expect("the file can be read");
        counts.torn += usize::from(opened.notice.is_some());
        let mut answers = BTreeMap::new();
        for recorded in &opened.events {
            if let Event::Answered { question, answer, .. } = &recorded.stamped.event {
                assert!(answers.insert(question.0, answer).is_none(), "question {} has two answers", question.0);
            }
        }
        for question in &self.taken {
            let answer = answers.get(question).unwrap_or_else(|| panic!("the answer to {question} is lost"));
            assert!(is_the_same(answer, &self.said[question]), "{answer:?} is not {}", self.said[question]);
        }
        self.unshown = answers.len() - self.taken.len();
        let bytes = fs::read(self.file()).unwrap();
        let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |last| last + 1);
        assert!(bytes.starts_with(&self.written), "lines that had been written have changed");
        self.written = bytes[..whole].to_vec();
    }

    /// Goes on to the end.
    fn finish(&mut self, counts: &mut Counts) {
        let mut talk = self.live();
        let mut done = None;
        while let Some(line) = talk.hear() {
            if line["ask"] == "rate" && line["chapter"] == "crawl" {
                talk.say(&serde_json::json!({ "do": "decide" }));
            } else {
                self.hear(&mut talk, &line);
            }
            done = line.get("done").cloned().or(done);
        }
        let (status, errors) = talk.end();
        assert!(status.success(), "{errors}");
        let done = done.expect("the visit can be finished");
        assert!(Path::new(done["sheet"].as_str().expect("a sheet")).exists(), "{done}");
        self.check(counts);
        counts.taken += self.taken.len();
        counts.written_but_not_shown += self.unshown;
        counts.finished += 1;
    }
}

fn let_pass(since: Instant, time: Duration) {
    while since.elapsed() < time {
        std::hint::spin_loop();
    }
}

fn is_the_same(written: &Answer, said: &Value) -> bool {
    match written {
        Answer::Rating(rating) => said["rating"] == i64::from(rating.step()),
        Answer::Arrived => said["arrived"] == true,
        Answer::Heard => said["heard"] == true,
        Answer::Yes => said["yes"] == true,
        _ => false,
    }
}

#[test]
fn what_was_shown_as_taken_survives_two_hundred_kills() {
    let home = tempfile::tempdir().unwrap();
    let mut random = Random::new(SEED, 1);
    let mut counts = Counts::default();
    let mut visit = Visit::begin(home.path(), 1);
    while counts.kills < KILLS {
        let moment = Moment::draw(&mut random);
        let done = visit.die(moment, &mut counts);
        if done || visit.written.len() as u64 > LONG_BYTES {
            visit.finish(&mut counts);
            visit = Visit::begin(home.path(), counts.finished + 1);
        }
    }
    visit.finish(&mut counts);
    println!("{counts:?}");
    assert!(counts.taken > 4 * KILLS, "the visits were too short to say much: {counts:?}");
}
