//! The face that answers by itself.

use std::sync::Arc;

use crate::rehearsal::listener::Compared;
use crate::rehearsal::{BlendPerson, SimulatedListener};
use crate::view::Wires;
use crate::view::{Action, Answer, Ask, Chapter, QuestionId, View};

/// What the listener's answers take, seconds (*common practice*, as a visit's pace is expected to be).
const MOVE_S: f64 = 15.0;
const RATING_S: f64 = 3.5;
const METER_S: f64 = 5.0;
const MATCH_RUN_S: f64 = 10.0;
const ANCHORS_S: f64 = 6.0;
/// A visit that pauses so often without a question in between does not go on by itself.
const MOST_PAUSES: usize = 8;
/// The simulated person finds this level of the reference tone comfortable, dBFS.
const COMFORTABLE_DBFS: f64 = -30.0;

/// Answers every question of a visit until it is done, those of the blend by `person`; `progress` is shown each new
/// view.
///
/// # Errors
/// What nobody is there to mend, in words: an answer that was refused, a visit that pauses again and again, a sheet that
/// cannot be written.
pub fn answer_by_itself(
    wires: &Wires,
    mut listener: SimulatedListener,
    mut person: Option<BlendPerson>,
    mut progress: impl FnMut(&View),
) -> Result<(), String> {
    let mut answered: Option<(QuestionId, Option<f64>)> = None;
    let mut pauses = 0;
    for view in &wires.views {
        progress(&view);
        if view.closing || view.chapter == Chapter::Done && view.sheet.is_some() {
            return Ok(());
        }
        if let Some(refusal) = &view.refusal {
            return Err(refusal.clone());
        }
        let action = match (&view.question, &view.paused) {
            (_, Some(why)) => {
                pauses += 1;
                if pauses > MOST_PAUSES {
                    return Err(view.notices.last().unwrap_or(why).clone());
                }
                Action::Continue
            }
            (None, None) if view.chapter == Chapter::Done && !view.notices.is_empty() => {
                return Err(view.notices.last().cloned().unwrap_or_default());
            }
            (None, None) => continue,
            (Some(question), None) => {
                let level = match question.ask {
                    Ask::Comfort { level, .. } => Some(level.dbfs()),
                    Ask::Match(ref open) => Some(open.offset_db),
                    _ => None,
                };
                if answered == Some((question.id, level)) {
                    continue;
                }
                answered = Some((question.id, level));
                pauses = 0;
                match (&view.scene, &mut person) {
                    (Some(scene), Some(person)) => {
                        let (answer, seconds) = person.answer(&question.ask, scene);
                        Action::Answer { question: question.id, answer, rattles: false, seconds: Some(seconds) }
                    }
                    _ => reply(question.id, &question.ask, &view, &mut listener),
                }
            }
        };
        if wires.actions.send((wires.face, action)).is_err() {
            return Ok(());
        }
    }
    Ok(())
}

fn reply(question: QuestionId, ask: &Ask, view: &Arc<View>, listener: &mut SimulatedListener) -> Action {
    let (answer, seconds) = match ask {
        Ask::Comfort { level, .. } if level.dbfs() < COMFORTABLE_DBFS => return Action::Louder,
        Ask::Move { spot, .. } => {
            listener.arrive(*spot);
            (Answer::Arrived, MOVE_S)
        }
        Ask::Anchors => (Answer::Heard, ANCHORS_S),
        Ask::Rate(note) => {
            listener.hear_for(note.seat);
            let rating = listener.rate(note.frequency_hz, note.half_width_octaves, note.shortfall_db, &view.notes_hz);
            (Answer::Rating(rating), RATING_S)
        }
        Ask::Match(open) => match listener.hear_for(open.note.seat).compare(open, &view.notes_hz) {
            Compared::Softer => return Action::Nudge { up: true },
            Compared::Louder => return Action::Nudge { up: false },
            Compared::Alike => (Answer::Matched, MATCH_RUN_S),
            Compared::OutOfReach => (Answer::No, MATCH_RUN_S),
        },
        Ask::Meter(note) => (
            Answer::Level(listener.hear_for(note.seat).read_meter(note.frequency_hz, note.half_width_octaves)),
            METER_S,
        ),
        _ => (Answer::Yes, 0.0),
    };
    Action::Answer { question, answer, rattles: false, seconds: Some(seconds) }
}
