//! A phone that is paired, and one that is not any more.

use serde_json::json;

use crate::person::{Hand, OPEN};
use crate::support::browser::{Browser, page_elsewhere, serve_elsewhere};
use crate::support::laptop::{Laptop, parts, rehearsal, resumption};

#[test]
fn a_phone_that_is_removed_is_told_and_shut_out() {
    let Hand { phone, laptop: first, home, .. } = &mut Hand::ready();
    let page = phone.ask("location.origin").as_str().expect("an address").to_owned();
    first.kill();
    phone.wait_for_text("Out of touch with the laptop");
    // Another visit on the same port does not know this phone.
    let mut command = rehearsal(home.path());
    command.arg(page.trim_start_matches("http://"));
    let laptop = Laptop::start(command);
    let invitation = laptop.invitation();
    assert_eq!(parts(&invitation).0, page);
    phone.wait_for_text("This screen is not paired");
    let notice = laptop.hear_of("notice");
    assert!(notice["notice"].as_str().expect("words").contains("A phone of another visit"), "{notice}");
    phone.ask(&format!("document.getElementById('code').value = {}; 1", json!(parts(&invitation).1)));
    phone.tap("form button");
    phone.wait_for_text("STOP");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_phone_whose_laptop_has_lost_its_port_says_so_and_goes_on_by_scanning() {
    let Hand { phone, browser, laptop: first, home } = &mut Hand::ready();
    let page = phone.ask("location.origin").as_str().expect("an address").to_owned();
    first.kill();
    // Another program is served there now, and knows nothing of a visit.
    let _other = serve_elsewhere(page.trim_start_matches("http://"));
    phone.wait_for_text("Out of touch with the laptop");
    let laptop = Laptop::start(resumption(home.path(), "json"));
    let notice = laptop.hear_of("notice");
    assert!(notice["notice"].as_str().expect("words").contains("is taken by another program"), "{notice}");
    let invitation = laptop.invitation();
    assert_ne!(parts(&invitation).0, page, "the port is another's");
    let question = laptop.hear_of("ask");
    assert!(!phone.text().contains(question["text"].as_str().expect("a text")), "an old question is shown");
    phone.wait_for_text("Out of touch with the laptop");
    // It is known by its cookie, so that the code that it has scanned is left for the next one.
    phone.go(&invitation);
    phone.settle(question["text"].as_str().expect("a text"));
    phone.tap(".lead");
    assert_eq!(laptop.hear_of("taken")["id"], question["id"]);
    let second = browser.phone();
    second.go(&invitation);
    second.wait(OPEN);
    for phone in [&*phone, &second] {
        assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
    }
}

#[test]
fn a_page_from_elsewhere_that_opens_it_gets_the_page_that_pairs_and_cannot_look_into_it() {
    let home = tempfile::tempdir().unwrap();
    let laptop = Laptop::start(rehearsal(home.path()));
    let browser = Browser::start();
    let phone = browser.phone();
    let invitation = laptop.invitation();
    phone.go(&invitation);
    phone.wait(OPEN);
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
