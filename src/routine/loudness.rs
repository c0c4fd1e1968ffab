//! The comfort level, and whether the driver can take the lowest notes.

use crate::routine::before::ANCHORS;
use crate::routine::effect::{Cue, Part};
use crate::routine::levels::{self, HIGHEST_COMFORT};
use crate::routine::question::{Answer, Ask, Topic};
use crate::routine::stage::{Outcome, Stage};
use crate::routine::{Refusal, State};
use crate::units::{Dbfs, GainDb};

/// One press of louder or quieter.
const PRESS: GainDb = GainDb::new(1.0);
/// No more than six louder presses a second.
pub(super) const SHORTEST_PRESS_S: f64 = 1.0 / 6.0;
/// How long each step of the strain check sounds.
const STRAIN_TONE_S: f64 = 0.9;
/// How long each word of the scale sounds.
const ANCHOR_TONE_S: f64 = 0.65;
/// Silence between the parts of one cue.
const SHORT_GAP_S: f64 = 0.1;

impl State {
    pub(super) fn loudness_question(&self) -> Option<(String, String, Ask)> {
        match self.stage {
            Stage::Comfort { level, .. } => Some((
                match self.comfort {
                    None => "Press louder until the tone is clear and comfortable, then say so.".into(),
                    Some(before) => format!(
                        "The level starts low again. Press louder until the tone is comfortable (it was {before})."
                    ),
                },
                "Every other level hangs on this one. Nothing gets louder unless you press.".into(),
                Ask::Comfort { level, highest: HIGHEST_COMFORT },
            )),
            Stage::Strain(at) => {
                let note = *self.to_strain.get(at)?;
                Some((
                    format!(
                        "Listen to {} ({:.0} Hz) in rising steps. Say at once if it strains.",
                        self.note_name(note),
                        self.notes_hz[note]
                    ),
                    "Strain sounds like chuffing, knocking or buzzing from the subwoofer. The note is then played \
                     softer, and that is allowed for."
                        .into(),
                    Ask::Confirm {
                        topic: Topic::Strain,
                        yes: "It sounded clean".into(),
                        no: Some("It strained".into()),
                    },
                ))
            }
            Stage::Anchors => Some((
                "Listen to the seven words as they are meant.".into(),
                "The same tone, from even to booming, then from even to lost. Judge the notes by these steps, each \
                 against the notes of its spot as a whole."
                    .into(),
                Ask::Anchors,
            )),
            _ => None,
        }
    }

    pub(super) fn loudness_cue(&self) -> Option<Cue> {
        match self.stage {
            Stage::Comfort { level, .. } => Some(Cue {
                parts: vec![Part {
                    recipe: self.reference_recipe(),
                    level,
                    seconds: None,
                    gap_s: 0.0,
                    note: None,
                    label: "the reference tone".into(),
                    routes: self.comfort_routes(),
                    climbs_from: None,
                }],
                question_at: 0,
            }),
            Stage::Strain(at) => {
                let note = *self.to_strain.get(at)?;
                let level = self.reference_level();
                let parts = self.plan.strain_steps(note).into_iter().map(|boost| Part {
                    recipe: self.note_recipe(note),
                    level: level + boost,
                    seconds: Some(STRAIN_TONE_S),
                    gap_s: SHORT_GAP_S,
                    note: Some(note),
                    label: format!("{} raised by {:.0} dB", self.note_name(note), boost.db()),
                    routes: Vec::new(),
                    climbs_from: None,
                });
                Some(Cue { parts: parts.collect(), question_at: 0 })
            }
            Stage::Anchors => Some(self.anchors_cue()),
            _ => None,
        }
    }

    fn anchors_cue(&self) -> Cue {
        let level = self.reference_level();
        let parts = ANCHORS.iter().map(|&(rating, over_db)| Part {
            recipe: self.reference_recipe(),
            level: level + GainDb::new(over_db),
            seconds: Some(ANCHOR_TONE_S),
            gap_s: SHORT_GAP_S,
            note: None,
            label: rating.word().into(),
            routes: Vec::new(),
            climbs_from: None,
        });
        Cue { parts: parts.collect(), question_at: 0 }
    }

