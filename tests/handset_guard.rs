//! Who is not let in, and what may not be done by those who are: the handset attacked from outside, without a browser.
#![cfg(target_os = "linux")]

mod support;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::Duration;

use serde_json::{Value, json};
use support::laptop::{Laptop, Page, exchange, pair, parts, request, visit_file};
use support::script::evenbass;

/// Everything that is served to a paired phone.
const ROUTES: [&str; 4] = ["GET /page.css", "GET /page.js", "GET /socket", "POST /stop"];

/// A rehearsal that a script answers, with a handset that only this machine can reach.
fn laptop(home: &Path, options: &[&str]) -> Laptop {
    let mut command = evenbass(home);
    command.env("XDG_DATA_HOME", home.join("data"));
    command.args(["rehearse", "--face", "json", "--room", "room.toml", "--notes", "short", "--minutes", "2"]);
    command.args(["--kit", "kit.toml", "--seed", "7", "--folder", ".", "--handset"]).args(options);
    Laptop::start(command)
}

fn home() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

/// Answers by what leads on until a question is as wanted.
fn go_on_until(laptop: &mut Laptop, wanted: impl Fn(&Value) -> bool) -> Value {
    loop {
        let question = laptop.hear_of("ask");
        if wanted(&question) {
            return question;
        }
        laptop.say(&json!({ "yes": true, "id": question["id"] }));
    }
}

fn is_comfort(question: &Value) -> bool {
    question["topic"] == "comfort"
}

#[test]
fn without_a_cookie_there_is_only_the_page_that_pairs() {
    let home = home();
    let laptop = laptop(home.path(), &[]);
    let (page, _) = parts(&laptop.invitation());
    let first = request(&page, "GET /", &[], "").expect("an answer");
    assert_eq!(first.status, 200);
    assert!(first.body.contains("Pairing this screen"), "{}", first.body);
    for word in ["rehearsal", "garden room", "window corner", "/socket", "page.js"] {
        assert!(!first.body.contains(word), "it says {word}");
    }
    for route in
        ROUTES.iter().chain(&["GET /sheet", "GET /../Cargo.toml", "GET /%2e%2e/etc/passwd", "DELETE /", "GET //"])
    {
        for cookie in
            [None, Some("evenbass-1=00"), Some("x"), Some(&*format!("{}={}", cookie_name(&page), "0".repeat(64)))]
        {
            let mut headers = vec![("Origin", page.as_str())];
            headers.extend(cookie.map(|cookie| ("Cookie", cookie)));
            let reply = request(&page, route, &headers, "").expect("an answer");
            assert_eq!(reply.status, 401, "{route} with {cookie:?}: {reply:?}");
            assert_eq!(reply.body, "This screen is not paired.\n");
        }
    }
    assert_eq!(Page::open(&page, &[("Origin", &page)]).err(), Some(401));
}

fn cookie_name(page: &str) -> String {
    format!("evenbass-{}", page.rsplit(':').next().expect("a port"))
}

#[test]
fn only_the_present_secret_pairs_and_only_once() {
    let home = home();
    let mut first = laptop(home.path(), &[]);
    let old = first.invitation();
    first.kill();
    let laptop = laptop(home.path(), &[]);
    let invitation = laptop.invitation();
    let (page, secret) = parts(&invitation);
    let knock = |secret: &str| request(&page, "POST /pair", &[("Origin", &page)], secret).expect("an answer").status;
    let mut nearly = secret.clone().into_bytes();
    nearly[25] = if nearly[25] == b'0' { b'1' } else { b'0' };
    for wrong in ["", "x", &parts(&old).1, &String::from_utf8(nearly).expect("letters"), &secret.to_uppercase()] {
        assert_eq!(knock(wrong), 403, "{wrong}");
    }
    let cookie = pair(&invitation);
    assert_eq!(knock(&secret), 403, "it was used");
    assert_eq!(request(&page, "GET /page.js", &[("Cookie", &cookie)], "").expect("an answer").status, 200);
    // The next phone has a secret of its own, and there are four at most.
    let mut next = laptop.invitation();
    for number in 2..=4 {
        let (again, fresh) = parts(&next);
        assert_eq!(again, page);
        assert_ne!(fresh, secret);
        pair(&next);
        if number < 4 {
            next = laptop.invitation();
        }
    }
    assert_eq!(knock(&parts(&next).1), 403, "the fourth one's was used");
}

