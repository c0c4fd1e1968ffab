//! What the page's script does at moments that no network brings about when they are wanted: in a real browser, whose clock or
//! answers are held still.
#![cfg(target_os = "linux")]

mod support;

use std::path::Path;

use serde_json::json;
use support::browser::{Browser, Phone};
use support::laptop::Laptop;
use support::script::evenbass;

fn rehearsal(home: &Path) -> Laptop {
    let mut command = evenbass(home);
    command.env("XDG_DATA_HOME", home.join("data"));
    command.args(["rehearse", "--face", "json", "--room", "room.toml", "--notes", "short", "--minutes", "2"]);
    command.args(["--kit", "kit.toml", "--seed", "7", "--folder", ".", "--handset"]);
    Laptop::start(command)
}

/// A phone that shows the first question.
fn paired(browser: &Browser, laptop: &Laptop) -> Phone {
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    phone.wait("document.querySelector('.lead')");
    phone
}

#[test]
fn a_stop_from_a_phone_that_is_no_longer_paired_is_said_not_to_have_been_sent() {
    let home = tempfile::tempdir().unwrap();
    let mut laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = paired(&browser, &laptop);
    // A page that nobody has touched may not buzz.
    phone.tap("h1");
    // All that is said from now on, kept where a reload does not take it.
    phone.ask(
        "(() => { const news = document.getElementById('news'), said = []; new MutationObserver(() => { \
         said.push(news.innerText); sessionStorage.said = JSON.stringify(said); }).observe(news, { childList: true }); })()",
    );
    phone.call("Network.clearBrowserCookies", json!({}));
    // As if the socket had been silent for so long that stop is sent the other way as well.
    phone.ask(
        "(() => { const now = performance.now(); performance.now = () => now + 2000; \
         document.getElementById('stop').click(); delete performance.now; })()",
    );
    // What the laptop still tells the page takes nothing away before it could be read.
    phone.wait("(sessionStorage.said || '').includes('Stop at the laptop')");
    laptop.say(&json!({ "do": "continue" }));
    laptop.hear_of("continued");
    phone.wait_for_text("This screen is not paired");
    let said = phone.ask("sessionStorage.said");
    let said: Vec<String> = serde_json::from_str(said.as_str().expect("text")).expect("lines");
    assert!(said.iter().all(|line| !line.contains("nothing sounds")), "{said:#?}");
    let last = said.last().expect("words");
    assert_eq!(last, "Stop: NOT sent: this phone is no longer paired. Stop at the laptop.", "{said:#?}");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn an_answer_to_an_older_stop_says_nothing_of_a_newer_one() {
    let home = tempfile::tempdir().unwrap();
    let mut laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = paired(&browser, &laptop);
    laptop.kill();
    phone.wait_for_text("Out of touch with the laptop");
    // What is sent as a request is answered below, in the order that is wanted.
    phone.ask(
        "(() => { const fetches = fetch; window.sent = []; window.fetch = (path, options) => path === '/stop' \
         ? new Promise((reply) => sent.push(reply)) : fetches(path, options); })()",
    );
    let news = || phone.ask("document.getElementById('news').innerText");
    let press = || {
        let sent = phone.ask("document.getElementById('stop').click(); sent.length");
        sent.as_u64().expect("a number") as usize - 1
    };
    let reply = |press: usize, status: u16| {
        let replied = format!("sent[{press}](new Response(null, {{ status: {status} }}))");
        phone.ask(&format!("{replied}; new Promise((done) => setTimeout(done))"));
    };
    let mut newest = press();
    for status in [204, 401, 410] {
        let older = std::mem::replace(&mut newest, press());
        assert_eq!(newest, older + 1, "each press is sent once and waits for its answer");
        reply(older, status);
        assert_eq!(news(), json!("Stop: being sent …"), "an older one's {status} was taken for the newer one's");
    }
    reply(newest, 204);
    assert_eq!(news(), json!("Stop: it has arrived."));
    newest = press();
    reply(newest, 410);
    assert_eq!(news(), json!("Stop: the visit has ended; nothing sounds."));
}

#[test]
fn a_question_that_was_drawn_this_moment_takes_no_tap_however_long_a_thumb_held_it_back() {
    let home = tempfile::tempdir().unwrap();
    let mut laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = paired(&browser, &laptop);
    let first = laptop.hear_of("ask");
    phone.wait_for_text(first["text"].as_str().expect("a text"));
    // From here on the page's clock moves by hand alone.
    phone.ask(
        "(() => { const sends = WebSocket.prototype.send; window.answers_sent = 0; \
         WebSocket.prototype.send = function (said) { if ('answer' in JSON.parse(said)) answers_sent += 1; \
         sends.call(this, said); }; let now = performance.now(); performance.now = () => now; \
         window.pass = (ms) => { now += ms; }; })()",
    );
    let mut second = json!(null);
    phone.tap_while("h1", || {
        laptop.say(&json!({ "yes": true, "id": first["id"] }));
        laptop.hear_of("taken");
        second = laptop.hear_of("ask");
        phone.wait_for_message(&format!(r#""id":{},"#, second["id"]));
        assert!(phone.text().contains(first["text"].as_str().expect("a text")), "the thumb holds it back");
        phone.ask("pass(1000)");
    });
    // The thumb has left for long enough; the new question is drawn, and the clock has not moved since.
    phone.ask("pass(100)");
    phone.wait_for_text(second["text"].as_str().expect("a text"));
    phone.tap(".lead");
    assert_eq!(phone.ask("answers_sent"), json!(0), "nobody can have read it");
    phone.ask("pass(300)");
    phone.tap(".lead");
    assert_eq!(phone.ask("answers_sent"), json!(1));
    assert_eq!(laptop.hear_of("taken")["id"], second["id"]);
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}
