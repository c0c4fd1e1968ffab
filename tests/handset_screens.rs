//! Every screen of the phone page in a real browser: its accessibility, contrast, targets and width, at three sizes in both
//! colour schemes, and no error in its script. With HANDSET_PICTURES set to a folder each is kept there as a picture.
#![cfg(target_os = "linux")]

mod support;

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};
use support::browser::{Browser, Looks, Phone};
use support::laptop::Laptop;
use support::script::evenbass;
use support::sound_server::{Sink, SoundServer};

/// A room whose plan is known.
const TAPED_ROOM: &str = r#"
name = "garden room"
size_m = [5.2, 3.8]
height_m = 2.4

[[seat]]
name = "bench"
at_m = [3.9, 1.9, 1.1]

[[spot]]
name = "window corner"
at_m = [0.4, 0.5, 0.3]

[[spot]]
name = "door side"
at_m = [0.4, 2.6, 0.3]

[[spot]]
name = "behind the bench"
at_m = [4.8, 3.4, 0.3]
"#;

/// The sizes that are looked at: the narrowest phone, a usual one, the same sideways, and the desk view.
const SIZES: [(u32, u32); 4] = [(320, 640), (390, 844), (844, 390), (1280, 800)];

/// Looks for text whose contrast axe cannot tell is left to the eye; these are the rules of WCAG 2.2, A and AA.
const AXE_OPTIONS: &str = r#"{ runOnly: { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"] },
    rules: { "target-size": { enabled: true } }, resultTypes: ["violations"] }"#;

/// axe-core as npm brings it, at the version and hash of `tests/browser/package-lock.json`.
fn axe() -> String {
    // Beside this test program: target/debug/deps/… leads to target.
    let program = std::env::current_exe().expect("a test program has a path");
    let target = program.ancestors().find(|folder| folder.join("browser/node_modules").is_dir());
    let file = target.unwrap_or(Path::new("target")).join("browser/node_modules/axe-core/axe.min.js");
    std::fs::read_to_string(&file)
        .unwrap_or_else(|error| panic!("{}: {error}; `sh .ci/packages test` fetches it", file.display()))
}

/// Topics that the other visits show.
const BEFORE: [&str; 2] = ["safety", "comfort"];

/// One screen, looked at in every size and scheme.
struct Looker {
    axe: String,
    pictures: Option<PathBuf>,
    /// Every size and scheme, or the narrowest in light and the lowest in dark alone.
    all: bool,
    wrong: Vec<String>,
}

impl Looker {
    fn new() -> Self {
        let pictures = std::env::var_os("HANDSET_PICTURES").map(PathBuf::from);
        Self { axe: axe(), pictures, all: true, wrong: Vec::new() }
    }

    fn look(&mut self, phone: &Phone, screen: &str) {
        for (width, height) in SIZES {
            for dark in [true, false] {
                let is_worst = (width, dark) == (320, false) || (height, dark) == (390, true);
                if !self.all && self.pictures.is_none() && !is_worst {
                    continue;
                }
                phone.looks(Looks { width, height, dark });
                let scheme = if dark { "dark" } else { "light" };
                let here = format!("{screen} at {width} in {scheme}");
                // Two frames, so that what depends on the size has been drawn.
                phone.ask("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))");
                if let Some(folder) = &self.pictures {
                    phone.picture(&folder.join(format!("{screen}-{width}-{scheme}.png")));
                }
                self.measure(phone, &here);
                // A scheme changes contrast alone: that is looked at on one phone and on the desk.
                if dark || !self.all || width == 390 || width == 1280 {
                    self.violations(phone, &here);
                }
            }
        }
        self.look_large(phone, screen);
        phone.looks(Looks { width: 390, height: 844, dark: true });
        let errors = phone.errors();
        assert!(errors.is_empty(), "{screen}: {errors:#?}");
    }

