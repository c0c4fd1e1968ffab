//! The pictures of `evenbass room`, each as an SVG, all of them on one page, and the responses as a table.

use std::fmt::Write as _;
use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use crate::acoustics::notes;
use crate::cli::room_page::page;
use crate::draw::{Curve, Curves, FloorMap, Plan, Point, Step, Theme, curves, floor_map, plan};
use crate::floor_plan;
use crate::room::field::RoomField;
use crate::room::forecast::{self, Forecast};
use crate::room::map::{self, Grid};
use crate::room::study::{MODES_UP_TO_HZ, Study};
use crate::room::{CONE_HEIGHT_M, Room, table};

/// As wide as a phone; on paper two stand side by side.
const WIDTH: f64 = 346.0;
const HEIGHT: f64 = 420.0;
const PLAN_HEIGHT: f64 = 560.0;
const CURVE_HEIGHT: f64 = 210.0;
/// Maps of more waves than these say nothing that a person could keep in mind.
const MOST_WAVES: usize = 12;
/// Curves of more spots than these are not drawn; the table has them all.
const MOST_CURVES: usize = 8;
const SPOTS_ON_MAP: usize = 5;
const STEP_M: f64 = 0.05;
const DRAWS: usize = 128;
const SEED: u64 = 1;

/// One picture: the name of its file, and itself.
pub struct Picture {
    /// Its file's name.
    pub file: String,
    /// What it shows.
    pub svg: String,
}

/// Everything that is drawn, in chapters with their words.
pub struct Chapter {
    /// What it is about.
    pub title: &'static str,
    /// What there is to see.
    pub words: String,
    /// In their order.
    pub pictures: Vec<Picture>,
}

/// Writes all pictures, `room.html` with all of them, and `responses.csv` into a folder; gives back what was written.
/// * `force` - files that are there are replaced
/// # Errors
/// A file is there already, or the folder cannot be written to.
pub fn write(room: &Room, study: &Study, up_to_hz: f64, folder: &Path, force: bool) -> anyhow::Result<Vec<PathBuf>> {
    let room = study.with_its_spots(room);
    let field = RoomField::new(&room, MODES_UP_TO_HZ).context("the outline cannot be worked with")?;
    let chapters =
        [plans(&room, study), evenness(&room, study, &field), waves(&room, &field, up_to_hz), responses(&room, study)];
    let mut files = vec![
        ("room.html".to_owned(), page(study, &chapters)),
        ("responses.csv".to_owned(), response_table(&room, &field)),
    ];
    files.extend(chapters.into_iter().flat_map(|chapter| chapter.pictures).map(|picture| (picture.file, picture.svg)));
    fs::create_dir_all(folder).with_context(|| format!("the folder {} cannot be made", folder.display()))?;
    let paths: Vec<PathBuf> = files.iter().map(|(name, _)| folder.join(name)).collect();
    if let Some(there) = paths.iter().find(|path| !force && path.symlink_metadata().is_ok()) {
        anyhow::bail!("{} is there already; nothing was written. Name another folder, or add --force", there.display());
    }
    for (path, (_, text)) in paths.iter().zip(&files) {
        put(path, text).with_context(|| format!("{} cannot be written", path.display()))?;
    }
    Ok(paths)
}

fn put(path: &Path, text: &str) -> std::io::Result<()> {
    OpenOptions::new().write(true).create(true).truncate(true).open(path)?.write_all(text.as_bytes())
}

fn plans(room: &Room, study: &Study) -> Chapter {
    let order = study.most_even_first();
    let whole = plan_for(room, 0, &order);
    let drawn = plan::svg(&Plan { tapes_of_all: true, ..whole }, WIDTH, PLAN_HEIGHT, &Theme::PRINT);
    let pictures = drawn.map(|svg| Picture { file: "plan.svg".into(), svg }).into_iter().collect();
    let words =
        "Spots are numbered, the one that is expected to be most even at the main seat first. Letters name the walls; \
                 behind each spot stand its distances from two of them, in metres."
            .into();
    Chapter { title: "The plan", words, pictures }
}

/// The plan with a seat emphasised, and only some spots, numbered in the order given; the first is emphasised.
pub fn plan_for(room: &Room, seat: usize, spots: &[usize]) -> Plan {
    let kept = spots.iter().filter_map(|spot| room.spots.get(*spot).cloned());
    let few = Room { spots: kept.collect(), ..room.clone() };
    Plan { numbered: true, ..floor_plan::plan(&few, seat, Some(0)) }
}

