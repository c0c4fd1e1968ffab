//! The crawl: which spot, which notes, what was answered; then the verdict and the move.

use crate::evidence::{Evidence, Heard};
use crate::judge::Advice;
use crate::routine::effect::{Cue, Part};
use crate::routine::question::{Answer, Ask, NoteAtSpot, Topic};
use crate::routine::stage::{Advised, Outcome, Pass, PassKind, Stage};
use crate::routine::{Refusal, State};

/// How long each note sounds when all run by once on arrival.
const OVERVIEW_TONE_S: f64 = 0.4;
/// How long each note of the last scale sounds.
const SCALE_TONE_S: f64 = 0.9;
/// How long a note sounds for the meter.
const METER_TONE_S: f64 = 8.0;

impl State {
    pub(super) fn crawl_question(&self) -> Option<(String, String, Ask)> {
        let pass = self.passes.last();
        match self.stage {
            Stage::Move => {
                let pass = pass?;
                let name = self.room.spots.get(pass.spot)?.name.clone();
                let text = if self.too_heavy() {
                    self.heavy_move_text(pass, &name)
                } else {
                    format!("Go to {name}. Put your ear where the cone will be: low, a hand from the wall.")
                };
                Some((text, pass.why.clone(), Ask::Move { spot: pass.spot, name }))
            }
            Stage::Notes => {
                let pass = pass?;
                if let Some(matching) = &self.matching {
                    return self.match_question(pass.note()?, matching);
                }
                let note = self.note_at_spot(pass.spot, pass.note()?)?;
                Some(match pass.kind {
                    PassKind::Ratings => (
                        format!("How strong is {}, {:.0} Hz, here?", note.note_name, note.frequency_hz),
                        "Against the notes of this spot as a whole.".into(),
                        Ask::Rate(note),
                    ),
                    PassKind::Meter => (
                        format!("Read the meter for {}, {:.0} Hz.", note.note_name, note.frequency_hz),
                        "Hold it where your ear would be. Slow, and the same weighting every time (C or Z).".into(),
                        Ask::Meter(note),
                    ),
                })
            }
            Stage::ShootOut(step) => self.shoot_out_question(step),
            Stage::Verdict | Stage::Moving | Stage::SeatScale => self.verdict_question(),
            _ => None,
        }
    }

    /// The subwoofer moves to the spot, unless it stands there already and only the seat changes.
    fn heavy_move_text(&self, pass: &Pass, name: &str) -> String {
        let seat = if self.has_several_seats() { self.seat_name(pass.seat) } else { "the seat" };
        if self.at_spot == Some(pass.spot) {
            format!("Leave the subwoofer where it is, go to {seat}, then say you are there.")
        } else if self.has_several_seats() {
            format!("Move the subwoofer to {name}, go to {seat}, then say you are there.")
        } else {
            format!("Move the subwoofer to {name}, go back to the seat, then say you are there.")
        }
    }

    pub(super) fn note_at_spot(&self, spot: usize, note: usize) -> Option<NoteAtSpot> {
        Some(NoteAtSpot {
            spot,
            spot_name: self.room.spots.get(spot)?.name.clone(),
            note,
            frequency_hz: *self.notes_hz.get(note)?,
            note_name: self.note_name(note).into(),
            half_width_octaves: self.note_set.half_width_octaves(),
            shortfall_db: self.plan.notes().get(note)?.shortfall.db(),
            seat: self.seat_now(),
            seat_name: self.has_several_seats().then(|| self.seat_name(self.seat_now()).to_owned()),
        })
    }

