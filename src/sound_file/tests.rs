//! Files that are written and read back.

use flac_codec::decode::{FlacSampleReader, Metadata};
use realfft::RealFftPlanner;

use super::*;

const FRAMES: usize = 65_536;

fn format(container: Container, sample: Sample, channels: u16, channel_mask: u32) -> Format {
    Format { container, sample, rate: SampleRate::HZ_48000, channels, channel_mask, dither_seed: 1 }
}

/// 85 periods in 65536 frames.
fn sine(peak: f64) -> Vec<f32> {
    let angle = |n: usize| std::f64::consts::TAU * 85.0 * n as f64 / FRAMES as f64;
    (0..FRAMES).map(|n| (peak * angle(n).sin()) as f32).collect()
}

fn write(path: &Path, format: Format, samples: &[f32]) -> Written {
    let mut file = SoundFile::create(path, format, Existing::Keep).unwrap();
    samples.chunks(1000).for_each(|chunk| file.write(chunk).unwrap());
    file.finish().unwrap()
}

/// Everything but the tone over the total, dB (AES17 THD+N, coherent sampling).
fn noise_db(samples: &[f64]) -> f64 {
    let transform = RealFftPlanner::new().plan_fft_forward(samples.len());
    let mut bins = transform.make_output_vec();
    transform.process(&mut samples.to_vec(), &mut bins).unwrap();
    let power = |(bin, value): (usize, &realfft::num_complex::Complex64)| (bin, value.norm_sqr());
    let (tone, rest): (Vec<_>, Vec<_>) = bins.iter().enumerate().map(power).partition(|(bin, _)| *bin == 85);
    10.0 * (rest.iter().map(|(_, power)| power).sum::<f64>() / tone[0].1).log10()
}

fn read_wav(path: &Path, full_scale: f64) -> Vec<f64> {
    let mut reader = hound::WavReader::open(path).unwrap();
    reader.samples::<i32>().map(|sample| f64::from(sample.unwrap()) / full_scale).collect()
}

#[test]
fn whole_numbers_with_dither_are_as_quiet_as_theory_says() {
    // Sine to quantisation noise with triangular dither: 93.3193 dB at 16 bits, 141.4841 dB at 24; here 1 dB less tone.
    let folder = tempfile::tempdir().unwrap();
    let tone = sine(10_f64.powf(-1.0 / 20.0));
    for (name, sample, full_scale, theory_db) in
        [("a.wav", Sample::Int16, 32_768.0, -92.3193), ("b.wav", Sample::Int24, 8_388_608.0, -140.4841)]
    {
        let path = folder.path().join(name);
        let written = write(&path, format(Container::Wav, sample, 1, 0x4), &tone);
        assert_eq!(written, Written { frames: FRAMES as u64, clipped: 0 });
        let found = noise_db(&read_wav(&path, full_scale));
        assert!((found - theory_db).abs() < 0.5, "{name}: {found} dB");
    }
}

#[test]
fn floating_point_is_stored_bit_for_bit() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("float.wav");
    let samples = sine(0.7);
    write(&path, format(Container::Wav, Sample::Float32, 2, 0x3), &samples);
    let mut reader = hound::WavReader::open(&path).unwrap();
    assert_eq!((reader.spec().channels, reader.duration()), (2, FRAMES as u32 / 2));
    assert_eq!(reader.samples::<f32>().map(Result::unwrap).collect::<Vec<_>>(), samples);
}

#[test]
fn flac_holds_the_same_numbers_as_wav_and_says_which_channels() {
    let folder = tempfile::tempdir().unwrap();
    for (sample, full_scale) in [(Sample::Int16, 32_768.0), (Sample::Int24, 8_388_608.0)] {
        let (wav, flac) =
            (folder.path().join(format!("{sample:?}.wav")), folder.path().join(format!("{sample:?}.flac")));
        let samples: Vec<f32> = sine(0.5)[..6 * 10_000].to_vec();
        write(&wav, format(Container::Wav, sample, 6, 0x3F), &samples);
        write(&flac, format(Container::Flac, sample, 6, 0x3F), &samples);
        let mut reader = FlacSampleReader::open(&flac).unwrap();
        assert_eq!((reader.channel_count(), u32::from(reader.channel_mask())), (6, 0x3F));
        let mut whole = Vec::new();
        reader.read_to_end(&mut whole).unwrap();
        let expected: Vec<i32> = read_wav(&wav, full_scale).iter().map(|x| (x * full_scale) as i32).collect();
        assert_eq!(whole, expected);
    }
}

#[test]
fn an_existing_file_is_replaced_only_on_demand_and_only_by_a_complete_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kept.wav");
    std::fs::write(&path, "mine").unwrap();
    let wanted = format(Container::Wav, Sample::Int16, 1, 0);
    let refused = SoundFile::create(&path, wanted, Existing::Keep).err().unwrap().to_string();
    assert!(refused.contains("kept.wav exists already") && refused.contains("--force"), "{refused}");
    let mut unfinished = SoundFile::create(&path, wanted, Existing::Replace).unwrap();
    unfinished.write(&[0.1; 100_000]).unwrap();
    drop(unfinished);
    assert_eq!(std::fs::read(&path).unwrap(), b"mine");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    SoundFile::create(&path, wanted, Existing::Replace).unwrap().finish().unwrap();
    assert_eq!(hound::WavReader::open(&path).unwrap().duration(), 0);
}

#[test]
fn a_file_that_appears_meanwhile_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("late.wav");
    let file = SoundFile::create(&path, format(Container::Wav, Sample::Int16, 1, 0), Existing::Keep).unwrap();
    std::fs::write(&path, "mine").unwrap();
    assert!(matches!(file.finish(), Err(SoundFileError::Exists { .. })));
    assert_eq!(std::fs::read(&path).unwrap(), b"mine");
}

#[test]
fn impossible_formats_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let refuse = |name: &str, format: Format| {
        SoundFile::create(&folder.path().join(name), format, Existing::Keep).err().unwrap().to_string()
    };
    assert!(refuse("a.wav", format(Container::Wav, Sample::Int16, 9, 0)).contains("9 channels"));
    assert!(refuse("a.wav", format(Container::Wav, Sample::Int16, 2, 0x3F)).contains("0x3f"));
    assert!(refuse("a.flac", format(Container::Flac, Sample::Float32, 1, 0)).contains("FLAC cannot store"));
    assert!(refuse("no/a.wav", format(Container::Wav, Sample::Int16, 1, 0)).contains("cannot write"));
    assert!(Container::of(Path::new("tone.mp3")).unwrap_err().to_string().contains(".wav or .flac"));
    assert_eq!(Container::of(Path::new("tone.FLAC")).unwrap(), Container::Flac);
}

#[test]
fn an_odd_number_of_bytes_is_made_even() {
    // The chunks of RIFF begin at even bytes.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("odd.wav");
    write(&path, format(Container::Wav, Sample::Int24, 1, 0x4), &[0.5]);
    let odd = std::fs::read(path).unwrap();
    assert_eq!(odd.len() % 2, 0);
    assert_eq!(odd[4..8], (odd.len() as u32 - 8).to_le_bytes());
}
