//! Blends from outside: the program on the JSON face with a script that hears by rule, a re-check, and files that are
//! wrong.

mod support;

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use support::screen::Screen;
use support::script::{Talk, evenbass};

const LINE: &str = "name = \"den\"\nconnection = \"line\"\ntwo_channel = true\nmains_low_hz = 60.0\n\n[[control]]\n\
                    role = \"level\"\nname = \"GAIN\"\nunit = \"dB\"\nlow = -6.0\nhigh = 6.0\n\n[[control]]\nrole = \"polarity\"\n";
const LFE: &str = "name = \"loft\"\nconnection = \"lfe\"\nmains_low_hz = 70.0\nwireless = true\nlatency_ms = 20.0\n\n[[control]]\n\
                   role = \"level\"\non = \"processor\"\nunit = \"dB\"\nlow = -6.0\nhigh = 6.0\nstep = 1.0\nnow = 2.0\n\n[[control]]\n\
                   role = \"distance\"\non = \"processor\"\nunit = \"m\"\nlow = 0.0\nhigh = 20.0\nstep = 0.1\n";

fn blend(home: &Path, system: &str, connection: &str) -> Command {
    blend_by(home, system, connection, "assistant")
}

fn blend_by(home: &Path, system: &str, connection: &str, routine: &str) -> Command {
    fs::write(home.join("system.toml"), system.replace("\"line\"", &format!("\"{connection}\""))).unwrap();
    let mut command = evenbass(home);
    command.args(["rehearse", "--face", "json", "--seed", "5", "--folder", ".", "--system", "system.toml", "--placed"]);
    command.args(["--routine", routine]);
    command
}

/// The level is right up to 1 dB; the first of two is better; everything else is as it should be.
fn rule(question: &Value) -> Value {
    let scene = &question["scene"];
    let value = |control: usize| scene["sounds"][0]["setup"]["values"][control].as_f64().unwrap_or(0.0);
    let about = scene["hearing"]["about"].as_str();
    let mut answer = match (about, question["ask"].as_str(), question["topic"].as_str()) {
        (_, _, Some("comfort")) if question["level_dbfs"].as_f64() < Some(-40.0) => json!({ "louder": true }),
        (Some("side"), ..) => {
            json!({ "choice": scene["sounds"][0]["part"]["routes"][0]["channel"].as_u64().expect("a channel") - 1 })
        }
        (Some("middle"), ..) => {
            let sounds = scene["sounds"].as_array().expect("two sounds");
            let same = |sound: &&Value| {
                sound["part"]["routes"].as_array().is_some_and(|routes| routes.iter().all(|to| to["inverted"] != true))
            };
            json!({ "choice": sounds.iter().find(same).expect("one is the same")["choice"] })
        }
        (Some("pull"), ..) => json!({ "yes": value(0) > 1.0 }),
        (_, Some("rate"), _) => json!({ "rating": 0 }),
        (_, Some("choose"), _) => json!({ "choice": 0 }),
        (_, Some("number"), _) if question["default"].is_null() => json!({ "number": 3.0 }),
        (_, Some("text"), _) => json!({ "text": "Ana" }),
        _ => json!({ "yes": true }),
    };
    answer["id"] = question["id"].clone();
    answer["seconds"] = json!(3.0);
    answer
}

fn finish(command: Command) -> (Value, Vec<String>) {
    let topics = std::cell::RefCell::new(Vec::new());
    let mut talk = Talk::start(command);
    let answer = |question: &Value| {
        topics.borrow_mut().push(question["topic"].as_str().unwrap_or_default().to_owned());
        rule(question)
    };
    let done = talk.answer_with(answer, |line| line.get("done").is_some());
    assert!(talk.end().0.success());
    (done["done"].clone(), topics.into_inner())
}

fn exported(home: &Path, name: &str) -> Value {
    let text = fs::read_to_string(home.join(format!("{name}.evidence.json"))).unwrap();
    serde_json::from_str::<Value>(&text).unwrap()["blend"].clone()
}

