//! Opening the sound: a device for a visit, or the offline engine for a rehearsal.

use crossbeam_channel::unbounded;

use crate::blend::Channels;
use crate::cli::Failure;
use crate::cli::args::VisitOptions;
use crate::cli::quiet::Quiet;
use crate::cli::routing::{DEVICE_LAYOUTS, DEVICE_ORDER, Routing};
use crate::cli::session::SoundPath;
use crate::engine::{DeviceRequest, Engine, EngineError, OfflineSink, Outputs};
use crate::routine::Brief;
use crate::units::{FrameCount, SampleRate};

/// The device a visit asks for, with at least the channels that its blend sounds on.
pub fn open(
    options: &VisitOptions,
    routing: &Routing,
    brief: &Brief,
    blended: Option<Channels>,
) -> Result<SoundPath, Failure> {
    let at_least = blended.map(highest);
    device(options.output.as_deref(), routing, options.buffer_frames, brief.kit.deep_driver, at_least)
}

/// The highest channel that a blend sounds on, counted from 1.
fn highest(blended: Channels) -> u16 {
    blended.left.max(blended.right).max(blended.subwoofer.unwrap_or(0))
}

/// A device by name, with channels by name or number.
pub fn routed(output: Option<&str>, routing: &Routing) -> Result<SoundPath, Failure> {
    device(output, routing, None, false, None)
}

fn device(
    output: Option<&str>,
    routing: &Routing,
    buffer_frames: Option<u32>,
    deep_driver: bool,
    at_least: Option<u16>,
) -> Result<SoundPath, Failure> {
    let (tell, moments) = unbounded();
    let open = |channels: Option<u16>| {
        let tell = tell.clone();
        let on_moment = Box::new(move |moment| {
            // Nobody listens any more when the program is ending.
            let _ = tell.send(moment);
        });
        let request = DeviceRequest {
            device: output.map(str::to_owned),
            // A subwoofer on channel 4 needs an output that is opened with at least four.
            channels: channels.filter(|&highest| highest > 2),
            buffer: buffer_frames.map(|frames| FrameCount(frames.into())),
            rate: None,
        };
        let _quiet = Quiet::begin();
        Engine::live(&request, on_moment)
    };
    // A usual layout first, in which every channel has its place; an interface may have no such one.
    let needed = routing.channels_needed(DEVICE_ORDER, DEVICE_LAYOUTS)?.into_iter().chain(at_least).max();
    let opened = match (open(needed), routing.highest_number()) {
        (Err(EngineError::UnsupportedChannels { .. }), Some(number)) if Some(number) != needed => open(Some(number)),
        (opened, _) => opened,
    };
    // One that has more than are needed will do, if it has no fewer.
    let wide_enough = match &opened {
        Err(EngineError::UnsupportedChannels { offered, .. }) => {
            let least = routing.highest_number().into_iter().chain(at_least).max();
            least.and_then(|least| offered.iter().copied().filter(|&count| count >= least).min())
        }
        _ => None,
    };
    let opened = if wide_enough.is_some() { open(wide_enough) } else { opened };
    let too_few = |highest: u16, device: &str, most: u16| {
        Failure::Usage(format!(
            "The blend sounds on channel {highest}, but the sound output '{device}' has only {most}. Choose another one with --output \
             (`evenbass outputs` lists them). A visit that has not begun yet can name other [channels] in its system file."
        ))
    };
    let mut engine = match (opened, at_least) {
        (Err(EngineError::UnsupportedChannels { device, offered, .. }), Some(highest))
            if offered.iter().all(|&count| count < highest) =>
        {
            return Err(too_few(highest, &device, offered.iter().copied().max().unwrap_or(0)));
        }
        (opened, _) => opened.map_err(Failure::NoSound)?,
    };
    if let Some(highest) = at_least
        && engine.channels() < highest
    {
        return Err(too_few(highest, engine.device().map_or("", |device| device.name.as_str()), engine.channels()));
    }
    engine.allow_deep_bass(deep_driver);
    let outputs = routing.outputs(DEVICE_ORDER, engine.channels())?;
    let device = engine.device().map(|device| device.name.clone());
    Ok(SoundPath { engine, outputs, moments: Some(moments), device })
}

/// The offline engine: nothing sounds, time jumps.
pub fn offline(brief: &Brief, blended: Option<Channels>) -> SoundPath {
    let channels = blended.map_or(0, highest).max(2);
    let mut engine = Engine::offline(SampleRate::HZ_48000, channels, OfflineSink::nothing());
    engine.allow_deep_bass(brief.kit.deep_driver);
    SoundPath { engine, outputs: Outputs::all(&[0, 1]), moments: None, device: None }
}
