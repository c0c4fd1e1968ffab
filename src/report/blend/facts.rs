//! What a blend came to, gathered from the visit for the sheet and the export.

use serde::Serialize;

use crate::blend::predict::predicted;
use crate::blend::trace::{is_clearly_worse, worst_db};
use crate::blend::{Control, Role};
use crate::routine::blend::{Blend, NoteHeard};
use crate::routine::{Stage, State};

/// What a blend came to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BlendFacts {
    /// What the system is called.
    pub system: String,
    /// How the subwoofer is fed, in words.
    pub connection: String,
    /// Which outputs reach it, and what is not as it should be, in words.
    pub wiring: Vec<String>,
    /// The controls, in the system's order.
    pub controls: Vec<ControlFacts>,
    /// Where main speakers and subwoofer meet, Hz.
    pub crossover_hz: f64,
    /// Notes across it: hertz, and dB against their mean.
    pub notes: Vec<(f64, f64)>,
    /// They were metered rather than rated.
    pub metered: bool,
    /// What the figures on the boxes alone would give, where they say it.
    pub predicted: Option<PredictedFacts>,
    /// What stands out, in words.
    pub stands_out: Vec<String>,
    /// Seats with what was heard there.
    pub seats: Vec<(String, bool)>,
    /// Who heard it.
    pub heard_by: Option<String>,
    /// What else has to be known, in words.
    pub remarks: Vec<String>,
    /// An earlier visit that this one looked at again: its name and date.
    pub earlier: Option<(String, String)>,
    /// What has drifted since, in words; empty if nothing has.
    pub drifts: Vec<String>,
    /// How even the notes across the crossover were heard then and now, where they were both times.
    pub since: Option<SinceFacts>,
    /// The blend is all that this visit was about.
    pub alone: bool,
    /// It has come to its end.
    pub finished: bool,
    /// Answers that count.
    pub answers: usize,
    /// From the first answer to the last, seconds.
    pub seconds: f64,
}

/// How even the notes across the crossover were heard at an earlier visit, and are now.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SinceFacts {
    /// How far the worst note was from the mean then, dB.
    pub then_db: f64,
    /// The same now, dB.
    pub now_db: f64,
    /// That is clearly worse.
    pub worse: bool,
}

/// The sum by the figures on the boxes, without a room.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PredictedFacts {
    /// Hertz; dB against the curve's own mean; and between which levels it lies nine times in ten, if the figures are
    /// off as usual.
    pub curve: Vec<[f64; 4]>,
    /// Its worst deviation, dB, and how small and how large that may be, one time in twenty each.
    pub worst_db: [f64; 3],
    /// The worst deviation of the notes that were heard in the same octave, dB; `None` if none were.
    pub heard_worst_db: Option<f64>,
    /// At which phase and at which time the sum would be flattest by these figures, in words.
    pub best: Vec<String>,
    /// What it was computed from, in words.
    pub from: Vec<String>,
    /// Not every slope in it is stated.
    pub assumes_slopes: bool,
}

/// One control.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControlFacts {
    /// Its name.
    pub name: String,
    /// Where it stands, as it is marked; empty if that is not known.
    pub value: String,
    /// Where it stood before.
    pub before: Option<String>,
    /// Why there was a step for it.
    pub why: String,
    /// How the value was found.
    pub how: String,
    /// How sure that is.
    pub sure: String,
    /// Answers that it rests on.
    pub answers: usize,
    /// When to look at it again.
    pub check_when: &'static str,
}

/// The blend of a visit, if there was one and its system is known.
pub(crate) fn facts_of(state: &State) -> Option<BlendFacts> {
    let blend = state.blend()?;
    let brief = state.brief().blend.as_ref()?;
    let under_way =
        matches!(state.stage(), Stage::Blend | Stage::Done) || state.blend().is_some_and(Blend::has_settings);
    if !under_way {
        return None;
    }
    let system = blend.system();
    let wiring = blend.wiring().map(|wiring| {
        let faults = wiring.faults(system.connection);
        std::iter::once(wiring.reach()).chain(faults.iter().map(|fault| fault.what().to_owned())).collect()
    });
    let mean_db = blend.notes().iter().map(NoteHeard::db).sum::<f64>() / blend.notes().len().max(1) as f64;
    let predicted = predicted_facts(blend, state.brief().seed);
    let seat_name = |seat: usize| state.room().seats.get(seat).map_or_else(String::new, |place| place.name.clone());
    Some(BlendFacts {
        system: system.name.clone(),
        connection: system.connection.word().into(),
        wiring: wiring.unwrap_or_default(),
        controls: system.controls.iter().enumerate().map(|(at, control)| control_facts(blend, at, control)).collect(),
        crossover_hz: blend.crossover_hz(),
        notes: blend.notes().iter().map(|note| (note.frequency_hz, note.db() - mean_db)).collect(),
        metered: blend.notes().iter().any(|note| note.level_db.is_some()),
        stands_out: blend
            .traces()
            .iter()
            .map(|trace| {
                let what = if trace.deviation_db < 0.0 { "A hole" } else { "A hump" };
                format!("{what} at {:.0} Hz, likely {}. {}", trace.frequency_hz, trace.cause.word(), trace.cause.next())
            })
            .collect(),
        seats: blend.seats().iter().map(|heard| (seat_name(heard.seat), heard.even)).collect(),
        heard_by: blend.heard_by().map(Into::into),
        remarks: remarks(blend, predicted.is_some()),
        predicted,
        earlier: brief.recheck.as_ref().map(|earlier| (earlier.name.clone(), earlier.date.clone())),
        drifts: blend.drifts().to_vec(),
        since: brief.recheck.as_ref().and_then(|earlier| {
            let worst_db = |notes: &[NoteHeard]| worst_db(&notes.iter().map(NoteHeard::db).collect::<Vec<_>>());
            let (then_db, now_db) = (worst_db(&earlier.notes)?, worst_db(blend.notes())?);
            Some(SinceFacts { then_db, now_db, worse: is_clearly_worse(then_db, now_db) })
        }),
        alone: brief.placed,
        finished: *state.stage() == Stage::Done,
        answers: blend.answers(),
        seconds: blend.seconds(),
    })
}

