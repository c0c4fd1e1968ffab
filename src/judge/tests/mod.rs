//! The judge on whole cases: plain ones, and some that nobody wants.

mod chain;

use crate::evidence::{Evidence, Heard, Rating};
use crate::judge::grading::BORDERS_DB;
use crate::judge::{Advice, Case, Judge, Pace, Ranking, ShootOut, judge};
use crate::room::Room;
use crate::stats::gaussian::NormalDraws;

const PACE: Pace = Pace { move_s: 15.0, rating_s: 3.5, meter_s: 5.0 };
const WALK: [usize; 12] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11];

fn notes(count: usize) -> Vec<f64> {
    (0..count).map(|i| 25.0 * (4.8_f64).powf(i as f64 / (count.max(2) - 1) as f64)).collect()
}

fn room(spots: usize) -> Room {
    let names: Vec<String> = (0..spots).map(|s| format!("spot {s}")).collect();
    Room::unmeasured("den", &["sofa"], &names.iter().map(String::as_str).collect::<Vec<_>>())
}

fn case<'a>(notes_hz: &'a [f64], room: &'a Room, evidence: &'a [Evidence]) -> Case<'a> {
    Case {
        notes_hz,
        half_width_octaves: 1.0 / 12.0,
        room,
        seat_weights: &[1.0],
        evidence,
        pace: PACE,
        seconds_left: Some(600.0),
        meter: false,
        at_spot: None,
        matching: false,
        walk: &WALK[..room.spots.len().min(12)],
        seed: 11,
    }
}

fn rated(spot: usize, stay: usize, steps: &[i8]) -> Vec<Evidence> {
    let heard = |step: &i8| Heard::Rating { rating: Rating::new(*step).unwrap() };
    steps.iter().enumerate().map(|(note, step)| said(note, spot, stay, heard(step))).collect()
}

fn said(note: usize, spot: usize, stay: usize, heard: Heard) -> Evidence {
    Evidence { note, spot, seat: 0, stay, heard, shortfall_db: 0.0, rattles: false }
}

/// Every figure finite, every probability one, nothing absurd.
fn sound(ranking: &Ranking, spots: usize) {
    assert_eq!(ranking.spots.len(), spots.max(1));
    let total: f64 = ranking.spots.iter().map(|s| s.probability_best).sum();
    assert!((total - 1.0).abs() < 1e-9, "{total}");
    assert!(ranking.expected_regret_db.is_finite() && ranking.expected_regret_db >= 0.0);
    assert!(ranking.five_minutes_db.is_finite());
    for spot in &ranking.spots {
        let all = spot.curve_db.iter().chain([&spot.spread_db, &spot.worst_peak.1, &spot.worst_hole.1]);
        for e in all {
            assert!(e.low.is_finite() && e.low <= e.high && e.high.is_finite(), "{e:?}");
            assert!(e.value.is_finite());
        }
    }
}

const EVEN: [i8; 16] = [0, 0, 1, 0, 0, -1, 0, 0, 0, 1, 0, 0, -1, 0, 0, 0];
const UNEVEN: [i8; 16] = [3, 3, 1, -2, -3, -1, 2, 3, 1, -2, -3, -2, 0, 2, 2, -2];

#[test]
fn an_even_spot_beats_an_uneven_one() {
    let (notes, room) = (notes(16), room(3));
    let evidence = [rated(0, 0, &UNEVEN), rated(1, 1, &EVEN), rated(2, 2, &UNEVEN)].concat();
    let ranking = judge(&case(&notes, &room, &evidence));
    sound(&ranking, 3);
    assert_eq!(ranking.spots[0].spot, 1);
    assert!(ranking.spots[0].probability_best > 0.9);
    assert!(ranking.expected_regret_db < 0.1, "{}", ranking.expected_regret_db);
    assert!(!ranking.deciding_notes.is_empty());
    assert_eq!(ranking, judge(&case(&notes, &room, &evidence)), "the same case must give the same answer");
}

#[test]
fn before_anything_is_heard_no_spot_leads_and_a_stay_is_advised() {
    let (notes, room) = (notes(16), room(5));
    let ranking = judge(&case(&notes, &room, &[]));
    sound(&ranking, 5);
    assert!(ranking.spots.iter().all(|s| s.probability_best < 0.4));
    assert!(ranking.expected_regret_db > 0.5);
    assert!(matches!(&ranking.advice, Advice::Rate { notes, .. } if notes.len() >= 8));
    assert!(ranking.caveats.iter().any(|c| c.contains("Nothing has been heard")));
}