    /// Text twice as large as usual, as a phone can be set to.
    fn look_large(&mut self, phone: &Phone, screen: &str) {
        let font_sizes = |standard: u32| json!({ "fontSizes": { "standard": standard, "fixed": standard } });
        phone.call("Page.setFontSizes", font_sizes(32));
        for (width, height) in [(320, 640), (390, 844)] {
            phone.looks(Looks { width, height, dark: true });
            phone.ask("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))");
            let size = phone.ask("getComputedStyle(document.documentElement).fontSize");
            assert_eq!(size, json!("32px"), "otherwise this looks at nothing");
            if let Some(folder) = &self.pictures {
                phone.picture(&folder.join(format!("{screen}-{width}-large.png")));
            }
            self.measure(phone, &format!("{screen} at {width} in large text"));
        }
        phone.call("Page.setFontSizes", font_sizes(16));
    }

    /// What axe does not measure: our own stricter bounds.
    fn measure(&mut self, phone: &Phone, here: &str) {
        let found = phone.ask(
            "(() => { const wrong = []; const page = document.documentElement;
               if (page.scrollWidth > innerWidth) wrong.push(`it is ${page.scrollWidth} wide`);
               for (const target of document.querySelectorAll('button, input')) {
                 const box = target.getBoundingClientRect();
                 if (box.width && (box.width < 48 || box.height < 48))
                   wrong.push(`${target.textContent || target.id} is ${box.width} x ${box.height}`);
                 if (target.scrollWidth > target.clientWidth + 1) wrong.push(`${target.textContent} is cut off`);
               }
               const stop = document.getElementById('stop'), all = [...document.querySelectorAll('#tools button')];
               if (stop) {
                 const box = stop.getBoundingClientRect();
                 if (box.bottom > innerHeight + 1 || box.top < 0) wrong.push('stop is not on the screen');
                 const area = (b) => b.width * b.height;
                 for (const tool of all) if (area(tool.getBoundingClientRect()) > area(box)) wrong.push('a tool is larger than stop');
               }
               return wrong; })()",
        );
        let found = found.as_array().expect("a list").iter().map(|wrong| format!("{here}: {wrong}"));
        self.wrong.extend(found);
    }

    fn violations(&mut self, phone: &Phone, here: &str) {
        if phone.ask("typeof axe") != json!("object") {
            phone.ask(&format!("{}; 1", self.axe));
        }
        let found = phone.ask(&format!(
            "axe.run(document, {AXE_OPTIONS}).then((result) => result.violations.map((violation) => violation.id + ': ' + \
             violation.nodes.map((node) => node.html + ' ' + node.failureSummary).join('; ')))"
        ));
        let found = found.as_array().expect("a list").iter().map(|wrong| format!("{here}: {wrong}"));
        self.wrong.extend(found);
    }
}

/// The page once it shows the open question of the laptop.
fn settle(phone: &Phone, text: &str) {
    phone.wait_for_text(text);
    // Answers that come at once are not taken for the thumb's: a person needs longer to read.
    std::thread::sleep(std::time::Duration::from_millis(300));
}

/// Types what a question about a number would take, and has it taken.
fn take_number(phone: &Phone, question: &Value) {
    let bound = |key: &str| question[key].as_f64().expect("a number");
    let typed = question["default"].as_f64().unwrap_or(bound("low").ceil().max(3.0).min(bound("high")));
    phone.ask(&format!(
        "(() => {{ const field = document.getElementById('typed'); field.value = '{typed}'; \
         field.dispatchEvent(new Event('input')); }})()"
    ));
    phone.tap("[data-k=take]");
}

fn command(home: &Path, arguments: &[&str]) -> Command {
    let mut command = evenbass(home);
    std::fs::write(home.join("taped.toml"), TAPED_ROOM).expect("files can be written");
    command.env("XDG_DATA_HOME", home.join("data")).args(arguments);
    command
}