#[test]
fn each_connection_goes_through_to_a_sheet_with_every_control() {
    for (connection, system) in [("line", LINE), ("lfe", LFE), ("both", LINE)] {
        let home = tempfile::tempdir().unwrap();
        let (done, topics) = finish(blend(home.path(), system, connection));
        let sheet = fs::read_to_string(home.path().join(done["sheet"].as_str().expect("a sheet"))).unwrap();
        let blend = exported(home.path(), "rehearsal");
        assert_eq!(blend["heard_by"], "Ana");
        for control in blend["controls"].as_array().expect("controls") {
            let value = control["value"].as_str().expect("a value");
            assert!(!value.is_empty() && sheet.contains(value), "{connection}: {control}");
            assert!(!control["how"].as_str().unwrap_or_default().is_empty(), "{control}");
        }
        // The level is backed off from 1 dB by the doubt of the bracket.
        let level: f64 = blend["controls"][0]["value"].as_str().unwrap().trim_end_matches(" dB").parse().unwrap();
        assert!((-0.5..=1.5).contains(&level), "{connection}: {level}");
        let asks = |topic: &str| topics.iter().any(|asked| asked == topic);
        assert!(
            asks("bass-pulls") && asks("turn") && asks("seat-even") && !asks("fullest"),
            "{connection}: {topics:?}"
        );
        assert_eq!(asks("better"), system == LINE, "{connection}");
        if connection == "lfe" {
            // 3 m as found, and 20 ms of a wireless link: 6.86 m farther, in steps of 0.1 m.
            assert_eq!(blend["controls"][1]["value"], "9.9 m", "{blend}");
        }
    }
}

#[test]
fn a_re_check_says_what_has_drifted_and_what_has_not() {
    let home = tempfile::tempdir().unwrap();
    finish(blend(home.path(), LINE, "line"));
    let left = exported(home.path(), "rehearsal");
    let mut again = evenbass(home.path());
    again.args(["rehearse", "--face", "json", "--folder", ".", "--recheck", "rehearsal.sheet.html"]);
    let mut talk = Talk::start(again);
    let answer = |question: &Value| match question["topic"].as_str() {
        // Somebody has turned the level to the end of its scale; the polarity switch is as it was left.
        Some("control-now") if question["ask"] == "number" => json!({ "number": 6.0, "id": question["id"] }),
        _ => rule(question),
    };
    talk.answer_with(answer, |line| line.get("done").is_some());
    let blend = exported(home.path(), "rehearsal-2");
    let drifts = blend["drifts"].as_array().expect("drifts");
    let was = left["controls"][0]["value"].as_str().unwrap();
    assert_eq!(drifts.len(), 1, "{blend}");
    assert_eq!(drifts[0], format!("GAIN stood at {was} and shows 6 dB now."));
    assert_eq!(blend["earlier"][0], "rehearsal");
}

const LOUNGE: &str = "name = \"lounge\"\nsize_m = [5.2, 3.9]\nheight_m = 2.5\n\n[[seat]]\nname = \"bench\"\nat_m = [3.4, 1.9]\n\
                      weight = 1.0\n\n[[seat]]\nname = \"sofa\"\nat_m = [4.2, 1.9]\nweight = 2.0\n\n[[spot]]\nname = \"window\"\n\
                      at_m = [0.4, 0.4]\n\n[[spot]]\nname = \"door\"\nat_m = [0.4, 3.4]\n";