#[test]
fn strange_cases_get_a_sound_answer() {
    let long = [rated(0, 0, &[3; 16]), rated(1, 1, &[3; 16])].concat();
    let same = [rated(0, 0, &[0; 16]), rated(1, 1, &[0; 16])].concat();
    let torn = [rated(0, 0, &UNEVEN), rated(0, 1, &UNEVEN.map(|s| -s)), rated(1, 2, &EVEN)].concat();
    for (name, evidence) in [("all booming", long), ("all even", same), ("contradictory", torn)] {
        let (notes, room) = (notes(16), room(3));
        let ranking = judge(&case(&notes, &room, &evidence));
        sound(&ranking, 3);
        assert!(ranking.spots[0].probability_best < 0.97, "{name}: {}", ranking.spots[0].probability_best);
    }
    for (spots, count) in [(1, 16), (1, 1), (3, 1), (3, 2)] {
        let (notes, room) = (notes(count), room(spots));
        let evidence = rated(0, 0, &UNEVEN[..count]);
        sound(&judge(&case(&notes, &room, &evidence)), spots);
        sound(&judge(&case(&notes, &room, &[])), spots);
    }
    let (none, nowhere) = (Vec::new(), room(0));
    let ranking = judge(&case(&none, &nowhere, &[]));
    assert!(ranking.caveats.iter().any(|c| c.contains("nothing can be ranked")));
    assert!(matches!(ranking.advice, Advice::Stop { .. }));
}

#[test]
fn a_room_file_that_does_not_fit_is_noticed_and_hardly_counted() {
    let text = "size_m = [5.1, 3.9]\nheight_m = 2.5\n[[seat]]\nname = \"sofa\"\nat_m = [3.4, 1.9]\n\
        [[spot]]\nname = \"a\"\nat_m = [0.35, 0.35]\n[[spot]]\nname = \"b\"\nat_m = [0.35, 1.95]\n\
        [[spot]]\nname = \"c\"\nat_m = [4.7, 0.4]\n";
    let measured = Room::from_toml("r", text).unwrap();
    let notes = notes(16);
    let predicted = crate::room::ensemble::predicted_levels(&measured, 0, &notes, 1.0 / 12.0, 200, 1).unwrap();
    // What somebody would say whose room does the opposite, or the same, of what the file says.
    let answers = |sign: f64| -> Vec<Evidence> {
        let of_spot = |spot: usize| {
            let mean = |n: usize| (0..200).map(|k| predicted.curve_db(k, spot).unwrap()[n]).sum::<f64>() / 200.0;
            let level = (0..16).map(mean).sum::<f64>() / 16.0;
            let steps: Vec<i8> = (0..16)
                .map(|n| {
                    let heard = sign * (mean(n) - level);
                    BORDERS_DB.iter().filter(|border| heard > **border).count() as i8 - 3
                })
                .collect();
            [rated(spot, 2 * spot, &steps), rated(spot, 2 * spot + 1, &steps)].concat()
        };
        (0..3).flat_map(of_spot).collect()
    };
    let (other, same) = (answers(-1.0), answers(1.0));
    let said = |evidence: &[Evidence]| {
        let ranking = judge(&case(&notes, &measured, evidence));
        sound(&ranking, 3);
        ranking.caveats.iter().any(|c| c.contains("do not agree with the room"))
    };
    assert!(said(&other));
    assert!(!said(&same));
}

#[test]
fn what_five_more_minutes_would_gain_is_said_when_the_time_is_up() {
    let (notes, room) = (notes(16), room(4));
    let evidence = [rated(0, 0, &EVEN), rated(1, 1, &EVEN)].concat();
    let mut over = case(&notes, &room, &evidence);
    over.seconds_left = Some(0.0);
    let ranking = judge(&over);
    assert!(matches!(&ranking.advice, Advice::Stop { why } if why.contains("time is up")));
    assert!(ranking.five_minutes_db > 0.01 && ranking.five_minutes_db <= ranking.expected_regret_db);
}

#[test]
fn answers_that_fit_nothing_are_left_out_and_said() {
    let (notes, room) = (notes(16), room(2));
    let mut evidence = rated(0, 0, &EVEN);
    evidence.push(said(99, 0, 0, Heard::Match { offset_db: 1.0 }));
    evidence.push(said(0, 9, 0, Heard::Match { offset_db: 1.0 }));
    evidence.push(said(0, 0, 0, Heard::Match { offset_db: f64::NAN }));
    evidence.push(Evidence { shortfall_db: f64::INFINITY, ..said(1, 0, 0, Heard::Meter { level_db_spl: 70.0 }) });
    let mut strange = case(&notes, &room, &evidence);
    strange.seconds_left = Some(f64::NAN);
    strange.pace = Pace { move_s: f64::NAN, rating_s: 0.0, meter_s: -1.0 };
    strange.seat_weights = &[f64::NAN];
    let ranking = judge(&strange);
    sound(&ranking, 2);
    assert!(ranking.caveats.iter().any(|c| c.contains("left out")));
}

