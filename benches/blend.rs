//! How flat the blend ends: simulated systems, a simulated listener, and the best that the same controls could reach.
//!
//! `cargo bench --bench blend` takes a few systems of each connection; `cargo bench --bench blend -- 200` takes as many as
//! that, `-- 200 line` of one connection, `-- 200 line verbose` says how each one ended.

#[path = "blend/harness.rs"]
mod harness;

use std::time::Instant;

use evenbass::blend::Connection;
use evenbass::rehearsal::VirtualSystem;

use harness::{By, best_db, is_inverted, plain, tuned, usual_listener, worst_db};

const BUDGET_S: f64 = 14.0 * 60.0;

struct Row {
    over_db: f64,
    polarity_db: f64,
    minutes: f64,
    expected_db: f64,
    is_db: f64,
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    let count: u64 = arguments.first().and_then(|count| count.parse().ok()).unwrap_or(10);
    let only = arguments.get(1).map(String::as_str);
    let verbose = arguments.iter().any(|argument| argument == "verbose");
    for (name, connection) in [("line", Connection::Line), ("lfe", Connection::Lfe), ("both", Connection::Both)] {
        if only.is_some_and(|only| only != name && only != "all") {
            continue;
        }
        let began = Instant::now();
        let (mut ears, mut meters, mut plains, mut untouched) = (vec![], vec![], vec![], vec![]);
        let only_seed: Option<u64> = std::env::var("SEED").ok().and_then(|s| s.parse().ok());
        for seed in only_seed.map_or(0..count, |s| s..s + 1) {
            let system = VirtualSystem::random(connection, seed);
            let best = best_db(&system);
            let row = |setting: &[f64], seconds: f64| Row {
                over_db: worst_db(&system, setting) - best[0].min(best[1]),
                polarity_db: best[usize::from(is_inverted(&system, setting))] - best[0].min(best[1]),
                minutes: seconds / 60.0,
                expected_db: 0.0,
                is_db: worst_db(&system, setting),
            };
            let outcome = tuned(
                &system,
                usual_listener(),
                if std::env::var("SHARP").is_ok() { By::Meter } else { By::Ear },
                seed,
                BUDGET_S,
            );
            let mut ear = row(&outcome.setting, outcome.seconds);
            ear.expected_db = outcome.worst_db[0];
            if verbose {
                println!(
                    "{seed}: best {:.2} {:.2}, over {:.2}, polarity {:.2}, expected {:.2}, {:.1} min, {:?} from {:?}",
                    best[0],
                    best[1],
                    ear.over_db,
                    ear.polarity_db,
                    outcome.worst_db[0],
                    ear.minutes,
                    outcome.setting,
                    system.start
                );
            }
            ears.push(ear);
            if std::env::var("EAR").is_ok() {
                continue;
            }
            let sharp = std::env::var("SHARP").is_ok();
            let traits = if sharp {
                evenbass::presets::ListenerTraits { meter_db: 0.05, ..usual_listener() }
            } else {
                usual_listener()
            };
            let outcome = tuned(&system, traits, By::Meter, seed, BUDGET_S);
            if verbose {
                println!(
                    "   meter expected {:.2} is {:.2} {:?} {:.1}",
                    outcome.worst_db[0],
                    worst_db(&system, &outcome.setting),
                    outcome.setting,
                    outcome.seconds / 60.0
                );
            }
            meters.push(row(&outcome.setting, outcome.seconds));
            let by_hand = plain(&system, usual_listener(), seed);
            plains.push(row(&by_hand.setting, by_hand.seconds));
            untouched.push(row(&system.start, 0.0));
        }
        println!("{name}, {count} systems, {:.0} s:", began.elapsed().as_secs_f64());
        let calib = ears.iter().map(|r| r.expected_db).sum::<f64>() / ears.len() as f64;
        let actual = ears.iter().map(|r| r.is_db).sum::<f64>() / ears.len() as f64;
        println!("  expected {calib:.2} is {actual:.2}");
        for (how, rows) in [("by ear", ears), ("by meter", meters), ("plain way", plains), ("untouched", untouched)] {
            report(how, &rows);
        }
    }
}

fn report(how: &str, rows: &[Row]) {
    if rows.is_empty() {
        return;
    }
    let share =
        |holds: &dyn Fn(&Row) -> bool| 100.0 * rows.iter().filter(|row| holds(row)).count() as f64 / rows.len() as f64;
    let sorted = |of: &dyn Fn(&Row) -> f64| {
        let mut values: Vec<f64> = rows.iter().map(of).collect();
        values.sort_by(f64::total_cmp);
        values
    };
    let over = sorted(&|row| row.over_db);
    let minutes = sorted(&|row| row.minutes);
    let at = |values: &[f64], share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    println!(
        "  {how:10} over the best: median {:.2} dB, 90th percentile {:.2}; within 2 dB {:.0} %; polarity within 1 dB {:.0} %; \
         minutes: median {:.1}, most {:.1}",
        at(&over, 0.5),
        at(&over, 0.9),
        share(&|row| row.over_db <= 2.0),
        share(&|row| row.polarity_db <= 1.0),
        at(&minutes, 0.5),
        at(&minutes, 1.0)
    );
}
