//! What is connected to what, and which controls there are. From a TOML file, or from a short run of questions.

use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::acoustics::air;
use crate::blend::control::{Control, Device, Role, Scale, Unit};
use crate::blend::slope::{Slope, Slopes};
use crate::toml_file::{TomlError, parse_toml};

/// Why a system file cannot be used: its place, what is wrong, what would be right.
pub type SystemError = TomlError;

/// How the subwoofer is fed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Connection {
    /// From the LFE or subwoofer output of a processor alone.
    Lfe,
    /// From left and right, as line inputs or from the speaker terminals.
    Line,
    /// From both.
    Both,
}

impl Connection {
    /// Whether the LFE output is connected.
    pub const fn has_lfe(self) -> bool {
        matches!(self, Self::Lfe | Self::Both)
    }

    /// Whether left and right are connected.
    pub const fn has_line(self) -> bool {
        matches!(self, Self::Line | Self::Both)
    }

    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Lfe => "LFE output",
            Self::Line => "left and right line inputs",
            Self::Both => "LFE output and line inputs",
        }
    }
}

/// The main speakers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mains {
    /// Their rated lower limit, Hz.
    pub rated_low_hz: f64,
    /// How steeply they roll off below it, where that is stated.
    #[serde(default, rename = "slope_db_per_octave", skip_serializing_if = "Option::is_none")]
    pub slope: Option<Slope>,
}

impl Mains {
    /// Speakers rated to this limit in Hz, of whose slope nothing is stated.
    pub const fn rated(rated_low_hz: f64) -> Self {
        Self { rated_low_hz, slope: None }
    }

    /// How steeply they roll off: as stated, or as closed ones do.
    pub fn slope(&self) -> Slope {
        self.slope.unwrap_or(Slope::USUAL_HIGH_PASS)
    }
}

/// Which channels of the sound output lead where, counted from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Channels {
    /// The left main speaker.
    pub left: u16,
    /// The right main speaker.
    pub right: u16,
    /// The subwoofer, if a channel leads to it alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subwoofer: Option<u16>,
}

impl Default for Channels {
    fn default() -> Self {
        Self { left: 1, right: 2, subwoofer: None }
    }
}

/// The system to be blended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct System {
    /// What the person calls it.
    pub name: String,
    /// How the subwoofer is fed.
    pub connection: Connection,
    /// A two-channel system: music alone, no film sound.
    pub two_channel: bool,
    /// The main speakers.
    pub mains: Mains,
    /// The link to the subwoofer is a wireless one.
    #[serde(default)]
    pub wireless: bool,
    /// Its latency, where it is stated or was measured, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub latency_s: Option<f64>,
    /// Channels of the sound output.
    #[serde(default)]
    pub channels: Channels,
    /// The controls, in the order in which they were listed.
    #[serde(default)]
    pub controls: Vec<Control>,
}

/// The latency allowed for a wireless link where none is stated: 14 ft of sound in air (*common practice*).
pub const COMMON_LATENCY_S: f64 = 14.0 * air::FOOT_M / air::SPEED_AT_20_C_M_PER_S;
/// Main speakers that do little below this are 'small' (*common practice*), Hz.
pub const SMALL_BELOW_HZ: f64 = 80.0;

impl System {
    /// The control of a role on a box, with its position in the list.
    pub fn control(&self, role: Role, on: Device) -> Option<(usize, &Control)> {
        self.controls.iter().enumerate().find(|(_, control)| control.role == role && control.on == on)
    }

    /// The control of a role, the subwoofer's own before the processor's.
    pub fn any(&self, role: Role) -> Option<(usize, &Control)> {
        self.control(role, Device::Subwoofer).or_else(|| self.control(role, Device::Processor))
    }

    /// Whether the program can do on the subwoofer's own channel what a control does, so that nobody has to turn it
    /// while listening.
    pub fn imitates(&self, control: &Control) -> bool {
        let imitable = match control.role {
            Role::Polarity | Role::Distance | Role::Delay => true,
            Role::Level => control.unit == Unit::Decibel,
            _ => false,
        };
        imitable && self.channels.subwoofer.is_some()
    }