#[test]
fn no_stay_is_advised_that_does_not_fit_into_the_time() {
    let (notes, room) = (notes(16), room(4));
    let mut short = case(&notes, &room, &[]);
    short.seconds_left = Some(50.0);
    assert!(matches!(&judge(&short).advice, Advice::Rate { notes, .. } if 15.0 + 3.5 * notes.len() as f64 <= 50.0));
    short.seconds_left = Some(30.0);
    assert!(matches!(judge(&short).advice, Advice::Stop { .. }));
}

#[test]
fn the_meter_is_offered_for_three_spots_at_most() {
    let (notes, room) = (notes(16), room(5));
    let mut evidence =
        [rated(0, 0, &EVEN), rated(1, 1, &EVEN), rated(2, 2, &UNEVEN), rated(3, 3, &UNEVEN), rated(4, 4, &UNEVEN)]
            .concat();
    let mut read = Vec::new();
    for stay in 5..12 {
        let mut now = case(&notes, &room, &evidence);
        now.meter = true;
        now.seconds_left = Some(900.0);
        let Advice::Meter { spot, notes: which, .. } = judge(&now).advice else { break };
        assert!(!read.contains(&spot));
        read.push(spot);
        for note in which {
            let level = 70.0 + f64::from(EVEN[note]) * (1.0 + spot as f64);
            evidence.push(said(note, spot, stay, Heard::Meter { level_db_spl: level }));
        }
    }
    assert!((1..=3).contains(&read.len()), "{read:?}");
    assert!(read[0] < 2, "{read:?}");
}

#[test]
fn levels_from_meter_match_and_microphone_find_the_even_spot() {
    let (notes, room) = (notes(16), room(2));
    for kind in 0..3 {
        let heard = |level: f64| match kind {
            0 => Heard::Meter { level_db_spl: 70.0 + level },
            1 => Heard::Match { offset_db: level },
            _ => Heard::Microphone { level_db: level - 30.0 },
        };
        let curve = |spot: usize, scale: f64| {
            (0..16).map(|n| said(n, spot, spot, heard(scale * f64::from(UNEVEN[n])))).collect::<Vec<_>>()
        };
        let ranking = judge(&case(&notes, &room, &[curve(0, 3.0), curve(1, 0.5)].concat()));
        sound(&ranking, 2);
        assert_eq!(ranking.spots[0].spot, 1, "kind {kind}");
        assert!(ranking.spots[0].probability_best > 0.95);
    }
}

#[test]
fn a_shortfall_is_not_blamed_on_the_spot() {
    let (notes, room) = (notes(16), room(2));
    let weak: Vec<i8> = (0..16).map(|n| if n < 3 { -3 } else { 0 }).collect();
    let blamed = rated(0, 0, &weak);
    let known: Vec<Evidence> =
        blamed.iter().map(|e| Evidence { shortfall_db: if e.note < 3 { 9.0 } else { 0.0 }, ..*e }).collect();
    let spread = |evidence: &[Evidence]| {
        let ranking = judge(&case(&notes, &room, evidence));
        ranking.spots.iter().find(|s| s.spot == 0).unwrap().spread_db.value
    };
    assert!(spread(&known) + 0.5 < spread(&blamed), "{} {}", spread(&known), spread(&blamed));
}

#[test]
fn comparisons_move_the_ranking_and_blind_ones_most() {
    let (notes, room) = (notes(16), room(2));
    let evidence = [rated(0, 0, &EVEN), rated(1, 1, &EVEN)].concat();
    let now = case(&notes, &room, &evidence);
    let judge = Judge::new(&now);
    let chance = |outcomes: &[ShootOut]| {
        let ranking = judge.rank_after(&now, outcomes);
        sound(&ranking, 2);
        ranking.spots.iter().find(|s| s.spot == 1).unwrap().probability_best
    };
    let won = ShootOut { more_even: 1, less_even: 0, blind: true };
    let known = ShootOut { blind: false, ..won };
    assert!(chance(&[won, won]) > chance(&[]) + 0.05);
    assert!(chance(&[known, known]) > chance(&[]) && chance(&[known, known]) < chance(&[won, won]));
    assert_eq!(chance(&[ShootOut { more_even: 7, ..won }]), chance(&[]));
}

