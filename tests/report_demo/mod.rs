//! Invented visits to draw and to report.

use evenbass::blend::System;
use evenbass::blend::predict::predicted;
use evenbass::evidence::{Evidence, Heard, Rating};
use evenbass::judge::{Advice, Estimate, ListenerReport, Ranking, SpotBelief};
use evenbass::report::{BlendFacts, ControlFacts, Facts, Guarded, NoteLevel, PredictedFacts, SinceFacts, StayFacts};
use evenbass::room::plan::{Fittings, NoGo, Opening};
use evenbass::room::{Floor, Place, Room};
use evenbass::routine::{Brief, Kit};
use evenbass::units::Dbfs;
use evenbass::visit::WallTime;

pub const NOTES: [(f64, &str); 16] = [
    (25.0, "G0"),
    (27.8, "A0"),
    (30.8, "B0"),
    (34.2, "C#1"),
    (38.0, "D#1"),
    (42.2, "E1"),
    (46.8, "F#1"),
    (52.0, "G#1"),
    (57.7, "A#1"),
    (64.0, "C2"),
    (71.1, "C#2"),
    (78.9, "D#2"),
    (87.6, "F2"),
    (97.3, "G2"),
    (108.0, "A2"),
    (120.0, "B2"),
];

/// What a listener would find at six spots, dB.
const CURVES: [[f64; 16]; 6] = [
    [-2.1, -1.0, 0.4, 1.6, 3.1, 2.6, 0.8, -0.6, -1.9, -2.4, -0.7, 0.9, 1.4, 0.2, -1.2, -1.1],
    [5.2, 6.8, 7.9, 9.1, 6.3, 3.2, -0.5, -3.6, -6.1, -8.2, -5.0, -1.2, 2.1, -2.4, -5.8, -7.8],
    [3.1, 3.4, 2.2, 1.1, 5.4, 7.2, 3.3, -0.8, -2.5, -6.8, -4.4, -1.9, -3.2, -2.6, -1.1, -3.4],
    [-3.9, -3.1, -2.2, -0.4, 2.4, 3.3, 1.9, 0.7, -0.9, -2.8, 0.1, 1.7, 2.6, 1.1, -0.3, -0.2],
    [-6.4, -7.7, -5.2, -3.1, 1.7, 6.9, 4.1, 2.2, 0.7, 1.9, 3.8, 2.6, 0.6, -1.0, -0.4, -0.7],
    [1.1, 2.8, 4.3, 2.7, -1.1, -4.5, -9.6, -5.5, -1.5, 1.6, 2.3, 2.9, 1.0, 0.6, 1.3, 1.6],
];

const SPOTS: [(&str, [f64; 3]); 6] = [
    ("right of the screen", [0.35, 2.75, 0.3]),
    ("left front corner", [0.4, 0.4, 0.3]),
    ("right front corner", [0.4, 3.5, 0.3]),
    ("by the bookcase", [2.3, 0.35, 0.3]),
    ("behind the armchair", [4.7, 3.45, 0.3]),
    ("window, middle", [2.6, 3.55, 0.3]),
];

fn wall(text: &str) -> WallTime {
    WallTime::parse(text).unwrap()
}

fn place(name: &str, at_m: Option<[f64; 3]>) -> Place {
    Place { name: name.to_owned(), at_m }
}

pub fn room() -> Room {
    Room {
        name: "Living room, Birch Lane".to_owned(),
        floor: Some(Floor::Rectangle { length_m: 5.2, width_m: 3.9 }),
        height_m: Some(2.5),
        seats: vec![place("sofa, left", Some([3.7, 1.6, 1.1])), place("sofa, right", Some([3.7, 2.3, 1.1]))],
        spots: SPOTS.iter().map(|(name, at_m)| place(name, Some(*at_m))).collect(),
        fittings: Fittings {
            openings: vec![Opening { name: "hall".to_owned(), from_m: [5.2, 0.5], to_m: [5.2, 1.4], height_m: None }],
            no_go: vec![NoGo { name: "hearth".to_owned(), corner_m: [3.2, 0.0], size_m: [1.2, 0.45] }],
            ..Fittings::default()
        },
        ..Room::default()
    }
}