fn on_floor(title: String, plan: Plan, grid: Grid) -> FloorMap {
    FloorMap {
        title,
        plan,
        first_m: grid.first_m,
        step_m: grid.step_m,
        columns: grid.columns,
        values: grid.values,
        steps: Vec::new(),
        below: String::new(),
        signed: false,
        words: Vec::new(),
    }
}

/// The map of evenness for each seat with a position, in the order of the seats: spreads above that of the most even
/// place.
/// * `step_m` - from cell to cell
pub fn evenness_maps(room: &Room, field: &RoomField, spots: &[usize], step_m: f64) -> Vec<(usize, FloorMap)> {
    let frequencies_hz: Vec<f64> = (0..56).map(|n| 25.0 * (f64::from(n) / 24.0).exp2()).collect();
    let maps = map::spread_maps(room, field, &frequencies_hz, CONE_HEIGHT_M, step_m).unwrap_or_default();
    let seats = (0..room.seats.len()).filter(|seat| room.seats[*seat].at_m.is_some());
    let drawn = |(seat, mut grid): (usize, Grid)| {
        grid = smoothed(&grid);
        let (best_m, lowest_db) = grid.lowest()?;
        grid.values.iter_mut().for_each(|value| *value -= lowest_db);
        let title =
            format!("How uneven the bass is at \u{2018}{}\u{2019} from a subwoofer here", room.seats[seat].name);
        let mut map = on_floor(title, plan_for(room, seat, spots), grid);
        let step = |(from, label, words): (f64, &str, &str)| Step { from, label: label.into(), words: words.into() };
        map.steps = [
            (0.5, "", "to 1 dB more"),
            (1.0, "+1 dB", "1 to 2 dB more"),
            (2.0, "+2 dB", "2 to 4 dB more"),
            (4.0, "+4 dB", "over 4 dB more"),
        ]
        .map(step)
        .into();
        map.below = "as even as can be, to 0.5 dB".into();
        map.words = vec![(best_m, format!("best: {lowest_db:.1} dB"))];
        Some((seat, map))
    };
    seats.zip(maps).filter_map(drawn).collect()
}

/// The mean over a hand's breadth to either side: nobody knows where a cone is more exactly, and what is finer is not
/// heard.
fn smoothed(grid: &Grid) -> Grid {
    const HAND_M: f64 = 0.15;
    let reach = (HAND_M / grid.step_m) as usize;
    let mean = |cell: usize| {
        let (column, row) = (cell % grid.columns, cell / grid.columns);
        let rows = row.saturating_sub(reach)..=(row + reach).min(grid.rows - 1);
        let near = rows.flat_map(|row| {
            let columns = column.saturating_sub(reach)..=(column + reach).min(grid.columns - 1);
            columns.map(move |column| grid.values[row * grid.columns + column])
        });
        let (sum, count) =
            near.filter(|value| value.is_finite()).fold((0.0, 0.0), |(sum, n), value| (sum + value, n + 1.0));
        if grid.values[cell].is_finite() { sum / count } else { f64::NAN }
    };
    Grid { values: (0..grid.values.len()).map(mean).collect(), ..grid.clone() }
}

fn evenness(room: &Room, study: &Study, field: &RoomField) -> Chapter {
    let best: Vec<usize> = study.most_even_first().into_iter().take(SPOTS_ON_MAP).collect();
    let picture = |(seat, map): (usize, FloorMap)| {
        let file = format!("evenness-{}.svg", file_name(seat, &room.seats[seat].name));
        Some(Picture { file, svg: floor_map::svg(&map, WIDTH, HEIGHT, &Theme::PRINT)? })
    };
    let pictures = evenness_maps(room, field, &best, STEP_M).into_iter().filter_map(picture).collect();
    let words =
        "Standard deviation over the notes, for the plan as it is drawn, above that at the place with the cross; each \
                 value is the mean over a hand's breadth to either side."
            .into();
    Chapter { title: "Where it would be even", words, pictures }
}