#[test]
fn one_sided_and_careless_listeners_are_told_kindly() {
    let (notes, room) = (notes(16), room(2));
    let strong: Vec<i8> = (0..16).map(|n| 1 + (n % 3) as i8).collect();
    let ranking = judge(&case(&notes, &room, &[rated(0, 0, &strong), rated(1, 1, &strong)].concat()));
    assert!(ranking.listener.advice.iter().any(|a| a.contains("strong side")), "{:?}", ranking.listener);
    let mut source = NormalDraws::new(3);
    let mut careless = Vec::new();
    for stay in 0..6 {
        let steps: Vec<i8> = (0..16).map(|_| (source.uniform() * 7.0) as i8 - 3).collect();
        careless.extend(rated(stay % 2, stay, &steps));
    }
    let ranking = judge(&case(&notes, &room, &careless));
    assert!(ranking.listener.consistency.is_some_and(|k| k < 0.4), "{:?}", ranking.listener);
    assert!(ranking.listener.advice.iter().any(|a| a.contains("different answers")));
}

#[test]
fn of_several_seats_the_one_that_counts_shows_its_curves_and_the_one_heard_for_gets_the_advice() {
    let notes = notes(16);
    let mut room = room(2);
    room.seats.push(room.seats[0].clone());
    // Not so uneven that the other spot would surely be better for the second seat.
    let fairly = UNEVEN.map(|step| step.clamp(-2, 2));
    let at_the_second = |evidence: Vec<Evidence>| evidence.into_iter().map(|e| Evidence { seat: 1, ..e });
    let evidence: Vec<Evidence> =
        rated(0, 0, &EVEN).into_iter().chain(rated(1, 1, &EVEN)).chain(at_the_second(rated(0, 2, &fairly))).collect();
    let weighed = |seat_weights| judge(&Case { seat_weights, ..case(&notes, &room, &evidence) });
    let belief = |ranking: &Ranking| ranking.spots.iter().find(|belief| belief.spot == 0).unwrap().clone();
    let (first, second) = (belief(&weighed(&[1.0, 0.0])), belief(&weighed(&[0.0, 1.0])));
    assert!(first.spread_db.value + 1.0 < second.spread_db.value, "{first:?} {second:?}");
    assert!(first.worst_peak.1.value + 2.0 < second.worst_peak.1.value, "{first:?} {second:?}");
    let both = belief(&weighed(&[1.0, 1.0])).spread_db.value;
    assert!(both > first.spread_db.value && both < second.spread_db.value, "{both}");
    // For the second seat spot 1 has not been heard yet.
    let mild: [i8; 16] = std::array::from_fn(|note| [1, -1, 0, 2, -2][note % 5]);
    let evidence: Vec<Evidence> =
        rated(0, 0, &mild).into_iter().chain(rated(1, 1, &mild)).chain(at_the_second(rated(0, 2, &mild))).collect();
    let case = Case { seat_weights: &[1.0, 1.0], at_spot: Some(0), ..case(&notes, &room, &evidence) };
    match Judge::new(&case).rank_at(&case, &[], Some(1)).advice {
        Advice::Rate { spot, why, .. } => {
            assert!(spot == 1 && why.starts_with("nothing has been heard"), "{spot} {why}")
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn matching_leaves_time_for_a_second_spot_and_hears_it_before_more_of_the_first() {
    let (notes, room) = (notes(16), room(3));
    let pace = Pace { rating_s: 24.0, ..PACE };
    let slow = Case { pace, matching: true, seconds_left: Some(229.0), ..case(&notes, &room, &[]) };
    let Advice::Rate { spot: first, notes: heard, .. } = judge(&slow).advice else { panic!("nothing to hear") };
    assert!(2.0 * (15.0 + 24.0 * heard.len() as f64) <= 229.0, "{heard:?} leave no time for another spot");
    // Plenty of time, and a spot so uneven that more of it could tell how bad it is.
    let matched = |note: usize| {
        let offset_db = if note.is_multiple_of(2) { 9.0 } else { -9.0 };
        said(note, first, 0, Heard::Match { offset_db })
    };
    let evidence: Vec<Evidence> = (0..4).map(matched).collect();
    for seconds_left in [118.0, 1200.0] {
        let then = Case { evidence: &evidence, at_spot: Some(first), seconds_left: Some(seconds_left), ..slow.clone() };
        match judge(&then).advice {
            Advice::Rate { spot, .. } => assert_ne!(spot, first),
            other => panic!("{other:?}"),
        }
    }
}
