//! How a blend is gone about: its steps, in order, each with its conditions. Data, so that a fitter can write a house
//! routine.

use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::blend::{Connection, Device, Role};
use crate::presets::{Embedded, Kind, PresetError};
use crate::toml_file::{TomlError, nearest_word, parse_toml};

macro_rules! embed {
    ($name:literal) => {
        Embedded {
            name: $name,
            path_label: concat!("presets/routines/", $name, ".toml"),
            text: include_str!(concat!("../../presets/routines/", $name, ".toml")),
        }
    };
}

/// Routines.
pub const ROUTINES: Kind = Kind {
    what: "routine",
    folder: "routines",
    embedded: &[embed!("two-channel"), embed!("lfe"), embed!("both"), embed!("assistant")],
};

/// The steps of a blend.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlendRoutine {
    /// What it is called.
    pub name: String,
    /// When it is right, one sentence.
    pub about: String,
    /// The connections it is for.
    pub fits: Vec<Connection>,
    /// Its steps, in order.
    pub steps: Vec<BlendStep>,
}

/// One step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlendStep {
    /// What is done.
    pub what: StepKind,
    /// The control it is about. Where the system has none, the step does not appear.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub control: Option<ControlName>,
    /// All of these have to hold; otherwise the step does not appear.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub when: Vec<Condition>,
    /// Why, as it is told; may be empty.
    #[serde(default)]
    pub why: String,
}

/// A control by what it does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ControlName {
    /// What it does.
    pub role: Role,
    /// On which box; the subwoofer before the processor if nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<Device>,
}

/// What a step does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum StepKind {
    /// Which outputs reach the subwoofer; crossed, missing and inverted channels.
    Connection,
    /// Put the control to a value.
    Set(Target),
    /// Turn the control up until the bass pulls towards the subwoofer, and back off; from both sides, until two runs
    /// agree.
    Bracket,
    /// Compare two settings of the control blind; the answer leads to the next pair.
    Tree(Vec<Pair>),
    /// From the extremes of the control closer and closer to 0; keep the favourite.
    Narrow,
    /// Low-pass, level, polarity, phase and time together, by rated bands across the crossover.
    Tune,
    /// Polarity and delay on the subwoofer's own channel, without a hand on any knob.
    Sweep,
    /// Make a band below and a band above the crossover equally loud, with this control.
    Match,
    /// The level for films, over that for music, dB.
    Film(f64),
    /// Something to know, shown once.
    Say(String),
    /// Notes across the crossover, rated or metered.
    Check,
    /// Every seat hears the notes, and the result is signed off.
    Verify,
}

/// A value for a control.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Target {
    /// In the control's unit.
    Value(f64),
    /// Share of its travel, 0 to 1.
    OfTravel(f64),
    /// Share of the mains' rated lower limit.
    OfMainsLow(f64),
    /// As it stands, with the latency of the wireless link added to the distance.
    Latency,
}

/// Two settings to be compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pair {
    /// What the pair is called.
    pub name: String,
    /// The two values.
    pub compare: [f64; 2],
    /// The pair that follows if the first value is better; the first is kept if there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first: Option<String>,
    /// The pair that follows if the second value is better.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<String>,
}

/// What has to hold for a step to appear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// Left and right line inputs are connected.
    Line,
    /// The LFE output is connected.
    Lfe,
    /// Music alone.
    TwoChannel,
    /// Film sound is played as well.
    Film,
    /// The link is wireless.
    Wireless,
    /// A channel of the sound output leads to the subwoofer alone.
    OwnChannel,
    /// None does.
    NoOwnChannel,
    /// There is no phase control.
    WithoutPhase,
    /// Main speakers that do little below 80 Hz.
    SmallMains,
    /// Others.
    LargeMains,
    /// The connection check found that a two-channel signal reaches the subwoofer.
    BassFromTwoChannel,
    /// It does not, or nobody checked.
    NoBassFromTwoChannel,
}

/// What can be written after `do`.
const DEEDS: [&str; 12] =
    ["connection", "set", "tune", "bracket", "tree", "narrow", "sweep", "match", "film", "say", "check", "verify"];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: String,
    about: String,
    fits: Vec<Connection>,
    step: Vec<Spanned<StepFile>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StepFile {
    r#do: Spanned<String>,
    control: Option<Role>,
    on: Option<Device>,
    to: Option<Target>,
    by_db: Option<f64>,
    text: Option<String>,
    #[serde(default)]
    pair: Vec<Spanned<Pair>>,
    #[serde(default)]
    when: Vec<Condition>,
    #[serde(default)]
    why: String,
}

