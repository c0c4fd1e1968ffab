//! All that a report may say, in one place.

use crate::evidence::{Evidence, Heard};
use crate::judge::{Estimate, Ranking, SpotBelief};
use crate::report::blend::BlendFacts;
use crate::room::Room;
use crate::routine::Brief;
use crate::routine::shoot_out::Comparison;
use crate::units::Dbfs;
use crate::visit::WallTime;

/// What a visit came to. Positions count the lists of `room` and `notes_hz`.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// Name and version of the program that writes the report.
    pub program: String,
    /// The visit file's name, without its folder.
    pub visit_file: String,
    /// When the visit was begun.
    pub started: WallTime,
    /// When its last event was written down.
    pub ended: WallTime,
    /// What the visit started from.
    pub brief: Brief,
    /// The room with everything that was asked for in the visit.
    pub room: Room,
    /// Spots that the person said are out of reach, positions in the room's list.
    pub out_of_reach: Vec<usize>,
    /// The notes in ascending order, Hz.
    pub notes_hz: Vec<f64>,
    /// Their musical names, one a note.
    pub note_names: Vec<String>,
    /// Half the width of each tone's band, octaves.
    pub half_width_octaves: f64,
    /// Answers that count (not those taken back), in the order they were given.
    pub evidence: Vec<Evidence>,
    /// Spots compared from the main seat with the subwoofer moved, in order.
    pub comparisons: Vec<Comparison>,
    /// The seats that were judged for, where there are several; empty for one.
    pub seats: Vec<SeatFacts>,
    /// The stays in order; evidence counts them.
    pub stays: Vec<StayFacts>,
    /// What the judge believes.
    pub ranking: Ranking,
    /// The spot that was chosen, or leads while the visit goes on.
    pub chosen: Option<usize>,
    /// The subwoofer stands there, and the visit has ended.
    pub finished: bool,
    /// What was set or found before the first note: what, and how it stands.
    pub checklist: Vec<(String, String)>,
    /// The level of each note that was played.
    pub levels: Vec<NoteLevel>,
    /// The comfort level, if it was agreed.
    pub comfort: Option<Dbfs>,
    /// The level above which nothing was played.
    pub ceiling: Option<Dbfs>,
    /// Notes that were not played: frequency in Hz, and why.
    pub left_out: Vec<(f64, String)>,
    /// The sound output as the system calls it.
    pub device: String,
    /// What the guard did.
    pub guarded: Guarded,
    /// What disturbed the visit (output lost, pauses), in words, in order.
    pub interruptions: Vec<String>,
    /// What the listener or the program remarked, in words.
    pub remarks: Vec<String>,
    /// Events in the visit file.
    pub events: usize,
    /// Answers that were taken back or replaced; they are in the visit file, but not in the evidence.
    pub taken_back: usize,
    /// What the blend came to, if there was one.
    pub blend: Option<BlendFacts>,
    /// Listening time, seconds of the visit's own clock.
    pub listening_s: f64,
}

/// One of several seats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeatFacts {
    /// Position in the room's list.
    pub seat: usize,
    /// How much it counts.
    pub weight: f64,
    /// Standard deviation over the notes at the chosen spot, for this seat alone, dB; `None` if nothing was heard for
    /// it.
    pub spread_db: Option<Estimate>,
}

/// One stay at a spot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StayFacts {
    /// Where.
    pub spot: usize,
    /// From the arrival to the last answer, seconds.
    pub seconds: f64,
}

/// At which level a note was played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteLevel {
    /// Position in the note set.
    pub note: usize,
    /// Its level.
    pub level: Dbfs,
    /// By how much that is below equal loudness, dB.
    pub shortfall_db: f64,
}

/// How often the guard had to step in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Guarded {
    /// Samples that were not numbers and became silence.
    pub non_finite: u64,
    /// Samples that would have passed the ceiling, and were turned down.
    pub over_ceiling: u64,
}

impl Facts {
    /// The name of a spot; its number if there is none.
    pub fn spot_name(&self, spot: usize) -> String {
        self.room.spots.get(spot).map_or_else(|| format!("spot {}", spot + 1), |place| place.name.clone())
    }

    /// The name of a seat; its number if there is none.
    pub fn seat_name(&self, seat: usize) -> String {
        self.room.seats.get(seat).map_or_else(|| format!("seat {}", seat + 1), |place| place.name.clone())
    }

    /// The musical name of a note; empty if there is none.
    pub fn note_name(&self, note: usize) -> &str {
        self.note_names.get(note).map_or("", String::as_str)
    }

    /// What is believed of the chosen spot.
    pub fn chosen_belief(&self) -> Option<&SpotBelief> {
        let chosen = self.chosen?;
        self.ranking.spots.iter().find(|belief| belief.spot == chosen)
    }

    /// Spots that were heard at least once.
    pub fn spots_heard(&self) -> usize {
        self.ranking.spots.iter().filter(|belief| belief.answers > 0).count()
    }

    /// Names the visit for good: when it was begun, and its seed.
    pub fn visit_id(&self) -> String {
        format!("{}/{}", self.started, self.brief.seed)
    }

    /// Whether anything was heard by other means than ratings.
    pub fn is_measured(&self) -> bool {
        self.evidence.iter().any(|evidence| !matches!(evidence.heard, Heard::Rating { .. }))
    }
}