/// Matches one note instead of rating it; the question after that, which is a rating again.
fn match_one(phone: &Phone, laptop: &Laptop, looker: &mut Looker) -> Value {
    phone.key("m");
    let question = laptop.hear_until(|line| line["ask"] == "match");
    let text = question["text"].as_str().expect("a text");
    settle(phone, text);
    looker.look(phone, "23-match");
    phone.key("ArrowUp");
    laptop.hear_of("ask");
    phone.tap("[data-k=nudge-down]");
    laptop.hear_of("ask");
    settle(phone, text);
    phone.tap(".lead");
    laptop.hear_of("taken");
    let question = laptop.hear_until(|line| line["ask"] == "match");
    settle(phone, question["text"].as_str().expect("a text"));
    phone.key("m");
    laptop.hear_until(|line| line["ask"] == "rate")
}

#[test]
fn every_screen_of_a_visit_can_be_read_and_pressed() {
    let home = tempfile::tempdir().expect("a folder");
    let arguments = [
        "rehearse",
        "--face",
        "json",
        "--room",
        "taped.toml",
        "--notes",
        "short",
        "--minutes",
        "3",
        "--kit",
        "kit.toml",
        "--seed",
        "7",
        "--folder",
        ".",
        "--handset",
    ];
    let laptop = Laptop::start(command(home.path(), &arguments));
    let browser = Browser::start();
    let mut looker = Looker::new();
    let phone = browser.phone();

    let invitation = laptop.invitation();
    phone.go(&invitation.replace('#', "#x"));
    phone.wait_for_text("This code is not valid");
    looker.look(&phone, "00-wrong-code");
    phone.go("about:blank");
    phone.go(&invitation);
    settle(&phone, "STOP");

    let mut seen = std::collections::BTreeSet::new();
    let (mut rated, mut next) = (0, None);
    loop {
        let heard = || laptop.hear_until(|line| line.get("ask").is_some() || line.get("done").is_some());
        let line = next.take().unwrap_or_else(heard);
        if line.get("done").is_some() {
            break;
        }
        let (kind, text) = (line["ask"].as_str().expect("a kind"), line["text"].as_str().expect("a text"));
        let topic = line["topic"].as_str().unwrap_or("");
        let screen = format!("{kind}{}{topic}", if topic.is_empty() { "" } else { "-" });
        settle(&phone, text);
        if seen.insert(screen.clone()) {
            looker.look(&phone, &format!("{:02}-{screen}", seen.len()));
            if kind == "rate" {
                phone.tap("[data-k=rattles]");
                phone.wait("document.querySelector('[data-k=rattles][aria-pressed=true]')");
                phone.tap("[data-k=pause]");
                phone.wait_for_text("It is silent now.");
                looker.look(&phone, "20-paused");
                phone.tap("[data-k=go]");
                settle(&phone, text);
                phone.offline(true);
                phone.wait_for_text("Out of touch with the laptop");
                looker.look(&phone, "21-away");
                phone.offline(false);
                settle(&phone, text);
                phone.tap("[data-k=more]");
                phone.wait("document.querySelector('[data-k=answer-by]')");
                looker.look(&phone, "22-more");
                next = Some(match_one(&phone, &laptop, &mut looker));
                continue;
            }
        }
        match (kind, topic) {
            ("rate", _) => {
                rated += 1;
                phone.tap(&format!(".steps button:nth-child({})", 2 + rated % 5));
            }
            _ => phone.tap(".lead"),
        }
        laptop.hear_of("taken");
    }
    assert!(seen.contains("rate") && seen.contains("move") && seen.contains("anchors"), "{seen:?}");
    settle(&phone, "The visit is complete.");
    looker.look(&phone, "40-done");
    assert!(looker.wrong.is_empty(), "{}", looker.wrong.join("\n"));
}

