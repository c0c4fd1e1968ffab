//! Sound devices. The only file that names cpal.
//!
//! Everything here may block as long as a sound server likes, so that the keeper calls it on helper threads only.

use std::sync::Arc;

use ::cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use ::cpal::{BufferSize, ErrorKind, SampleFormat, SizedSample, StreamConfig, SupportedBufferSize};
use dasp::sample::{FromSample, Sample};

use super::{Device, DeviceChoice, DeviceRequest, Faults, Line, OutputInfo};
use crate::engine::error::EngineError;
use crate::engine::order::MAX_CHANNELS;
use crate::engine::rt::Callback;
use crate::units::{FrameCount, SampleRate};

/// Frames per callback asked for unless a person or a test asks for others.
const BUFFER_FRAMES: u64 = 1024;

/// What a person who did not choose gets, if the device can.
const PREFERRED_CHANNELS: u16 = 2;

/// Sample formats we write, the best first.
const FORMATS: [SampleFormat; 8] = [
    SampleFormat::F32,
    SampleFormat::I32,
    SampleFormat::I24,
    SampleFormat::I16,
    SampleFormat::F64,
    SampleFormat::U32,
    SampleFormat::U24,
    SampleFormat::U16,
];

type Range = ::cpal::SupportedStreamConfigRange;

/// A device of the system with the settings chosen for it.
pub(in crate::engine) struct SystemDevice {
    choice: DeviceChoice,
    format: SampleFormat,
}

struct SystemLine(::cpal::Stream);

impl Line for SystemLine {
    fn now_ns(&self) -> u64 {
        nanoseconds(self.0.now())
    }
}

/// Lists the sound outputs, the default one first.
pub(in crate::engine) fn outputs() -> Result<Vec<OutputInfo>, EngineError> {
    let host = host()?;
    let default = default_device(&host);
    let default_id = default.as_ref().and_then(id_of);
    let listed = host.output_devices().map_err(|error| EngineError::NoDevice { why: error.to_string() })?;
    let mut devices: Vec<_> = listed.collect();
    if let Some(default) = default
        && !devices.iter().any(|device| id_of(device) == default_id)
    {
        devices.push(default);
    }
    let mut outputs: Vec<_> = devices.iter().map(|device| describe(device, default_id.as_deref())).collect();
    outputs.sort_by_key(|output| !output.is_default);
    Ok(outputs)
}

fn describe(device: &::cpal::Device, default_id: Option<&str>) -> OutputInfo {
    let id = id_of(device).unwrap_or_default();
    let (ranges, problem) = match device.supported_output_configs() {
        Ok(ranges) => (ranges.collect::<Vec<_>>(), None),
        Err(error) => (Vec::new(), Some(error.to_string())),
    };
    let buffer_frames = ranges.iter().find_map(|range| match range.buffer_size() {
        SupportedBufferSize::Range { min, max } => Some((*min, *max)),
        SupportedBufferSize::Unknown => None,
    });
    OutputInfo {
        is_default: default_id == Some(id.as_str()),
        id,
        name: device.to_string(),
        channels: channel_counts(&ranges),
        rates_hz: rate_ranges(&ranges),
        buffer_frames,
        problem,
    }
}

/// Finds the device that was asked for and settles its rate, channels, sample format and buffer.
pub(in crate::engine) fn choose(request: &DeviceRequest) -> Result<SystemDevice, EngineError> {
    let host = host()?;
    let device = match &request.device {
        None => default_device(&host).ok_or(EngineError::NoDevice { why: String::new() })?,
        Some(asked) => named_device(&host, asked)?,
    };
    let named = request.device.is_some();
    let name = device.to_string();
    let id =
        id_of(&device).ok_or_else(|| EngineError::Device { device: name.clone(), why: "it has no id".to_owned() })?;
    let ranges = device.supported_output_configs().map_err(|error| explain(error, &name, named))?;
    let (choice, format) = settle(request, id, name, &ranges.collect::<Vec<_>>())?;
    Ok(SystemDevice { choice, format })
}

