//! A whole blend on the phone: every kind of question that it has, looked at and answered there, to the end.
#![cfg(target_os = "linux")]

mod support;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::{Value, json};
use support::browser::{Browser, Phone};
use support::laptop::Laptop;
use support::looker::{Looker, take_number};
use support::script::evenbass;

/// Both ways into the subwoofer, and a switch of its own.
const SYSTEM: &str = r#"
name = "den"
connection = "both"
mains_low_hz = 55.0

[[control]]
role = "level"
name = "GAIN"
unit = "dB"
low = -4.0
high = 4.0
step = 1.0

[[control]]
role = "low-pass"
name = "X-OVER"
unit = "Hz"
low = 40.0
high = 160.0
step = 5.0

[[control]]
role = "polarity"

[[control]]
role = "level"
on = "processor"
unit = "dB"
low = -10.0
high = 10.0
step = 0.5
"#;

/// A channel that leads to the subwoofer alone.
const OWN_CHANNEL: &str = "\n[channels]\nleft = 1\nright = 2\nsubwoofer = 3\n";

/// One control after the other, in a short row of the steps that are not in the usual routine.
const HOUSE_ROUTINE: &str = r#"
name = "house"
about = "What the usual routine does not ask."
fits = ["both"]

[[step]]
do = "sweep"
why = "The subwoofer has a channel of its own."

[[step]]
do = "tree"
control = "polarity"
why = "Polarity is which way the cone moves first."
[[step.pair]]
name = "which way round"
compare = [0.0, 180.0]

[[step]]
do = "bracket"
control = "level"
on = "subwoofer"
why = "Raise it until the bass is heard from the subwoofer, back off until it comes from the main speakers."

[[step]]
do = "match"
control = "level"
on = "processor"
why = "A band below and a band above the crossover, equally loud."

[[step]]
do = "verify"
"#;

fn rehearsal(home: &Path, system: &str, options: &[&str]) -> Laptop {
    let mut command = evenbass(home);
    let routines = home.join("config/evenbass/routines");
    std::fs::create_dir_all(&routines).expect("folders can be made");
    std::fs::write(routines.join("house.toml"), HOUSE_ROUTINE).expect("files can be written");
    std::fs::write(home.join("system.toml"), system).expect("files can be written");
    command.env("XDG_DATA_HOME", home.join("data"));
    command.args(["rehearse", "--placed", "--system", "system.toml", "--face", "json", "--room", "room.toml"]);
    command.args(["--notes", "short", "--kit", "kit.toml", "--seed", "7", "--folder", ".", "--handset"]).args(options);
    Laptop::start(command)
}

/// What somebody presses who hears by rule: the bass pulls beyond the middle of the level's scale, a setting nearer to
/// 0 is better than the first of two, which is kept until the second is heard.
fn press(phone: &Phone, question: &Value, first: &mut Vec<f64>) {
    let scene = &question["scene"];
    let sounds = scene["sounds"].as_array().map(Vec::as_slice).unwrap_or_default();
    let values = |sound: &Value| -> Vec<f64> {
        let values = sound["setup"]["values"].as_array();
        values.map(|values| values.iter().map(|value| value.as_f64().unwrap_or(0.0)).collect()).unwrap_or_default()
    };
    let pick = |at: u64| phone.tap(&format!(".pick button:nth-child({at})"));
    match (scene["hearing"]["about"].as_str(), question["ask"].as_str()) {
        (Some("side"), _) => pick(sounds[0]["part"]["routes"][0]["channel"].as_u64().expect("a channel")),
        (Some("middle"), _) => {
            let same = |sound: &&Value| {
                sound["part"]["routes"].as_array().is_some_and(|routes| routes.iter().all(|to| to["inverted"] != true))
            };
            pick(1 + sounds.iter().find(same).expect("one is the same")["choice"].as_u64().expect("a choice"))
        }
        (Some("better"), _) => {
            let from_zero = |values: &[f64]| values.iter().map(|value| value.abs()).sum::<f64>();
            // Where a hand sets the two, only the second sounds with the question.
            let [first, second] = match sounds {
                [first, second] => [values(first), values(second)],
                _ => [std::mem::take(first), values(sounds.last().expect("the second"))],
            };
            pick(match from_zero(&first).total_cmp(&from_zero(&second)) {
                std::cmp::Ordering::Less => 1,
                std::cmp::Ordering::Greater => 2,
                std::cmp::Ordering::Equal => 3,
            })
        }
        (Some("first"), _) => {
            *first = values(&sounds[0]);
            phone.tap(".lead");
        }
        (Some("fullest"), _) => pick(3),
        (Some("pull"), _) => {
            let is_far = values(&sounds[0])[0] > 0.0;
            phone.tap(&format!("#answers button:nth-child({})", if is_far { 1 } else { 2 }));
        }
        (Some("louder"), _) => phone.tap("#answers button:nth-child(2)"),
        (_, Some("rate")) => pick(4),
        (_, Some("choose")) => pick(1),
        (_, Some("number")) => take_number(phone, question),
        (_, Some("text")) => phone.tap("[data-k=take]"),
        _ => phone.tap(".lead"),
    }
}

