//! The level of what sounds and of what is still to come: glides, nudges, steps down and climbs.

use crate::conductor::player::{Player, Told};
use crate::routine::Cue;
use crate::routine::effect::CLIMB_DB_PER_S;
use crate::units::{Dbfs, GainDb};

/// A climb is made of glides to levels this far apart in time.
const CLIMB_STEP_S: f64 = 0.1;

impl Player {
    /// Glides what sounds to another level; a climb ends with it.
    pub fn glide(&mut self, level: Dbfs, told: &mut Vec<Told>) {
        let level = match self.climb.take() {
            // What has not climbed yet climbs no further, and certainly does not jump.
            Some(_) => self.level_now().map_or(level, |now| level.min(now)),
            None => level,
        };
        self.sound_at(level, told);
        // A tone that has not begun yet begins at the new level.
        if let Some(part) = self.cue.as_mut().and_then(|cue| cue.parts.get_mut(self.next)) {
            part.level = level;
        }
    }

    /// Goes on with what sounds at the levels of `cue`, which has the same tones; plays it if nothing is left to sound.
    pub fn nudge(&mut self, cue: Cue, told: &mut Vec<Told>) {
        let going_on = self.is_playing() && self.cue.as_ref().is_some_and(|now| now.parts.len() == cue.parts.len());
        if !going_on {
            return self.play(cue);
        }
        let wanted = self.next.checked_sub(1).and_then(|now| cue.parts.get(now)).map(|part| part.level);
        if let (Some(now), Some(wanted)) = (self.level_now(), wanted)
            && now != wanted
        {
            self.sound_at(wanted, told);
        }
        self.cue = Some(cue);
    }

    /// Lowers what sounds and every part of the cue that is still to come, each from its own level.
    pub fn lower(&mut self, by: GainDb, told: &mut Vec<Told>) {
        if let Some(now) = self.level_now() {
            self.sound_at(now - by, told);
        }
        if let Some(cue) = &mut self.cue {
            for part in cue.parts.iter_mut().skip(self.next) {
                part.level = part.level - by;
            }
        }
    }

    /// The next step of a climb, when its time has come. One that comes late is no larger for it.
    pub(super) fn climb_on(&mut self, told: &mut Vec<Told>) {
        let now_s = self.now_s();
        let (Some((goal, last_s)), Some(now)) = (self.climb, self.level_now()) else { return };
        if now_s - last_s < CLIMB_STEP_S {
            return;
        }
        let level = (now + GainDb::new(CLIMB_DB_PER_S * CLIMB_STEP_S)).min(goal);
        self.sound_at(level, told);
        self.climb = (level < goal).then_some((goal, now_s));
    }

    /// The level of what sounds.
    fn level_now(&self) -> Option<Dbfs> {
        self.sounding().map(|part| part.level)
    }

    /// Brings what sounds, if anything does, to a level by the engine's glide.
    fn sound_at(&mut self, level: Dbfs, told: &mut Vec<Told>) {
        let Some((tone, part)) = &mut self.current else { return };
        match self.engine.set_level(*tone, level) {
            Ok(()) => part.level = level,
            Err(refused) => told.push(Told::Refused(refused.to_string())),
        }
    }
}