    fn verdict_question(&self) -> Option<(String, String, Ask)> {
        let confirm =
            |topic, yes: &str, no: Option<&str>| Ask::Confirm { topic, yes: yes.into(), no: no.map(Into::into) };
        let chosen = self.chosen().and_then(|spot| self.room.spots.get(spot)).map(|place| place.name.as_str());
        Some(match (self.stage.clone(), chosen) {
            (Stage::Verdict, Some(name)) => {
                let advised = self.advised.as_ref()?;
                let close = self.close_leaders();
                let offer = (!close.is_empty()).then_some("Compare them first, with the subwoofer moved");
                (
                    format!("{name} is the most even spot."),
                    format!(
                        "That is right in about {} of 10 cases; choosing it costs {:.1} dB of evenness on average \
                         against the best. {}{}{}{close}",
                        (advised.probability_best * 10.0).round(),
                        advised.expected_regret_db,
                        self.reason_to_decide(&advised.advice),
                        self.unheard_seats(),
                        if close.is_empty() { "" } else { " " },
                    ),
                    confirm(Topic::Verdict, "Go on", offer),
                )
            }
            (Stage::Verdict, None) => (
                "No spot can be named.".into(),
                match self.evidence().len() {
                    0 => "No note was answered. Undo takes you back to the spots.".into(),
                    answers => format!(
                        "After {answers} answered notes, a spot that nobody has heard yet is likelier to be the most \
                         even than those that were heard. Undo takes you back to the spots."
                    ),
                },
                confirm(Topic::Verdict, "Go on", None),
            ),
            (Stage::Moving, Some(name)) if self.subwoofer_stands_at() == self.chosen() => (
                format!("Leave the subwoofer at {name}."),
                "It was compared there last.".into(),
                confirm(Topic::SubwooferMoved, "It stands there", None),
            ),
            (Stage::Moving, Some(name)) => (
                format!("Move the subwoofer to {name}."),
                "Mains power off before you unplug it, two people to lift it, then power on. Connect it as before."
                    .into(),
                confirm(Topic::SubwooferMoved, "It stands there", None),
            ),
            (Stage::SeatScale, Some(_)) => (
                "Sit on the main seat and hear the notes once more. Do they sound even?".into(),
                "They run by from the lowest up. What still stands out is on the sheet.".into(),
                confirm(Topic::SeatScale, "Even enough", Some("Not even")),
            ),
            _ => return None,
        })
    }

    fn reason_to_decide(&self, advice: &Advice) -> String {
        match (self.comparisons().last(), advice) {
            (Some(compared), _) if compared.blind => "The blind comparison is counted in.".into(),
            (Some(_), _) => "The comparison is counted in; it was not blind.".into(),
            (None, Advice::Stop { why }) => sentence(why),
            (None, _) => "You asked to decide now.".into(),
        }
    }

    /// Which spots are close, in words; empty where one leads clearly.
    fn close_leaders(&self) -> String {
        let names = self.offered_finalists().iter().map(|&spot| Some(self.room.spots.get(spot)?.name.as_str()));
        match names.collect::<Option<Vec<&str>>>().unwrap_or_default().as_slice() {
            [one, two] => format!("{one} and {two} are close."),
            [one, two, three] => format!("{one}, {two} and {three} are close."),
            _ => String::new(),
        }
    }

    pub(super) fn crawl_cue(&self) -> Option<Cue> {
        match self.stage {
            Stage::Notes => {
                let pass = self.passes.last()?;
                let note = pass.note()?;
                if let Some(matching) = &self.matching {
                    return Some(self.match_cue(note, matching));
                }
                let mut parts = Vec::new();
                // Before the first rating all notes run by once, so that 'as a whole' has a meaning.
                if pass.kind == PassKind::Ratings && pass.moved && pass.is_first_rating() {
                    parts = (0..self.notes_hz.len())
                        .map(|note| {
                            self.note_part(note, OVERVIEW_TONE_S, "all notes once, to hear the spot as a whole")
                        })
                        .collect();
                    if let Some(last) = parts.last_mut() {
                        last.gap_s = 2.0 * self.note_set.gap_s;
                    }
                }
                let question_at = parts.len();
                let seconds = match pass.kind {
                    PassKind::Ratings => self.note_set.seconds,
                    PassKind::Meter => METER_TONE_S,
                };
                let mut part = self.note_part(note, seconds, self.note_name(note));
                part.gap_s = self.note_set.gap_s;
                parts.push(part);
                Some(Cue { parts, question_at })
            }
            Stage::SeatScale => Some(self.scale_cue()),
            Stage::ShootOut(step) => self.shoot_out_cue(step),
            _ => None,
        }
    }

