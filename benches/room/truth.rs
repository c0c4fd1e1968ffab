//! Predictions beside rooms whose responses are known.

use std::collections::BTreeMap;
use std::path::Path;

use evenbass::room::ensemble::{Doubt, Draws, Ensemble};
use evenbass::room::field::RoomField;
use evenbass::room::plan::Opening;
use evenbass::room::table::ResponseTable;
use evenbass::room::{Floor, Place, Room};

/// A room as it is, and what is heard in it.
pub struct Known {
    pub name: String,
    pub opening: Option<Opening>,
    pub kind: String,
    pub room: Room,
    pub table: ResponseTable,
}

fn known_rooms(folder: &Path) -> Vec<Known> {
    let text = std::fs::read_to_string(folder.join("manifest.json")).expect("a manifest.json in the folder");
    let manifest: serde_json::Value = serde_json::from_str(&text).expect("the manifest is JSON");
    let rooms = manifest["rooms"].as_array().expect("the manifest lists rooms");
    rooms.iter().map(|entry| known_room(folder, entry)).collect()
}

fn known_room(folder: &Path, entry: &serde_json::Value) -> Known {
    let name = entry["room"].as_str().expect("a room has a name").to_owned();
    let number = |value: &serde_json::Value| value.as_f64().expect("a number");
    let size_m: Option<Vec<f64>> = entry["dims_m"].as_array().map(|size| size.iter().map(number).collect());
    let corners = entry["polygon_m"].as_array().expect("an outline");
    let corners: Vec<[f64; 2]> = corners.iter().map(|corner| [number(&corner[0]), number(&corner[1])]).collect();
    let (floor, height_m) = match size_m.as_deref() {
        Some([length_m, width_m, height_m]) => (Floor::Rectangle { length_m: *length_m, width_m: *width_m }, *height_m),
        _ => (Floor::Polygon(corners), number(&entry["height_m"])),
    };
    let mut room = Room { name: name.clone(), floor: Some(floor), height_m: Some(height_m), ..Room::default() };
    let geometry = std::fs::read_to_string(folder.join(format!("{name}_geometry.csv"))).expect("a geometry file");
    for line in geometry.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let at = |cell: usize| cells[cell].parse::<f64>().expect("a coordinate");
        let place = Place { name: cells[2].to_owned(), at_m: Some([at(4), at(5), at(6)]) };
        if cells[1] == "seat" { room.seats.push(place) } else { room.spots.push(place) }
    }
    // The second rectangle of a room with an opening is the passage behind it, which nobody would measure.
    let opening = entry["rects_m"].as_array().filter(|_| entry["kind"] == "opening").map(|rects| {
        let at = |index: usize| number(&rects[1][index]);
        let [x, low, high] = [at(0), at(1), at(3)];
        Opening { name: "passage".into(), from_m: [x, low], to_m: [x, high], height_m: room.height_m }
    });
    let table = ResponseTable::load(&folder.join(format!("{name}_response.csv"))).expect("a response table");
    Known { name, kind: entry["kind"].as_str().unwrap_or("?").to_owned(), opening, room, table }
}

/// The frequencies of the comparison: twelfths of an octave from 25 to 119 Hz.
fn notes_hz() -> Vec<f64> {
    (0..28).map(|n| 25.0 * (f64::from(n) / 12.0).exp2()).collect()
}

fn deviations(curve: &[f64]) -> Vec<f64> {
    let mean = curve.iter().sum::<f64>() / curve.len() as f64;
    curve.iter().map(|x| x - mean).collect()
}

fn spread(curve: &[f64]) -> f64 {
    (deviations(curve).iter().map(|x| x * x).sum::<f64>() / curve.len() as f64).sqrt()
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    if values.is_empty() { f64::NAN } else { values[values.len() / 2] }
}

/// Spearman's rank correlation (no ties expected).
fn rank_correlation(a: &[f64], b: &[f64]) -> f64 {
    let ranks = |values: &[f64]| -> Vec<f64> {
        values.iter().map(|x| values.iter().filter(|y| **y < *x).count() as f64).collect()
    };
    let (a, b) = (deviations(&ranks(a)), deviations(&ranks(b)));
    let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(p, q)| p * q).sum::<f64>();
    dot(&a, &b) / (dot(&a, &a) * dot(&b, &b)).sqrt()
}

