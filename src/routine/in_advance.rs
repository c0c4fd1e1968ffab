//! The whole routine in advance: what would be played, in its order, if nothing had to be asked again. For where no
//! laptop may be connected, and the tones come from a disc or a stick.
//!
//! It is the routine itself that is gone through, with the plainest answers, so that levels, tones and lengths are
//! those of a visit. What a visit would leave out, because the judge has heard enough, is all there.

use std::sync::Arc;

use crate::evidence::Rating;
use crate::judge::Advice;
use crate::random::Random;
use crate::routine::effect::Part;
use crate::routine::levels::START;
use crate::routine::question::Answer;
use crate::routine::{Brief, Event, Refusal, Stage, Stamped, State};
use crate::units::Dbfs;

/// Sets the stream of random numbers that orders the notes apart from all others.
const ORDER: u64 = 0x6f_72_64_65;
/// Time between two events. It only has to be longer than the fastest press.
const STEP_S: f64 = 1.0;

/// What something in the routine is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// The amplifier is set by the reference tone.
    Reference,
    /// A raised note is tried in rising steps.
    Strain {
        /// Position in the note set.
        note: usize,
    },
    /// The reference tone played as the seven words mean it.
    Words,
    /// On arrival all notes once.
    Overview {
        /// Position in the list of spots.
        spot: usize,
    },
    /// One note, to be rated.
    Note {
        /// Position in the list of spots.
        spot: usize,
        /// Position in the note set.
        note: usize,
    },
    /// All notes once more from the seat.
    LastScale,
}

/// Tones that belong together, and what is asked while they sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Passage {
    /// What they are for.
    pub purpose: Purpose,
    /// The tones in order; the reference tone has no length of its own.
    pub parts: Vec<Part>,
    /// The question that they belong to.
    pub question: String,
}

/// Everything that a visit with this brief could play before its verdict, and the last scale: the reference at the
/// comfort level, each raised note in its steps, the seven words, then from spot to spot all notes once and each one in
/// random order. The order of spots and notes follows from the brief's seed. `comfort` lies whole decibels above
/// [`START`].
///
/// # Errors
/// A brief that leaves something to be asked, or a comfort level that cannot be reached.
pub fn in_advance(brief: Arc<Brief>, comfort: Dbfs) -> Result<Vec<Passage>, Refusal> {
    let seed = brief.seed;
    let mut walk = Walk { state: State::new(brief), at_s: 0.0 };
    if let Stage::Setup(_) = walk.state.stage() {
        return Err(Refusal::Because("Room and kit have to be known for this, and leave at least eight notes.".into()));
    }
    while matches!(walk.state.stage(), Stage::Safety | Stage::Checklist(_) | Stage::Placing) {
        walk.answer(Answer::Yes)?;
    }
    for _ in 0..(comfort - START).db().round() as usize {
        walk.event(Event::Louder)?;
    }
    let mut passages = vec![walk.passage(Purpose::Reference)];
    walk.answer(Answer::Yes)?;
    while let &Stage::Strain(at) = walk.state.stage() {
        passages.push(walk.passage(Purpose::Strain { note: walk.state.to_strain[at] }));
        walk.answer(Answer::Yes)?;
    }
    passages.push(walk.passage(Purpose::Words));
    walk.answer(Answer::Heard)?;
    let spots = walk.state.consultation().case().walk.to_vec();
    for &spot in &spots {
        let mut notes: Vec<usize> = (0..walk.state.notes_hz().len()).collect();
        Random::new(seed, ORDER + spot as u64).shuffle(&mut notes);
        walk.advise(Advice::Rate { spot, notes: notes.clone(), why: "in its turn".into() }, None)?;
        walk.answer(Answer::Arrived)?;
        for note in notes {
            let mut passage = walk.passage(Purpose::Note { spot, note });
            let before = walk.state.cue().map_or(0, |cue| cue.question_at);
            let rest = passage.parts.split_off(before);
            if before > 0 {
                let question = "Hear all notes once, to know the spot as a whole.".into();
                passages.push(Passage { purpose: Purpose::Overview { spot }, parts: passage.parts, question });
            }
            passages.push(Passage { parts: rest, ..passage });
            walk.answer(Answer::Rating(Rating::ALL[3]))?;
        }
    }
    walk.advise(Advice::Stop { why: "all has been heard".into() }, spots.first().copied())?;
    while matches!(walk.state.stage(), Stage::Verdict | Stage::Moving) {
        walk.answer(Answer::Yes)?;
    }
    if *walk.state.stage() == Stage::SeatScale {
        passages.push(walk.passage(Purpose::LastScale));
    }
    Ok(passages)
}

/// A visit that is gone through without anybody.
struct Walk {
    state: State,
    at_s: f64,
}