    /// All notes from the lowest up.
    pub(super) fn scale_cue(&self) -> Cue {
        let parts = (0..self.notes_hz.len()).map(|note| {
            let mut part = self.note_part(note, SCALE_TONE_S, self.note_name(note));
            part.gap_s = 0.1;
            part
        });
        Cue { parts: parts.collect(), question_at: 0 }
    }

    fn note_part(&self, note: usize, seconds: f64, label: &str) -> Part {
        Part {
            recipe: self.note_recipe(note),
            level: self.note_level(note),
            seconds: Some(seconds),
            gap_s: 0.0,
            note: Some(note),
            label: label.into(),
            routes: Vec::new(),
            climbs_from: None,
        }
    }

    pub(super) fn crawl_answer(&mut self, answer: &Answer, rattles: bool) -> Outcome {
        match (&self.stage, answer) {
            (Stage::Move, Answer::Arrived | Answer::Yes) => {
                let now_s = self.now_s;
                if let Some(pass) = self.passes.last_mut() {
                    pass.here_s = Some((now_s, now_s));
                    self.at_spot = Some(pass.spot);
                }
                self.stage = Stage::Notes;
            }
            (Stage::Notes, Answer::Matched | Answer::Yes) if self.matching.is_some() => self.matched(rattles)?,
            (Stage::Notes, Answer::No) if self.matching.is_some() => self.not_matched()?,
            (Stage::Notes, Answer::Rating(rating)) if self.matching.is_none() => {
                self.hear(Heard::Rating { rating: *rating }, rattles)?
            }
            (Stage::Notes, &Answer::Level(level_db_spl)) => {
                if !(20.0..=130.0).contains(&level_db_spl) {
                    return Err(Refusal::Because(format!(
                        "A meter shows between 20 and 130 dB; {level_db_spl} cannot be a reading. Type what it shows."
                    )));
                }
                self.hear(Heard::Meter { level_db_spl }, rattles)?;
            }
            (Stage::Verdict, Answer::Yes) => {
                self.stage = if self.chosen().is_some() { Stage::Moving } else { Stage::Done };
            }
            (Stage::Verdict, Answer::No) => self.begin_shoot_out()?,
            (&Stage::ShootOut(step), answer) => self.shoot_out_answer(step, answer)?,
            (Stage::Moving, Answer::Yes) => self.stage = Stage::SeatScale,
            (Stage::SeatScale, Answer::Yes | Answer::No) => {
                self.sounded_even = Some(*answer == Answer::Yes);
                self.stage = if self.blend.is_some() { Stage::Blend } else { Stage::Done };
            }
            _ => return Err(Refusal::WrongKind),
        }
        Ok(())
    }

    pub(super) fn hear(&mut self, heard: Heard, rattles: bool) -> Outcome {
        let (plan, now_s) = (&self.plan, self.now_s);
        let Some(pass) = self.passes.last_mut() else { return Err(Refusal::WrongKind) };
        let fits = matches!(
            (pass.kind, heard),
            (PassKind::Ratings, Heard::Rating { .. } | Heard::Match { .. }) | (PassKind::Meter, Heard::Meter { .. })
        );
        let (true, Some(note)) = (fits, pass.note()) else { return Err(Refusal::WrongKind) };
        if let Some((_, to_s)) = &mut pass.here_s {
            *to_s = now_s;
        }
        pass.answers[pass.at] = Some(Evidence {
            note,
            spot: pass.spot,
            seat: pass.seat,
            stay: pass.stay,
            heard,
            // A match is counted from equal loudness itself.
            shortfall_db: match heard {
                Heard::Match { .. } => 0.0,
                _ => plan.notes()[note].shortfall.db(),
            },
            rattles,
        });
        self.next_note();
        Ok(())
    }