#[derive(Default)]
struct Score {
    absolute_db: Vec<f64>,
    absolute_mean_db: Vec<f64>,
    ranks: Vec<f64>,
    regrets_db: Vec<f64>,
    random_regrets_db: Vec<f64>,
    inside_80: Vec<f64>,
    spread_inside_80: Vec<f64>,
    /// Where in the draws the truth lies, from 0 to 1.
    ranks_of_levels: Vec<f64>,
    ranks_of_spreads: Vec<f64>,
    z_squares: Vec<f64>,
    widths_db: Vec<f64>,
    spread_errors_db: Vec<f64>,
    spread_widths_db: Vec<f64>,
}

pub fn report(folders: &[String]) {
    for folder in folders {
        compare_all(folder, &known_rooms(Path::new(folder)));
    }
}

/// Predictions beside the truth of all rooms, with an exact tape and with one that errs.
pub fn compare_all(label: &str, rooms: &[Known]) {
    for tape in [0.0, 0.02] {
        let mut scores: BTreeMap<String, Score> = BTreeMap::new();
        for known in rooms {
            for repeat in 0..if tape > 0.0 { 4 } else { 1 } {
                let taped = taped(&known.room, tape, repeat);
                let score = scores.entry(known.kind.clone()).or_default();
                compare(known, &taped, tape > 0.0, score);
                if let Some((variant, other)) = variant(known, &taped) {
                    let score = scores.entry(format!("{}, {variant}", known.kind)).or_default();
                    compare(known, &other, tape > 0.0, score);
                }
            }
        }
        println!("{label}, tape error {:.0} %", tape * 100.0);
        for (kind, mut score) in scores {
            score.print(&kind);
        }
    }
}

/// The same room known worse (an outline as its bounding rectangle) or better (with the opening named).
fn variant(known: &Known, taped: &Room) -> Option<(&'static str, Room)> {
    let mut room = taped.clone();
    if let Some(opening) = &known.opening {
        room.fittings.openings.push(opening.clone());
        return Some(("named", room));
    }
    let corners = room.corners_m();
    if corners.len() <= 4 {
        return None;
    }
    let longest = |axis: usize| corners.iter().map(|corner| corner[axis]).fold(0.0, f64::max);
    room.floor = Some(Floor::Rectangle { length_m: longest(0), width_m: longest(1) });
    Some(("as a box", room))
}

/// The next of a sequence of numbers between 0 and 1 (a linear congruence; Knuth's constants).
pub fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    ((*state >> 33) as f64 + 0.5) / (1_u64 << 31) as f64
}

/// The room as somebody with an erring tape would write it down.
fn taped(room: &Room, tape: f64, repeat: u64) -> Room {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64.wrapping_mul(repeat + 1)
        ^ room.name.bytes().fold(7, |h: u64, b| h.wrapping_mul(131) + u64::from(b));
    let mut err =
        || 1.0 + tape * (-2.0 * uniform(&mut state).ln()).sqrt() * (std::f64::consts::TAU * uniform(&mut state)).cos();
    let mut room = room.clone();
    match room.floor.as_mut() {
        Some(Floor::Rectangle { length_m, width_m }) => {
            *length_m *= err();
            *width_m *= err();
        }
        Some(Floor::Polygon(corners)) => {
            let common = err();
            corners.iter_mut().flatten().for_each(|x| *x *= common);
        }
        None => {}
    }
    room.height_m = room.height_m.map(|height_m| height_m * err());
    for place in room.seats.iter_mut().chain(&mut room.spots) {
        place.at_m = place.at_m.map(|at_m| at_m.map(|x| x * err()));
    }
    room
}

fn compare(known: &Known, taped: &Room, doubtful: bool, score: &mut Score) {
    let notes_hz = notes_hz();
    let doubt = if doubtful { Doubt::default() } else { Doubt { tape: 0.0, ..Doubt::default() } };
    let Some(ensemble) = Ensemble::new(taped, &notes_hz, 1.0 / 12.0, doubt) else {
        println!("{}: no prediction", known.name);
        return;
    };
    let field = RoomField::new(taped, 200.0).expect("an outline");
    for (seat, place) in known.room.seats.iter().enumerate() {
        let draws = ensemble.levels(seat, 128, 11).expect("positions are known");
        let seat_m = taped.seats[seat].at_m.expect("positions are known");
        let (mut true_spreads, mut predicted) = (Vec::new(), Vec::new());
        for (spot, source) in known.room.spots.iter().enumerate() {
            let truth: Vec<f64> = notes_hz
                .iter()
                .map(|f| {
                    known.table.level_db(&place.name, &source.name, *f, 1.0 / 12.0).expect("the table covers the bass")
                })
                .collect();
            let spot_m = taped.spots[spot].at_m.expect("positions are known");
            let plain = field.levels_db(spot_m, seat_m, &notes_hz, 1.0 / 12.0);
            let (truth_deviation, plain_deviation) = (deviations(&truth), deviations(&plain));
            score.absolute_db.extend(truth_deviation.iter().zip(&plain_deviation).map(|(a, b)| (a - b).abs()));
            true_spreads.push(spread(&truth));
            predicted.push(score.bands(&draws, spot, &truth));
        }
        score.ranks.push(rank_correlation(&true_spreads, &predicted));
        let best = true_spreads.iter().copied().fold(f64::INFINITY, f64::min);
        let chosen = (0..predicted.len()).min_by(|a, b| predicted[*a].total_cmp(&predicted[*b])).unwrap_or(0);
        score.regrets_db.push(true_spreads[chosen] - best);
        score.random_regrets_db.push(true_spreads.iter().sum::<f64>() / true_spreads.len() as f64 - best);
    }
}