    pub(super) fn loudness_answer(&mut self, answer: &Answer, parts_begun: usize) -> Outcome {
        match (&self.stage, answer) {
            (&Stage::Comfort { level, .. }, Answer::Yes) => {
                self.comfort = Some(level);
                self.trim = GainDb::ZERO;
                match self.after_comfort.take() {
                    Some(stage) => self.stage = *stage,
                    None => {
                        self.to_strain = self.plan.boosted();
                        self.stage = if self.to_strain.is_empty() { Stage::Anchors } else { Stage::Strain(0) };
                    }
                }
            }
            (&Stage::Strain(at), Answer::Yes) => self.after_strain(at),
            (&Stage::Strain(at), Answer::No) => {
                let note = self.to_strain[at];
                let steps = self.plan.strain_steps(note);
                // The step that was sounding is the one that strained; the one before it was clean.
                let clean = parts_begun.checked_sub(2).and_then(|step| steps.get(step)).copied();
                self.plan.limit(note, clean.unwrap_or(GainDb::ZERO));
                self.after_strain(at);
            }
            (Stage::Anchors, Answer::Heard | Answer::Yes) => self.stage = Stage::Consult,
            _ => return Err(Refusal::WrongKind),
        }
        Ok(())
    }

    /// The next boosted note that is still raised by more than has been heard clean.
    fn after_strain(&mut self, at: usize) {
        let more = at + 1 < self.to_strain.len();
        self.stage = if more { Stage::Strain(at + 1) } else { Stage::Anchors };
    }

    pub(super) fn louder(&mut self, now_s: f64) -> Result<Option<Dbfs>, Refusal> {
        match self.stage {
            Stage::Comfort { level, raised_at_s } => {
                if raised_at_s.is_some_and(|then_s| now_s - then_s < SHORTEST_PRESS_S - 1e-9) {
                    return Err(Refusal::TooFast);
                }
                let raised = level + PRESS;
                if raised > HIGHEST_COMFORT {
                    return Err(Refusal::Because(format!(
                        "The tone stays at {level}: above {HIGHEST_COMFORT} no room is left for the raised notes. \
                         Press stop, turn the amplifier up a little, and climb again from the start."
                    )));
                }
                self.stage = Stage::Comfort { level: raised, raised_at_s: Some(now_s) };
                Ok(Some(raised))
            }
            _ if self.comfort.is_some() && self.trim < GainDb::ZERO => {
                self.trim = (self.trim + PRESS).min(GainDb::ZERO);
                Ok(None)
            }
            _ if self.comfort.is_some() => Err(Refusal::Because(
                "This is the comfort level you agreed to, and nothing goes above it. To climb anew, undo back to it."
                    .into(),
            )),
            _ => Err(Refusal::Because("Nothing sounds yet that could be louder.".into())),
        }
    }

    pub(super) fn quieter(&mut self) -> Option<Dbfs> {
        match self.stage {
            Stage::Comfort { level, raised_at_s } => {
                let lowered = level - PRESS;
                self.stage = Stage::Comfort { level: lowered, raised_at_s };
                Some(lowered)
            }
            _ if self.comfort.is_some() => {
                self.trim = self.trim - PRESS;
                None
            }
            _ => None,
        }
    }

    /// The level of the reference tone now.
    pub fn reference_level(&self) -> Dbfs {
        match self.stage {
            Stage::Comfort { level, .. } => level,
            _ => self.comfort.unwrap_or(levels::START) + self.trim,
        }
    }

    /// No sample may pass this.
    pub fn ceiling(&self) -> Dbfs {
        match self.stage {
            Stage::Comfort { level, .. } => levels::ceiling_for(level),
            _ => levels::ceiling_for(self.comfort.unwrap_or(levels::START)),
        }
    }

    /// The level at which a note is played now.
    pub fn note_level(&self, note: usize) -> Dbfs {
        self.reference_level() + self.plan.notes()[note].played
    }
}