fn settle(
    request: &DeviceRequest,
    id: String,
    device: String,
    ranges: &[Range],
) -> Result<(DeviceChoice, SampleFormat), EngineError> {
    let mut fitting: Vec<&Range> = ranges.iter().filter(|range| FORMATS.contains(&range.sample_format())).collect();
    if fitting.is_empty() {
        let offered: Vec<_> = ranges.iter().map(|range| range.sample_format().to_string()).collect();
        return Err(EngineError::UnsupportedFormat { device, offered: offered.join(", ") });
    }
    let counts = channel_counts(ranges);
    let channels = match request.channels {
        Some(asked) if counts.contains(&asked) => asked,
        Some(asked) => return Err(EngineError::UnsupportedChannels { device, asked, offered: counts }),
        None => counts.iter().copied().min_by_key(|count| count.abs_diff(PREFERRED_CHANNELS)).unwrap_or(0),
    };
    fitting.retain(|range| range.channels() == channels);
    let wanted = request.rate.unwrap_or(SampleRate::HZ_48000).hz();
    let nearest = |range: &Range| wanted.clamp(range.min_sample_rate(), range.max_sample_rate());
    let rate_hz = fitting.iter().map(|range| nearest(range)).min_by_key(|hz| hz.abs_diff(wanted)).unwrap_or(0);
    if let Some(asked) = request.rate.filter(|asked| asked.hz() != rate_hz) {
        return Err(EngineError::UnsupportedRate { device, asked, offered: rate_ranges(ranges) });
    }
    let unsupported = || EngineError::Device { device: device.clone(), why: "it offers no settings".to_owned() };
    let rate = SampleRate::new(rate_hz).ok_or_else(unsupported)?;
    let place = |range: &&&Range| FORMATS.iter().position(|format| *format == range.sample_format());
    let range =
        fitting.iter().filter(|range| range.contains_rate(rate_hz)).min_by_key(place).ok_or_else(unsupported)?;
    let asked = request.buffer.map_or(BUFFER_FRAMES, |buffer| buffer.0);
    let buffer = match range.buffer_size() {
        SupportedBufferSize::Range { min, max } => asked.clamp(u64::from(*min), u64::from(*max).max(u64::from(*min))),
        SupportedBufferSize::Unknown => asked,
    };
    let format = range.sample_format();
    Ok((DeviceChoice { id, name: device, rate, channels, buffer: FrameCount(buffer) }, format))
}

impl Device for SystemDevice {
    fn choice(&self) -> &DeviceChoice {
        &self.choice
    }

    fn open(&self, callback: Callback, faults: Arc<Faults>) -> Result<Box<dyn Line>, EngineError> {
        let host = host()?;
        let device = device_with_id(&host, &self.choice.id).ok_or_else(|| EngineError::Device {
            device: self.choice.name.clone(),
            why: "it is not there".to_owned(),
        })?;
        let config = StreamConfig {
            channels: self.choice.channels,
            sample_rate: self.choice.rate.hz(),
            buffer_size: BufferSize::Fixed(u32::try_from(self.choice.buffer.0).unwrap_or(u32::MAX)),
        };
        let stream = match self.format {
            SampleFormat::I32 => build::<i32>(&device, config, callback, faults),
            SampleFormat::I24 => build::<::cpal::I24>(&device, config, callback, faults),
            SampleFormat::I16 => build::<i16>(&device, config, callback, faults),
            SampleFormat::F64 => build::<f64>(&device, config, callback, faults),
            SampleFormat::U32 => build::<u32>(&device, config, callback, faults),
            SampleFormat::U24 => build::<::cpal::U24>(&device, config, callback, faults),
            SampleFormat::U16 => build::<u16>(&device, config, callback, faults),
            _ => build::<f32>(&device, config, callback, faults),
        };
        let stream = stream.map_err(|error| explain(error, &self.choice.name, true))?;
        stream.play().map_err(|error| explain(error, &self.choice.name, true))?;
        Ok(Box::new(SystemLine(stream)))
    }
}