impl Score {
    /// Notes how well the draws cover the truth at a spot; the mean spread of the draws.
    fn bands(&mut self, draws: &Draws, spot: usize, truth: &[f64]) -> f64 {
        let curves: Vec<Vec<f64>> =
            (0..draws.draws()).map(|d| deviations(draws.curve_db(d, spot).expect("placed"))).collect();
        let (count, bands) = (curves.len() as f64, draws.levels(spot));
        for (note, true_db) in deviations(truth).iter().enumerate() {
            let drawn: Vec<f64> = curves.iter().map(|curve| curve[note]).collect();
            let mean = drawn.iter().sum::<f64>() / count;
            let variance = drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0);
            self.absolute_mean_db.push((mean - true_db).abs());
            self.z_squares.push((mean - true_db).powi(2) / variance);
            self.widths_db.push(variance.sqrt());
            self.ranks_of_levels.push(share_below(&drawn, *true_db));
            let band = bands[note].1;
            self.inside_80.push(f64::from(u8::from(*true_db >= band.low_db && *true_db <= band.high_db)));
        }
        let spreads: Vec<f64> = curves.iter().map(|curve| spread(curve)).collect();
        let mean = spreads.iter().sum::<f64>() / count;
        let band = draws.spread(spot).expect("placed");
        let inside = spread(truth) >= band.low_db && spread(truth) <= band.high_db;
        self.ranks_of_spreads.push(share_below(&spreads, spread(truth)));
        self.spread_errors_db.push(spread(truth) - mean);
        let variance = spreads.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0);
        self.spread_widths_db.push(variance.sqrt());
        self.spread_inside_80.push(f64::from(u8::from(inside)));
        mean
    }

    fn print(&mut self, kind: &str) {
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        println!(
            "  {kind:<16} plan alone: median |difference| {:.2} dB; mean of draws: {:.2} dB; rank correlation {:.2}; \
             regret {:.2} dB (any spot {:.2}); 80 % bands hold {:.0} % of levels, {:.0} % of spreads; z² {:.2}, width \
             {:.1} dB; true spread {:+.2} dB off, scatter {:.2}, drawn {:.2}",
            median(&mut self.absolute_db),
            median(&mut self.absolute_mean_db),
            mean(&self.ranks),
            mean(&self.regrets_db),
            mean(&self.random_regrets_db),
            100.0 * mean(&self.inside_80),
            100.0 * mean(&self.spread_inside_80),
            mean(&self.z_squares),
            mean(&self.widths_db),
            mean(&self.spread_errors_db),
            spread(&self.spread_errors_db),
            mean(&self.spread_widths_db),
        );
        for (what, ranks) in [("levels", &self.ranks_of_levels), ("spreads", &self.ranks_of_spreads)] {
            let inside = |tail: f64| ranks.iter().filter(|rank| **rank >= tail && **rank <= 1.0 - tail).count();
            let share = |tail: f64| 100.0 * inside(tail) as f64 / ranks.len() as f64;
            let said = [0.25, 0.1, 0.08, 0.05, 0.03, 0.02]
                .map(|tail| format!("{:.0} %: {:.0}", 100.0 - 200.0 * tail, share(tail)));
            println!("  {:<16} the middle share of draws holds so many {what}: {}", "", said.join(", "));
        }
    }
}

/// The share of draws below the truth.
fn share_below(drawn: &[f64], truth: f64) -> f64 {
    drawn.iter().filter(|value| **value < truth).count() as f64 / drawn.len() as f64
}