#[test]
fn what_does_not_come_from_its_own_page_is_refused() {
    let home = home();
    let laptop = laptop(home.path(), &[]);
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let cookie = pair(&invitation);
    let port = page.rsplit(':').next().expect("a port");
    let status = |first: &str, headers: &[(&str, &str)]| {
        let mut headers = headers.to_vec();
        headers.push(("Cookie", &cookie));
        request(&page, first, &headers, "").expect("an answer").status
    };
    // A name that was led to this address (DNS rebinding), another port, none at all.
    for host in
        [&format!("evil.example:{port}"), "127.0.0.1", "127.0.0.1:1", "", "evil.example", "127.0.0.1.nip.example"]
    {
        for route in ["GET /", "GET /page.js", "POST /stop", "POST /pair"] {
            assert_eq!(status(route, &[("Host", host), ("Origin", &page)]), 421, "{route} for {host}");
        }
    }
    let no_host = exchange(&page, format!("GET / HTTP/1.1\r\nCookie: {cookie}\r\n\r\n").as_bytes()).expect("an answer");
    assert!([400, 421].contains(&no_host.status), "{no_host:?}");
    // A form or script of another site, with the cookie, as if the browser had sent it.
    let foreign =
        [Some("http://evil.example"), Some("null"), Some("https://127.0.0.1"), Some("http://127.0.0.1:1"), None];
    for origin in foreign {
        let origin: Vec<(&str, &str)> = origin.iter().map(|origin| ("Origin", *origin)).collect();
        assert_eq!(status("POST /stop", &origin), 403, "{origin:?}");
        assert_eq!(status("POST /pair", &origin), 403, "{origin:?}");
        let mut headers = origin.clone();
        headers.push(("Cookie", &cookie));
        assert_eq!(Page::open(&page, &headers).err(), Some(403), "{origin:?}");
    }
    assert_eq!(status("GET /page.js", &[("Origin", "http://evil.example")]), 403);
    // Its own does.
    assert_eq!(status("POST /stop", &[("Origin", &page)]), 204);
    assert_eq!(status("GET /", &[("Host", &format!("localhost:{port}"))]), 200);
    for path in
        ["GET /..", "GET /page/../page.js", "GET /%2e%2e/%2e%2e/etc/passwd", "GET /page.js/", "GET /.git", "GET /\\"]
    {
        let reply = request(&page, path, &[("Cookie", &cookie)], "").expect("an answer");
        assert!([400, 404].contains(&reply.status), "{path}: {reply:?}");
    }
    for header in [
        "content-security-policy: default-src 'none'",
        "referrer-policy: no-referrer",
        "x-frame-options: DENY",
        "x-content-type-options: nosniff",
        "cache-control: no-store",
    ] {
        let reply = request(&page, "GET /", &[("Cookie", &cookie)], "").expect("an answer");
        assert!(reply.head.to_lowercase().contains(&header.to_lowercase()), "no {header}:\n{}", reply.head);
        assert!(!reply.head.contains("unsafe-inline"));
    }
}

#[test]
fn the_cookie_is_the_browsers_alone_and_what_is_kept_is_no_secret() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let invitation = laptop.invitation();
    let (page, secret) = parts(&invitation);
    let reply = request(&page, "POST /pair", &[("Origin", &page)], &secret).expect("an answer");
    let cookie = reply.head.lines().find_map(|line| line.strip_prefix("set-cookie: ")).expect("a cookie").to_owned();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    let value = cookie.split(['=', ';']).nth(1).expect("a value");
    let next = parts(&laptop.invitation()).1;
    let arguments = std::fs::read(format!("/proc/{}/cmdline", laptop.id())).expect("a process has arguments");
    let environment = std::fs::read(format!("/proc/{}/environ", laptop.id())).expect("and an environment");
    go_on_until(&mut laptop, is_comfort);
    laptop.leave();

    let mut kept = vec![("arguments".to_owned(), arguments), ("environment".to_owned(), environment)];
    let mut folders = vec![home.path().to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            match path.is_dir() {
                true => folders.push(path),
                false => kept.push((path.display().to_string(), std::fs::read(&path).expect("a file"))),
            }
        }
    }
    assert!(kept.iter().any(|(name, _)| name.contains("data/evenbass/handset")), "where are the phones kept?");
    assert!(kept.iter().any(|(name, _)| name.ends_with(".visit.jsonl")));
    for (name, bytes) in &kept {
        for hidden in [&secret, &next, value] {
            assert!(!bytes.windows(hidden.len()).any(|part| part == hidden.as_bytes()), "{name} holds {hidden}");
        }
    }
    // The lines that show it are the only ones.
    let said = laptop.said();
    let others: Vec<&str> = said.lines().filter(|line| !line.starts_with("handset http://")).collect();
    assert!(!others.iter().any(|line| line.contains(&secret) || line.contains(value)), "{others:?}");
}