impl BlendRoutine {
    /// Reads a routine file. `path_label` is what errors call it.
    ///
    /// # Errors
    /// [`TomlError`] with the place and what was expected.
    pub fn parse(path_label: &str, text: &str) -> Result<Self, TomlError> {
        let file: File = parse_toml(path_label, text)?;
        let mut steps = Vec::with_capacity(file.step.len());
        for spanned in file.step {
            let span = spanned.span();
            let step = spanned.into_inner();
            steps.push(step.read(path_label, text, span)?);
        }
        if steps.is_empty() {
            return Err(TomlError::at(path_label, text, 0..0, "a routine has at least one [[step]]"));
        }
        Ok(Self { name: file.name, about: file.about, fits: file.fits, steps })
    }
}

impl StepFile {
    fn read(self, label: &str, text: &str, span: std::ops::Range<usize>) -> Result<BlendStep, TomlError> {
        let wrong = |message: String| TomlError::at(label, text, span.clone(), message);
        let deed = self.r#do.get_ref().as_str();
        let needs_control = matches!(deed, "set" | "bracket" | "tree" | "narrow" | "match" | "film");
        if needs_control && self.control.is_none() {
            return Err(wrong(format!("a step that does \"{deed}\" needs its `control`, such as control = \"level\"")));
        }
        if self.on.is_some() && self.control.is_none() {
            return Err(wrong("`on` says which box a `control` is on; there is no control here".into()));
        }
        for (key, given, belongs) in [
            ("to", self.to.is_some(), "set"),
            ("by_db", self.by_db.is_some(), "film"),
            ("text", self.text.is_some(), "say"),
            ("pair", !self.pair.is_empty(), "tree"),
        ] {
            if given && deed != belongs {
                return Err(wrong(format!("`{key}` belongs to a step that does \"{belongs}\", not \"{deed}\"")));
            }
            if !given && deed == belongs {
                return Err(wrong(format!("a step that does \"{deed}\" needs `{key}`")));
            }
        }
        let what = match deed {
            "connection" => StepKind::Connection,
            "set" => StepKind::Set(target(self.to).map_err(wrong)?),
            "bracket" => StepKind::Bracket,
            "tree" => StepKind::Tree(tree(label, text, self.pair)?),
            "narrow" => StepKind::Narrow,
            "tune" => StepKind::Tune,
            "sweep" => StepKind::Sweep,
            "match" => StepKind::Match,
            "film" => StepKind::Film(
                self.by_db
                    .filter(|by_db| (0.0..=12.0).contains(by_db))
                    .ok_or_else(|| wrong("`by_db` lies between 0 and 12 dB".into()))?,
            ),
            "say" => StepKind::Say(self.text.unwrap_or_default()),
            "check" => StepKind::Check,
            "verify" => StepKind::Verify,
            other => {
                let help = match nearest_word(other, DEEDS) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("known here: {}", DEEDS.join(", ")),
                };
                let message = format!("no step does `{other}`");
                return Err(TomlError::with_help(label, text, self.r#do.span(), message, Some(help)));
            }
        };
        let control = self.control.map(|role| ControlName { role, on: self.on });
        Ok(BlendStep { what, control, when: self.when, why: self.why })
    }
}

fn target(to: Option<Target>) -> Result<Target, String> {
    match to {
        Some(Target::OfTravel(share)) if !(0.0..=1.0).contains(&share) => {
            Err(format!("a share of the travel lies between 0 and 1, not at {share}"))
        }
        Some(Target::OfMainsLow(share)) if !(0.3..=2.0).contains(&share) => {
            Err(format!("a share of the mains' lower limit lies between 0.3 and 2, not at {share}"))
        }
        Some(target) => Ok(target),
        None => Err("a step that does \"set\" needs `to`".into()),
    }
}

/// Every pair that is named is there, comes later than the one that names it, and compares two different settings.
fn tree(label: &str, text: &str, pairs: Vec<Spanned<Pair>>) -> Result<Vec<Pair>, TomlError> {
    let names: Vec<String> = pairs.iter().map(|pair| pair.get_ref().name.clone()).collect();
    let mut read = Vec::with_capacity(pairs.len());
    for (at, spanned) in pairs.into_iter().enumerate() {
        let span = spanned.span();
        let pair = spanned.into_inner();
        let wrong = |message: String| TomlError::at(label, text, span.clone(), message);
        if names[..at].contains(&pair.name) {
            return Err(wrong(format!("there are two pairs called \"{}\"", pair.name)));
        }
        if pair.compare[0] == pair.compare[1] {
            return Err(wrong("a pair compares two different settings".into()));
        }
        for next in pair.first.iter().chain(&pair.second) {
            match names.iter().position(|name| name == next) {
                Some(position) if position > at => {}
                Some(_) => {
                    return Err(wrong(format!("pair \"{next}\" comes before this one: that would go in circles")));
                }
                None => return Err(wrong(format!("there is no pair called \"{next}\" in this step"))),
            }
        }
        read.push(pair);
    }
    Ok(read)
}

/// The routine called `name`.
///
/// # Errors
/// [`PresetError`]: no such name, or a file that cannot be read or is wrong.
pub fn routine(name: &str, own_folder: Option<&std::path::Path>) -> Result<BlendRoutine, PresetError> {
    let (path_label, text) = ROUTINES.text(name, own_folder)?;
    Ok(BlendRoutine::parse(&path_label, &text)?)
}

/// The program's own routine for a connection.
pub const fn usual_routine(connection: Connection) -> &'static str {
    match connection {
        Connection::Line => "two-channel",
        Connection::Lfe => "lfe",
        Connection::Both => "both",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_programs_routines_are_right_and_named_as_their_files() {
        for embedded in ROUTINES.embedded {
            let read = routine(embedded.name, None).unwrap_or_else(|error| panic!("{error}"));
            assert_eq!(read.name, embedded.name);
            assert_eq!(read.steps.last().map(|step| &step.what), Some(&StepKind::Verify));
        }
        for connection in [Connection::Line, Connection::Lfe, Connection::Both] {
            assert!(routine(usual_routine(connection), None).unwrap().fits.contains(&connection));
        }
    }

    #[test]
    fn the_phase_tree_is_the_trades() {
        let routine = routine("assistant", None).unwrap();
        let tree = routine.steps.iter().find_map(|step| match &step.what {
            StepKind::Tree(pairs) if pairs.len() > 1 => Some(pairs),
            _ => None,
        });
        let tree = tree.unwrap();
        assert_eq!(tree[0].compare, [0.0, 90.0]);
        let after = |name: &Option<String>| tree.iter().find(|pair| Some(&pair.name) == name.as_ref()).unwrap().compare;
        assert_eq!(after(&tree[0].first), [0.0, 270.0]);
        assert_eq!(after(&tree[0].second), [90.0, 180.0]);
    }

    #[test]
    fn wrong_routines_are_shown_with_their_place_and_a_remedy() {
        let text = "name = \"x\"\nabout = \"y\"\nfits = [\"line\"]\n\n[[step]]\ndo = \"bracket\"\ncontrol = \"level\"\n\n\
                    [[step]]\ndo = \"tree\"\ncontrol = \"phase\"\n[[step.pair]]\nname = \"a\"\ncompare = [0, 90]\n\
                    first = \"b\"\n[[step.pair]]\nname = \"b\"\ncompare = [0, 270]\n";
        assert!(BlendRoutine::parse("x.toml", text).is_ok());
        for (from, to, line, says) in [
            ("do = \"bracket\"", "do = \"brackett\"", 6, "did you mean `bracket`?"),
            ("control = \"level\"\n", "", 5, "needs its `control`"),
            ("control = \"level\"", "control = \"levle\"", 7, "did you mean `level`?"),
            (
                "control = \"level\"",
                "control = \"level\"\nto = { value = 3 }",
                5,
                "belongs to a step that does \"set\"",
            ),
            ("control = \"level\"", "control = \"level\"\nwhen = [\"lfee\"]", 8, "did you mean `lfe`?"),
            ("first = \"b\"", "first = \"c\"", 12, "no pair called \"c\""),
            ("first = \"b\"", "first = \"a\"", 12, "in circles"),
            ("compare = [0, 270]", "compare = [0, 0]", 16, "two different settings"),
        ] {
            let wrong = BlendRoutine::parse("x.toml", &text.replace(from, to)).unwrap_err();
            assert_eq!(wrong.line, line, "{wrong}");
            assert!(wrong.to_string().contains(says), "{says}: {wrong}");
        }
    }
}
