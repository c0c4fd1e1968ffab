//! The same systems taken through whole visits: the program on its JSON face and on the fast clock, with its own
//! questions, and a simulated person on the other side of the pipe.

use std::fmt::Write as _;
use std::fs;

use evenbass::blend::{Channels, Connection, Scale};
use evenbass::presets::ListenerTraits;
use evenbass::rehearsal::{BlendPerson, VirtualSystem};
use evenbass::view::{Answer, Ask, Hearing, Scene, Topic};
use serde::Serialize;
use serde_json::{Value, json};

use crate::script::{Talk, evenbass};

/// Where a divided system is divided when it comes to the tuning: what the routine puts the processor to.
const DIVIDED_AT_HZ: f64 = 70.0;
/// The simulated person finds this level of the reference tone comfortable, dBFS.
const COMFORTABLE_DBFS: f64 = -30.0;

/// How a visit ended.
pub struct Visit {
    /// Where the controls were left by the time the result was checked, in the system's order.
    pub setting: Vec<f64>,
    /// The person's time over the whole blend by the visit's own clock, from its first answer to its last, seconds.
    pub seconds: f64,
    /// Settings that were heard, if it was tuned.
    pub passes: usize,
}

/// A system as a visit meets it: music alone, and divided where the routine divides.
pub fn system(connection: Connection, seed: u64) -> VirtualSystem {
    let mut system = VirtualSystem::random(connection, seed);
    system.system.two_channel = true;
    if connection == Connection::Lfe {
        system.crossover_hz = DIVIDED_AT_HZ;
    }
    system
}

/// Takes a system through a visit by a routine.
pub fn visit(connection: Connection, seed: u64, traits: ListenerTraits, routine: Option<&str>) -> Visit {
    let home = tempfile::tempdir().expect("a temporary folder");
    let virtual_system = system(connection, seed);
    fs::write(home.path().join("system.toml"), file(&virtual_system)).expect("a file");
    let mut command = evenbass(home.path());
    command.args(["rehearse", "--face", "json", "--system", "system.toml", "--placed", "--folder", "."]);
    command.args(["--seed", &seed.to_string()]);
    if let Some(routine) = routine {
        command.args(["--routine", routine]);
    }
    let start = virtual_system.start.clone();
    let mut person = BlendPerson::new(virtual_system, traits, seed);
    let mut visit = Visit { setting: Vec::new(), seconds: 0.0, passes: 0 };
    let mut talk = Talk::start(command);
    loop {
        let line = talk.hear().expect("a visit goes on until it is done");
        if line.get("done").is_some() {
            let exported = fs::read_to_string(home.path().join("rehearsal.evidence.json")).expect("an export");
            let exported: Value = serde_json::from_str(&exported).expect("JSON");
            visit.seconds = exported["blend"]["seconds"].as_f64().expect("how long it took");
            return visit;
        }
        assert!(line.get("paused").is_none(), "nobody stopped it: {line}");
        if line.get("ask").is_none() {
            continue;
        }
        let mut said = match line.get("scene").filter(|scene| !scene.is_null()) {
            Some(scene) => {
                let scene: Scene = serde_json::from_value(scene.clone()).expect("a scene");
                let (answer, seconds) = person.answer(&asked(&line), &scene);
                if let Hearing::Band { at: 0, .. } = scene.hearing {
                    visit.passes += 1;
                }
                if visit.setting.is_empty() && matches!(scene.hearing, Hearing::Note { .. }) {
                    let stands = scene.standing.values.iter().zip(&start);
                    visit.setting = stands.map(|(value, start)| value.unwrap_or(*start)).collect();
                }
                let mut said = words(&answer);
                said["seconds"] = json!(seconds);
                said
            }
            None if line["topic"] == "comfort" && line["level_dbfs"].as_f64() < Some(COMFORTABLE_DBFS) => {
                json!({ "louder": true })
            }
            None => json!({ "yes": true }),
        };
        said["id"] = line["id"].clone();
        talk.say(&said);
    }
}

/// A question as far as the simulated person needs it.
fn asked(line: &Value) -> Ask {
    let topic: Topic = serde_json::from_value(line["topic"].clone()).unwrap_or(Topic::Turn);
    let number = |key: &str| line[key].as_f64();
    match line["ask"].as_str() {
        Some("choose") => {
            let options = line["options"].as_array().map(Vec::as_slice).unwrap_or_default();
            Ask::Choose { topic, options: options.iter().filter_map(|said| said.as_str().map(str::to_owned)).collect() }
        }
        Some("number") => Ask::Number {
            topic,
            unit: "",
            low: number("low").unwrap_or(f64::NEG_INFINITY),
            high: number("high").unwrap_or(f64::INFINITY),
            default: number("default"),
        },
        _ => Ask::Confirm { topic, yes: String::new(), no: None },
    }
}

fn words(answer: &Answer) -> Value {
    match answer {
        Answer::Rating(rating) => json!({ "rating": rating.step() }),
        Answer::Choice(choice) => json!({ "choice": choice }),
        Answer::Number(number) => json!({ "number": number }),
        Answer::No => json!({ "yes": false }),
        _ => json!({ "yes": true }),
    }
}

/// The file that the owner of a system would write.
fn file(system: &VirtualSystem) -> String {
    let about = &system.system;
    let Channels { left, right, subwoofer } = about.channels;
    let mut text = format!(
        "name = \"simulated\"\nconnection = {}\ntwo_channel = true\nmains_low_hz = {:?}\n[channels]\nleft = {left}\nright = {right}\n",
        word(about.connection),
        about.mains.rated_low_hz
    );
    if let Some(channel) = subwoofer {
        let _ = writeln!(text, "subwoofer = {channel}");
    }
    for (control, now) in about.controls.iter().zip(&system.start) {
        let (role, on, unit) = (word(control.role), word(control.on), word(control.unit));
        let _ = writeln!(text, "[[control]]\nrole = {role}\non = {on}\nunit = {unit}\nnow = {now:?}");
        let _ = match &control.scale {
            Scale::Positions(positions) => writeln!(text, "positions = {positions:?}"),
            Scale::Range { low, high, step } => {
                let step = step.map(|step| format!("step = {step:?}\n")).unwrap_or_default();
                write!(text, "low = {low:?}\nhigh = {high:?}\n{step}")
            }
        };
    }
    text
}

/// A word as it is written in files, quotes included.
fn word(value: impl Serialize) -> String {
    serde_json::to_string(&value).expect("a word")
}
