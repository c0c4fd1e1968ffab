//! How flat the blend ends: simulated systems, a simulated listener, and the best that the same controls could reach.
//!
//! `cargo bench --bench blend` takes a few systems of each connection. `-- 200` takes as many as that, `-- 100..300` those with these
//! seeds, `-- 200 line` those of one connection (`line`, `lfe`, `both`), `-- 200 line ear` one way (`ear`, `meter`, `plain`; and, if
//! it is asked for, `stated`: by ear, with all slopes in the system file),
//! `-- 200 line ear 12min` with another time; `verbose` at the end says how each ended.
//! `-- 24 why` leaves one difficulty out at a time, to see which of them costs what. `-- 24 through` takes the systems through whole
//! visits instead: the program on its JSON face and fast clock, tuned and by the `assistant` routine.

#[path = "blend/harness.rs"]
mod harness;
#[allow(dead_code, reason = "made for the tests")]
#[path = "../tests/support/script.rs"]
mod script;
#[path = "blend/through.rs"]
mod through;

use std::ops::Range;
use std::time::Instant;

use evenbass::blend::Connection;
use evenbass::presets::ListenerTraits;
use evenbass::rehearsal::VirtualSystem;

use harness::{By, best_db, is_inverted, plain, tuned, tuned_as, usual_listener, worst_db};

/// The person's time where nothing else is said.
const BUDGET_MIN: f64 = 14.7;

/// How one system ended.
struct Row {
    /// Worst deviation of the sum, and how far that is over the best that the controls reach, dB.
    worst_db: f64,
    over_db: f64,
    /// What the kept polarity costs with everything else at its best, dB.
    polarity_db: f64,
    minutes: f64,
    /// What the procedure itself expected, if it does.
    expected_db: Option<f64>,
}

/// How a system is set.
enum Way {
    Untouched,
    Tuned {
        listener: ListenerTraits,
        by: By,
        minutes: f64,
    },
    /// By ear, with all slopes stated in the system file.
    Stated {
        listener: ListenerTraits,
        minutes: f64,
    },
    Plain,
    Visit {
        routine: Option<&'static str>,
    },
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    let seeds = arguments.first().and_then(|said| seeds(said)).unwrap_or(0..5);
    let says = |word: &str| arguments.iter().any(|argument| argument == word);
    let asked = |words: &[&str], word: &str| says(word) || !words.iter().any(|word| says(word));
    let minutes = arguments.iter().find_map(|argument| argument.strip_suffix("min")?.parse().ok());
    let ways = ways(says("why"), says("through"), minutes.unwrap_or(BUDGET_MIN));
    for (name, connection) in [("line", Connection::Line), ("lfe", Connection::Lfe), ("both", Connection::Both)] {
        if !asked(&["line", "lfe", "both"], name) {
            continue;
        }
        let system = |seed| match says("through") {
            true => through::system(connection, seed),
            false => VirtualSystem::random(connection, seed),
        };
        let numbers: Vec<u64> = seeds.clone().collect();
        let systems = on_both_cores(&numbers, |&seed| {
            let system = system(seed);
            let best = best_db(&system);
            (seed, system, best)
        });
        println!("{name}, {} systems", systems.len());
        for (way, how) in &ways {
            let left_out = *way == "stated" && !says("stated");
            if *way != "untouched" && (left_out || !asked(&["ear", "meter", "plain", "stated"], way)) {
                continue;
            }
            let began = Instant::now();
            let rows = on_both_cores(&systems, |(seed, system, best)| one(system, *best, how, *seed));
            if says("verbose") {
                for (seed, row) in numbers.iter().zip(&rows) {
                    println!(
                        "    {seed}: {:.2} dB, {:.2} over the best, polarity {:.2}, {:.1} min",
                        row.worst_db, row.over_db, row.polarity_db, row.minutes
                    );
                }
            }
            report(way, &rows, began.elapsed().as_secs_f64());
        }
    }
}

/// Which systems: so many from the first on, or from one to before another.
fn seeds(said: &str) -> Option<Range<u64>> {
    match said.split_once("..") {
        Some((from, to)) => Some(from.parse().ok()?..to.parse().ok()?),
        None => Some(0..said.parse().ok()?),
    }
}

/// Does the same with each on two threads; what came of it in the same order.
fn on_both_cores<T: Sync, R: Send>(of: &[T], does: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let does = &does;
    let every_other = |from: usize| (from..of.len()).step_by(2).map(|at| (at, does(&of[at]))).collect();
    let mut done: Vec<(usize, R)> = std::thread::scope(|scope| {
        let other = scope.spawn(move || -> Vec<(usize, R)> { every_other(1) });
        let mut done: Vec<(usize, R)> = every_other(0);
        done.extend(other.join().expect("the other half"));
        done
    });
    done.sort_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, result)| result).collect()
}