impl Walk {
    fn event(&mut self, event: Event) -> Result<(), Refusal> {
        self.at_s += STEP_S;
        let (state, _) = self.state.clone().step(&Stamped { at_s: self.at_s, event })?;
        self.state = state;
        Ok(())
    }

    fn answer(&mut self, answer: Answer) -> Result<(), Refusal> {
        let question = self.state.question().ok_or(Refusal::Stale)?.id;
        let parts_begun = self.state.cue().map_or(0, |cue| cue.parts.len());
        self.event(Event::Answered { question, answer, rattles: false, parts_begun })
    }

    fn advise(&mut self, advice: Advice, leader: Option<usize>) -> Result<(), Refusal> {
        self.event(Event::Advised {
            advice,
            leader,
            expected_regret_db: 0.0,
            probability_best: 0.0,
            finalists: Vec::new(),
        })
    }

    fn passage(&self, purpose: Purpose) -> Passage {
        let parts = self.state.cue().map(|cue| cue.parts).unwrap_or_default();
        let question = self.state.question().map(|question| question.text).unwrap_or_default();
        Passage { purpose, parts, question }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::presets;
    use crate::room::Room;
    use crate::routine::Kit;
    use crate::routine::levels::ceiling_for;

    fn brief(seed: u64) -> Arc<Brief> {
        let kit = Kit { rated_low_hz: Some(20.0), too_heavy: Some(false), meter: Some(false), ..Kit::default() };
        Arc::new(Brief {
            name: "stick".into(),
            seed,
            minutes: None,
            room: Some(Room::unmeasured("hall", &["bench"], &["door", "window", "stairs"])),
            seat: 0,
            kit,
            note_set: presets::note_set("walk-16", None).unwrap(),
            loudness_phon: 50.0,
            blend: None,
            rehearsal: false,
            asks_more: false,
        })
    }

    fn notes(passages: &[Passage], wanted: usize) -> Vec<usize> {
        let note = |passage: &Passage| match passage.purpose {
            Purpose::Note { spot, note } if spot == wanted => Some(note),
            _ => None,
        };
        passages.iter().filter_map(note).collect()
    }

    #[test]
    fn everything_that_a_visit_can_play_is_there_in_its_order() {
        let comfort = Dbfs::new(-30.0);
        let passages = in_advance(brief(5), comfort).unwrap();
        assert_eq!((passages[0].purpose, passages[0].parts[0].level), (Purpose::Reference, comfort));
        // Notes under 50 Hz are raised over the reference: the first seven of the set.
        let strained = passages.iter().filter(|passage| matches!(passage.purpose, Purpose::Strain { .. })).count();
        assert_eq!(strained, 7);
        let lowest = passages.iter().find(|passage| passage.purpose == Purpose::Strain { note: 0 }).unwrap();
        let raised: Vec<f64> = lowest.parts.iter().map(|part| (part.level - comfort).db()).collect();
        assert_eq!(raised, [0.0, 3.0, 6.0, 9.0, 12.0]);
        let words: Vec<&str> = passages[1 + strained].parts.iter().map(|part| part.label.as_str()).collect();
        assert_eq!((passages[1 + strained].purpose, words.len()), (Purpose::Words, 8));
        for spot in 0..3 {
            let mut heard = notes(&passages, spot);
            assert_ne!(heard, (0..16).collect::<Vec<_>>());
            heard.sort_unstable();
            assert_eq!(heard, (0..16).collect::<Vec<_>>());
            let overview = passages.iter().find(|passage| passage.purpose == Purpose::Overview { spot }).unwrap();
            assert_eq!(overview.parts.len(), 16);
        }
        let last = passages.last().unwrap();
        assert_eq!((last.purpose, last.parts.len(), passages.len()), (Purpose::LastScale, 16, 1 + 7 + 1 + 3 * 17 + 1));
        let ceiling = ceiling_for(comfort);
        assert!(passages.iter().flat_map(|passage| &passage.parts).all(|part| part.level < ceiling));
    }

    #[test]
    fn the_seed_orders_spots_and_notes() {
        let order = |seed| {
            let passages = in_advance(brief(seed), Dbfs::new(-30.0)).unwrap();
            passages.iter().map(|passage| passage.purpose).collect::<Vec<_>>()
        };
        assert_eq!(order(5), order(5));
        assert_ne!(order(5), order(6));
        let passages = in_advance(brief(5), Dbfs::new(-30.0)).unwrap();
        assert_ne!(notes(&passages, 0), notes(&passages, 1));
    }

    #[test]
    fn what_would_have_to_be_asked_is_refused() {
        let mut open = (*brief(1)).clone();
        open.kit.rated_low_hz = None;
        assert!(in_advance(Arc::new(open), Dbfs::new(-30.0)).is_err());
        assert!(in_advance(brief(1), Dbfs::new(-10.0)).unwrap_err().to_string().contains("above -19"));
    }
}
