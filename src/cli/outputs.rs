//! `evenbass outputs`

use crate::cli::Failure;
use crate::cli::args::Outputs;
use crate::cli::quiet::Quiet;
use crate::engine::{self, EngineError, OutputInfo};

/// Lists the sound outputs.
pub fn run(args: &Outputs) -> Result<(), Failure> {
    let quiet = Quiet::begin();
    let outputs = engine::outputs().map_err(Failure::NoSound);
    drop(quiet);
    let outputs = outputs?;
    if args.json {
        say!("{}", serde_json::to_string_pretty(&outputs)?);
    } else {
        for output in &outputs {
            say!("{}", in_lines(output));
        }
    }
    // The system may name a default output although nothing is there.
    if outputs.iter().all(|output| output.problem.is_some()) {
        return Err(Failure::NoSound(EngineError::NoDevice { why: String::new() }));
    }
    Ok(())
}

fn in_lines(output: &OutputInfo) -> String {
    let default = if output.is_default { " (the default)" } else { "" };
    let mut lines = vec![format!("{}{default}", output.id)];
    if output.name != output.id {
        lines.push(format!("  {}", output.name));
    }
    if let Some(problem) = &output.problem {
        lines.push(format!("  cannot be used now: {problem}"));
    }
    if !output.channels.is_empty() {
        lines.push(format!("  channels: {}", ranges(&output.channels)));
    }
    if !output.rates_hz.is_empty() {
        let rates = output.rates_hz.iter().map(|&(low, high)| span(low, high));
        lines.push(format!("  rates: {} Hz", rates.collect::<Vec<_>>().join(", ")));
    }
    if let Some((low, high)) = output.buffer_frames {
        lines.push(format!("  buffer: {} frames", span(low, high)));
    }
    lines.join("\n")
}

/// Channel counts as ranges: 1 to 8, 12.
fn ranges(counts: &[u16]) -> String {
    let mut sorted = counts.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    let mut spans: Vec<(u16, u16)> = Vec::new();
    for count in sorted {
        match spans.last_mut() {
            Some((_, high)) if *high + 1 == count => *high = count,
            _ => spans.push((count, count)),
        }
    }
    spans.into_iter().map(|(low, high)| span(low.into(), high.into())).collect::<Vec<_>>().join(", ")
}

fn span(low: u32, high: u32) -> String {
    if low == high { low.to_string() } else { format!("{low} to {high}") }
}