#[test]
fn what_is_too_large_or_means_nothing_is_refused_and_the_visit_goes_on() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let cookie = pair(&invitation);
    let own = [("Origin", page.as_str()), ("Cookie", &cookie)];
    let question = laptop.hear_of("ask");

    let large = "x".repeat(300);
    assert_eq!(request(&page, "POST /pair", &[("Origin", &page)], &large).expect("an answer").status, 413);
    let long = format!("GET /{} HTTP/1.1\r\nHost: x\r\n\r\n", "a".repeat(100_000));
    assert!(exchange(&page, long.as_bytes()).is_none_or(|reply| reply.status >= 400));
    let many = format!("GET / HTTP/1.1\r\n{}\r\n", "A: b\r\n".repeat(5000));
    assert!(exchange(&page, many.as_bytes()).is_none_or(|reply| reply.status >= 400));
    for garbage in [&b"\x16\x03\x01\x02\x00\x01"[..], b"\0\0\0\0", b"HELO\r\n\r\n", b"GET\r\n\r\n", &[0xff; 4096]] {
        assert!(exchange(&page, garbage).is_none_or(|reply| reply.status >= 400));
    }

    let mut socket = Page::of(&page, &cookie);
    socket.card(|card| card["question"]["id"] == question["id"]);
    for nonsense in [
        "",
        "{",
        "null",
        "[]",
        "{}",
        "\u{0}",
        r#"{"do":"ceiling"}"#,
        r#"{"do":"leave"}"#,
        r#"{"alive":-1}"#,
        r#"{"do":"stop","then":"x"}"#,
        r#"{"answer":{"question":1}}"#,
        r#"{"answer":{"question":1,"answer":{"answer":"rating","value":9}}}"#,
        r#"{"answer":{"question":1,"answer":{"answer":"yes"},"seconds":1e9}}"#,
        &format!("[{}", "[".repeat(1500)),
    ] {
        socket.say_text(nonsense);
    }
    socket.say_bytes(&[0; 100]);
    socket.say(&json!({ "alive": 7 }));
    assert_eq!(socket.hear_of("alive"), json!(7), "it is still served");
    // A frame that is too large costs the socket; nothing else.
    socket.say_text(&"x".repeat(5000));
    while socket.hear().is_some() {}
    // A frame without a mask, reserved bits, an unknown kind.
    for frame in [&[0x81, 0x02, b'h', b'i'][..], &[0xf1, 0x80, 0, 0, 0, 0], &[0x83, 0x80, 0, 0, 0, 0], &[0x81, 0xff]] {
        let mut socket = Page::of(&page, &cookie);
        socket.stream().write_all(frame).expect("it is open");
        socket.stream().shutdown(std::net::Shutdown::Write).expect("it is open");
        while socket.hear().is_some() {}
    }
    assert_eq!(request(&page, "GET /", &own, "").expect("an answer").status, 200);
    assert!(laptop.heard_since().is_empty(), "the visit has not noticed");
    laptop.say(&json!({ "yes": true, "id": question["id"] }));
    laptop.hear_of("taken");
}

