//! Cues on the offline engine.

use super::*;
use crate::engine::OfflineSink;
use crate::units::SampleRate;

fn player() -> Player {
    let mut engine = Engine::offline(SampleRate::HZ_48000, 1, OfflineSink::nothing());
    engine.set_ceiling(Dbfs::new(-10.0));
    Player::new(engine, Outputs::all(&[0]), None)
}

fn cue(levels: &[f64]) -> Cue {
    let part = |&level: &f64| Part {
        recipe: crate::signal::Recipe::Pure(crate::signal::pure::Pure { frequency_hz: 20.0 }),
        level: Dbfs::new(level),
        seconds: Some(0.5),
        gap_s: 0.05,
        note: None,
        label: String::new(),
        routes: Vec::new(),
        climbs_from: None,
    };
    Cue { parts: levels.iter().map(part).collect(), question_at: 0 }
}

fn sounded(told: &[Told]) -> Vec<(f64, u64, String)> {
    let one = |told: &Told| match told {
        Told::Fact(Event::Sounded { level, frames, ended, .. }) => Some((level.dbfs(), *frames, ended.clone())),
        _ => None,
    };
    told.iter().filter_map(one).collect()
}

#[test]
fn quieter_lowers_what_is_still_to_come_from_its_own_level() {
    let (mut player, mut told) = (player(), Vec::new());
    player.play(cue(&[-20.0, -26.0, -23.0]));
    player.render_for(0.2, &mut told);
    player.lower(GainDb::new(1.0), &mut told);
    player.render_until(&mut told, |_| false);
    let levels: Vec<f64> = sounded(&told).iter().map(|tone| tone.0).collect();
    assert_eq!(levels, [-21.0, -27.0, -24.0]);
}

#[test]
fn an_emergency_overtakes_a_fade() {
    let lengths: Vec<(u64, String)> = [false, true]
        .map(|emergency| {
            let (mut player, mut told) = (player(), Vec::new());
            player.play(cue(&[-20.0]));
            player.render_for(0.2, &mut told);
            player.hush();
            if emergency {
                player.emergency_stop();
            }
            player.render_until(&mut told, |player| player.sounding().is_none());
            let [(_, frames, ended)] = sounded(&told).try_into().unwrap();
            (frames, ended)
        })
        .into();
    assert_eq!((lengths[0].1.as_str(), lengths[1].1.as_str()), ("faded", "stopped"));
    // 50 ms, and a chunk of 64 frames at most until the audio thread looks.
    assert!(lengths[1].0 <= lengths[0].0 && lengths[1].0 <= 9600 + 480 + 2400 + 64, "{lengths:?}");
}