fn step_of(deviation_db: f64) -> i8 {
    let steps = [1.5, 4.0, 8.0].iter().filter(|border| deviation_db.abs() >= **border).count() as i8;
    if deviation_db < 0.0 { -steps } else { steps }
}

fn rated(note: usize, spot: usize, stay: usize, deviation_db: f64) -> Evidence {
    let rating = Rating::new(step_of(deviation_db)).unwrap();
    let shortfall_db = [2.4, 1.1, 0.3].get(note).copied().unwrap_or(0.0);
    Evidence {
        note,
        spot,
        seat: 0,
        stay,
        heard: Heard::Rating { rating },
        shortfall_db,
        rattles: spot == 1 && (note == 3 || note == 4),
    }
}

fn belief(spot: usize, half_db: f64, probability_best: f64) -> SpotBelief {
    let curve = CURVES[spot];
    let around = |value: f64| Estimate { value, low: value - half_db, high: value + half_db };
    let mean = curve.iter().sum::<f64>() / 16.0;
    let spread = (curve.iter().map(|level| (level - mean).powi(2)).sum::<f64>() / 15.0).sqrt();
    let most = |sign: f64| (0..16).max_by(|a, b| (sign * curve[*a]).total_cmp(&(sign * curve[*b]))).unwrap();
    let (peak, hole) = (most(1.0), most(-1.0));
    SpotBelief {
        spot,
        answers: if probability_best > 0.05 { 32 } else { 16 },
        spread_db: Estimate { value: spread, low: spread * 0.8, high: spread * 1.25 },
        probability_best,
        worst_peak: (peak, around(curve[peak])),
        worst_hole: (hole, around(curve[hole])),
        curve_db: curve.iter().map(|level| around(*level)).collect(),
    }
}

fn evidence() -> (Vec<Evidence>, Vec<StayFacts>) {
    let mut evidence = Vec::new();
    let mut stays = Vec::new();
    for spot in [1, 3, 0, 2, 5, 4] {
        evidence.extend((0..16).map(|note| rated(note, spot, stays.len(), CURVES[spot][note])));
        stays.push(StayFacts { spot, seconds: 96.0 });
    }
    for spot in [0, 3] {
        let again = |note: usize| {
            rated(note, spot, stays.len(), CURVES[spot][note] + if note.is_multiple_of(5) { 1.3 } else { 0.0 })
        };
        evidence.extend((0..16).map(again));
        stays.push(StayFacts { spot, seconds: 84.0 });
    }
    (evidence, stays)
}

