//! `evenbass room`: what a plan tells before the first note.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use crate::cli::{room_pictures, say, session};
use crate::draw::floor_map::text_map;
use crate::draw::{Glyphs, plan};
use crate::evidence::Evidence;
use crate::report::{agreement, agreement_words};
use crate::room::field::RoomField;
use crate::room::pairs::Pair;
use crate::room::study::{MODES_UP_TO_HZ, SeatSpread, Study, StudySpot};
use crate::room::{self, Place, Room, suggest};
use crate::visit;

/// Standing waves, suggested spots and how even each is expected to be, from a room's plan.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  evenbass room living-room.toml\n  evenbass room living-room.toml --json > study.json\n  \
                  evenbass room living-room.toml --pictures living-room\n  \
                  evenbass room living-room.toml --heard 'Birch Lane.visit.jsonl'"
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
    /// Write plan, maps, curves, a page with all of them (room.html) and responses.csv into this folder
    #[arg(long, value_name = "FOLDER")]
    pub pictures: Option<PathBuf>,
    /// Replace pictures that are there
    #[arg(long, requires = "pictures")]
    pub force: bool,
    /// Say how far what was heard in a visit is what this room lets expect; spots and seats go by their names
    #[arg(long, value_name = "VISIT", conflicts_with = "json")]
    pub heard: Option<PathBuf>,
    /// Draw the map with ASCII characters only
    #[arg(long)]
    pub ascii: bool,
}

/// Reads the room, studies it and prints.
/// # Errors
/// Room files that cannot be read or believed, and rooms without an outline.
pub fn run(args: &RoomArgs) -> anyhow::Result<()> {
    let room = room::load(&args.file)?;
    let study = room::study(&room).with_context(|| args.file.display().to_string())?;
    if args.json {
        say!("{}", serde_json::to_string_pretty(&study)?);
    } else {
        let glyphs = if args.ascii { Glyphs::Ascii } else { Glyphs::Unicode };
        say::text(&in_words(&room, &study, args.up_to, glyphs)?);
    }
    if let Some(visit) = &args.heard {
        say!("\nWhat was heard\n{}", heard(&study.with_its_spots(&room), visit)?);
    }
    if let Some(folder) = &args.pictures {
        for path in room_pictures::write(&room, &study, args.up_to, folder, args.force)? {
            eprintln!("{}", path.display());
        }
    }
    Ok(())
}

/// How far a visit's answers are what the room lets expect, spot by spot and in a sentence.
fn heard(room: &Room, file: &Path) -> anyhow::Result<String> {
    let opened = visit::read(file)?;
    let state = session::replay(file, &opened).map_err(|failure| anyhow::anyhow!("{failure}"))?;
    let of_name = |places: &[Place], name: &str| places.iter().position(|place| place.name == name);
    let here = |one: &Evidence| {
        let spot = of_name(&room.spots, &state.room().spots.get(one.spot)?.name)?;
        let seat = of_name(&room.seats, &state.room().seats.get(one.seat)?.name)?;
        Some(Evidence { spot, seat, ..*one })
    };
    let evidence: Vec<Evidence> = state.evidence().iter().filter_map(here).collect();
    let half_width = state.note_set().half_width_octaves();
    let mut text = String::new();
    for seat in 0..room.seats.len() {
        let found = agreement(room, seat, state.notes_hz(), half_width, &evidence);
        for one in &found {
            let (spot, seat) = (&room.spots[one.spot].name, &room.seats[seat].name);
            let apart_db = one.median_difference_db;
            // Not '-0.00'.
            let correlation = (one.correlation * 100.0).round() / 100.0 + 0.0;
            writeln!(
                text,
                "  {spot:<24} from {seat}: correlation {correlation:.2} over {} notes, half of them within \
                 {apart_db:.1} dB",
                one.notes
            )?;
        }
        if let Some(words) = agreement_words(&found, |spot| room.spots[spot].name.clone()) {
            indented(&mut text, &words)?;
        }
    }
    if text.is_empty() && state.evidence().is_empty() {
        anyhow::bail!("nobody has rated a note in {} yet, so there is nothing to compare", file.display());
    }
    if text.is_empty() {
        let names = |places: &[Place]| places.iter().map(|place| place.name.as_str()).collect::<Vec<_>>().join(", ");
        anyhow::bail!(
            "nothing in {} can be compared with this room: no spot with five or more answers, and its seat, have the \
             same names there and here and a position (at_m) here. Spots of the visit: {}; seats: {}. Spots of the \
             room: {}; seats: {}.",
            file.display(),
            names(&state.room().spots),
            names(&state.room().seats),
            names(&room.spots),
            names(&room.seats)
        );
    }
    Ok(text.trim_end().to_owned())
}