fn build<T>(
    device: &::cpal::Device,
    config: StreamConfig,
    mut callback: Callback,
    faults: Arc<Faults>,
) -> Result<::cpal::Stream, ::cpal::Error>
where
    T: SizedSample + Sample + FromSample<f32>,
{
    device.build_output_stream(
        config,
        move |block: &mut [T], info: &::cpal::OutputCallbackInfo| {
            callback.fill(block, nanoseconds(info.timestamp().playback));
        },
        // May run on the audio thread, and comes in storms around a start and a loss: atomics only. Most kinds mean
        // nothing by themselves; that callbacks stay away is what tells a loss.
        move |error| match error.kind() {
            ErrorKind::Xrun => faults.count_gap(),
            ErrorKind::DeviceNotAvailable | ErrorKind::StreamInvalidated | ErrorKind::DeviceChanged => {
                faults.set_gone()
            }
            _ => {}
        },
        None,
    )
}

fn host() -> Result<::cpal::Host, EngineError> {
    #[cfg(target_os = "linux")]
    super::alsa_quiet::silence();
    let id = ::cpal::available_hosts().into_iter().next();
    let id = id.ok_or(EngineError::NoDevice { why: "no sound system".to_owned() })?;
    ::cpal::host_from_id(id).map_err(|error| EngineError::NoDevice { why: error.to_string() })
}

fn default_device(host: &::cpal::Host) -> Option<::cpal::Device> {
    host.default_output_device()
}

fn id_of(device: &::cpal::Device) -> Option<String> {
    device.id().ok().map(|id| id.to_string())
}

/// The device with this very id. The default device need not be among the listed ones.
fn device_with_id(host: &::cpal::Host, id: &str) -> Option<::cpal::Device> {
    let is_it = |device: &::cpal::Device| id_of(device).as_deref() == Some(id);
    let listed = host.output_devices().ok().and_then(|mut devices| devices.find(is_it));
    listed.or_else(|| default_device(host).filter(is_it))
}

fn named_device(host: &::cpal::Host, asked: &str) -> Result<::cpal::Device, EngineError> {
    if let Some(device) = device_with_id(host, asked) {
        return Ok(device);
    }
    let devices: Vec<_> = host.output_devices().map(Iterator::collect).unwrap_or_default();
    let short_id = |device: &::cpal::Device| device.id().ok().map(|id| id.id().to_owned());
    let by_short_id = devices.iter().find(|device| short_id(device).as_deref() == Some(asked));
    let found = by_short_id.or_else(|| devices.iter().find(|device| device.to_string().eq_ignore_ascii_case(asked)));
    found.cloned().ok_or_else(|| EngineError::UnknownDevice {
        asked: asked.to_owned(),
        offered: devices.iter().filter_map(short_id).collect(),
    })
}

/// * `named` - the person asked for this device, so that there are others to fall back on
fn explain(error: ::cpal::Error, device: &str, named: bool) -> EngineError {
    let device = device.to_owned();
    match error.kind() {
        ErrorKind::DeviceBusy => EngineError::Busy { device },
        ErrorKind::PermissionDenied => EngineError::NotAllowed { device },
        _ if named => EngineError::Device { device, why: error.to_string() },
        _ => EngineError::NoDevice { why: error.to_string() },
    }
}

fn channel_counts(ranges: &[Range]) -> Vec<u16> {
    let mut counts: Vec<u16> = ranges.iter().map(Range::channels).collect();
    counts.retain(|count| (1..=MAX_CHANNELS).contains(&usize::from(*count)));
    counts.sort_unstable();
    counts.dedup();
    counts
}

fn rate_ranges(ranges: &[Range]) -> Vec<(u32, u32)> {
    let mut rates: Vec<_> = ranges.iter().map(|range| (range.min_sample_rate(), range.max_sample_rate())).collect();
    rates.sort_unstable();
    rates.dedup();
    rates
}