fn rehearsed(home: &Path, arguments: &[&str]) {
    let output = evenbass(home).arg("rehearse").args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

fn header(home: &Path, name: &str) -> Value {
    let text = fs::read_to_string(home.join(format!("{name}.visit.jsonl"))).unwrap();
    serde_json::from_str(text.lines().next().unwrap()).unwrap()
}

#[test]
fn a_re_check_is_in_the_room_of_the_earlier_visit_with_its_seats_and_its_spot() {
    let home = tempfile::tempdir().unwrap();
    fs::write(home.path().join("lounge.toml"), LOUNGE).unwrap();
    fs::write(home.path().join("system.toml"), LINE).unwrap();
    let first =
        ["--room", "lounge.toml", "--system", "system.toml", "--minutes", "2", "--seed", "3", "--notes", "short"];
    rehearsed(home.path(), &first);
    rehearsed(home.path(), &["--recheck", "rehearsal.sheet.html", "--seed", "4"]);
    let (was, now) = (header(home.path(), "rehearsal"), header(home.path(), "rehearsal-2"));
    let (was, now) = (&was["brief"], &now["brief"]);
    assert_eq!(now["room"]["name"], "lounge");
    for kept in ["seats", "seat_weights", "floor"] {
        assert!(!was["room"][kept].is_null());
        assert_eq!(now["room"][kept], was["room"][kept], "{kept}");
    }
    assert_eq!((&now["seat"], &was["seat"]), (&json!(1), &json!(1)));
    let spots = now["room"]["spots"].as_array().expect("spots");
    assert_eq!(spots.len(), 1, "only where the subwoofer stands");
    let sheet = fs::read_to_string(home.path().join("rehearsal-2.sheet.html")).unwrap();
    assert!(sheet.contains("<h1>lounge</h1>"));
    let chosen = spots[0]["name"].as_str().expect("a name");
    assert!(sheet.contains(&format!("The subwoofer stands at \u{2018}{chosen}\u{2019}.")), "{chosen}");
    // A room that is named counts more.
    fs::write(home.path().join("attic.toml"), LOUNGE.replace("lounge", "attic")).unwrap();
    rehearsed(home.path(), &["--recheck", "rehearsal.visit.jsonl", "--room", "attic.toml", "--seed", "4"]);
    assert_eq!(header(home.path(), "rehearsal-3")["brief"]["room"]["name"], "attic");
}

#[test]
fn a_re_check_needs_the_visit_s_own_file_and_a_visit_no_rehearsal_s() {
    let home = tempfile::tempdir().unwrap();
    finish(blend(home.path(), LINE, "line"));
    let begin = |file: &str| {
        let mut begin = evenbass(home.path());
        begin.args(["begin", "spring", "--recheck", file]);
        begin
    };
    refuses(begin("rehearsal.sheet.html"), &["is a rehearsal", "`evenbass rehearse --recheck"]);
    let sheet = fs::read_to_string(home.path().join("rehearsal.sheet.html")).unwrap();
    assert!(
        sheet.contains("Keep the file <code>rehearsal.visit.jsonl</code> with this sheet: the next check needs it.")
    );
    fs::rename(home.path().join("rehearsal.sheet.html"), home.path().join("alone.sheet.html")).unwrap();
    refuses(
        begin("alone.sheet.html"),
        &["The sheet alone.sheet.html alone is not enough", "no alone.visit.jsonl beside"],
    );
}

#[test]
fn a_re_check_that_is_heard_clearly_worse_does_not_say_that_nothing_has_drifted() {
    let home = tempfile::tempdir().unwrap();
    finish(blend(home.path(), LINE, "line"));
    for (name, last) in [("rehearsal-2", 0), ("rehearsal-3", -3)] {
        let mut again = evenbass(home.path());
        again.args(["rehearse", "--face", "json", "--folder", ".", "--recheck", "rehearsal.visit.jsonl"]);
        let rated = std::cell::Cell::new(0);
        let mut talk = Talk::start(again);
        let answer = |question: &Value| {
            let mut answer = match question["topic"].as_str() {
                // As it was left.
                Some("control-now") if question["ask"] == "number" => json!({ "number": question["default"] }),
                Some("control-now") => json!({ "choice": question["default"].as_u64().unwrap_or(0) }),
                _ => rule(question),
            };
            if question["ask"] == "rate" {
                rated.set(rated.get() + 1);
                answer = json!({ "rating": if rated.get() == 5 { last } else { 0 } });
            }
            answer["id"] = question["id"].clone();
            answer
        };
        talk.answer_with(answer, |line| line.get("done").is_some());
        assert!(talk.end().0.success());
        let blend = exported(home.path(), name);
        assert_eq!((blend["drifts"].as_array().map(Vec::len), rated.get()), (Some(0), 9), "{blend}");
        let sheet = fs::read_to_string(home.path().join(format!("{name}.sheet.html"))).unwrap();
        let worse = last != 0;
        assert_eq!(blend["since"]["worse"], worse, "{blend}");
        assert_eq!(sheet.contains("Nothing has drifted"), !worse);
        assert_eq!(sheet.contains("heard clearly less even, although every control stands where it was left"), worse);
    }
}

#[test]
fn the_wrong_knob_is_put_right_by_going_back() {
    let home = tempfile::tempdir().unwrap();
    let mut talk = Talk::start(blend(home.path(), LINE, "line"));
    let turn = talk.answer_with(rule, |line| line["topic"] == "turn");
    talk.say(&json!({ "yes": true, "id": turn["id"] }));
    let listening = talk.hear_of("ask");
    talk.say(&json!({ "do": "undo" }));
    let again = talk.hear_of("ask");
    assert_ne!(listening["text"], turn["text"]);
    assert_eq!((&again["text"], &again["topic"]), (&turn["text"], &turn["topic"]));
    assert_ne!(again["id"], turn["id"]);
    talk.say(&rule(&again));
    talk.answer_with(rule, |line| line.get("done").is_some());
}

/// A system with a control of every unit, as it comes from no file: low-pass, level, phase and polarity, contour.
const MANY: &str = "name = \"den\"\nconnection = \"line\"\ntwo_channel = true\nmains_low_hz = 60.0\n\n[[control]]\n\
                    role = \"low-pass\"\nunit = \"Hz\"\nlow = 40.0\nhigh = 160.0\n\n[[control]]\nrole = \"level\"\nunit = \"%\"\n\
                    low = 0.0\nhigh = 100.0\n\n[[control]]\nrole = \"phase\"\npositions = [0, 180]\n\n[[control]]\n\
                    role = \"contour\"\nunit = \"dB\"\nlow = -6.0\nhigh = 6.0\nnow = 2.0\n";

#[test]
fn a_stated_slope_is_said_at_its_control_and_stands_on_the_sheet_beside_what_is_assumed() {
    let home = tempfile::tempdir().unwrap();
    let system = MANY.replacen("high = 160.0\n", "high = 160.0\nlow_pass_slope_db_per_octave = 18\n", 1);
    let whys = std::cell::RefCell::new(Vec::new());
    let mut talk = Talk::start(blend(home.path(), &system, "line"));
    let answer = |question: &Value| {
        whys.borrow_mut().push(question["why"].as_str().unwrap_or_default().to_owned());
        rule(question)
    };
    let done = talk.answer_with(answer, |line| line.get("done").is_some())["done"].clone();
    assert!(talk.end().0.success());
    let whys = whys.into_inner();
    assert!(whys.iter().any(|why| why.contains("Its slope stays as stated: low-pass 18 dB an octave.")), "{whys:#?}");
    let sheet = fs::read_to_string(home.path().join(done["sheet"].as_str().expect("a sheet"))).unwrap();
    for words in [
        "18 dB an octave (stated)",
        "main speakers down to 60 Hz, 12 dB an octave (assumed)",
        "Assumed slopes: common practice.",
    ] {
        assert!(sheet.contains(words), "{words}");
    }
    let blend = exported(home.path(), "rehearsal");
    assert_eq!(blend["predicted"]["assumes_slopes"], true);
}

/// What cannot be an answer to any question of the blend.
fn nonsense(question: &Value) -> Vec<Value> {
    let all = [
        json!({ "number": 1e9 }),
        json!({ "number": -1e9 }),
        json!({ "choice": 99 }),
        json!({ "choice": -1 }),
        json!({ "rating": 7 }),
        json!({ "level_db": 70.0 }),
        json!({ "text": 3 }),
        json!({ "heard": "maybe" }),
    ];
    all.into_iter()
        .map(|mut said| {
            said["id"] = question["id"].clone();
            said
        })
        .collect()
}

#[test]
fn nonsense_is_refused_and_an_undo_leads_back_at_every_kind_of_question() {
    let mut met = std::collections::BTreeSet::new();
    for routine in ["assistant", "two-channel"] {
        let home = tempfile::tempdir().unwrap();
        let mut talk = Talk::start(blend_by(home.path(), MANY, "line", routine));
        loop {
            let line = talk.hear().expect("it goes on until it is done");
            if line.get("done").is_some() {
                break;
            }
            if line.get("ask").is_none() {
                continue;
            }
            let kind = format!("{} {} {}", line["ask"], line["topic"], line["scene"]["hearing"]["about"]);
            if line["scene"].is_null() || !met.insert(kind) {
                talk.say(&rule(&line));
                continue;
            }
            for said in nonsense(&line) {
                talk.say(&said);
                let refused = talk.hear_of("refused");
                assert_eq!(refused["id"], line["id"], "{said}: {refused}");
                let again = talk.hear_of("ask");
                assert_eq!((&again["id"], &again["text"]), (&line["id"], &line["text"]), "{said}");
            }
            talk.say(&rule(&line));
            if line["topic"] == "heard-by" {
                // With the name the visit is complete.
                continue;
            }
            talk.hear_of("taken");
            talk.say(&json!({ "do": "undo" }));
            // What was asked meanwhile may still be on its way.
            let again = loop {
                let again = talk.hear_of("ask");
                if again["text"] == line["text"] && again["scene"]["hearing"] == line["scene"]["hearing"] {
                    break again;
                }
            };
            assert_eq!((&again["why"], &again["scene"]), (&line["why"], &line["scene"]));
            talk.say(&rule(&again));
        }
        assert!(talk.end().0.success());
    }
    assert!(met.len() >= 16, "{} kinds of questions: {met:#?}", met.len());
}

#[test]
fn the_name_at_the_end_can_be_taken_back_where_the_visit_was_asked_to_stay() {
    let home = tempfile::tempdir().unwrap();
    let mut talk = Talk::start(blend(home.path(), LINE, "line"));
    talk.say(&json!({ "do": "stay" }));
    let asked = talk.answer_with(rule, |line| line["topic"] == "heard-by");
    talk.say(&json!({ "text": "Anna Wrong", "id": asked["id"] }));
    talk.hear_of("complete");
    // The sheet with the wrong name is there first.
    let began = Instant::now();
    while !fs::read_to_string(home.path().join("rehearsal.sheet.html")).is_ok_and(|sheet| sheet.contains("Anna Wrong"))
    {
        assert!(began.elapsed() < PATIENCE, "no sheet");
        std::thread::park_timeout(Duration::from_millis(20));
    }
    talk.say(&json!({ "do": "undo" }));
    let again = talk.hear_of("ask");
    assert_eq!((&again["topic"], &again["text"]), (&asked["topic"], &asked["text"]));
    assert_ne!(again["id"], asked["id"]);
    talk.say(&json!({ "text": "Bo Right", "id": again["id"] }));
    talk.hear_of("complete");
    talk.say(&json!({ "do": "leave" }));
    let done = talk.hear_of("done");
    assert!(talk.end().0.success());
    let sheet_file = home.path().join(done["done"]["sheet"].as_str().expect("a sheet"));
    let sheet = fs::read_to_string(&sheet_file).unwrap();
    assert!(sheet.contains("Bo Right") && !sheet.contains("Anna Wrong"), "{sheet}");
    let first = exported(home.path(), "rehearsal");
    assert_eq!(first["heard_by"], "Bo Right");
    // Going through the file anew comes to the same.
    fs::remove_file(&sheet_file).unwrap();
    fs::remove_file(home.path().join("rehearsal.evidence.json")).unwrap();
    let mut report = evenbass(home.path());
    report.args(["report", "rehearsal.visit.jsonl"]);
    let said = report.output().unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    assert_eq!(exported(home.path(), "rehearsal"), first);
    assert_eq!(fs::read_to_string(&sheet_file).unwrap(), sheet);
}

/// The program refuses, and says this.
fn refuses(mut command: Command, says: &[&str]) {
    let output = command.output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success(), "{said}");
    for words in says {
        assert!(said.contains(words), "{words}: {said}");
    }
}

