//! A whole visit from the floor: two phones, a page loaded anew, a power cut, and the sheet at the end.

use evenbass::routine::levels::ceiling_for;
use evenbass::units::Dbfs;
use serde_json::{Value, json};

use crate::laptops::{COMFORT_DBFS, alone, begin, with_sound};
use crate::person::{Person, is};
use crate::support::browser::Browser;
use crate::support::compare::tones;
use crate::support::laptop::{Laptop, parts, visit_file};
use crate::support::sound_server::SoundServer;

#[test]
fn a_whole_visit_is_answered_from_the_floor() {
    let _alone = alone();
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let mut laptop = Laptop::start(begin(&server, home.path(), "short", "8192"));
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&invitation);
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    let anchors = person.go_on_until(is("anchors"));
    // Nothing of the secret is left where it could be read or sent on.
    assert_eq!(phone.ask("location.href"), json!(format!("{page}/")));
    for request in phone.requests() {
        let headers = &request["headers"];
        assert!(headers["Referer"].as_str().unwrap_or("").is_empty(), "{request}");
        assert!(!headers.to_string().contains(&parts(&invitation).1), "{request}");
    }
    let errors = phone.errors();

    // A second phone: each shows the same, and either answers.
    let second = browser.phone();
    second.go(&laptop.invitation());
    let mut other = Person { phone: &second, laptop: &laptop, ratings: 0 };
    other.answer(&anchors);
    let question = other.go_on_until(is("rate"));
    Person { phone: &phone, laptop: &laptop, ratings: 3 }.answer(&question);
    let question = laptop.hear_of("ask");

    // The page is loaded anew in the middle of a note, and opened twice.
    phone.go(&format!("{page}/"));
    let twice = browser.second_page(&phone);
    twice.go(&format!("{page}/"));
    Person { phone: &twice, laptop: &laptop, ratings: 1 }.see(&question);
    phone.to_front();
    Person { phone: &phone, laptop: &laptop, ratings: 1 }.answer(&question);

    // The laptop's power fails; the same port, the same phones.
    let question = laptop.hear_of("ask");
    Person { phone: &phone, laptop: &laptop, ratings: 1 }.see(&question);
    laptop.kill();
    phone.wait_for_text("Out of touch with the laptop");
    assert_eq!(phone.ask("document.querySelectorAll('.answers button').length"), json!(0), "an old question is shown");
    let mut command = with_sound(&server, home.path(), &["resume", "short.visit.jsonl", "--buffer-frames", "8192"]);
    command.arg("--handset");
    let mut laptop = Laptop::start(command);
    assert_eq!(parts(&laptop.invitation()).0, page, "the port of before");
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 5 };
    let question = person.go_on_until(is("rate"));
    second.wait_for_text(question["text"].as_str().expect("a text"));
    person.answer(&question);
    // Once every spot was heard, it is decided on the phone; a visit on a slow machine may have spent its minute
    // before.
    let is_over = |line: &Value| is("move")(line) || is("verdict")(line);
    for _ in ["door side", "behind the bench"] {
        let going = person.go_on_until(is_over);
        person.answer(&going);
    }
    let question = person.go_on_until(is_over);
    person.see(&question);
    if is("move")(&question) {
        if phone.ask("document.querySelectorAll('[data-k=more]').length") == json!(1) {
            phone.tap("[data-k=more]");
        }
        phone.tap("[data-k=decide]");
    }
    person.go_on_until(|line| line.get("done").is_some());
    phone.wait_for_text("The visit is complete.");
    assert!(phone.text().contains("short.sheet.html"), "{}", phone.text());
    assert!(laptop.leave().success());
    for page in [&phone, &second, &twice] {
        assert!(page.errors().is_empty(), "{:#?}", page.errors());
    }
    assert!(errors.is_empty(), "{errors:#?}");
    let ceiling = ceiling_for(Dbfs::new(COMFORT_DBFS));
    let highest =
        tones(&visit_file(home.path())).iter().map(|tone| tone.level.dbfs()).fold(f64::NEG_INFINITY, f64::max);
    assert!(highest <= ceiling.dbfs(), "a tone at {highest}");
}
