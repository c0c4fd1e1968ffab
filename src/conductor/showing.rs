//! The view that the faces are shown.

use std::sync::Arc;

use crossbeam_channel::TrySendError;

use crate::conductor::Conductor;
use crate::routine::question::{Answer, Ask, QuestionId};
use crate::routine::{Event, Stage, State};
use crate::view::{Chapter, Offers, Progress, Question, Sound, View};

impl Conductor {
    /// Something that needs saying.
    pub(super) fn notice(&mut self, notice: String) {
        self.changed = true;
        self.notices.say(notice);
    }

    pub(super) fn publish(&mut self) {
        if !std::mem::take(&mut self.changed) {
            return;
        }
        let view = Arc::new(self.view());
        for face in &self.faces {
            if let Err(TrySendError::Full(view)) = face.views.try_send(view.clone()) {
                // The face has not looked yet: it only ever needs the newest.
                let _ = face.stale.try_recv();
                let _ = face.views.try_send(view);
            }
        }
    }

    fn view(&self) -> View {
        let state = &self.baton.state;
        let chapter = Chapter::of(state.stage());
        let part = self.baton.player.sounding();
        let question = self.open_question().map(Arc::new);
        let open = question.is_some();
        // Nor is a comparison swayed.
        let comparing = matches!(state.stage(), Stage::ShootOut(_));
        // Where the subwoofer stands already, there is no place to be judged.
        let placed = state.brief().blend.as_ref().is_some_and(|blend| blend.placed);
        let told = matches!(chapter, Chapter::Verdict | Chapter::Done) && !comparing && !placed;
        View {
            visit: state.brief().name.clone(),
            file: self.baton.file.clone(),
            chapter,
            question,
            paused: state.paused().map(Into::into),
            sound: Sound {
                device: self.baton.device.clone(),
                connected: self.baton.player.connected(),
                sounding: part.is_some(),
                level: part.map(|part| part.level),
                label: part.map(|part| part.label.clone()).unwrap_or_default(),
                ceiling: self.baton.player.ceiling(),
                comfort: state.comfort(),
            },
            progress: Progress::of(state),
            notes_hz: state.notes_hz().clone(),
            note_names: state.note_names().clone(),
            room: state.room().clone(),
            ranking: self.ranking.clone().filter(|_| told),
            taken: self.taken.clone(),
            taken_question: self.taken_question,
            notices: self.notices.shown(),
            older_notices: self.notices.older(),
            refusal: self.refusal.clone(),
            refusals: self.refusals,
            in_charge: self.watch.who_is_in_charge(),
            offers: Offers::of(state),
            scene: state.scene().filter(|_| open).map(Arc::new),
            sheet: self.sheet.clone(),
            closing: self.closing,
        }
    }

    /// The question, once what it asks about has begun to sound and nothing waits for the disk.
    fn open_question(&self) -> Option<Question> {
        if self.pending.as_ref().is_some_and(|pending| !pending.quiet) {
            return None;
        }
        let state = &self.baton.state;
        let heard = state.cue().is_none_or(|cue| self.baton.player.begun() > cue.question_at);
        state.question().filter(|_| heard || state.paused().is_some() || !self.baton.player.is_playing())
    }
}

/// Which question is open. One that is about to be asked anew is not shown: its answer would be refused as stale.
pub(super) fn asking(state: &State) -> Option<QuestionId> {
    state.question().map(|question| question.id)
}

/// An answer as the person is told that it is safe.
pub(super) fn in_words(state: &State, event: &Event) -> Option<(QuestionId, String)> {
    let Event::Answered { question, answer, rattles, .. } = event else { return None };
    let about = match state.question()?.ask {
        // What was pressed, in the words that stood on it.
        Ask::Choose { options, .. } => {
            let Answer::Choice(at) = answer else { return None };
            return Some((*question, options.get(*at).cloned().unwrap_or_default()));
        }
        Ask::Comfort { level, .. } => return Some((*question, format!("comfortable at {level}"))),
        Ask::Number { unit, .. } => {
            let Answer::Number(number) = answer else { return None };
            let short = (number * 1e3).round() / 1e3;
            return Some((*question, format!("{short} {unit}").trim_end().to_owned()));
        }
        Ask::Match(open) if *answer == Answer::No => {
            return Some((*question, format!("{} at {}: not to be matched", open.note.note_name, open.note.spot_name)));
        }
        Ask::Match(open) => {
            let which = if open.run == 1 { "from one side" } else { "from both sides" };
            return Some((*question, format!("{} at {}: matched {which}", open.note.note_name, open.note.spot_name)));
        }
        Ask::Rate(note) | Ask::Meter(note) => format!("{} at {}: ", note.note_name, note.spot_name),
        Ask::Move { name, .. } => format!("{name}: "),
        Ask::Confirm { yes, no, .. } => {
            return Some((*question, if *answer == Answer::No { no.unwrap_or_default() } else { yes }));
        }
        _ => String::new(),
    };
    let said = match answer {
        Answer::Yes => "yes".into(),
        Answer::No => "no".into(),
        Answer::Choice(at) => format!("option {}", at + 1),
        Answer::Number(number) => number.to_string(),
        Answer::Text(text) => text.clone(),
        Answer::Arrived => "arrived".into(),
        Answer::Heard => "scale heard".into(),
        Answer::Matched => "matched".into(),
        Answer::Rating(rating) => rating.word().into(),
        Answer::Level(level) => format!("{level} dB"),
    };
    Some((*question, format!("{about}{said}{}", if *rattles { ", something rattles" } else { "" })))
}