fn ways(why: bool, through: bool, minutes: f64) -> Vec<(&'static str, Way)> {
    let tuned = |listener, by| Way::Tuned { listener, by, minutes };
    let usual = usual_listener;
    if through {
        return vec![
            ("visit", Way::Visit { routine: None }),
            ("assistant", Way::Visit { routine: Some("assistant") }),
            ("untouched", Way::Untouched),
        ];
    }
    if why {
        let sure = ListenerTraits { doubt_db: 0.05, mood_db: 0.0, lapses: 0.0, border_spread: 0.0, ..usual() };
        return vec![
            ("as it is", tuned(usual(), By::Ear)),
            ("without doubt", tuned(sure.clone(), By::Ear)),
            ("an ear as the standard's", tuned(ListenerTraits { contour_db: 0.0, ..usual() }, By::Ear)),
            ("neither", tuned(ListenerTraits { contour_db: 0.0, ..sure }, By::Ear)),
            ("half an hour", Way::Tuned { listener: usual(), by: By::Ear, minutes: 29.7 }),
            ("a meter", tuned(usual(), By::Meter)),
            ("an exact meter", tuned(ListenerTraits { meter_db: 0.01, ..usual() }, By::Meter)),
        ];
    }
    vec![
        ("ear", tuned(usual(), By::Ear)),
        ("meter", tuned(usual(), By::Meter)),
        ("plain", Way::Plain),
        ("stated", Way::Stated { listener: usual(), minutes }),
        ("untouched", Way::Untouched),
    ]
}

fn one(system: &VirtualSystem, best: [f64; 2], way: &Way, seed: u64) -> Row {
    let (setting, seconds, expected_db) = match way {
        Way::Tuned { listener, by, minutes } => {
            let outcome = tuned(system, listener, *by, seed, minutes * 60.0);
            (outcome.setting, outcome.seconds, Some(outcome.worst_db[0]))
        }
        Way::Stated { listener, minutes } => {
            let described = system.described_with_slopes();
            let outcome = tuned_as(described, system, listener, By::Ear, seed, minutes * 60.0);
            (outcome.setting, outcome.seconds, Some(outcome.worst_db[0]))
        }
        Way::Plain => {
            let plain = plain(system, usual_listener(), seed);
            (plain.setting, plain.seconds, None)
        }
        Way::Visit { routine } => {
            let visit = through::visit(system.system.connection, seed, usual_listener(), *routine);
            (visit.setting, visit.seconds, None)
        }
        Way::Untouched => (system.start.clone(), 0.0, None),
    };
    let least_db = best[0].min(best[1]);
    let worst_db = worst_db(system, &setting);
    Row {
        worst_db,
        over_db: worst_db - least_db,
        polarity_db: best[usize::from(is_inverted(system, &setting))] - least_db,
        minutes: seconds / 60.0,
        expected_db,
    }
}

fn report(way: &str, rows: &[Row], took_s: f64) {
    let count = rows.len() as f64;
    let share = |holds: &dyn Fn(&Row) -> bool| 100.0 * rows.iter().filter(|row| holds(row)).count() as f64 / count;
    let sorted = |of: &dyn Fn(&Row) -> f64| {
        let mut values: Vec<f64> = rows.iter().map(of).collect();
        values.sort_by(f64::total_cmp);
        values
    };
    let at = |values: &[f64], share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    let over = sorted(&|row| row.over_db);
    let minutes = sorted(&|row| row.minutes);
    let mean_db = rows.iter().map(|row| row.worst_db).sum::<f64>() / count;
    println!(
        "  {way:9} worst deviation {mean_db:.2} dB on average; over the best: median {:.2}, 90th percentile {:.2}; within 2 dB {:.0} %; \
         polarity within 1 dB {:.0} %; minutes: median {:.1}, most {:.1}; computed in {took_s:.0} s",
        at(&over, 0.5),
        at(&over, 0.9),
        share(&|row| row.over_db <= 2.0),
        share(&|row| row.polarity_db <= 1.0),
        at(&minutes, 0.5),
        at(&minutes, 1.0)
    );
    let expected: Vec<f64> = rows.iter().filter_map(|row| row.expected_db).collect();
    if !expected.is_empty() {
        println!("            it expected {:.2} dB on average", expected.iter().sum::<f64>() / expected.len() as f64);
    }
}