/// The whole study as text that fits 80 columns where names allow.
fn in_words(room: &Room, study: &Study, up_to_hz: f64, glyphs: Glyphs) -> Result<String, std::fmt::Error> {
    let mut text = String::new();
    writeln!(text, "{}: {:.1} m², {:.0} m³", study.name, study.floor_m2, study.volume_m3)?;
    writeln!(text, "Single notes can be explained up to about {:.0} Hz (Schroeder frequency,", study.schroeder_hz)?;
    writeln!(text, "at a decay time of {:.2} s).\n", study.reverberation_s)?;
    writeln!(text, "Standing waves to {up_to_hz:.0} Hz")?;
    for mode in study.modes.iter().filter(|mode| mode.frequency_hz <= up_to_hz) {
        // Its frequency stands in front already.
        let words = mode.words.rsplit_once(" (").map_or(mode.words.as_str(), |(words, _)| words);
        writeln!(text, "  {:6.1} Hz  ±{:.1}  {words}", mode.frequency_hz, 0.5 * mode.width_hz)?;
    }
    let drawn = room_pictures::plan_for(&study.with_its_spots(room), 0, &study.most_even_first());
    if let Some(floor) = plan::text_floor(&drawn, 64, 20, glyphs) {
        writeln!(text, "\nPlan from above: walls by letter, seats S, spots by their place in the list below")?;
        text += &floor;
    }
    spots(&mut text, room, study)?;
    if let Some(map) = floor_map(room, glyphs) {
        writeln!(text, "\nFloor map for the main seat S: dB above the most even place *, 9 for 9 and more")?;
        text += &map;
    }
    if !study.causes.is_empty() {
        writeln!(text, "\nWhat stands out at the main seat from the most even spot")?;
        for cause in &study.causes {
            indented(&mut text, &cause.words)?;
        }
    }
    pairs(&mut text, room, study)?;
    writeln!(text, "\nAssumed")?;
    for said in &study.assumptions {
        indented(&mut text, said)?;
    }
    Ok(text)
}

/// A sentence folded into lines, those after the first further in.
fn indented(text: &mut String, words: &str) -> std::fmt::Result {
    const COLUMNS: usize = 78;
    let mut line = String::from("  ");
    for word in words.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > COLUMNS && !line.trim().is_empty() {
            writeln!(text, "{line}")?;
            line = "    ".into();
        }
        if !line.ends_with(' ') {
            line.push(' ');
        }
        line.push_str(word);
    }
    writeln!(text, "{line}")
}

/// The best pair, or the best few where there will be two subwoofers.
fn pairs(text: &mut String, room: &Room, study: &Study) -> std::fmt::Result {
    const FEW: usize = 3;
    let name = |spot: usize| study.spots.get(spot).map_or("?", |spot| spot.name.as_str());
    let shown = if room.fittings.subwoofers == Some(2) { FEW } else { 1 };
    for (rank, pair) in study.pairs.iter().take(shown).enumerate() {
        if rank == 0 {
            writeln!(text, "\nTwo subwoofers, playing the same (spread, dB, and where 8 in 10 lie)")?;
        }
        let seats: Vec<String> = pair.seats.iter().map(spread_in_words).collect();
        writeln!(text, "{:>4}  {} and {}", rank + 1, name(pair.spots[0]), name(pair.spots[1]))?;
        writeln!(text, "        {}; {}", seats.join("   "), pair_setting(pair))?;
    }
    Ok(())
}

