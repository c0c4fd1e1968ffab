//! What needs saying, and when it makes room.

/// Notices that every face shows by itself, and for how many answers each is shown.
const SHOWN: usize = 5;
const ANSWERS: u64 = 4;
/// Answers for which interruptions of the sound are shown: on a busy machine they would cover everything else.
const GAPS_ANSWERS: u64 = 1;
/// Notices kept for whoever asks for them.
const OLDER: usize = 50;

/// The notices of a session.
#[derive(Debug, Default)]
pub(super) struct Notices {
    /// Each with the count of answers at which it makes room.
    shown: Vec<(u64, String)>,
    older: Vec<String>,
    answers: u64,
    /// Interruptions of the sound in all, when they were spoken of last.
    gaps_told: u64,
}

impl Notices {
    /// Those that were there before the first answer.
    pub fn beginning_with(notices: Vec<String>) -> Self {
        Self { shown: notices.into_iter().map(|notice| (ANSWERS, notice)).collect(), ..Self::default() }
    }

    /// One more, unless it is the newest already.
    pub fn say(&mut self, notice: String) {
        self.say_for(ANSWERS, notice);
    }

    /// Interruptions of the sound, in all so far. Once they were spoken of, not before there are twice as many.
    pub fn say_gaps(&mut self, count: u64) {
        if count == 0 || count < self.gaps_told.saturating_mul(2) {
            return;
        }
        self.gaps_told = count;
        let times = if count == 1 { "once".into() } else { format!("{count} times") };
        self.say_for(
            GAPS_ANSWERS,
            format!(
                "The sound was interrupted {times}: the machine is busy. Close other programs, or play the note again."
            ),
        );
    }

    fn say_for(&mut self, answers: u64, notice: String) {
        if self.shown.last().is_none_or(|(_, last)| *last != notice) {
            self.shown.push((self.answers + answers, notice));
        }
        let over = self.shown.len().saturating_sub(SHOWN);
        let old: Vec<_> = self.shown.drain(..over).collect();
        self.put_by(old);
    }

    /// An answer was taken. Old news makes room, unless `held`: the sound is still away.
    pub fn answered(&mut self, held: bool) {
        self.answers += 1;
        if !held {
            let answers = self.answers;
            let old = self.shown.extract_if(.., |(until, _)| *until <= answers).collect();
            self.put_by(old);
        }
    }

    fn put_by(&mut self, notices: Vec<(u64, String)>) {
        self.older.extend(notices.into_iter().map(|(_, notice)| notice));
        let over = self.older.len().saturating_sub(OLDER);
        self.older.drain(..over);
    }

    /// Those that are shown, newest last.
    pub fn shown(&self) -> Vec<String> {
        self.shown.iter().map(|(_, notice)| notice.clone()).collect()
    }

    /// Those that made room, newest last.
    pub fn older(&self) -> Vec<String> {
        self.older.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interruptions_of_the_sound_give_way_and_come_again_when_there_are_twice_as_many() {
        let mut notices = Notices::beginning_with(vec!["The room has no plan.".into()]);
        notices.say_gaps(1);
        assert!(notices.shown()[1].contains("interrupted once:"), "{:?}", notices.shown());
        notices.answered(false);
        assert_eq!(notices.shown(), ["The room has no plan."]);
        assert_eq!(notices.older().len(), 1, "whoever asks is shown it");
        notices.say_gaps(60);
        notices.say_gaps(119);
        assert!(notices.shown()[1].contains("60 times"));
        notices.answered(false);
        notices.say_gaps(119);
        assert_eq!(notices.shown().len(), 1);
        notices.say_gaps(120);
        assert!(notices.shown()[1].contains("120 times"));
    }

    #[test]
    fn a_notice_stays_for_four_answers_and_while_the_sound_is_away() {
        let mut notices = Notices::default();
        notices.say("The sound output is gone.".into());
        notices.say("The sound output is gone.".into());
        for _ in 0..9 {
            notices.answered(true);
        }
        assert_eq!(notices.shown().len(), 1);
        notices.say("The sound output is back.".into());
        for _ in 0..3 {
            notices.answered(false);
        }
        assert_eq!(notices.shown(), ["The sound output is back."]);
        notices.answered(false);
        assert!(notices.shown().is_empty());
        assert_eq!(notices.older(), ["The sound output is gone.", "The sound output is back."]);
    }

    #[test]
    fn few_are_shown_at_once_and_not_all_are_kept() {
        let mut notices = Notices::default();
        for count in 0..100 {
            notices.say(format!("notice {count}"));
        }
        assert_eq!((notices.shown().len(), notices.older().len()), (SHOWN, OLDER));
        assert_eq!(notices.shown()[SHOWN - 1], "notice 99");
    }
}
