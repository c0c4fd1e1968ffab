//! How fast the judge thinks, and how that grows.
//!
//! `cargo bench --bench judge` times a full update and, on its own, the choice of the next stay;
//! `cargo bench --bench judge -- case` prints the answers of the middle case as JSON, which
//! `benches/reference/judge.py` reads to do the same in numpy.

use evenbass::evidence::{Evidence, Heard, Rating};
use evenbass::judge::{Case, Judge, Pace};
use evenbass::random::Random;
use evenbass::room::Room;
use rustix::time::{ClockId, clock_gettime};

/// Spots, notes, stays at each spot.
const SIZES: [(usize, usize, usize); 7] =
    [(6, 16, 1), (12, 16, 1), (12, 16, 3), (24, 16, 3), (12, 32, 3), (32, 32, 4), (64, 32, 8)];
const MIDDLE: (usize, usize, usize) = (12, 16, 3);

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    if wanted.first().is_some_and(|first| first == "case") {
        let visit = Visit::new(MIDDLE);
        println!(
            "{}",
            serde_json::json!({ "notes_hz": visit.notes_hz, "spots": MIDDLE.0, "evidence": visit.evidence })
        );
        return;
    }
    println!("spots x notes x stays    prepare ms    full update ms    of that the next stay ms");
    for size in SIZES {
        let visit = Visit::new(size);
        let case = visit.case(&visit.walk);
        // Where no spot may be visited there is no next stay to choose: the difference is what the choice costs.
        let over = visit.case(&[]);
        let runs = if size.0 > 24 { 3 } else { 9 };
        let prepare = time_ms(runs, || Judge::new(&case));
        let judge = Judge::new(&case);
        let update = time_ms(runs, || judge.rank(&case));
        let without = time_ms(runs, || judge.rank(&over));
        if size == MIDDLE {
            let ranking = judge.rank(&case);
            let named = |s: &evenbass::judge::SpotBelief| format!("{}:{:.2}", s.spot, s.spread_db.value);
            let order: Vec<String> = ranking.spots.iter().map(named).collect();
            println!("    (expected regret {:.3} dB; {})", ranking.expected_regret_db, order.join(" "));
        }
        println!(
            "{:>5} x {:>5} x {:>5}    {prepare:>10.1}    {update:>14.1}    {:>24.1}",
            size.0,
            size.1,
            size.2,
            (update - without).max(0.0)
        );
    }
}

/// The best of several runs, in milliseconds of this thread's own time: what other programs do meanwhile does not
/// count.
fn time_ms<T>(runs: usize, mut work: impl FnMut() -> T) -> f64 {
    let now_ms = || {
        let now = clock_gettime(ClockId::ThreadCPUTime);
        now.tv_sec as f64 * 1e3 + now.tv_nsec as f64 * 1e-6
    };
    let timed = |_| {
        let start = now_ms();
        std::hint::black_box(work());
        now_ms() - start
    };
    (0..runs).map(timed).fold(f64::INFINITY, f64::min)
}

/// A visit with made-up curves and a plain listener.
struct Visit {
    notes_hz: Vec<f64>,
    room: Room,
    evidence: Vec<Evidence>,
    walk: Vec<usize>,
}

impl Visit {
    fn new((spots, notes, stays): (usize, usize, usize)) -> Self {
        let mut random = Random::new(7, 1);
        let notes_hz: Vec<f64> = (0..notes).map(|n| 25.0 * 4.8_f64.powf(n as f64 / (notes - 1) as f64)).collect();
        let names: Vec<String> = (0..spots).map(|spot| format!("spot {spot}")).collect();
        let room = Room::unmeasured("bench", &["sofa"], &names.iter().map(String::as_str).collect::<Vec<_>>());
        let mut evidence = Vec::new();
        let curves: Vec<Vec<f64>> = (0..spots)
            .map(|spot| {
                let size = 2.0 + 5.0 * spot as f64 / spots as f64;
                let mut level = 0.0;
                (0..notes)
                    .map(|_| {
                        level = 0.7 * level + 0.7 * size * random.normal();
                        level
                    })
                    .collect()
            })
            .collect();
        for stay in 0..stays {
            for (spot, curve) in curves.iter().enumerate() {
                for (note, level) in curve.iter().enumerate() {
                    let heard = level + 1.5 * random.normal();
                    let step = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0].iter().filter(|border| heard > **border).count();
                    evidence.push(Evidence {
                        note,
                        spot,
                        seat: 0,
                        stay: stay * spots + spot,
                        heard: Heard::Rating { rating: Rating::ALL[step] },
                        shortfall_db: 0.0,
                        rattles: false,
                    });
                }
            }
        }
        Self { notes_hz, room, evidence, walk: (0..spots).collect() }
    }

    fn case<'a>(&'a self, walk: &'a [usize]) -> Case<'a> {
        Case {
            notes_hz: &self.notes_hz,
            half_width_octaves: 1.0 / 12.0,
            room: &self.room,
            seat_weights: &[1.0],
            evidence: &self.evidence,
            pace: Pace { move_s: 15.0, rating_s: 3.5, meter_s: 5.0 },
            seconds_left: Some(600.0),
            meter: false,
            at_spot: Some(0),
            matching: false,
            walk,
            seed: 3,
        }
    }
}
