//! `evenbass room`: what a plan tells before the first note.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::Context as _;

use crate::room::field::RoomField;
use crate::room::map;
use crate::room::study::{MODES_UP_TO_HZ, Study, StudySpot};
use crate::room::{self, CONE_HEIGHT_M, Room};

/// Standing waves, suggested spots and how even each is expected to be, from a room's plan.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  evenbass room living-room.toml\n  evenbass room living-room.toml --json > study.json"
)]
pub struct RoomArgs {
    /// The room: a TOML file with sizes in metres
    pub file: PathBuf,
    /// Print everything as JSON
    #[arg(long)]
    pub json: bool,
    /// List standing waves up to this frequency
    #[arg(long, value_name = "HZ", default_value_t = 120.0)]
    pub up_to: f64,
}

/// Reads the room, studies it and prints.
/// # Errors
/// Room files that cannot be read or believed, and rooms without an outline.
pub fn run(args: &RoomArgs) -> anyhow::Result<()> {
    let room = room::load(&args.file)?;
    let study = room::study(&room).with_context(|| args.file.display().to_string())?;
    if args.json {
        println!("{}", serde_json::to_string_pretty(&study)?);
    } else {
        print!("{}", in_words(&room, &study, args.up_to)?);
    }
    Ok(())
}

/// The whole study as text that fits 80 columns where names allow.
fn in_words(room: &Room, study: &Study, up_to_hz: f64) -> Result<String, std::fmt::Error> {
    let mut text = String::new();
    writeln!(text, "{}: {:.1} m², {:.0} m³", study.name, study.floor_m2, study.volume_m3)?;
    writeln!(text, "Single notes can be explained up to about {:.0} Hz (Schroeder frequency,", study.schroeder_hz)?;
    writeln!(text, "at a decay time of {:.2} s).\n", study.reverberation_s)?;
    writeln!(text, "Standing waves to {up_to_hz:.0} Hz")?;
    for mode in study.modes.iter().filter(|mode| mode.frequency_hz <= up_to_hz) {
        writeln!(text, "  {:6.1} Hz  ±{:.1}  {}", mode.frequency_hz, 0.5 * mode.width_hz, mode.words)?;
    }
    spots(&mut text, study)?;
    if let Some(map) = floor_map(room) {
        writeln!(text, "\nFloor map for the main seat: dB above the most even place, 9 for 9 and more")?;
        text += &map;
    }
    if !study.causes.is_empty() {
        writeln!(text, "\nWhat stands out at the main seat from the most even spot")?;
        for cause in &study.causes {
            writeln!(text, "  {}", cause.words)?;
        }
    }
    if let Some(pair) = study.pairs.first() {
        let name = |spot: usize| study.spots.get(spot).map_or("?", |spot| spot.name.as_str());
        let polarity = if pair.inverted { ", second one inverted" } else { "" };
        let [low, high] = pair.interval_db;
        writeln!(text, "\nTwo subwoofers: {} and {}{polarity},", name(pair.spots[0]), name(pair.spots[1]))?;
        writeln!(
            text,
            "second one {:.1} ms late: {:.1} dB ({low:.1} to {high:.1})",
            pair.delay_ms, pair.predicted_spread_db
        )?;
    }
    writeln!(text, "\nAssumed")?;
    for said in &study.assumptions {
        writeln!(text, "  {said}")?;
    }
    Ok(text)
}

fn spots(text: &mut String, study: &Study) -> std::fmt::Result {
    writeln!(text, "\nSpots, most even first (spread over the notes, dB, and where 8 in 10 lie)")?;
    let mut order: Vec<&StudySpot> = study.spots.iter().collect();
    let spread = |spot: &StudySpot| spot.predicted_spread_db.unwrap_or(f64::INFINITY);
    order.sort_by(|a, b| spread(a).total_cmp(&spread(b)));
    for spot in order {
        let place = match spot.tape_m {
            Some([(one, one_m), (other, other_m)]) => {
                format!("{one_m:.2} m off wall {}, {other_m:.2} m off wall {}", one + 1, other + 1)
            }
            None => "nobody measured where".to_owned(),
        };
        let seats: Vec<String> = spot
            .seats
            .iter()
            .map(|seat| {
                let [low, high] = seat.interval_db;
                format!("{:.1} ({low:.1} to {high:.1})", seat.predicted_spread_db)
            })
            .collect();
        writeln!(text, "  {:<24} {}\n      {place}", spot.name, seats.join("   "))?;
    }
    let walk: Vec<&str> = study.walk.iter().filter_map(|spot| Some(study.spots.get(*spot)?.name.as_str())).collect();
    writeln!(text, "\nA short walk past all of them\n  {}", walk.join(" > "))
}

/// Evenness over the floor as digits, y upwards.
fn floor_map(room: &Room) -> Option<String> {
    const WIDEST: f64 = 72.0;
    let field = RoomField::new(room, MODES_UP_TO_HZ)?;
    let frequencies_hz: Vec<f64> = (0..56).map(|n| 25.0 * (f64::from(n) / 24.0).exp2()).collect();
    let widest_m = room.corners_m().iter().map(|corner| corner[0]).fold(0.0, f64::max);
    let map = map::spread_maps(room, &field, &frequencies_hz, CONE_HEIGHT_M, (widest_m / WIDEST).max(0.1))?;
    let map = map.into_iter().next()?;
    let (_, lowest) = map.lowest()?;
    let mut text = String::new();
    // A character is about twice as high as wide, so every second row is left out.
    for row in map.values.chunks(map.columns).step_by(2).collect::<Vec<_>>().into_iter().rev() {
        text += "  ";
        text.extend(row.iter().map(|spread| match spread {
            spread if spread.is_finite() => {
                char::from_digit((spread - lowest).round().clamp(0.0, 9.0) as u32, 10).unwrap_or('9')
            }
            _ => ' ',
        }));
        text.push('\n');
    }
    Some(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_text_has_waves_spots_map_and_assumptions() {
        let room = Room::from_toml("r", "size_m = [5, 4]\n[[seat]]\nname = \"s\"\nat_m = [3, 2]\n").unwrap();
        let study = room::study(&room).unwrap();
        let text = in_words(&room, &study, 120.0).unwrap();
        assert!(text.contains("first standing wave along the 5.0 m length (34 Hz)"), "{text}");
        for heading in ["Spots, most even first", "Floor map", "Two subwoofers", "Assumed"] {
            assert!(text.contains(heading), "{heading} is missing in:\n{text}");
        }
    }
}