    fn next_note(&mut self) {
        if let Some(pass) = self.passes.last_mut() {
            pass.at += 1;
            let heard = pass.at >= pass.notes.len();
            // With the time used up there is no sense in the rest of the notes.
            if heard && self.seat_seconds_left() != Some(0.0) && self.next_seat_here() {
                return;
            }
            if heard || self.seat_seconds_left() == Some(0.0) {
                self.stage = Stage::Consult;
            }
        }
    }

    pub(super) fn back(&mut self) -> Outcome {
        if self.back_in_match() {
            return Ok(());
        }
        match (&self.stage, self.passes.last_mut()) {
            (Stage::Notes, Some(pass)) if pass.at > 0 => {
                pass.at -= 1;
                Ok(())
            }
            _ => Err(Refusal::Because(
                "There is no earlier note at this spot. Undo takes the last answer back, wherever it was.".into(),
            )),
        }
    }

    /// Whether there is an earlier note at this spot, or an earlier run of this match.
    pub fn may_go_back(&self) -> bool {
        self.in_second_run() || self.passes.last().is_some_and(|pass| pass.at > 0)
    }

    pub(super) fn skip(&mut self) -> Outcome {
        match self.stage {
            Stage::Notes => {
                if let Some(pass) = self.passes.last_mut() {
                    let at = pass.at;
                    pass.answers[at] = None;
                }
                self.next_note();
            }
            Stage::ShootOut(_) => self.end_shoot_out(),
            Stage::Move => {
                if let Some(pass) = self.passes.pop()
                    && self.at_spot != Some(pass.spot)
                {
                    // The spot is out of reach, not one seat alone.
                    self.closed[pass.spot] = true;
                    self.seats_left.clear();
                }
                if !self.next_seat_here() {
                    self.stage = Stage::Consult;
                }
            }
            _ => {
                return Err(Refusal::Because(
                    "This step cannot be left out: what follows needs its answer. To end for now, leave: the visit is kept."
                        .into(),
                ));
            }
        }
        Ok(())
    }

    pub(super) fn decide(&mut self) -> Outcome {
        match self.stage {
            Stage::Notes | Stage::Move => {
                self.deciding = true;
                self.stage = Stage::Consult;
                Ok(())
            }
            _ => Err(Refusal::Because("There is nothing to decide here yet.".into())),
        }
    }

    pub(super) fn take_advice(&mut self, advised: Advised) -> Outcome {
        if self.stage != Stage::Consult {
            return Err(Refusal::Because("Nobody asked the judge.".into()));
        }
        let next = match &advised.advice {
            Advice::Rate { spot, notes, why } => Some((*spot, notes, why, PassKind::Ratings)),
            Advice::Meter { spot, notes, why } => Some((*spot, notes, why, PassKind::Meter)),
            Advice::Stop { .. } => None,
        };
        match next {
            Some((spot, notes, why, kind)) if !self.deciding => {
                self.begin_stay(spot, notes, &sentence(why), kind)?;
            }
            None if !self.deciding && self.next_seat() => {}
            _ => self.stage = Stage::Verdict,
        }
        self.advised = Some(advised);
        self.deciding = false;
        Ok(())
    }

    /// All answers so far, in the order of the passes.
    pub fn evidence(&self) -> Vec<Evidence> {
        self.passes.iter().flat_map(|pass| pass.answers.iter().flatten().copied()).collect()
    }

    /// The spot that was chosen, once there is a verdict.
    pub fn chosen(&self) -> Option<usize> {
        matches!(self.stage, Stage::Verdict | Stage::Moving | Stage::SeatScale | Stage::Blend | Stage::Done)
            .then(|| self.advised.as_ref().and_then(|advised| advised.leader))
            .flatten()
    }
}

/// A reason as a sentence of its own.
fn sentence(reason: &str) -> String {
    let mut letters = reason.trim().chars();
    let first = letters.next().map(|letter| letter.to_uppercase().to_string()).unwrap_or_default();
    let stop = if reason.trim_end().ends_with(['.', '?']) || reason.trim().is_empty() { "" } else { "." };
    format!("{first}{}{stop}", letters.as_str())
}