#[test]
fn an_answer_for_another_question_is_refused() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let mut socket = Page::of(&page, &pair(&invitation));
    let first = laptop.hear_of("ask")["id"].as_u64().expect("a number");
    laptop.say(&json!({ "yes": true, "id": first }));
    let second = laptop.hear_of("ask")["id"].as_u64().expect("a number");
    socket.card(|card| card["question"]["id"] == second);
    for wrong in [first, second + 1, 0, u64::MAX] {
        socket.say(&json!({ "answer": { "question": wrong, "answer": { "answer": "yes" } } }));
        let why = socket.hear_of("refused");
        assert!(why.as_str().expect("words").contains("no longer open"), "{why}");
    }
    socket.say(&json!({ "answer": { "question": second, "answer": { "answer": "rating", "value": 0 } } }));
    assert!(socket.hear_of("refused").as_str().expect("words").contains("does not answer this question"));
    assert!(laptop.heard_since().iter().all(|line| line.get("taken").is_none_or(|_| line["id"] == first)));
    socket.say(&json!({ "answer": { "question": second, "answer": { "answer": "yes" } } }));
    assert_eq!(laptop.hear_until(|line| line.get("taken").is_some() && line["id"] != first)["id"], second);
    socket.card(|card| card["taken_id"] == second);
}

#[test]
fn a_phone_raises_the_comfort_level_only_in_charge_and_only_so_far() {
    let home = home();
    let mut laptop = laptop(home.path(), &["--handset-louder-to", "-55"]);
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let (mut one, mut other) = (Page::of(&page, &pair(&invitation)), Page::of(&page, &pair(&laptop.invitation())));
    let comfort = go_on_until(&mut laptop, is_comfort);
    let level = |card: &Value| card["question"]["nudge"]["now"].as_f64();
    let louder = json!({ "do": "louder" });
    // The script answered last, so that neither phone may.
    for phone in [&mut one, &mut other] {
        phone.card(|card| card["question"]["id"] == comfort["id"]);
        phone.say(&louder);
        assert!(phone.hear_of("refused").as_str().expect("words").contains("Another screen"));
    }
    one.say(&json!({ "do": "pause" }));
    one.card(|card| !card["paused"].is_null());
    one.say(&json!({ "do": "continue" }));
    let begun = one.card(|card| card["paused"].is_null() && level(card).is_some());
    assert_eq!(begun["question"]["nudge"]["blocked"], Value::Null);
    let mut now = level(&begun).expect("a level");
    assert_eq!(now, -60.0);
    while now < -55.0 {
        one.say(&louder);
        now = level(&one.card(|card| level(card).is_some_and(|level| level > now))).expect("a level");
    }
    for _ in 0..20 {
        one.say(&louder);
    }
    assert!(one.hear_of("refused").as_str().expect("words").contains("A phone may raise it to -55.0 dBFS"));
    other.say(&louder);
    assert!(other.hear_of("refused").as_str().expect("words").contains("Another screen"));
    // Quieter is everybody's; the laptop may go further.
    other.say(&json!({ "do": "quieter" }));
    one.card(|card| level(card) == Some(-56.0));
    for wanted in [-55.0, -54.0] {
        laptop.say(&json!({ "do": "louder" }));
        one.card(|card| level(card) == Some(wanted));
    }
    // Answering fixes the level that was reached, and no phone moves it afterwards.
    laptop.say(&json!({ "yes": true }));
    one.card(|card| card["question"]["input"] == "confirm");
    one.say(&louder);
    assert!(one.hear_of("refused").as_str().expect("words").contains("nothing to raise"));
    laptop.leave();
    let text = std::fs::read_to_string(visit_file(home.path())).expect("a visit");
    assert_eq!(text.matches(r#""louder""#).count(), 7, "five from the phone, two from the laptop");
}

#[test]
fn ten_thousand_actions_are_bounded() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let cookie = pair(&invitation);
    let before_kb = laptop.most_memory_kb();
    let question = laptop.hear_of("ask");
    for action in ["undo", "again", "back", "pause", "louder", "quieter"] {
        let mut socket = Page::of(&page, &cookie);
        for _ in 0..10_000 {
            if !socket.say(&json!({ "do": action })) {
                break;
            }
        }
        drop(socket);
    }
    let mut socket = Page::of(&page, &cookie);
    socket.say(&json!({ "do": "continue" }));
    let card = socket.card(|card| card["paused"].is_null() && !card["question"].is_null());
    socket.say(&json!({ "answer": { "question": card["question"]["id"], "answer": { "answer": "yes" } } }));
    socket.card(|card| card["taken_id"] == card["taken_id"] && !card["taken_id"].is_null());
    assert!(laptop.runs());
    let grown_kb = laptop.most_memory_kb() - before_kb;
    assert!(grown_kb < 32 * 1024, "{grown_kb} kB for nothing");
    let _ = question;
}

#[test]
fn five_hundred_connections_and_slow_ones_leave_the_phone_its_place() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let cookie = pair(&invitation);
    let mut phone = Page::of(&page, &cookie);
    let question = laptop.hear_of("ask");
    phone.card(|card| card["question"]["id"] == question["id"]);
    let before_kb = laptop.most_memory_kb();
    let address = page.trim_start_matches("http://");
    // Each says a little and then nothing, as slowly as it can.
    let mut slow: Vec<TcpStream> = (0..500).filter_map(|_| TcpStream::connect(address).ok()).collect();
    for stream in &mut slow {
        stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a socket has timeouts");
        let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: ");
    }
    phone.say(&json!({ "alive": 1 }));
    assert_eq!(phone.hear_of("alive"), json!(1));
    phone.say(&json!({ "answer": { "question": question["id"], "answer": { "answer": "yes" } } }));
    phone.card(|card| card["taken_id"] == question["id"]);
    // All are hung up on, without a word more from them.
    for stream in &mut slow {
        let mut rest = Vec::new();
        let _ = stream.read_to_end(&mut rest);
        assert!(rest.len() < 1000);
    }
    assert_eq!(request(&page, "GET /", &[("Cookie", &cookie)], "").expect("an answer").status, 200);
    let grown_kb = laptop.most_memory_kb() - before_kb;
    assert!(grown_kb < 32 * 1024, "{grown_kb} kB for nothing");
    assert!(laptop.runs());
}

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
    let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = taken.local_addr().expect("an address").to_string();
    assert!(refused(&address).contains(&format!("another program serves {address}")));
    let left = std::fs::read_dir(home.path()).expect("a folder").flatten();
    assert!(left.map(|entry| entry.file_name()).all(|name| !name.to_string_lossy().ends_with(".visit.jsonl")));
}

