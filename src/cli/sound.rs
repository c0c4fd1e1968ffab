//! Opening the sound: a device for a visit, or the offline engine for a rehearsal.

use crossbeam_channel::unbounded;

use crate::cli::Failure;
use crate::cli::args::VisitOptions;
use crate::cli::routing::{DEVICE_LAYOUTS, DEVICE_ORDER, Routing};
use crate::cli::session::SoundPath;
use crate::engine::{DeviceRequest, Engine, OfflineSink, Outputs};
use crate::routine::Kit;
use crate::units::{FrameCount, SampleRate};

/// The device a visit asks for.
pub fn open(options: &VisitOptions, kit: &Kit) -> Result<SoundPath, Failure> {
    live(options.output.as_deref(), &kit.channels, options.buffer_frames, kit.deep_driver)
}

/// A device by name, with the channels that are to sound, counted from 1.
pub fn live(
    output: Option<&str>,
    channels: &[u16],
    buffer_frames: Option<u32>,
    deep_driver: bool,
) -> Result<SoundPath, Failure> {
    let needed = channels.iter().copied().max();
    let place = |there| outputs(channels, there);
    device(output, needed, buffer_frames, deep_driver, place)
}

/// A device by name, with channels by name or number.
pub fn routed(output: Option<&str>, routing: &Routing) -> Result<SoundPath, Failure> {
    let needed = routing.channels_needed(DEVICE_ORDER, DEVICE_LAYOUTS)?;
    device(output, needed, None, false, |there| routing.outputs(DEVICE_ORDER, there))
}

fn device(
    output: Option<&str>,
    channels_needed: Option<u16>,
    buffer_frames: Option<u32>,
    deep_driver: bool,
    place: impl Fn(u16) -> Result<Outputs, Failure>,
) -> Result<SoundPath, Failure> {
    let request = DeviceRequest {
        device: output.map(str::to_owned),
        // A subwoofer on channel 4 needs an output that is opened with at least four.
        channels: channels_needed.filter(|&highest| highest > 2),
        buffer: buffer_frames.map(|frames| FrameCount(frames.into())),
        rate: None,
    };
    let (tell, moments) = unbounded();
    let on_moment = Box::new(move |moment| {
        // Nobody listens any more when the program is ending.
        let _ = tell.send(moment);
    });
    let mut engine = Engine::live(&request, on_moment).map_err(Failure::NoSound)?;
    engine.allow_deep_bass(deep_driver);
    let outputs = place(engine.channels())?;
    let device = engine.device().map(|device| device.name.clone());
    Ok(SoundPath { engine, outputs, moments: Some(moments), device })
}

/// The offline engine: nothing sounds, time jumps.
pub fn offline(kit: &Kit) -> SoundPath {
    let mut engine = Engine::offline(SampleRate::HZ_48000, 2, OfflineSink::nothing());
    engine.allow_deep_bass(kit.deep_driver);
    SoundPath { engine, outputs: Outputs::all(&[0, 1]), moments: None, device: None }
}

/// Channels as people count them, from 1; all if none is named.
fn outputs(channels: &[u16], there: u16) -> Result<Outputs, Failure> {
    if channels.is_empty() {
        return Ok(Outputs::all(&(0..there).collect::<Vec<_>>()));
    }
    match channels.iter().find(|&&channel| channel == 0 || channel > there) {
        Some(channel) => Err(Failure::Usage(format!(
            "The output has channels 1 to {there}; there is no channel {channel}. `evenbass outputs` lists them."
        ))),
        None => Ok(Outputs::all(&channels.iter().map(|channel| channel - 1).collect::<Vec<_>>())),
    }
}
