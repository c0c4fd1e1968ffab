//! Life in a house: the network comes and goes, the lid is closed.

use std::time::Duration;

use serde_json::json;

use crate::person::{Hand, OPEN, Person, at_low_pass, is};
use crate::support::browser::Browser;
use crate::support::laptop::{Laptop, parts, rehearsal};
use crate::support::proxy::{Proxy, Weather};

#[test]
fn bad_weather_is_said_and_got_over() {
    let home = tempfile::tempdir().unwrap();
    let laptop = Laptop::start(rehearsal(home.path()));
    let invitation = laptop.invitation().replace("127.0.0.1", "localhost");
    let (page, _) = parts(&invitation);
    let port: u16 = page.rsplit(':').next().expect("a port").parse().expect("a number");
    let proxy = Proxy::before(([127, 0, 0, 1], port).into());
    let led = format!("--host-resolver-rules=MAP localhost:{port} 127.0.0.1:{}", proxy.port);
    let browser = Browser::start_with(&[&led]);
    let phone = browser.phone();
    phone.go(&invitation);
    let mut person = Person { phone: &phone, laptop: &laptop, ratings: 0 };
    person.go_on_until(is("low-pass-open"));
    for weather in [Weather::Cut, Weather::Silent] {
        phone.wait(OPEN);
        proxy.weather(weather);
        let noticed = phone.wait_for_text("Out of touch with the laptop");
        assert_eq!(phone.ask("document.querySelectorAll('.lead').length"), json!(0), "an old question is shown");
        proxy.weather(Weather::Fair);
        let back = phone.wait(OPEN);
        println!("{weather:?}: said after {noticed:.1?}, back {back:.1?} after the network");
    }
    // Stop finds its way when the network comes back, even from a page that shows nothing.
    proxy.weather(Weather::Cut);
    phone.wait_for_text("Out of touch with the laptop");
    phone.tap("#stop");
    phone.wait_for_text("being sent");
    proxy.weather(Weather::Fair);
    laptop.hear_of("paused");
    phone.settle("It is silent now.");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    // Half a second late, and in another order, everything still arrives once.
    for weather in [Weather::Late(Duration::from_millis(500)), Weather::Shuffled] {
        proxy.weather(weather);
        if weather == Weather::Shuffled {
            phone.go(&format!("{page}/"));
        }
        phone.wait(OPEN);
        phone.settle("");
        phone.tap(".lead");
        let taken = laptop.hear_of("taken");
        phone.wait(&format!("document.body.dataset.taken === '{}'", taken["id"]));
    }
    // An answer that was on its way when the network went is never shown as taken.
    proxy.weather(Weather::Fair);
    phone.wait(OPEN);
    phone.settle("");
    let before = phone.ask("document.body.dataset.taken");
    proxy.weather(Weather::Silent);
    phone.tap(".lead");
    phone.wait_for_text("Out of touch with the laptop");
    assert_eq!(phone.ask("document.body.dataset.taken"), before);
    proxy.weather(Weather::Fair);
    phone.wait(OPEN);
    assert_eq!(phone.ask("document.body.dataset.taken"), before);
    assert!(laptop.heard_since().iter().all(|line| line.get("taken").is_none()), "it did not arrive");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_lid_that_closes_and_opens_again_is_said_and_got_over() {
    let hand = Hand::ready();
    let (laptop, phone) = (&hand.laptop, &hand.phone);
    at_low_pass(phone, laptop);
    // A closed lid stops every program; no connection is cut.
    laptop.freeze(true);
    phone.wait_for_text("Out of touch with the laptop");
    assert_eq!(phone.ask("document.querySelectorAll('.lead').length"), json!(0), "an old question is shown");
    phone.tap("#stop");
    phone.wait_for_text("Stop: being sent …");
    laptop.freeze(false);
    laptop.hear_of("paused");
    phone.settle("It is silent now.");
    phone.tap("[data-k=go]");
    laptop.hear_of("continued");
    phone.wait(OPEN);
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}