#[test]
fn the_terminal_offers_a_handset_shows_its_code_and_removes_phones() {
    let home = home();
    let mut command = evenbass(home.path());
    command.env("XDG_DATA_HOME", home.path().join("data"));
    command.args(["rehearse", "--face", "terminal", "--room", "room.toml", "--notes", "short", "--kit", "kit.toml"]);
    command.args(["--folder", "."]);
    let mut screen = support::screen::Screen::start(command);
    screen.wait_for("h phone");
    screen.press("h");
    screen.wait_for("On which network is the phone?");
    assert!(!screen.text().contains("http://"), "it is served before anybody said where");
    let text = screen.text();
    let choice = text.lines().find(|line| line.contains("(this machine only)")).expect("loopback can be chosen");
    screen.press(choice.trim().get(..1).expect("a key"));
    screen.wait_for("Scan this with the phone");
    let invitation = |text: &str| {
        let find = |start: &str| {
            let at = text.find(start).unwrap_or_else(|| panic!("no {start} in\n{text}"));
            text[at..].split_whitespace().next().expect("a word").to_owned()
        };
        format!("{}{}", find("http://127.0.0.1:"), find("#"))
    };
    let shown = invitation(&screen.text());
    let (page, _) = parts(&shown);
    let cookie = pair(&shown);
    let mut socket = Page::of(&page, &cookie);
    socket.hear_of("card");
    screen.wait_for("1 removes phone 1, in touch");
    assert_ne!(invitation(&screen.text()), shown, "the next phone has a code of its own");
    // The visit goes on under it: stop is where it always is.
    screen.press(" ");
    socket.card(|card| !card["paused"].is_null());
    screen.press("1");
    screen.wait_for("Phone 1 was removed");
    assert_eq!(socket.hear_of("over"), json!("This phone was removed at the laptop."));
    while socket.hear().is_some() {}
    assert_eq!(request(&page, "GET /page.js", &[("Cookie", &cookie)], "").expect("an answer").status, 401);
    screen.press("h");
    screen.wait_for("h phone");
    screen.press("q");
    assert_eq!(screen.end(), 0, "{}", screen.raw);
    assert!(!screen.raw.contains("handset http"), "a full screen has no line for scripts");
}