fn waves(room: &Room, field: &RoomField, up_to_hz: f64) -> Chapter {
    let over_floor = field
        .resonances()
        .iter()
        .enumerate()
        .filter(|(_, wave)| wave.vertical == 0 && wave.frequency_hz > 0.0 && wave.frequency_hz <= up_to_hz);
    let picture = |(number, (index, wave)): (usize, (usize, &crate::room::field::Resonance))| {
        let mut grid = map::pressure_map(room, field, index, STEP_M)?;
        let most =
            grid.values.iter().filter(|value| value.is_finite()).fold(0.0_f64, |most, value| most.max(value.abs()));
        grid.values.iter_mut().for_each(|value| *value /= most);
        let words = crate::room::explain::mode_in_words(field, wave);
        let mut title = words.chars();
        let title = title.next().map_or(String::new(), |first| first.to_uppercase().chain(title).collect());
        let mut map = on_floor(title, plan_for(room, 0, &[]), grid);
        let step = |(from, label, words): (f64, &str, &str)| Step { from, label: label.into(), words: words.into() };
        map.steps = [(0.25, "", "weak"), (0.5, "half", "strong"), (0.8, "", "strongest")].map(step).into();
        map.below = "silent".into();
        map.signed = true;
        let file = format!("wave-{:02}-{:.0}-hz.svg", number + 1, wave.frequency_hz);
        Some(Picture { file, svg: floor_map::svg(&map, WIDTH, HEIGHT, &Theme::PRINT)? })
    };
    let words = "A subwoofer or a seat on a dashed line leaves this wave silent; in the dark, it is loudest. Plus and \
                 minus move against each other."
        .into();
    let pictures = over_floor.take(MOST_WAVES).enumerate().filter_map(picture).collect();
    Chapter { title: "Standing waves over the floor", words, pictures }
}

fn responses(room: &Room, study: &Study) -> Chapter {
    let found = forecast::forecasts(room, &study.frequencies_hz, 1.0 / 12.0, DRAWS, SEED);
    let order = study.most_even_first();
    let mut pictures = Vec::new();
    for seat in 0..room.seats.len() {
        let spots = order.iter().take(MOST_CURVES);
        let of_seat = spots.filter_map(|spot| found.iter().find(|one| one.seat == seat && one.spot == *spot));
        for one in of_seat {
            let drawn =
                Curves { notes: note_names(&study.frequencies_hz), curves: vec![curve(one, &study.frequencies_hz)] };
            let title = format!(
                "\u{2018}{}\u{2019} heard from \u{2018}{}\u{2019}",
                room.spots[one.spot].name, room.seats[seat].name
            );
            if let Some(svg) = curves::titled_svg(&drawn, &title, WIDTH, CURVE_HEIGHT, &Theme::PRINT) {
                let file = format!(
                    "response-{}-from-{}.svg",
                    file_name(seat, &room.seats[seat].name),
                    file_name(one.spot, &room.spots[one.spot].name)
                );
                pictures.push(Picture { file, svg });
            }
        }
    }
    let words = format!(
        "How far each note is expected to be from even; the light area holds the truth in about 8 of 10 cases, as far \
         as tape, walls and furniture are doubted. The {MOST_CURVES} most even spots; responses.csv has all of them."
    );
    Chapter { title: "What each spot is expected to give", words, pictures }
}

fn curve(one: &Forecast, frequencies_hz: &[f64]) -> Curve {
    let point = |(frequency_hz, band): (&f64, &forecast::Band)| Point {
        frequency_hz: *frequency_hz,
        value_db: band.middle_db,
        low_db: band.low_db,
        high_db: band.high_db,
    };
    Curve { label: String::new(), points: frequencies_hz.iter().zip(&one.deviations).map(point).collect() }
}

/// The natural notes near the frequencies, by name.
fn note_names(frequencies_hz: &[f64]) -> Vec<(f64, String)> {
    let (Some(low), Some(high)) = (frequencies_hz.first(), frequencies_hz.last()) else { return Vec::new() };
    let all = (0..128).map(notes::Note::from_midi);
    let named = all.map(|note| (note.frequency_hz(notes::A4_HZ), note.to_string()));
    named.filter(|(hertz, name)| hertz >= low && hertz <= high && !name.contains(['#', '\u{266f}'])).collect()
}