pub fn facts() -> Facts {
    let (evidence, stays) = evidence();
    let room = room();
    let order = [(0, 0.88), (3, 0.11), (5, 0.01), (2, 0.0), (4, 0.0), (1, 0.0)];
    Facts {
        program: "evenbass 0.1.0".to_owned(),
        visit_file: "birch-lane.visit.jsonl".to_owned(),
        started: wall("2026-03-14T10:20:30.250+01:00"),
        ended: wall("2026-03-14T11:02:07.000+01:00"),
        brief: Brief {
            name: "birch-lane".to_owned(),
            seed: 20_260_314,
            minutes: Some(18.0),
            room: Some(room.clone()),
            seat: 0,
            kit: Kit { rated_low_hz: Some(24.0), channels: vec![4], ..Kit::default() },
            note_set: evenbass::presets::note_set("walk-16", None).unwrap(),
            loudness_phon: 50.0,
            rehearsal: false,
            asks_more: false,
            blend: None,
        },
        room,
        out_of_reach: Vec::new(),
        notes_hz: NOTES.iter().map(|(hertz, _)| *hertz).collect(),
        note_names: NOTES.iter().map(|(_, name)| (*name).to_owned()).collect(),
        half_width_octaves: 1.0 / 12.0,
        evidence,
        comparisons: Vec::new(),
        seats: Vec::new(),
        stays,
        ranking: Ranking {
            spots: order.map(|(spot, chance)| belief(spot, if chance > 0.05 { 1.3 } else { 1.9 }, chance)).to_vec(),
            expected_regret_db: 0.06,
            five_minutes_db: 0.08,
            deciding_notes: vec![10, 3],
            listener: ListenerReport {
                noise_db: Estimate { value: 1.4, low: 1.1, high: 1.9 },
                drift_db: Estimate { value: 0.8, low: 0.4, high: 1.5 },
                consistency: Some(0.86),
                repeats: 32,
                advice: Vec::new(),
            },
            caveats: vec!["Nobody heard the notes between 64 and 71 Hz; a narrow hole could hide there.".to_owned()],
            advice: Advice::Stop { why: "the leader is clear".to_owned() },
        },
        chosen: Some(0),
        finished: true,
        checklist: [
            ("Low-pass of the subwoofer", "bypassed (LFE input)"),
            ("Contour", "0"),
            ("Room correction", "off"),
            ("Lowest notes", "clean at full boost"),
            ("Way of listening", "subwoofer on the seat"),
            ("Loudness, night compression", "off"),
            ("Auto-standby", "off"),
            ("Main speakers", "silent"),
        ]
        .map(|(what, state)| (what.to_owned(), state.to_owned()))
        .to_vec(),
        levels: (0..16)
            .map(|note| {
                let shortfall_db = [2.4, 1.1, 0.3].get(note).copied().unwrap_or(0.0);
                NoteLevel { note, level: Dbfs::new(-32.0 + (8.0 - note as f64).max(-4.0) * 1.5), shortfall_db }
            })
            .collect(),
        comfort: Some(Dbfs::new(-32.0)),
        ceiling: Some(Dbfs::new(-16.0)),
        left_out: Vec::new(),
        device: "HDMI, 5.1 surround".to_owned(),
        guarded: Guarded::default(),
        interruptions: vec!["Paused after 12 minutes: somebody at the door.".to_owned()],
        remarks: vec![
            "The listener took back two answers at \u{2018}window, middle\u{2019}: a lorry passed.".to_owned(),
        ],
        events: 341,
        taken_back: 2,
        blend: None,
        listening_s: 1068.0,
    }
}

/// A rehearsal that was left early, in a room that nobody measured.
pub fn bare() -> Facts {
    let mut facts = facts();
    facts.room = Room::unmeasured("Attic <with> \"odd\" & other names", &["the chair"], &["A", "B"]);
    facts.brief.rehearsal = true;
    facts.brief.room = None;
    facts.finished = false;
    facts.evidence.clear();
    facts.stays.clear();
    facts.ranking.spots.clear();
    facts.ranking.deciding_notes.clear();
    facts.ranking.listener.repeats = 0;
    facts.ranking.listener.consistency = None;
    facts.ranking.caveats.clear();
    facts.chosen = None;
    facts.checklist.clear();
    facts.levels.clear();
    facts.comfort = None;
    facts.ceiling = None;
    facts.left_out = vec![(21.5, "below the subwoofer's rated limit of 24 Hz".to_owned())];
    facts.guarded = Guarded { non_finite: 0, over_ceiling: 12 };
    facts
}

