//! What the page's script does at moments that no network brings about when they are wanted: in a real browser, whose clock or
//! answers are held still.
#![cfg(target_os = "linux")]

mod support;

use std::path::Path;

use serde_json::json;
use support::browser::{Browser, Phone, page_elsewhere};
use support::laptop::{Laptop, parts};
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
    // What goes into the socket is lost, so that stop is sent the other way as well.
    phone.ask("WebSocket.prototype.send = () => {}; document.getElementById('stop').click()");
    // What the laptop still tells the page takes nothing away before it could be read.
    phone.wait("(sessionStorage.said || '').includes('Stop at the laptop')");
    laptop.say(&json!({ "do": "back" }));
    laptop.hear_of("refused");
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
fn a_stop_that_does_not_arrive_says_so_and_is_sent_until_it_does() {
    let home = tempfile::tempdir().unwrap();
    let mut laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = paired(&browser, &laptop);
    laptop.kill();
    phone.wait_for_text("Out of touch with the laptop");
    // Requests for stop fail until they may arrive; the pauses between them pass a thousand times as fast and are noted.
    phone.ask(
        "(() => { const fetches = fetch, waits = setTimeout, clock = performance.now.bind(performance); \
         window.tries = 0; window.pauses = []; window.later = 0; window.arrives = false; window.names = new Set(); \
         performance.now = () => clock() + later; \
         window.fetch = (path, options) => { if (path !== '/stop') return fetches(path, options); tries += 1; \
         names.add(options.body); return arrives ? Promise.resolve(new Response(null, { status: 204 })) \
         : Promise.reject(new TypeError('no network')); }; \
         window.setTimeout = (then, ms) => { if ([300, 1000].includes(ms)) return waits(then, ms); \
         pauses.push(ms); return waits(then, ms / 1000); }; document.getElementById('stop').click(); })()",
    );
    phone.wait_for_text("Stop: being sent …");
    phone.ask("later = 4000");
    phone.wait_for_text(
        "Stop: NOT arrived yet, and still being sent. Stop at the laptop (space bar), or switch the amplifier off.",
    );
    // Far beyond the minutes that anybody would wait.
    phone.wait("tries > 1000");
    let pauses = phone.ask("[Math.max(...pauses), Math.max(...pauses.filter((ms) => ms < 2500))]");
    assert_eq!(pauses, json!([2500, 2000]), "how long a request may take, and the longest pause between two");
    phone.ask("arrives = true");
    phone.wait_for_text("Stop: it has arrived.");
    let tries = phone.ask("tries");
    phone.ask("new Promise((done) => requestAnimationFrame(() => setTimeout(done, 100)))");
    assert_eq!(phone.ask("tries"), tries, "it is not sent any more");
    assert_eq!(phone.ask("names.size"), json!(1), "it is one press, however often it is sent");
}

