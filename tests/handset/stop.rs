//! Stop from the phone, whatever has become of the network: the tone fades as designed, and the page says what has
//! arrived.

use std::path::Path;

use evenbass::routine::levels::ceiling_for;
use evenbass::units::Dbfs;
use serde_json::json;

use crate::laptops::{COMFORT_DBFS, alone, begin};
use crate::person::{Hand, Person, is};
use crate::support::browser::{Browser, Phone};
use crate::support::compare::{SECOND, Tone, below_ceiling, channel_of, compare, tones};
use crate::support::laptop::{Laptop, Page, pair, parts, visit_file};
use crate::support::sound_server::{Recorder, Sink, SoundServer, wait_until};

/// Lets the note sound from its beginning, does something, stops it on the page, and compares what was recorded.
fn stopped(
    recorder: &Recorder,
    phone: &Phone,
    laptop: &Laptop,
    file: &Path,
    mut during: impl FnMut(),
) -> Result<(), String> {
    let (before, from) = (tones(file).len(), recorder.frames());
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    recorder.wait_for_sound(from);
    let begun = recorder.frames();
    during();
    // The notes of the spot run by first, each for less than half a second; then the one that is asked about, for
    // eight.
    wait_until("the note is steady", || recorder.frames() > begun + 7 * SECOND);
    phone.tap("#stop");
    laptop.hear_of("paused");
    phone.wait_for_text("Stop was pressed.");
    recorder.wait_for_silence(SECOND / 2);
    let faded = |tones: &[Tone]| tones[before..].iter().any(|tone| tone.ended == "faded");
    wait_until("the note is written down", || faded(&tones(file)));
    let recorded = &recorder.samples()[from * recorder.channels()..];
    below_ceiling(recorded, ceiling_for(Dbfs::new(COMFORT_DBFS)));
    let recorded = channel_of(recorded, recorder.channels(), &[0, 1]);
    let tone = tones(file).pop().expect("a note");
    let last = recorded.iter().rposition(|sample| *sample != 0.0).expect("a note");
    // Half of the pause before it belongs to it.
    let begin = last.saturating_sub(tone.frames + SECOND / 20);
    // Counted by the engine, in frames handed to the device since the stop had reached it.
    let waited = tone.stop_waited.expect("it was a stop");
    assert!(waited <= 2 * 1024, "the fade began {waited} frames after the stop");
    compare(&recorded[begin..], &[tone])
}

#[test]
fn stop_on_the_page_fades_the_tone_as_designed() {
    let _alone = alone();
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let recorder = server.record(Sink::Front);
    let mut laptop = Laptop::start(begin(&server, home.path(), "long", "1024"));
    let invitation = laptop.invitation();
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&invitation);
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    let question = person.go_on_until(is("rate"));
    person.see(&question);
    phone.tap("#stop");
    laptop.hear_of("paused");
    phone.wait_for_text("Stop was pressed.");
    recorder.wait_for_silence(SECOND / 2);
    let file = visit_file(home.path());
    // A buffer of this size has gaps on a busy machine; what is looked for is one note without any.
    for_as_long_as_gaps("stop from the page", || stopped(&recorder, &phone, &laptop, &file, || {}));
    // While everybody knocks and one phone says ten thousand things, what sounds is the same.
    let (page, _) = parts(&invitation);
    let address = page.trim_start_matches("http://").to_owned();
    let mut socket = Page::of(&page, &pair(&laptop.invitation()));
    for_as_long_as_gaps("stop while the handset is attacked", || {
        stopped(&recorder, &phone, &laptop, &file, || {
            let knocking = (0..500).filter_map(|_| std::net::TcpStream::connect(&address).ok());
            let knocking: Vec<_> = knocking.collect();
            for _ in 0..10_000 {
                socket.say(&json!({ "do": "back" }));
            }
            drop(knocking);
        })
    });
    assert!(laptop.leave().success());
}

/// Tries again after a gap of the sound server, within the same visit, and says so.
fn for_as_long_as_gaps(what: &str, mut attempt: impl FnMut() -> Result<(), String>) {
    const ATTEMPTS: usize = 15;
    let mut wrong = Vec::new();
    while wrong.len() < ATTEMPTS {
        match attempt() {
            Ok(()) => return println!("{what}: {} attempts spoilt by gaps", wrong.len()),
            Err(why) => wrong.push(why),
        }
    }
    panic!("{what}: {wrong:#?}");
}

#[test]
fn a_phone_in_charge_that_is_gone_ends_the_tone() {
    let server = SoundServer::start();
    let home = tempfile::tempdir().unwrap();
    let laptop = Laptop::start(begin(&server, home.path(), "short", "8192"));
    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    let question = person.go_on_until(is("comfort"));
    person.see(&question);
    phone.tap("[data-k=louder]");
    phone.offline(true);
    let paused = laptop.hear_of("paused");
    assert!(paused["paused"].as_str().expect("words").contains("3 seconds"), "{paused}");
    phone.wait_for_text("Out of touch with the laptop");
    phone.offline(false);
    phone.settle("It is silent now.");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    // A page that cannot be seen is nobody's, although its socket stays.
    phone.wait_for_text("louder");
    phone.ask(
        "Object.defineProperty(document, 'visibilityState', { get: () => 'hidden' }); \
         document.dispatchEvent(new Event('visibilitychange')); 1",
    );
    let paused = laptop.hear_of("paused");
    assert!(paused["paused"].as_str().expect("words").contains("3 seconds"), "{paused}");
}

#[test]
fn a_stop_that_a_dead_socket_has_swallowed_goes_the_other_way() {
    let hand = Hand::ready();
    let (laptop, phone) = (&hand.laptop, &hand.phone);
    phone.ask("WebSocket.prototype.send = () => {}; 1");
    phone.tap("#stop");
    let paused = laptop.hear_of("paused");
    assert!(paused["paused"].as_str().expect("words").contains("Stop was pressed"), "{paused}");
    phone.wait_for_text("Stop was pressed");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_stop_that_does_not_arrive_says_so_and_is_sent_until_it_does() {
    let mut hand = Hand::ready();
    let (laptop, phone) = (&mut hand.laptop, &hand.phone);
    laptop.kill();
    phone.wait_for_text("Out of touch with the laptop");
    // Requests for stop fail until they may arrive; the pauses between them pass a thousand times as fast and are
    // noted.
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
fn an_answer_to_an_older_stop_says_nothing_of_a_newer_one() {
    let mut hand = Hand::ready();
    let (laptop, phone) = (&mut hand.laptop, &hand.phone);
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
fn a_stop_from_a_phone_that_is_no_longer_paired_is_said_not_to_have_been_sent() {
    let mut hand = Hand::ready();
    let (laptop, phone) = (&mut hand.laptop, &hand.phone);
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