#[test]
fn every_question_about_room_and_kit_can_be_read_and_answered() {
    let server = SoundServer::start();
    let home = tempfile::tempdir().expect("a folder");
    let mut command = command(home.path(), &["begin", "attic", "--face", "json", "--notes", "short", "--handset"]);
    command.envs(server.environment()).args(["--output", Sink::Front.name()]);
    command.env("HOME", home.path()).env("XDG_CONFIG_HOME", home.path().join("config"));
    let laptop = Laptop::start(command);
    let browser = Browser::start();
    let mut looker = Looker::new();
    let phone = browser.phone();
    phone.go(&laptop.invitation());

    let mut seen = std::collections::BTreeSet::new();
    // What the walls are made of, a second subwoofer, nothing more.
    let mut more = [4, 7, 0].into_iter();
    loop {
        let line = laptop.hear_of("ask");
        let (kind, text) = (line["ask"].as_str().expect("a kind"), line["text"].as_str().expect("a text"));
        // The same words may be asked twice in a row.
        phone.wait(&format!("document.body && document.body.dataset.question === '{}'", line["id"]));
        settle(&phone, text);
        let screen = format!("{kind}-{}", line["topic"].as_str().unwrap_or(""));
        // The list of what else there is is the longest screen of buttons.
        if !seen.contains(kind) || line["topic"] == "room-more" && seen.insert("room-more".to_owned()) {
            looker.look(&phone, &format!("50-{screen}"));
        }
        let known = seen.contains(kind);
        seen.insert(kind.to_owned());
        match kind {
            "number" => {
                if !known {
                    phone.ask("document.getElementById('typed').focus()");
                    phone.tap("#typed");
                    phone.key("x");
                    phone.tap("[data-k=take]");
                    phone.wait_for_text("is not a number");
                    looker.look(&phone, "60-refused");
                    phone.key("Backspace");
                }
                take_number(&phone, &line);
            }
            "text" => phone.tap("[data-k=take]"),
            "choose" if line["topic"] == "room-more" => {
                let at = more.next().expect("the list is left by its first entry");
                phone.tap(&format!(".answers button:nth-of-type({})", at + 1));
            }
            "choose" => phone.tap(".answers button"),
            "confirm" if line["topic"] == "safety" => break,
            _ => phone.tap(".lead"),
        }
        laptop.hear_of("taken");
    }
    assert!(seen.contains("number") && seen.contains("text") && seen.contains("room-more"), "{seen:?}");
    assert!(looker.wrong.is_empty(), "{}", looker.wrong.join("\n"));
}

#[test]
fn every_question_of_the_blend_can_be_read_and_pressed() {
    let home = tempfile::tempdir().expect("a folder");
    let mut command = command(home.path(), &["rehearse", "--placed", "--face", "json", "--room", "taped.toml"]);
    command.args(["--notes", "short", "--kit", "kit.toml", "--seed", "7", "--folder", ".", "--handset"]);
    let laptop = Laptop::start(command);
    let browser = Browser::start();
    // Its inputs are those of the other visits; what differs is how long its texts are.
    let mut looker = Looker { all: false, ..Looker::new() };
    let phone = browser.phone();
    phone.go(&laptop.invitation());

    let mut seen = std::collections::BTreeSet::new();
    loop {
        let line = laptop.hear_of("ask");
        let (kind, text) = (line["ask"].as_str().expect("a kind"), line["text"].as_str().expect("a text"));
        settle(&phone, text);
        let screen = format!("{kind}-{}", line["topic"].as_str().unwrap_or(""));
        if seen.insert(screen.clone()) && !BEFORE.iter().any(|before| screen.ends_with(before)) {
            looker.look(&phone, &format!("70-{:02}-{screen}", seen.len()));
        }
        match kind {
            "number" => take_number(&phone, &line),
            "rate" => phone.tap(".steps button:nth-child(4)"),
            "text" => phone.tap("[data-k=take]"),
            // What is wired right is heard where it is sent.
            "choose" if text.contains("right channel") => phone.tap(".answers button:nth-child(2)"),
            "choose" => phone.tap(".answers button"),
            _ => phone.tap(".lead"),
        }
        laptop.hear_of("taken");
        // From here on questions are of kinds that were seen, and it is thought out at length which come next.
        if screen == "confirm-subwoofer-switched" {
            break;
        }
    }
    assert!(seen.contains("rate-") && seen.contains("choose-channel-middle"), "{seen:?}");
    assert!(looker.wrong.is_empty(), "{}", looker.wrong.join("\n"));
}
