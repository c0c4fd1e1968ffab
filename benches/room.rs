//! How well and how fast the room is predicted.
//!
//! `cargo bench --bench room` times the work; `cargo bench --bench room -- truth DIR…` compares predictions with rooms
//! whose responses are known (`ID_geometry.csv` and `ID_response.csv` for each, sizes in `manifest.json`);
//! `cargo bench --bench room -- furnished` with invented rooms that hold furniture which their plan does not show.

#[path = "room/furnished.rs"]
mod furnished;
#[path = "room/truth.rs"]
mod truth;

use std::time::Instant;

use rustix::time::{ClockId, clock_gettime};

use evenbass::room::field::RoomField;
use evenbass::room::green::DampedBox;
use evenbass::room::{Room, ensemble, map};

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    match arguments.split_first() {
        Some((first, folders)) if first == "truth" => truth::report(folders),
        Some((first, _)) if first == "furnished" => truth::compare_all("invented", &furnished::rooms()),
        _ => speed(),
    }
}

/// The best of several runs: by the clock, and the processor time of all threads, which a busy machine stretches less.
struct Best {
    clock_ms: f64,
    processor_ms: f64,
}

impl std::fmt::Display for Best {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.2} ms of processor time, {:.2} ms by the clock", self.processor_ms, self.clock_ms)
    }
}

fn processor_s() -> f64 {
    let time = clock_gettime(ClockId::ProcessCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
}

fn best<T>(runs: usize, mut work: impl FnMut() -> T) -> Best {
    let mut best = Best { clock_ms: f64::INFINITY, processor_ms: f64::INFINITY };
    for _ in 0..runs {
        let (start, spent_s) = (Instant::now(), processor_s());
        std::hint::black_box(work());
        best.processor_ms = best.processor_ms.min((processor_s() - spent_s) * 1e3);
        best.clock_ms = best.clock_ms.min(start.elapsed().as_secs_f64() * 1e3);
    }
    best
}

/// Four corners of a rectangle of 6.4 by 5.2 m and eight places between them.
fn rectangle_with_12_spots() -> Room {
    let mut text = "size_m = [6.4, 5.2]\nheight_m = 2.5\n[[seat]]\nname = \"S\"\nat_m = [4.1, 2.4]\n".to_owned();
    for spot in 0..12 {
        let share = f64::from(spot) / 11.0;
        text += &format!(
            "[[spot]]\nname = \"P{spot}\"\nat_m = [{}, {}]\n",
            0.35 + 5.7 * share,
            if spot % 2 == 0 { 0.35 } else { 4.85 }
        );
    }
    Room::from_toml("bench", &text).expect("the bench room is well formed")
}

fn speed() {
    let room = rectangle_with_12_spots();
    let notes_hz: Vec<f64> = (0..28).map(|n| 25.0 * (f64::from(n) / 12.0).exp2()).collect();
    let time = best(10, || ensemble::predicted_levels(&room, 0, &notes_hz, 1.0 / 12.0, 64, 1));
    println!("predicted levels, rectangle, 12 spots x 28 notes x 64 draws: {time}");
    let l_room = l_room(1.0);
    let time = best(5, || ensemble::predicted_levels(&l_room, 0, &notes_hz, 1.0 / 12.0, 64, 1));
    println!("predicted levels, L-shape, 6 spots x 28 notes x 64 draws: {time}");
    for scale in [1.0, 1.5, 2.0] {
        let l_room = self::l_room(scale);
        let count = RoomField::new(&l_room, 160.0).expect("an outline").resonances().len();
        let time = best(5, || RoomField::new(&l_room, 160.0));
        println!("waves of an L-shape x {scale}, plan waves to 200 Hz, {count} resonances to 160 Hz: {time}");
    }
    for hz in [80.0, 160.0, 320.0] {
        let time = best(5, || RoomField::new(&self::l_room(1.0), hz));
        println!("waves of an L-shape, resonances to {hz} Hz: {time}");
    }
    speed_of_maps();
    let green = DampedBox { size_m: [5.0, 4.0, 2.5], speed_m_per_s: 343.0, damping_per_s: 20.0 };
    let time =
        best(10, || notes_hz.iter().map(|f| green.green_per_m([1.0, 0.7, 0.5], [3.2, 2.9, 1.2], *f).re).sum::<f64>());
    println!(
        "exact spot to seat response, 28 frequencies: {time}, {:.1} us a frequency",
        time.processor_ms * 1e3 / 28.0
    );
    let time = best(3, || evenbass::room::study(&l_room));
    println!("whole study of the L-shape: {time}");
}

/// The floor map: 5 cm, 30 m², 88 frequencies, 3 seats.
fn speed_of_maps() {
    let seats = "height_m = 2.5\n[[seat]]\nname = \"a\"\nat_m = [3.9, 2.4]\n[[seat]]\nname = \"b\"\nat_m = [3.1, 1.6]\n\
                 [[seat]]\nname = \"c\"\nat_m = [2.2, 2.9]\n";
    let frequencies_hz: Vec<f64> = (0..88).map(|n| 20.0 * (f64::from(n) / 34.0).exp2()).collect();
    for floor in ["size_m = [6.0, 5.0]", "floor_m = [[0,0],[6.6,0],[6.6,3.4],[4.2,3.4],[4.2,5.2],[0,5.2]]"] {
        let room = Room::from_toml("bench", &format!("{floor}\n{seats}")).expect("the bench room is well formed");
        let field = RoomField::new(&room, 200.0).expect("an outline");
        let time = best(5, || map::spread_maps(&room, &field, &frequencies_hz, 0.3, 0.05));
        println!("floor map, {floor}, 5 cm, 88 frequencies, 3 seats: {time}");
    }
}

fn l_room(scale: f64) -> Room {
    let corners =
        [[0.0, 0.0], [6.6, 0.0], [6.6, 3.4], [4.2, 3.4], [4.2, 5.2], [0.0, 5.2]].map(|c| c.map(|x| x * scale));
    let mut text =
        format!("large = true\nfloor_m = {corners:?}\nheight_m = 2.5\n[[seat]]\nname = \"S\"\nat_m = [2.9, 1.9]\n");
    for (spot, [x, y]) in
        [[0.4, 0.4], [6.2, 0.4], [6.2, 3.0], [0.4, 4.8], [3.8, 4.8], [0.4, 2.6]].into_iter().enumerate()
    {
        text += &format!("[[spot]]\nname = \"P{spot}\"\nat_m = [{}, {}]\n", x * scale, y * scale);
    }
    Room::from_toml("bench", &text).expect("the bench room is well formed")
}
