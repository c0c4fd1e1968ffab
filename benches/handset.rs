//! From a thumb to the sound, what the page weighs and how soon it is seen. Run with `cargo bench --bench handset`;
//! needs Chromium for the paints, which stand beside those of a page of one word: the browser's own part.
//!
//! A tap is the moment at which a page's message is written to its socket on loopback; it has had its effect when the
//! device is handed the first sample that is not what would have sounded on. The device is one without hardware, at 256
//! frames: a real one's own buffers come on top. Goal: a median of 15 ms, 99 in 100 below 30 ms.

#[path = "../tests/support/mod.rs"]
mod support;

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use evenbass::faces::handset::{Handset, Store, Wanted, listen};
use evenbass::units::{Dbfs, FrameCount};
use evenbass::view::{Action, Ask, Wires};
use serde_json::json;
use support::browser::{Browser, Phone, page_elsewhere};
use support::compare::{SAME, rendered, tones};
use support::laptop::{Laptop, Page, pair, parts, request};
use support::live;
use support::script::evenbass;

const BUFFER_FRAMES: u64 = 256;
const TAPS: usize = 120;
const PAINTS: usize = 25;
/// A tone sounds for so long before it is stopped, and a little longer each time, so that taps fall anywhere in a
/// buffer.
const STEADY: Duration = Duration::from_millis(250);
const LATER: Duration = Duration::from_micros(970);

/// A block as the device was handed it.
type Block = (Instant, Vec<f32>);

fn main() {
    // `cargo bench --bench handset -- paint` leaves the taps out.
    if !std::env::args().any(|argument| argument == "paint") {
        latency();
    }
    weight_and_paint();
}