    /// What is stated of slopes, in words: main speakers first.
    pub fn stated_slopes(&self) -> Vec<String> {
        let mains = self.mains.slope.map(|slope| format!("main speakers {slope}"));
        let of_controls = self.controls.iter().flat_map(|control| {
            let on = control.on.word();
            control.stated_slopes().into_iter().map(move |stated| format!("the {on}'s {stated}"))
        });
        mains.into_iter().chain(of_controls).collect()
    }

    /// By which box it is known how steep the subwoofer's low-pass is: a processor's divide with what is stated, or else
    /// with 24 dB per octave (*common practice*). Of a subwoofer's own nothing is known unless it is stated.
    pub fn low_pass_is_known_by(&self) -> Option<Device> {
        let mut low_passes = self.controls.iter().filter(|control| control.is_low_pass());
        if low_passes.clone().any(|control| control.on == Device::Processor) {
            return Some(Device::Processor);
        }
        low_passes.any(|control| control.slopes.low_pass.is_some()).then_some(Device::Subwoofer)
    }

    /// The latency of the link that is to be allowed for, seconds.
    pub fn allowed_latency_s(&self) -> f64 {
        match (self.wireless, self.latency_s) {
            (false, _) => 0.0,
            (true, stated) => stated.unwrap_or(COMMON_LATENCY_S),
        }
    }

    /// Main speakers that do little below 80 Hz.
    pub fn has_small_mains(&self) -> bool {
        self.mains.rated_low_hz >= SMALL_BELOW_HZ
    }

    /// Where the two meet if nothing is known but the ratings: 70 % of the mains' lower limit (*common practice*), Hz.
    pub fn rule_of_thumb_hz(&self) -> f64 {
        0.7 * self.mains.rated_low_hz
    }