fn predicted_facts(blend: &Blend, seed: u64) -> Option<PredictedFacts> {
    let (system, crossover_hz) = (blend.system(), blend.crossover_hz());
    let prediction = predicted(system, &blend.stands().values, blend.before(), crossover_hz, seed)?;
    let in_the_octave = |note: &&NoteHeard| (note.frequency_hz / crossover_hz).log2().abs() <= 0.5 + 1e-9;
    let heard: Vec<f64> = blend.notes().iter().filter(in_the_octave).map(NoteHeard::db).collect();
    let mean_db = heard.iter().sum::<f64>() / heard.len().max(1) as f64;
    let curve = prediction.curve.iter().zip(&prediction.band);
    let [least_db, most_db] = prediction.worst_range_db;
    let best = |&(at, value, worst_db): &(usize, f64, f64)| {
        let control = system.controls.get(at)?;
        Some(format!("{} at {} ({worst_db:.1} dB)", control.label(), control.say(value)))
    };
    Some(PredictedFacts {
        curve: curve.map(|(&(hz, db), band)| [hz, db, band.low_db, band.high_db]).collect(),
        worst_db: [prediction.worst_db, least_db, most_db],
        heard_worst_db: heard.iter().map(|db| (db - mean_db).abs()).reduce(f64::max),
        best: prediction.best.iter().filter_map(best).collect(),
        from: prediction.from,
        assumes_slopes: prediction.assumes_slopes,
    })
}

fn control_facts(blend: &Blend, at: usize, control: &Control) -> ControlFacts {
    let decision = blend.decisions().iter().find(|decision| decision.control == at);
    let stands = blend.stands().values.get(at).copied().flatten();
    ControlFacts {
        name: control.label(),
        value: stands.map(|value| control.say(value)).unwrap_or_default(),
        before: blend.before().get(at).copied().flatten().map(|value| control.say(value)),
        why: decision.map(|decision| decision.why.clone()).unwrap_or_default(),
        how: decision.map_or_else(|| "left as it was".into(), |decision| decision.how.clone()),
        sure: decision.map(|decision| decision.sure.clone()).unwrap_or_default(),
        answers: decision.map_or(0, |decision| decision.answers),
        check_when: check_when(control.role),
    }
}

/// When a control is worth a look (*common practice*).
const fn check_when(role: Role) -> &'static str {
    match role {
        Role::Level => "another amplifier or source, a moved seat, new furniture",
        Role::LowPass | Role::Crossover | Role::HighPass => {
            "other main speakers, voices seem to come from the subwoofer"
        }
        Role::Phase | Role::Polarity => "bass has become thin, a cable was changed, the subwoofer was moved",
        Role::Contour => "it booms or has gone thin on one note",
        Role::Delay | Role::Distance => "the subwoofer or the seat was moved, the wireless link was changed",
    }
}

fn remarks(blend: &Blend, has_figures: bool) -> Vec<String> {
    let system = blend.system();
    let mut remarks = Vec::new();
    if system.wireless {
        let stated = if system.latency_s.is_some() { "as stated" } else { "a common allowance, none was stated" };
        remarks.push(format!("The wireless link is late by {:.1} ms ({stated}).", system.allowed_latency_s() * 1e3));
    }
    if system.connection.has_lfe() && !system.two_channel {
        remarks.push(
            "The LFE channel of films is recorded 10 dB low and played 10 dB louder (ITU-R BS.775); the levels here are for the bass of \
             the main channels."
                .into(),
        );
    }
    // Where the figures give a curve, its slopes are said with it.
    let stated = system.stated_slopes();
    if !has_figures && !stated.is_empty() {
        remarks.push(format!("Slopes, as stated: {}.", stated.join("; ")));
    }
    if let Some(left) = blend.left() {
        let turned = if left.inverted { ", turned over" } else { "" };
        remarks.push(format!(
            "On its own channel the subwoofer was best {:.1} ms {} the main speakers{turned}. No control of this system takes that up.",
            left.later_s.abs() * 1e3,
            if left.later_s < 0.0 { "before" } else { "after" },
        ));
    }
    remarks
}