fn latency() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("bench.visit.jsonl");
    let blocks: Arc<Mutex<Vec<Block>>> = Arc::default();
    let (handset, wires, conducting) = visit(folder.path(), &file, &blocks);
    handset.serve(listen(Wanted::ANY, None).expect("a free port")).expect("it is served");
    let invitation = handset.invitation().expect("an invitation");
    let mut page = Page::of(&parts(&invitation).0, &pair(&invitation));
    // Up to the tone that sounds until it is stopped.
    for view in &wires.views {
        let Some(question) = &view.question else { continue };
        if matches!(question.ask, Ask::Comfort { .. }) {
            break;
        }
        let answer = Action::Answer {
            question: question.id,
            answer: evenbass::routine::question::Answer::Yes,
            rattles: false,
            seconds: None,
        };
        wires.actions.send((wires.face, answer)).expect("the conductor listens");
    }
    let mut taps = Vec::new();
    for tap in 0..TAPS {
        page.card(|card| card["sounding"] == true && card["paused"].is_null());
        let until = Instant::now() + STEADY + LATER * tap as u32;
        while Instant::now() < until {
            wires.actions.send((wires.face, Action::Alive)).expect("the conductor listens");
            std::thread::sleep(Duration::from_millis(5));
        }
        let at = Instant::now();
        page.say(&json!({ "do": "stop" }));
        taps.push(at);
        page.card(|card| card["sounding"] == false && !card["paused"].is_null());
        page.say(&json!({ "do": "continue" }));
    }
    wires.actions.send((wires.face, Action::Leave)).expect("the conductor listens");
    drop(wires);
    conducting.join().expect("the conductor ends");
    handset.close();

    let blocks = std::mem::take(&mut *blocks.lock().expect("nobody else has it"));
    let samples: Vec<f32> = blocks.iter().flat_map(|(_, block)| block.iter().copied()).collect();
    let mut times = Vec::new();
    let mut from = 0;
    for (tone, tap) in tones(&file).iter().zip(&taps) {
        let going_on = rendered(&tone.recipe, tone.level, tone.frames, false);
        let skipped = going_on.iter().position(|sample| *sample != 0.0).expect("a tone");
        let begin = from + samples[from..].iter().position(|sample| *sample != 0.0).expect("a tone") - skipped;
        let heard = &samples[begin..begin + tone.frames];
        let changed = heard.iter().zip(&going_on).position(|(a, b)| f64::from((a - b).abs()) > SAME * 1e-3);
        let changed = begin + changed.expect("it was stopped");
        times.push(blocks[changed / BUFFER_FRAMES as usize].0.saturating_duration_since(*tap));
        from = begin + tone.frames;
    }
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    println!(
        "tap to first changed sample, {BUFFER_FRAMES} frames, {} taps, {}: median {:.1} ms, 99 in 100 below {:.1} ms, longest {:.1} ms",
        times.len(),
        load(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
}

/// A visit on a device without hardware, with a face that answers and a handset.
fn visit(
    folder: &Path,
    file: &Path,
    blocks: &Arc<Mutex<Vec<Block>>>,
) -> (Handset, Wires, std::thread::JoinHandle<evenbass::conductor::Ending>) {
    let kept = blocks.clone();
    let take = Box::new(move |block: &[f32]| kept.lock().expect("nobody else").push((Instant::now(), block.to_vec())));
    let mut conductor = live::conductor(file, FrameCount(BUFFER_FRAMES), take);
    let wires = conductor.face().expect("a face");
    let phones = conductor.face().expect("a face");
    let store = Store::of_visit(folder, file);
    let handset = Handset::new(phones, store, Dbfs::new(-30.0), Box::new(|_| {})).expect("a handset");
    let conducting = std::thread::spawn(move || conductor.run());
    (handset, wires, conducting)
}

fn weight_and_paint() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let mut command = evenbass(home.path());
    command.env("XDG_DATA_HOME", home.path().join("data"));
    command.args(["rehearse", "--face", "json", "--room", "room.toml", "--notes", "short", "--kit", "kit.toml"]);
    command.args(["--folder", ".", "--handset"]);
    let laptop = Laptop::start(command);
    let invitation = laptop.invitation();
    let (page, _) = parts(&invitation);
    let cookie = pair(&invitation);
    let reply = request(&page, "GET /", &[("Cookie", &cookie)], "").expect("an answer");
    println!("page weight with headers, all told: {} bytes", reply.head.len() + 4 + reply.body.len());

    let browser = Browser::start();
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    phone.wait_for_text("STOP");
    phone.call("Emulation.setCPUThrottlingRate", json!({ "rate": 4 }));
    println!("the processor slowed 4 times, {}:", load());
    paints(&phone, "the handset's page", &format!("{page}/"), "document.querySelector('.lead')");
    paints(
        &phone,
        "a page of one word, from here",
        &format!("http://{}/", page_elsewhere()),
        "document.querySelector('p')",
    );
}

/// First paint and first contentful paint of an address, as the browser counts them from the request on.
fn paints(phone: &Phone, what: &str, address: &str, settled: &str) {
    let mut times: Vec<[f64; 2]> = (0..PAINTS)
        .map(|_| {
            phone.go("about:blank");
            phone.go(address);
            phone.wait(&format!("performance.getEntriesByType('paint').length > 1 && {settled}"));
            ["first-paint", "first-contentful-paint"].map(|paint| {
                let asked = format!("performance.getEntriesByName('{paint}')[0].startTime");
                phone.ask(&asked).as_f64().expect("a time")
            })
        })
        .collect();
    let mut say = |at: usize, name: &str| {
        times.sort_by(|a, b| a[at].total_cmp(&b[at]));
        let (median, longest) = (times[PAINTS / 2][at], times[PAINTS - 1][at]);
        println!("  {what}: {name} median {median:.0} ms, longest of {PAINTS} {longest:.0} ms");
    };
    say(0, "first paint");
    say(1, "first contentful paint");
}

/// How busy the machine is, in the words of the system.
fn load() -> String {
    let text = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    format!("load {} on {cores} cores", text.split(' ').next().unwrap_or("unknown"))
}