    /// Reads a system file. `path_label` is what errors call it.
    ///
    /// # Errors
    /// [`SystemError`] with the place and what was expected.
    pub fn parse(path_label: &str, text: &str) -> Result<Self, SystemError> {
        let file: File = parse_toml(path_label, text)?;
        let wrong = |span, message: String| TomlError::at(path_label, text, span, message);
        let within = |number: &Spanned<f64>, low: f64, high: f64, what: &str| {
            let value = *number.get_ref();
            if (low..=high).contains(&value) {
                Ok(value)
            } else {
                Err(wrong(number.span(), format!("{what} lies between {low} and {high}, not at {value}")))
            }
        };
        let rated_low_hz = within(&file.mains_low_hz, 15.0, 300.0, "the mains' lower limit in Hz")?;
        let slope = |stated: &Option<Spanned<f64>>| {
            let slope =
                |number: &Spanned<f64>| Slope::try_from(*number.get_ref()).map_err(|why| wrong(number.span(), why));
            stated.as_ref().map(slope).transpose()
        };
        let mains_slope = slope(&file.mains_slope_db_per_octave)?;
        let latency_s = match (&file.latency_ms, file.wireless) {
            (Some(latency), false) => {
                return Err(wrong(
                    latency.span(),
                    "a latency belongs to a wireless link; write wireless = true, or leave it out".into(),
                ));
            }
            (Some(latency), true) => Some(within(latency, 0.0, 200.0, "a latency in ms")? * 1e-3),
            (None, _) => None,
        };
        let channels = file.channels.as_ref().map_or_else(Channels::default, |channels| *channels.get_ref());
        if let Some(spanned) = &file.channels {
            let all = [Some(channels.left), Some(channels.right), channels.subwoofer];
            let known: Vec<u16> = all.into_iter().flatten().collect();
            let doubled = (1..known.len()).any(|at| known[..at].contains(&known[at]));
            if doubled || known.iter().any(|channel| !(1..=32).contains(channel)) {
                return Err(wrong(spanned.span(), "channels are counted from 1 to 32, each named once".into()));
            }
        }
        let mut controls: Vec<Control> = Vec::new();
        for spanned in file.control {
            let span = spanned.span();
            let stated = spanned.into_inner();
            let slopes = Slopes {
                low_pass: slope(&stated.low_pass_slope_db_per_octave)?,
                high_pass: slope(&stated.high_pass_slope_db_per_octave)?,
            };
            let control = stated.control(slopes).map_err(|why| wrong(span.clone(), why))?;
            control.check().map_err(|why| wrong(span.clone(), why))?;
            if controls.iter().any(|other| other.role == control.role && other.on == control.on) {
                let on = control.on.word();
                return Err(wrong(span, format!("the {on}'s {} is listed twice; keep one of them", control.role)));
            }
            controls.push(control);
        }
        Ok(Self {
            name: file.name,
            connection: file.connection,
            two_channel: file.two_channel,
            mains: Mains { rated_low_hz, slope: mains_slope },
            wireless: file.wireless,
            latency_s,
            channels,
            controls,
        })
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: String,
    connection: Connection,
    #[serde(default)]
    two_channel: bool,
    mains_low_hz: Spanned<f64>,
    mains_slope_db_per_octave: Option<Spanned<f64>>,
    #[serde(default)]
    wireless: bool,
    latency_ms: Option<Spanned<f64>>,
    channels: Option<Spanned<Channels>>,
    #[serde(default)]
    control: Vec<Spanned<ControlFile>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ControlFile {
    role: Role,
    #[serde(default)]
    on: Device,
    name: Option<String>,
    unit: Option<Unit>,
    low: Option<f64>,
    high: Option<f64>,
    step: Option<f64>,
    positions: Option<Vec<f64>>,
    start: Option<f64>,
    now: Option<f64>,
    low_pass_slope_db_per_octave: Option<Spanned<f64>>,
    high_pass_slope_db_per_octave: Option<Spanned<f64>>,
}

impl ControlFile {
    fn control(self, slopes: Slopes) -> Result<Control, String> {
        let scale = match (self.positions, self.low, self.high, self.step) {
            (Some(positions), None, None, None) => Scale::Positions(positions),
            (None, Some(low), Some(high), step) => Scale::Range { low, high, step },
            // A polarity switch is the same everywhere.
            (None, None, None, None) if self.role == Role::Polarity => Scale::Positions(vec![0.0, 180.0]),
            _ => {
                return Err("a control has either `low` and `high` (and `step`, if it clicks), or `positions`".into());
            }
        };
        let name = self.name.unwrap_or_else(|| self.role.word().into());
        let unit = match (self.unit, self.role.units()) {
            (Some(unit), _) => unit,
            (None, [only]) => *only,
            (None, several) => {
                let several: Vec<&str> = several.iter().map(|unit| unit.word()).collect();
                return Err(format!("{name} needs its `unit`: {}", several.join(" or ")));
            }
        };
        Ok(Control { role: self.role, on: self.on, name, unit, scale, start: self.start, now: self.now, slopes })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SYSTEM: &str = "name = \"den\"\nconnection = \"line\"\ntwo_channel = true\nmains_low_hz = 55.0\n\n\
                          [[control]]\nrole = \"low-pass\"\nunit = \"Hz\"\nlow = 40.0\nhigh = 160.0\nnow = 120.0\n\n\
                          [[control]]\nrole = \"polarity\"\n";

    #[test]
    fn a_system_is_read_with_what_need_not_be_said() {
        let system = System::parse("den.toml", SYSTEM).unwrap();
        assert_eq!(system.channels, Channels { left: 1, right: 2, subwoofer: None });
        assert_eq!(system.control(Role::Polarity, Device::Subwoofer).unwrap().1.ends(), (0.0, 180.0));
        assert!((system.rule_of_thumb_hz() - 38.5).abs() < 1e-12);
        assert_eq!(system.allowed_latency_s(), 0.0);
        assert!(system.control(Role::LowPass, Device::Processor).is_none());
    }

    #[test]
    fn an_unstated_latency_is_fourteen_feet() {
        let text = SYSTEM.replace("two_channel = true", "two_channel = true\nwireless = true");
        // 14 ft at 343.2 m/s.
        let allowed_s = System::parse("den.toml", &text).unwrap().allowed_latency_s();
        assert!((allowed_s - 12.433_566_434e-3).abs() < 1e-12);
    }

    #[test]
    fn slopes_are_what_is_stated_or_usual() {
        let unstated = System::parse("den.toml", SYSTEM).unwrap();
        assert_eq!((unstated.mains.slope().order(), unstated.mains.slope), (2, None));
        let low_pass = |system: &System| system.any(Role::LowPass).unwrap().1.clone();
        assert_eq!(low_pass(&unstated).low_pass_slope().order(), 4);
        assert!(unstated.stated_slopes().is_empty());
        assert_eq!(unstated.low_pass_is_known_by(), None);
        let text = SYSTEM
            .replace("now = 120.0", "now = 120.0\nlow_pass_slope_db_per_octave = 18.0")
            .replace("mains_low_hz = 55.0", "mains_low_hz = 55.0\nmains_slope_db_per_octave = 24");
        let stated = System::parse("den.toml", &text).unwrap();
        assert_eq!((stated.mains.slope().order(), low_pass(&stated).low_pass_slope().order()), (4, 3));
        assert_eq!(stated.low_pass_is_known_by(), Some(Device::Subwoofer));
        assert_eq!(
            stated.stated_slopes(),
            ["main speakers 24 dB an octave", "the subwoofer's low-pass 18 dB an octave"]
        );
        // A processor's are known without a word; and what goes into a visit's file comes out of it, old files being
        // without any.
        let processor = SYSTEM.replace("role = \"low-pass\"", "role = \"low-pass\"\non = \"processor\"");
        assert_eq!(System::parse("den.toml", &processor).unwrap().low_pass_is_known_by(), Some(Device::Processor));
        let written = serde_json::to_string(&stated).unwrap();
        assert!(
            written.contains(r#""slope_db_per_octave":24"#) && written.contains(r#""low_pass_db_per_octave":18"#),
            "{written}"
        );
        assert_eq!(serde_json::from_str::<System>(&written).unwrap(), stated);
        assert!(!serde_json::to_string(&unstated).unwrap().contains("slope"));
    }

    #[test]
    fn wrong_files_are_shown_with_their_place_and_a_remedy() {
        for (from, to, line, says) in [
            ("now = 120.0", "now = 200.0", 6, "outside the scale"),
            ("unit = \"Hz\"", "unit = \"dB\"", 6, "marked in Hz or % of travel"),
            ("unit = \"Hz\"\n", "", 6, "needs its `unit`"),
            ("high = 160.0\n", "", 6, "either `low` and `high`"),
            ("mains_low_hz = 55.0", "mains_low_hz = 5.0", 4, "between 15 and 300"),
            (
                "mains_low_hz = 55.0",
                "mains_low_hz = 55.0\nmains_slope_db_per_octave = 20",
                5,
                "48 dB an octave, not 20",
            ),
            ("now = 120.0", "now = 120.0\nlow_pass_slope_db_per_octave = 4", 12, "48 dB an octave, not 4"),
            ("now = 120.0", "high_pass_slope_db_per_octave = 12", 6, "a low-pass control has no high-pass"),
            (
                "role = \"polarity\"",
                "role = \"polarity\"\nlow_pass_slope_db_per_octave = 12",
                13,
                "a polarity control has no low-pass",
            ),
            ("mains_low_hz = 55.0", "mains_low_hz = 55.0\nlatency_ms = 20.0", 5, "belongs to a wireless link"),
            ("role = \"polarity\"", "role = \"polarty\"", 14, "unknown word"),
            ("role = \"polarity\"", "role = \"low-pass\"\nunit = \"Hz\"\nlow = 30\nhigh = 90", 13, "listed twice"),
        ] {
            let wrong = System::parse("den.toml", &SYSTEM.replace(from, to)).unwrap_err();
            assert_eq!(wrong.line, line, "{wrong}");
            assert!(wrong.to_string().contains(says), "{says}: {wrong}");
        }
    }
}
