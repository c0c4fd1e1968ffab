//! Keeping the phone's screen on, which browsers let a page do in one way or another, or not at all.

use serde_json::json;

use crate::person::Hand;

/// A page at an address of the home network is no secure context, and there browsers have no wake lock.
const ON_A_HOME_NETWORK: &str =
    "Object.defineProperty(window, 'isSecureContext', { value: false }); delete Navigator.prototype.wakeLock;";

#[test]
fn on_a_home_network_the_first_tap_starts_the_picture_that_keeps_the_screen_on() {
    let Hand { phone, .. } = &Hand::ready_after(&[ON_A_HOME_NETWORK]);
    assert_eq!(phone.ask("document.getElementById('awake')"), json!(null), "a browser would not let it play yet");
    phone.tap("h1");
    phone.wait("document.getElementById('awake') && document.getElementById('awake').currentTime > 0");
    let played = "(({ paused, muted, loop }) => [paused, muted, loop])(document.getElementById('awake'))";
    assert_eq!(phone.ask(played), json!([false, true, true]));
    assert!(!phone.text().contains("keep the screen on"), "{}", phone.text());
    // One is enough, however often the page is touched.
    phone.tap("h1");
    phone.ask("new Promise((done) => requestAnimationFrame(() => setTimeout(done)))");
    assert_eq!(phone.ask("document.querySelectorAll('video').length"), json!(1));
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_browser_that_lets_no_page_keep_the_screen_on_is_said() {
    let refuses = "HTMLMediaElement.prototype.play = () => Promise.reject(new DOMException('', 'NotAllowedError'));";
    let Hand { phone, .. } = &Hand::ready_after(&[ON_A_HOME_NETWORK, refuses]);
    phone.tap("h1");
    phone.wait_for_text("this browser lets no page keep the screen on");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn at_a_secure_address_a_wake_lock_keeps_the_screen_on_and_again_after_the_phone_woke() {
    let noted = "window.locks = []; WakeLock.prototype.request = (kind) => { const lock = { kind, released: false }; \
                 locks.push(lock); return Promise.resolve(lock); };";
    let Hand { phone, .. } = &Hand::ready_after(&[noted]);
    phone.tap("h1");
    phone.wait("locks.length");
    phone.tap("h1");
    phone.ask("new Promise((done) => setTimeout(done))");
    assert_eq!(phone.ask("locks.map((lock) => lock.kind)"), json!(["screen"]), "it holds one already");
    // The system takes it while the page is out of sight.
    phone.ask("locks[0].released = true; document.dispatchEvent(new Event('visibilitychange'))");
    phone.wait("locks.length === 2");
    assert_eq!(phone.ask("document.querySelector('video')"), json!(null), "nothing plays where a lock is held");
    assert!(phone.errors().is_empty(), "{:#?}", phone.errors());
}

#[test]
fn a_phone_says_which_one_it_is_so_that_the_right_one_can_be_removed() {
    let Hand { phone, laptop, .. } = &mut Hand::ready();
    phone.tap("#stop");
    laptop.hear_of("paused");
    phone.wait_for_text("This is phone 1 of the visit 'rehearsal'.");
}
