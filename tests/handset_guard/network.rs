//! Where there is no port, no address or no network to serve the handset on: said in words, and the visit goes on.

use std::io::Write;
use std::net::TcpListener;
use std::process::{Command, Stdio};

use serde_json::json;

use crate::support::laptop::{Laptop, Page, pair, parts, request, resumption};
use crate::support::screen::Screen;
use crate::support::script::evenbass;
use crate::{home, laptop};

#[test]
fn wrong_addresses_are_said_in_words() {
    let home = home();
    let refused = |address: &str| {
        let mut command = evenbass(home.path());
        command.args(["rehearse", "--face", "json", "--room", "room.toml", "--folder", ".", "--handset", address]);
        let output = command.stdin(std::process::Stdio::null()).output().expect("the program starts");
        assert!(!output.status.success());
        String::from_utf8(output.stderr).expect("text")
    };
    assert!(refused("0.0.0.0:80").contains("every network"));
    assert!(refused("lounge").contains("not an address"));
    assert!(refused("192.0.2.1:0").contains("this machine has no address 192.0.2.1"));
    let taken = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = taken.local_addr().expect("an address").to_string();
    assert!(refused(&address).contains(&format!("another program serves {address}")));
    let left = std::fs::read_dir(home.path()).expect("a folder").flatten();
    assert!(left.map(|entry| entry.file_name()).all(|name| !name.to_string_lossy().ends_with(".visit.jsonl")));
}

#[test]
fn a_port_that_another_program_took_is_said_and_paired_phones_are_known_at_the_new_one() {
    let home = home();
    let mut first = laptop(home.path(), &[]);
    // As many phones as may be, so that none of them could be paired anew.
    let mut cookies = Vec::new();
    let mut page = String::new();
    for _ in 0..4 {
        let invitation = first.invitation();
        page = parts(&invitation).0;
        cookies.push(pair(&invitation));
    }
    first.kill();
    let _other = TcpListener::bind(page.trim_start_matches("http://")).expect("the port is free again");

    let mut laptop = Laptop::start(resumption(home.path(), "json"));
    let notice = laptop.hear_of("notice");
    let words = notice["notice"].as_str().expect("words");
    let port = page.rsplit(':').next().expect("a port");
    assert!(words.contains(port) && words.contains("taken by another program") && words.contains("scan"), "{notice}");
    // Its address is said, although there is no secret for a fifth.
    let address = laptop.invitation();
    let moved = address.strip_suffix('/').expect("no secret");
    assert!(moved.starts_with("http://127.0.0.1:") && moved != page, "{address}");
    let question = laptop.hear_of("ask");
    for cookie in &cookies {
        let mut phone = Page::of(moved, cookie);
        phone.card(|card| card["question"]["id"] == question["id"]);
    }
    // What another visit gave a phone at that port is nothing to this one, and nobody is told of a stranger.
    let unknown = format!("evenbass-{port}={}", "0".repeat(64));
    assert_eq!(request(moved, "HEAD /", &[("Cookie", &unknown)], "").expect("an answer").status, 401);
    let both = format!("{unknown}; {}", cookies[2]);
    assert_eq!(request(moved, "HEAD /", &[("Cookie", &both)], "").expect("an answer").status, 200);
    let mut phone = Page::of(moved, &cookies[0]);
    phone.say(&json!({ "answer": { "question": question["id"], "answer": { "answer": "yes" } } }));
    assert_eq!(laptop.hear_of("taken")["id"], question["id"]);
    assert!(laptop.heard_since().iter().all(|line| line.get("notice").is_none()));
    assert!(laptop.runs());
}

