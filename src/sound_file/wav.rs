//! The head of a WAV file.
//!
//! Source: the layout of WAVE_FORMAT_EXTENSIBLE and its speaker bits are Microsoft's, of 2001 and later.

use crate::sound_file::{Format, Sample};

/// RIFF header, extensible format chunk, fact chunk for floating point, and the head of the data chunk.
pub(super) fn header(format: Format, data_bytes: u32) -> Vec<u8> {
    let sample_bytes = format.sample.bytes();
    let block_bytes = sample_bytes * format.channels;
    let is_float = format.sample == Sample::Float32;
    let mut body = b"WAVEfmt ".to_vec();
    body.extend(40_u32.to_le_bytes());
    body.extend(0xFFFE_u16.to_le_bytes());
    body.extend(format.channels.to_le_bytes());
    body.extend(format.rate.hz().to_le_bytes());
    body.extend((format.rate.hz() * u32::from(block_bytes)).to_le_bytes());
    body.extend(block_bytes.to_le_bytes());
    body.extend((8 * sample_bytes).to_le_bytes());
    body.extend(22_u16.to_le_bytes());
    body.extend((8 * sample_bytes).to_le_bytes());
    body.extend(format.channel_mask.to_le_bytes());
    // The format's identity: 1 for whole numbers or 3 for floating point, in front of a fixed tail.
    body.extend(if is_float { 3_u32 } else { 1 }.to_le_bytes());
    body.extend([0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71]);
    if is_float {
        body.extend(b"fact");
        body.extend(4_u32.to_le_bytes());
        body.extend((data_bytes / u32::from(block_bytes)).to_le_bytes());
    }
    body.extend(b"data");
    body.extend(data_bytes.to_le_bytes());
    let mut header = b"RIFF".to_vec();
    header.extend((body.len() as u32 + data_bytes + data_bytes % 2).to_le_bytes());
    header.extend(body);
    header
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sound_file::Container;
    use crate::units::SampleRate;

    #[test]
    fn the_wav_header_names_the_channels() {
        // WAVE_FORMAT_EXTENSIBLE: tag 0xFFFE at byte 20, mask at byte 40, sub-format at byte 44.
        for (channels, mask) in [(1, 0x4), (1, 0x8), (2, 0x3), (3, 0xB), (6, 0x3F), (6, 0x60F), (8, 0x63F)] {
            let header = header(in_24_bits(channels, mask), 0);
            assert_eq!(header[20..22], [0xFE, 0xFF]);
            assert_eq!(header[22..24], channels.to_le_bytes());
            assert_eq!(header[40..44], mask.to_le_bytes());
            assert_eq!(header[44..46], [1, 0]);
        }
    }

    fn in_24_bits(channels: u16, channel_mask: u32) -> Format {
        let rate = SampleRate::HZ_48000;
        Format { container: Container::Wav, sample: Sample::Int24, rate, channels, channel_mask, dither_seed: 1 }
    }
}