/// How the second subwoofer of a pair is set, and how loud both are.
pub fn pair_setting(pair: &Pair) -> String {
    let polarity = if pair.inverted { "inverted" } else { "same polarity" };
    let delay = if pair.delay_ms > 0.0 { format!("{:.1} ms late", pair.delay_ms) } else { "no delay".into() };
    format!("second one {polarity}, {delay}; together {:+.0} dB", pair.gain_db)
}

/// A spread with its interval.
pub fn spread_in_words(seat: &SeatSpread) -> String {
    let [low, high] = seat.interval_db;
    format!("{:.1} ({low:.1} to {high:.1})", seat.predicted_spread_db)
}

fn spots(text: &mut String, room: &Room, study: &Study) -> std::fmt::Result {
    writeln!(text, "\nSpots, most even first (spread over the notes, dB, and where 8 in 10 lie)")?;
    if study.spots.iter().map(|spot| spot.seats.len()).max() > Some(1) {
        let seats = room.seats.iter().filter(|seat| seat.at_m.is_some()).map(|seat| seat.name.as_str());
        let order = if room.seat_weights.is_empty() { "" } else { "; in the order of all seats by their weights" };
        writeln!(text, "  one column for each seat: {}{order}", seats.collect::<Vec<_>>().join(", "))?;
    }
    let placed = study.most_even_first();
    let unplaced = (0..study.spots.len()).filter(|spot| study.spots[*spot].at_m.is_none());
    for (rank, spot) in placed.iter().copied().chain(unplaced).enumerate() {
        let spot: &StudySpot = &study.spots[spot];
        let taped = spot.at_m.and_then(|at_m| suggest::tape_words(room, at_m));
        let place = taped.unwrap_or_else(|| "nobody measured where".to_owned());
        let seats: Vec<String> = spot.seats.iter().map(spread_in_words).collect();
        let sign = plan::spot_sign(rank);
        // On the plan there is room for one character.
        let sign = if sign.is_ascii_digit() { String::new() } else { format!(" ({sign})") };
        let name = format!("{}{sign}", spot.name);
        writeln!(text, "{:>4}  {name:<28} {}\n        {place}", rank + 1, seats.join("   "))?;
    }
    let walk: Vec<&str> = study.walk.iter().filter_map(|spot| Some(study.spots.get(*spot)?.name.as_str())).collect();
    writeln!(text, "\nA short walk past all of them")?;
    indented(text, &walk.join(" > "))
}

/// Evenness over the floor for the main seat.
fn floor_map(room: &Room, glyphs: Glyphs) -> Option<String> {
    const COLUMNS: usize = 76;
    room.seats.first()?.at_m?;
    let field = RoomField::new(room, MODES_UP_TO_HZ)?;
    let widest_m = room.corners_m().iter().map(|corner| corner[0]).fold(0.0, f64::max);
    let maps = room_pictures::evenness_maps(room, &field, &[], (widest_m / COLUMNS as f64).max(0.05));
    maps.first().map(|(_, map)| text_map(map, COLUMNS, glyphs))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_text_has_waves_spots_map_and_assumptions() {
        let room = Room::from_toml("r", "size_m = [5, 4]\n[[seat]]\nname = \"s\"\nat_m = [3, 2]\n").unwrap();
        let study = room::study(&room).unwrap();
        let text = in_words(&room, &study, 120.0, Glyphs::Unicode).unwrap();
        assert!(
            text.contains("34.3 Hz") && text.contains("  the first standing wave along the 5.0 m length\n"),
            "{text}"
        );
        for heading in ["Plan from above", "Spots, most even first", "Floor map", "Two subwoofers", "Assumed"] {
            assert!(text.contains(heading), "{heading} is missing in:\n{text}");
        }
    }
}