/// One row for each seat, spot and frequency: the plan's own response to pure tones, and where four in five draws are.
fn response_table(room: &Room, field: &RoomField) -> String {
    let frequencies_hz: Vec<f64> = (0..=72).map(|n| 20.0 * (f64::from(n) / 24.0).exp2()).collect();
    let mut text = "# Expected responses to pure tones from the room's plan; 0 dB is a free field at 1 m from a flat source.\n\
                    # level_db and phase_rad (for e^{+jwt}) are the plan as it stands; 8 in 10 rooms that it could stand for are\n\
                    # between low_db and high_db.\n\
                    seat,spot,frequency_hz,level_db,phase_rad,low_db,high_db\n"
        .to_owned();
    for one in forecast::forecasts(room, &frequencies_hz, 0.0, DRAWS, SEED) {
        let (seat, spot) = (&room.seats[one.seat], &room.spots[one.spot]);
        let (Some(seat_m), Some(spot_m)) = (seat.at_m, spot.at_m) else { continue };
        let pressures = field.pressure(spot_m, seat_m, &frequencies_hz);
        for ((hertz, pressure), band) in frequencies_hz.iter().zip(pressures).zip(&one.levels) {
            let _ = writeln!(
                text,
                "{},{},{hertz:.3},{:.2},{:.3},{:.2},{:.2}",
                table::quoted(&seat.name),
                table::quoted(&spot.name),
                20.0 * pressure.norm().max(1e-12).log10(),
                pressure.arg(),
                band.low_db,
                band.high_db
            );
        }
    }
    text
}

/// A name that any file system takes: its number, and its letters and digits.
fn file_name(number: usize, name: &str) -> String {
    let kept = name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' });
    let name: String =
        kept.collect::<String>().split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-");
    format!("{}-{}", number + 1, name.chars().take(40).collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room;
    use crate::room::table::ResponseTable;

    const ROOM: &str = "name = \"den\"\nsize_m = [4.6, 3.4]\nheight_m = 2.4\n[[seat]]\nname = \"sofa, left\"\nat_m = [3, 1.6]\n\
        [[spot]]\nname = \"corner\"\nat_m = [0.35, 0.35]\n[[spot]]\nname = \"shelf\"\nat_m = [0.35, 1.7]\n";

    #[test]
    fn a_folder_gets_every_picture_once_and_a_table_that_can_be_read() {
        let room = Room::from_toml("r", ROOM).unwrap();
        let study = room::study(&room).unwrap();
        let folder = tempfile::tempdir().unwrap();
        let written = write(&room, &study, 60.0, folder.path(), false).unwrap();
        let named = |start: &str| {
            let name = |path: &&PathBuf| path.file_name().unwrap().to_string_lossy().starts_with(start);
            written.iter().filter(name).count()
        };
        // At 343.2 m/s the waves below 60 Hz are 37.3 and 50.5 Hz (Kuttruff, Room Acoustics, chapter 3).
        assert_eq!((named("plan"), named("evenness"), named("wave")), (1, 1, 2));
        assert_eq!(named("response-"), study.most_even_first().len());
        assert!(written.iter().all(|path| fs::read_to_string(path).is_ok_and(|text| !text.is_empty())));
        let page = fs::read_to_string(folder.path().join("room.html")).unwrap();
        assert_eq!(page.matches("<svg").count(), written.len() - 2);

        let table = ResponseTable::load(&folder.path().join("responses.csv")).unwrap();
        let level_db = table.level_db("sofa, left", "corner", 40.0, 0.0).unwrap();
        let field = RoomField::new(&room, MODES_UP_TO_HZ).unwrap();
        let plain_db = field.levels_db([0.35, 0.35, 0.3], [3.0, 1.6, 1.1], &[40.0], 0.0)[0];
        assert!((level_db - plain_db).abs() < 0.02, "{level_db} {plain_db}");

        let refused = write(&room, &study, 60.0, folder.path(), false).unwrap_err().to_string();
        assert!(refused.contains("is there already") && refused.contains("--force"), "{refused}");
        assert_eq!(write(&room, &study, 60.0, folder.path(), true).unwrap(), written);
    }

    #[test]
    fn names_become_files_that_any_system_takes() {
        assert_eq!(file_name(0, "sofa, the \"long\" end / left"), "1-sofa-the-long-end-left");
        assert_eq!(file_name(2, "窓"), "3-");
    }
}