#[test]
fn a_stop_that_a_dead_socket_has_swallowed_goes_the_other_way() {
    let home = tempfile::tempdir().unwrap();
    let laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = paired(&browser, &laptop);
    phone.ask("WebSocket.prototype.send = () => {}; 1");
    phone.tap("#stop");
    let paused = laptop.hear_of("paused");
    assert!(paused["paused"].as_str().expect("words").contains("Stop was pressed"), "{paused}");
    phone.wait_for_text("Stop was pressed");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

/// From here on the page's clock moves by hand alone (`pass`), and what it sends is counted by its kind (`sent`).
fn hold_clock(phone: &Phone) {
    phone.ask(
        "(() => { const sends = WebSocket.prototype.send; window.sent = {}; \
         WebSocket.prototype.send = function (said) { const told = JSON.parse(said), kind = told.do || Object.keys(told)[0]; \
         sent[kind] = (sent[kind] || 0) + 1; sends.call(this, said); }; let now = performance.now(); \
         performance.now = () => now; window.pass = (ms) => { now += ms; }; })()",
    );
}

#[test]
fn no_screen_takes_a_second_tap_that_was_meant_for_the_one_before() {
    let home = tempfile::tempdir().unwrap();
    let laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = paired(&browser, &laptop);
    let times = |kind: &str| phone.ask(&format!("sent['{kind}'] || 0")).as_u64().expect("a number");
    hold_clock(&phone);
    phone.ask("pass(300)");
    // Pause is heard at any time; going on is not where the second tap of a pair would do it.
    phone.tap("[data-k=pause]");
    laptop.hear_of("paused");
    // A thumb has just been there, and the drawing waits for it to be gone.
    phone.ask("pass(100)");
    phone.wait("document.querySelector('[data-k=go]')");
    phone.tap("[data-k=go]");
    phone.key("p");
    assert_eq!(times("continue"), 0, "nobody can have read that it is paused");
    phone.ask("pass(300)");
    phone.tap("[data-k=go]");
    phone.tap("[data-k=go]");
    assert_eq!(times("continue"), 1, "one press, sent once");
    laptop.hear_of("continued");
    // The question is back, as new as it was the first time.
    phone.ask("pass(100)");
    phone.wait("document.querySelector('.lead:not([data-k=go])')");
    phone.tap(".lead");
    for key in ["Enter", "a", "b", "s", "u", "d"] {
        phone.key(key);
    }
    for kind in ["answer", "again", "back", "skip", "undo", "decide"] {
        assert_eq!(times(kind), 0, "{kind}: nobody can have read the question");
    }
    // Stop never waits.
    phone.tap("#stop");
    laptop.hear_of("paused");
    phone.ask("pass(100)");
    phone.wait("document.querySelector('[data-k=go]')");
    phone.ask("pass(300)");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    phone.ask("pass(100)");
    phone.wait("document.querySelector('.lead:not([data-k=go])')");
    phone.ask("pass(300)");
    let question = phone.ask("Number(document.body.dataset.question)");
    phone.tap(".lead");
    assert_eq!(laptop.hear_of("taken")["id"], question);
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_question_that_was_drawn_this_moment_takes_no_tap_however_long_a_thumb_held_it_back() {
    let home = tempfile::tempdir().unwrap();
    let mut laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = paired(&browser, &laptop);
    let first = laptop.hear_of("ask");
    phone.wait_for_text(first["text"].as_str().expect("a text"));
    hold_clock(&phone);
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
    assert_eq!(phone.ask("sent.answer || 0"), json!(0), "nobody can have read it");
    phone.ask("pass(300)");
    phone.tap(".lead");
    assert_eq!(phone.ask("sent.answer || 0"), json!(1));
    assert_eq!(laptop.hear_of("taken")["id"], second["id"]);
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_page_from_elsewhere_that_opens_it_gets_the_page_that_pairs_and_cannot_look_into_it() {
    let home = tempfile::tempdir().unwrap();
    let laptop = rehearsal(home.path());
    let browser = Browser::start();
    let phone = browser.phone();
    let invitation = laptop.invitation();
    phone.go(&invitation);
    phone.wait("document.querySelector('.lead')");
    let visit = format!("{}/", parts(&invitation).0);
    assert_eq!(browser.title_at(&visit), "evenbass");
    phone.go("about:blank");
    phone.wait("location.href === 'about:blank'");
    // In the browser that is paired, by a name that makes it another site.
    let stranger = browser.second_page(&phone);
    stranger.go(&format!("http://localhost:{}/", page_elsewhere().port()));
    stranger.wait_for_text("word");
    let opened = json!({ "expression": format!("window.opened = open('{visit}'); 1"), "userGesture": true });
    stranger.call("Runtime.evaluate", opened);
    assert_eq!(browser.title_at(&visit), "Pair this screen");
    let seen = stranger.ask("(() => { try { return opened.document.title; } catch (error) { return error.name; } })()");
    assert_eq!(seen, "SecurityError");
}