fn nanoseconds(instant: ::cpal::StreamInstant) -> u64 {
    u64::try_from(instant.as_nanos()).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(channels: u16, rates_hz: (u32, u32), buffer: SupportedBufferSize, format: SampleFormat) -> Range {
        Range::new(channels, rates_hz.0, rates_hz.1, buffer, format)
    }

    fn settled(request: &DeviceRequest, ranges: &[Range]) -> Result<(DeviceChoice, SampleFormat), EngineError> {
        settle(request, "id".to_owned(), "Desk output".to_owned(), ranges)
    }

    /// A stereo and eight-channel interface that knows two rates, in integers only.
    fn interface() -> Vec<Range> {
        let buffer = SupportedBufferSize::Range { min: 32, max: 512 };
        let mut ranges = Vec::new();
        for channels in [8, 2] {
            for rate_hz in [44_100, 96_000] {
                ranges.push(range(channels, (rate_hz, rate_hz), buffer, SampleFormat::I16));
                ranges.push(range(channels, (rate_hz, rate_hz), buffer, SampleFormat::I32));
                ranges.push(range(channels, (rate_hz, rate_hz), buffer, SampleFormat::DsdU8));
            }
        }
        ranges
    }

    #[test]
    fn without_a_wish_the_choice_is_what_comes_nearest_to_the_usual() {
        let (choice, format) = settled(&DeviceRequest::default(), &interface()).unwrap();
        assert_eq!((choice.channels, choice.rate.hz(), choice.buffer.0), (2, 44_100, 512));
        assert_eq!(format, SampleFormat::I32);
        let wide = [range(2, (8000, 192_000), SupportedBufferSize::Unknown, SampleFormat::F32)];
        let (choice, _) = settled(&DeviceRequest::default(), &wide).unwrap();
        assert_eq!((choice.rate, choice.buffer.0), (SampleRate::HZ_48000, 1024));
    }

    #[test]
    fn wishes_are_met_or_refused_with_what_there_is() {
        let rate = SampleRate::new(96_000);
        let request = DeviceRequest { rate, channels: Some(8), buffer: Some(FrameCount(64)), device: None };
        let (choice, _) = settled(&request, &interface()).unwrap();
        assert_eq!((choice.channels, choice.rate.hz(), choice.buffer.0), (8, 96_000, 64));

        let request = DeviceRequest { rate: Some(SampleRate::HZ_48000), ..DeviceRequest::default() };
        let message = settled(&request, &interface()).unwrap_err().to_string();
        assert_eq!(
            message,
            "The sound output 'Desk output' cannot play 48000 Hz. It offers 44100 Hz, 96000 Hz. Choose one of those. \
             `evenbass rehearse` needs no sound device."
        );

        let request = DeviceRequest { channels: Some(6), ..DeviceRequest::default() };
        let message = settled(&request, &interface()).unwrap_err().to_string();
        assert!(message.contains("cannot be opened with 6 channels. It offers 2, 8."), "{message}");
    }

    #[test]
    fn a_device_without_a_format_of_ours_is_refused() {
        let ranges = [range(2, (48_000, 48_000), SupportedBufferSize::Unknown, SampleFormat::DsdU8)];
        assert!(matches!(
            settled(&DeviceRequest::default(), &ranges),
            Err(EngineError::UnsupportedFormat { offered, .. }) if !offered.is_empty()
        ));
    }

    #[test]
    fn errors_of_the_system_become_words_with_a_remedy() {
        let cases = [
            (ErrorKind::DeviceBusy, "in use by another program"),
            (ErrorKind::PermissionDenied, "may not use"),
            (ErrorKind::BackendError, "There is no sound output"),
            (ErrorKind::DeviceNotAvailable, "There is no sound output"),
            (ErrorKind::HostUnavailable, "There is no sound output"),
        ];
        for (kind, words) in cases {
            let message = explain(kind.into(), "Desk output", false).to_string();
            assert!(message.contains(words) && message.contains("rehearse"), "{message}");
        }
    }
}