#[test]
fn an_address_of_last_time_that_is_gone_is_said_and_another_can_be_chosen() {
    let home = home();
    let mut first = laptop(home.path(), &[]);
    let (page, _) = parts(&first.invitation());
    first.kill();
    // As if it had been served on a network that this machine has left (RFC 5737).
    let kept = std::fs::read_dir(home.path().join("data/evenbass/handset")).expect("a folder").next();
    let kept = kept.expect("the phones are kept").expect("an entry").path();
    let text = std::fs::read_to_string(&kept).expect("text");
    let port = page.rsplit(':').next().expect("a port");
    std::fs::write(&kept, text.replace("127.0.0.1", "192.0.2.1")).expect("it can be written");
    let refused = resumption(home.path(), "json").stdin(Stdio::null()).output().expect("the program starts");
    let said = String::from_utf8(refused.stderr).expect("text");
    assert!(!refused.status.success() && said.contains("address of last time, 192.0.2.1"), "{said}");
    assert!(!said.contains("handset http"), "{said}");

    let mut screen = Screen::start(resumption(home.path(), "terminal"));
    screen.wait_for("On which network is the phone?");
    let text = screen.text();
    let choice = text.lines().find(|line| line.contains("(this machine only)")).expect("loopback can be chosen");
    screen.press(choice.trim().get(..1).expect("a key"));
    screen.wait_for("http://127.0.0.1:");
    assert!(!screen.text().contains(port), "the old port belongs to the old address");
    screen.press("h");
    screen.wait_for("192.0.2.1, any more: choose one anew.");
    screen.press("q");
    assert_eq!(screen.end(), 0, "{}", screen.raw);
}

/// The same program on a machine that has loopback and nothing else, which may be down as well.
fn without_network(command: &Command, loopback: &str) -> Command {
    let mut alone = Command::new("unshare");
    alone.args(["-rn", "sh", "-c", &format!("{loopback} && exec \"$@\""), "sh"]);
    alone.arg(command.get_program()).args(command.get_args());
    alone.envs(command.get_envs().filter_map(|(name, value)| Some((name, value?))));
    alone.current_dir(command.get_current_dir().expect("a folder of its own"));
    alone
}

/// Whether this system lets a test have a network of its own; said where it does not, past what keeps a passing test
/// quiet.
fn can_look_at(loopback: &str) -> bool {
    let tried = without_network(Command::new("true").current_dir("/"), loopback).stderr(Stdio::null()).status();
    let can = tried.is_ok_and(|status| status.success());
    if !can {
        let said = "not looked at: a machine on no network (`unshare -rn` or `ip` is not permitted here)";
        writeln!(std::io::stderr(), "{said}, loopback by `{loopback}`").expect("standard error is open");
    }
    can
}

#[test]
fn a_machine_on_no_network_says_so_and_what_to_do() {
    for loopback in ["true", "ip link set lo up"] {
        if !can_look_at(loopback) {
            continue;
        }
        let home = home();
        let rehearsal = |face: &str, handset: &[&str]| {
            let mut command = evenbass(home.path());
            command.env("XDG_DATA_HOME", home.path().join("data"));
            command.args(["rehearse", "--face", face, "--room", "room.toml", "--notes", "short", "--kit", "kit.toml"]);
            command.args(["--folder", "."]).args(handset);
            without_network(&command, loopback)
        };
        // An address that was named is not there.
        let mut named = rehearsal("json", &["--handset", "192.0.2.20"]);
        let refused = named.stdin(Stdio::null()).output().expect("the program starts");
        let said = String::from_utf8(refused.stderr).expect("text");
        assert!(!refused.status.success(), "{said}");
        assert!(said.contains("no address 192.0.2.20, for it is on no network; join the phone's network"), "{said}");
        assert!(said.contains("open a hotspot") && said.contains("leave --handset out"), "{said}");

        // None was named: the page is here, and no phone reaches it; the visit goes on.
        let mut laptop = Laptop::start(rehearsal("json", &["--handset"]));
        assert!(laptop.invitation().starts_with("http://127.0.0.1:"));
        let question = laptop.hear_of("ask");
        laptop.say(&json!({ "yes": true, "id": question["id"] }));
        assert_eq!(laptop.hear_of("taken")["id"], question["id"]);
        laptop.leave();
        let said = laptop.said();
        assert!(said.contains("Only this machine's own browser can show that page"), "{said}");
        assert!(said.contains("on no network") && said.contains("open a hotspot"), "{said}");

        let mut screen = Screen::start(rehearsal("terminal", &[]));
        screen.wait_for("h phone");
        screen.press("h");
        screen.wait_for("This machine is on no network, so no phone can reach it.");
        assert!(screen.text().contains("open a hotspot"), "{}", screen.text());
        screen.press("1");
        screen.wait_for("Only this machine's own browser can show the page.");
        assert!(!screen.text().contains("Scan this"), "{}", screen.text());
        screen.press("h");
        screen.wait_for("h phone");
        screen.press("q");
        assert_eq!(screen.end(), 0, "{}", screen.raw);
    }
}
