//! Who is let in, and what they who are not can learn.

use serde_json::json;

use crate::support::laptop::{Page, exchange, pair, parts, request, visit_file};
use crate::support::screen::Screen;
use crate::support::script::evenbass;
use crate::{go_on_until, home, is_comfort, laptop, paired};

/// Everything that is served to a paired phone.
const ROUTES: [&str; 2] = ["GET /socket", "POST /stop"];

#[test]
fn without_a_cookie_there_is_only_the_page_that_pairs() {
    let home = home();
    let laptop = laptop(home.path(), &[]);
    let (page, _) = parts(&laptop.invitation());
    let first = request(&page, "GET /", &[], "").expect("an answer");
    assert_eq!(first.status, 200);
    assert!(first.body.contains("Pairing this screen"), "{}", first.body);
    for word in ["rehearsal", "garden room", "window corner", "/socket", "/stop"] {
        assert!(!first.body.contains(word), "it says {word}");
    }
    for route in ROUTES.iter().chain(&[
        "GET /page.js",
        "GET /sheet",
        "GET /../Cargo.toml",
        "GET /%2e%2e/etc/passwd",
        "DELETE /",
        "GET //",
    ]) {
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
    assert_eq!(request(&page, "HEAD /", &[], "").expect("an answer").status, 401);
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
    assert_eq!(request(&page, "HEAD /", &[("Cookie", &cookie)], "").expect("an answer").status, 200);
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
    let (page, cookie) = paired(&laptop);
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
        for route in ["GET /", "HEAD /", "POST /stop", "POST /pair"] {
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
    assert_eq!(status("GET /", &[("Origin", "http://evil.example")]), 403);
    // Its own does.
    assert_eq!(status("POST /stop", &[("Origin", &page)]), 204);
    assert_eq!(status("GET /", &[("Host", &format!("localhost:{port}"))]), 200);
    for path in
        ["GET /..", "GET /page/../page.html", "GET /%2e%2e/%2e%2e/etc/passwd", "GET /stop/", "GET /.git", "GET /\\"]
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
fn a_second_program_on_the_visit_is_refused_in_words_and_the_phone_stays_with_the_first() {
    let home = home();
    let mut laptop = laptop(home.path(), &[]);
    let (page, cookie) = paired(&laptop);
    let mut phone = Page::of(&page, &cookie);
    let question = go_on_until(&mut laptop, is_comfort);
    let file = visit_file(home.path());
    let mut command = evenbass(home.path());
    command
        .env("XDG_DATA_HOME", home.path().join("data"))
        .args(["resume", "--face", "json"])
        .arg(&file)
        .arg("--handset");
    let second = command.stdin(std::process::Stdio::null()).output().expect("the program starts");
    let said = String::from_utf8(second.stderr).expect("text");
    assert!(!second.status.success() && said.contains("another evenbass"), "{said}");
    assert!(!said.contains("handset http"), "nothing else serves the visit: {said}");
    phone.card(|card| card["question"]["id"] == question["id"]);
    phone.say(&json!({ "do": "stop" }));
    phone.card(|card| !card["paused"].is_null());
    assert!(laptop.runs());
}

#[test]
fn the_terminal_offers_a_handset_shows_its_code_and_removes_phones() {
    let home = home();
    let mut command = evenbass(home.path());
    command.env("XDG_DATA_HOME", home.path().join("data"));
    command.args(["rehearse", "--face", "terminal", "--room", "room.toml", "--notes", "short", "--kit", "kit.toml"]);
    command.args(["--folder", "."]);
    let mut screen = Screen::start(command);
    screen.wait_for("h phone");
    screen.press("h");
    screen.wait_for("On which network is the phone?");
    assert!(!screen.text().contains("http://"), "it is served before anybody said where");
    let text = screen.text();
    let choice = text.lines().find(|line| line.contains("(this machine only)")).expect("loopback can be chosen");
    screen.press(choice.trim().get(..1).expect("a key"));
    // A code is of no use there: a phone that scanned it would look in itself.
    screen.wait_for("Only this machine's own browser can show the page.");
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
    assert_eq!(request(&page, "HEAD /", &[("Cookie", &cookie)], "").expect("an answer").status, 401);
    screen.press("h");
    screen.wait_for("h phone");
    screen.press("q");
    assert_eq!(screen.end(), 0, "{}", screen.raw);
    assert!(!screen.raw.contains("handset http"), "a full screen has no line for scripts");
}