#[test]
fn what_is_wrong_in_a_system_or_a_routine_is_shown_with_its_place() {
    let home = tempfile::tempdir().unwrap();
    refuses(
        blend(home.path(), &LINE.replace("high = 6.0", "high = 6.0\nnow = 9.0"), "line"),
        &["system.toml:6", "now = 9 is outside the scale of GAIN, which goes from -6 to 6 dB"],
    );
    refuses(blend(home.path(), &LINE.replace("polarity", "polarty"), "line"), &["did you mean `polarity`?"]);
    refuses(
        blend(
            home.path(),
            &LINE.replace("mains_low_hz = 60.0", "mains_low_hz = 60.0\nmains_slope_db_per_octave = 20"),
            "line",
        ),
        &["system.toml:5", "a slope is 6, 12, 18, 24, 30, 36, 42 or 48 dB an octave, not 20", "leave it out"],
    );
    let routines = home.path().join("config/evenbass/routines");
    fs::create_dir_all(&routines).unwrap();
    let house = "name = \"house\"\nabout = \"x\"\nfits = [\"lfe\"]\n[[step]]\ndo = \"verify\"\n";
    fs::write(routines.join("assistant.toml"), house).unwrap();
    refuses(blend(home.path(), LINE, "line"), &["is not for a subwoofer on the left and right line inputs"]);
    fs::write(routines.join("assistant.toml"), house.replace("verify", "verfy")).unwrap();
    refuses(blend(home.path(), LINE, "line"), &["assistant.toml:5", "did you mean `verify`?"]);
    let mut check = evenbass(home.path());
    check.args(["presets", "check"]).arg(routines.join("assistant.toml"));
    refuses(check, &["did you mean `verify`?"]);
}