/// So many of a kind that comes again and again are answered on the phone.
const FEW: usize = 5;

/// Answers a whole blend on the phone, and looks at every kind of question; what was asked, by topic or kind.
fn walk(laptop: &mut Laptop, pictures: &str) -> BTreeSet<String> {
    let browser = Browser::start();
    // Its inputs are those of the other visits; what differs is how long its texts are.
    let mut looker = Looker::brief();
    let phone = browser.phone();
    phone.go(&laptop.invitation());
    let (mut seen, mut asked) = (BTreeMap::<String, usize>::new(), BTreeSet::new());
    let (mut at_subwoofer, mut answers, mut first) = (false, 0, Vec::new());
    loop {
        let line = laptop.hear_until(|line| line.get("ask").is_some() || line.get("done").is_some());
        if line.get("done").is_some() {
            break;
        }
        let text = line["text"].as_str().expect("a text");
        let topic = line["topic"].as_str().or(line["ask"].as_str()).expect("a kind");
        asked.insert(topic.to_owned());
        if topic == "near-subwoofer" {
            at_subwoofer = !text.contains("back");
        }
        let about = line["scene"]["hearing"]["about"].as_str().unwrap_or("");
        let screen = format!("{topic}-{about}{}", if at_subwoofer { "-near" } else { "" });
        let before = seen.get(&screen).copied().unwrap_or(0);
        seen.insert(screen.clone(), before + 1);
        answers += 1;
        // Ratings and turns of a knob are many, and one is like the other: the rest is said at the laptop, where it may
        // be said just as well.
        let said = match topic {
            "rate" if before > 0 => Some(json!({ "id": line["id"], "rating": 0 })),
            "turn" if before > FEW => Some(json!({ "id": line["id"], "yes": true })),
            _ => None,
        };
        if let Some(said) = said {
            laptop.say(&said);
            laptop.hear_of("taken");
            continue;
        }
        phone.wait(&format!("document.body && document.body.dataset.question === '{}'", line["id"]));
        phone.settle(text);
        if before == 0 {
            looker.look(&phone, &format!("{pictures}-{:02}-{screen}", seen.len()));
        }
        if topic == "rate" {
            // Where it is heard is said as it is.
            let place = phone.ask("document.querySelector('.note').innerText");
            assert_eq!(place.as_str().expect("words").contains("the subwoofer"), at_subwoofer, "{place}");
        }
        if topic == "comfort" {
            // At the lowest level it would be asked whether it is heard at all.
            phone.tap("[data-k=louder]");
            laptop.hear_of("ask");
            phone.settle("-59 dBFS");
        }
        press(&phone, &line, &mut first);
        let taken = laptop.hear_of("taken");
        phone.wait(&format!("document.body.dataset.taken === '{}'", taken["id"]));
    }
    phone.settle("The visit is complete.");
    looker.look(&phone, &format!("{pictures}-99-done"));
    println!("{answers} answers, {} screens", seen.len());
    assert!(looker.wrong.is_empty(), "{}", looker.wrong.join("\n"));
    asked
}

fn assert_asked(asked: &BTreeSet<String>, wanted: &[&str]) {
    for topic in wanted {
        assert!(asked.contains(*topic), "no {topic} in {asked:?}");
    }
}

#[test]
fn a_blend_by_rated_bands_goes_through_on_the_phone() {
    let home = tempfile::tempdir().expect("a folder");
    let mut laptop = rehearsal(home.path(), SYSTEM, &[]);
    let asked = walk(&mut laptop, "80");
    assert_asked(
        &asked,
        &["safety", "mains-sounding", "comfort", "channel-side", "channel-middle", "subwoofer-sounds"],
    );
    assert_asked(&asked, &["wiring", "told", "control-before", "turn", "rate", "subwoofer-switched"]);
    assert_asked(&asked, &["blend-checked", "seat-even", "heard-by"]);
}

#[test]
fn a_blend_of_one_control_after_the_other_goes_through_on_the_phone() {
    let home = tempfile::tempdir().expect("a folder");
    let mut laptop = rehearsal(home.path(), &format!("{SYSTEM}{OWN_CHANNEL}"), &["--routine", "house"]);
    let asked = walk(&mut laptop, "90");
    assert_asked(
        &asked,
        &["turn", "first-heard", "better", "fullest", "bass-pulls", "low-louder", "seat-even", "heard-by"],
    );
}