/// The same visit with its blend; `alone`: a later one that was about the blend alone.
/// What the figures of the blended system alone would give.
fn by_the_figures() -> PredictedFacts {
    let system = "name = \"x\"\nconnection = \"line\"\nmains_low_hz = 55.0\nwireless = true\nlatency_ms = 9.0\n\
                  [[control]]\nrole = \"low-pass\"\nname = \"X-OVER\"\nunit = \"Hz\"\nlow = 40.0\nhigh = 160.0\n\
                  [[control]]\nrole = \"phase\"\nname = \"PHASE\"\nlow = 0.0\nhigh = 180.0\n[[control]]\nrole = \"polarity\"\n";
    let system = System::parse("system.toml", system).unwrap();
    let prediction = predicted(&system, &[Some(63.0), Some(90.0), Some(180.0)], &[None; 3], 55.0, 1).unwrap();
    let curve = prediction.curve.iter().zip(&prediction.band);
    let (at, degrees, best_db) = prediction.best[0];
    PredictedFacts {
        curve: curve.map(|(&(hz, db), band)| [hz, db, band.low_db, band.high_db]).collect(),
        worst_db: [prediction.worst_db, prediction.worst_range_db[0], prediction.worst_range_db[1]],
        heard_worst_db: Some(2.5),
        best: vec![format!("{} at {degrees:.0} degrees ({best_db:.1} dB)", system.controls[at].name)],
        from: prediction.from,
        assumes_slopes: prediction.assumes_slopes,
    }
}

pub fn blended(alone: bool) -> Facts {
    let mut facts = facts();
    let tuned = "bands across the crossover rated at 8 settings; the flattest kept";
    let control = |name: &str, value: &str, before: Option<&str>, how: &str, sure: &str, check_when| ControlFacts {
        name: name.to_owned(),
        value: value.to_owned(),
        before: before.map(str::to_owned),
        why: String::new(),
        how: how.to_owned(),
        sure: sure.to_owned(),
        answers: if how == tuned { 64 } else { 0 },
        check_when,
    };
    let sure = "worst note expected within 1.6 dB (0.9 to 2.4); polarity right in about 9 of 10 cases";
    facts.blend = Some(BlendFacts {
        system: "living room".to_owned(),
        connection: "left and right line inputs".to_owned(),
        wiring: vec!["The subwoofer sounds with left and right.".to_owned()],
        controls: vec![
            control(
                "X-OVER",
                "63 Hz",
                Some("120 Hz"),
                tuned,
                sure,
                "other main speakers, voices seem to come from the subwoofer",
            ),
            control(
                "GAIN",
                "52.5 % of travel",
                Some("80 % of travel"),
                tuned,
                sure,
                "another amplifier or source, a moved seat",
            ),
            control("PHASE", "90 degrees", Some("0 degrees"), tuned, sure, "bass has become thin, a cable was changed"),
            control("polarity", "inverted", None, tuned, sure, "bass has become thin, a cable was changed"),
            control("contour", "0 dB", Some("4 dB"), "start value", "common practice", "it booms on one note"),
        ],
        crossover_hz: 55.0,
        notes: [-1.2, 0.4, 0.4, 1.5, 0.4, -2.4, -1.2, 0.4, 1.7]
            .iter()
            .enumerate()
            .map(|(at, db)| (55.0 * 2.0_f64.powf((at as f64 - 4.0) / 6.0), *db))
            .collect(),
        predicted: Some(by_the_figures()),
        metered: false,
        stands_out: Vec::new(),
        seats: vec![("sofa, left".to_owned(), true), ("armchair".to_owned(), false)],
        heard_by: Some("Inés".to_owned()),
        remarks: vec!["The wireless link is late by 9.0 ms (as stated).".to_owned()],
        earlier: alone.then(|| ("birch-lane".to_owned(), "14 March 2026".to_owned())),
        drifts: if alone {
            vec!["GAIN stood at 52.5 % of travel and shows 60 % of travel now.".to_owned()]
        } else {
            Vec::new()
        },
        since: alone.then_some(SinceFacts { then_db: 1.9, now_db: 2.4, worse: false }),
        alone,
        finished: true,
        answers: 131,
        seconds: 702.0,
    });
    facts
}