/// Only keeps a broken test from hanging.
const PATIENCE: Duration = Duration::from_secs(240);

/// Somebody at the screen, who turns what it says and hears the level right at 1 dB.
struct Onlooker {
    screen: Screen,
    /// The value of the last turn.
    turned_to: f64,
    /// How often sum and difference were asked about.
    middles: usize,
}

impl Onlooker {
    /// The key for what is on the screen; `None` while nothing is asked.
    fn key(&mut self, page: &str) -> Option<&'static str> {
        let offers = |key: &str| page.lines().any(|line| line.trim_start().starts_with(&format!("{key}  ")));
        if let Some(to) = page.split("Turn ").nth(1).and_then(|rest| rest.split(" to ").nth(1)) {
            self.turned_to = to.split_whitespace().next().and_then(|value| value.parse().ok()).unwrap_or(0.0);
        }
        Some(match page {
            _ if page.contains("The visit is complete") => "q",
            _ if page.contains("sent to the right channel") && offers("2") => "2",
            _ if page.contains("stands in the middle") && offers("2") => {
                self.middles += 1;
                if self.middles % 2 == 1 { "1" } else { "2" }
            }
            _ if page.contains("From the main speakers") => {
                if self.turned_to > 1.0 {
                    "y"
                } else {
                    "n"
                }
            }
            _ if offers("4") && page.contains("How strong") => "4",
            _ if page.contains("Type ") && offers("Enter") => "3\r",
            _ if offers("1") => "1",
            _ if offers("Enter") => "\r",
            _ => return None,
        })
    }

    /// Does what the screen says until the program has ended; how many answers that took.
    fn go_through(mut self) -> (i32, usize) {
        let (mut answers, mut answered) = (0, String::new());
        let began = Instant::now();
        while !self.screen.has_ended() {
            self.screen.look();
            assert!(began.elapsed() < PATIENCE, "it hangs after {answers} answers:\n{}", self.screen.text());
            let page = self.screen.page();
            if page != answered
                && let Some(key) = self.key(&page)
            {
                self.screen.press(key);
                answered = page;
                answers += 1;
            }
            std::thread::park_timeout(Duration::from_millis(20));
        }
        (self.screen.end(), answers)
    }
}

#[test]
fn a_blend_goes_through_to_its_sheet_at_a_terminal() {
    let home = tempfile::tempdir().unwrap();
    fs::write(home.path().join("system.toml"), LINE).unwrap();
    let mut command = evenbass(home.path());
    command.args(["rehearse", "--face", "terminal", "--seed", "5", "--folder", ".", "--system", "system.toml"]);
    command.args(["--placed", "--routine", "assistant"]);
    let onlooker = Onlooker { screen: Screen::start(command), turned_to: 0.0, middles: 0 };
    let (code, answers) = onlooker.go_through();
    assert_eq!(code, 0);
    assert!(answers > 20, "{answers}");
    let blend = exported(home.path(), "rehearsal");
    let level: f64 = blend["controls"][0]["value"].as_str().unwrap().trim_end_matches(" dB").parse().unwrap();
    assert!((-0.5..=1.5).contains(&level), "{blend}");
}
