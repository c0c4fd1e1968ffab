//! A virtual sound card: a private sound server with two outputs that lead nowhere, stereo `front` and 5.1 `surround`.
//!
//! Everything of it lives in a temporary folder; several can run side by side, as root or not. A program started with
//! [`SoundServer::environment`] sees these outputs and no others. What an output plays can be recorded, sample by
//! sample. Only processes started here are ever killed. Needs the programs `pulseaudio`, `pactl`, `parec` and ALSA's
//! pulse plugin.

use std::ffi::OsString;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// Nothing here takes that long unless it hangs.
const HANGS_AFTER: Duration = Duration::from_secs(20);

/// An output of the virtual card.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sink {
    Front,
    Surround,
}

impl Sink {
    pub fn name(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Surround => "surround",
        }
    }

    pub fn channels(self) -> usize {
        self.channel_map().split(',').count()
    }

    /// In the order in which ALSA hands channels over, so that a recording has the channels as they were written.
    fn channel_map(self) -> &'static str {
        match self {
            Self::Front => "front-left,front-right",
            Self::Surround => "front-left,front-right,rear-left,rear-right,front-center,lfe",
        }
    }

    fn module_arguments(self) -> String {
        format!(
            // Without norewinds the sink renders two seconds ahead, and streams stall after their start.
            "sink_name={} rate=48000 format=float32le channels={} channel_map={} norewinds=1",
            self.name(),
            self.channels(),
            self.channel_map()
        )
    }
}

pub struct SoundServer {
    folder: TempDir,
    server: Option<Child>,
}

impl SoundServer {
    /// Starts a server with both outputs, and waits until it answers.
    pub fn start() -> Self {
        let folder = TempDir::with_prefix("evenbass-sound").expect("a temporary folder can be made");
        for name in ["run", "config", "state", "home"] {
            std::fs::create_dir(folder.path().join(name)).expect("folders can be made");
        }
        let mut server = Self { folder, server: None };
        std::fs::write(server.path("asound.conf"), server.alsa_configuration())
            .expect("the configuration can be written");
        server.start_again();
        server
    }

    /// Starts the server after it was killed.
    pub fn start_again(&mut self) {
        assert!(self.server.is_none(), "the server runs");
        let socket = format!(
            "module-native-protocol-unix socket={} auth-anonymous=1 auth-cookie-enabled=0",
            self.path("native").display()
        );
        let mut command = self.command("pulseaudio");
        command.args(["-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1", "--disable-shm=yes"]);
        command.args(["--high-priority=yes", "--realtime=yes", "--log-target=stderr", "--log-level=error"]);
        command.arg("-L").arg(socket);
        for sink in [Sink::Front, Sink::Surround] {
            command.arg("-L").arg(format!("module-null-sink {}", sink.module_arguments()));
        }
        let child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        self.server = Some(child.expect("pulseaudio is installed"));
        wait_until("the sound server answers", || self.answers());
    }

    fn answers(&self) -> bool {
        let mut info = self.command("pactl");
        info.arg("info").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|status| status.success())
    }

    /// What a program needs in its environment to see this card and no other.
    pub fn environment(&self) -> Vec<(&'static str, OsString)> {
        let mut server = OsString::from("unix:");
        server.push(self.path("native"));
        vec![
            ("XDG_RUNTIME_DIR", self.path("run").into()),
            ("XDG_CONFIG_HOME", self.path("config").into()),
            ("PULSE_RUNTIME_PATH", self.path("run").into()),
            ("PULSE_STATE_PATH", self.path("state").into()),
            ("PULSE_COOKIE", self.path("cookie").into()),
            ("PULSE_SERVER", server),
            ("ALSA_CONFIG_PATH", self.path("asound.conf").into()),
            ("HOME", self.path("home").into()),
        ]
    }

    /// A command that sees this card and no other.
    pub fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.envs(self.environment());
        command
    }

    /// Records what an output plays from now on. Returns when samples arrive.
    pub fn record(&self, sink: Sink) -> Recorder {
        let mut command = self.command("parec");
        command.args(["--raw", "--format=float32le", "--rate=48000", "--latency-msec=50"]);
        command.arg(format!("--channels={}", sink.channels()));
        command.arg(format!("--channel-map={}", sink.channel_map()));
        command.arg(format!("--device={}.monitor", sink.name()));
        let child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn();
        Recorder::new(child.expect("parec is installed"), sink.channels())
    }

    /// Takes an output away, as if it were unplugged.
    pub fn remove(&self, sink: Sink) {
        let modules = self.pactl(&["list", "short", "modules"]);
        let wanted = format!("sink_name={} ", sink.name());
        let line = modules.lines().find(|line| line.contains(&wanted)).expect("the output is there");
        self.pactl(&["unload-module", line.split_whitespace().next().expect("a module has a number")]);
    }

    /// Brings it back.
    pub fn bring_back(&self, sink: Sink) {
        let arguments = sink.module_arguments();
        let mut load = vec!["load-module", "module-null-sink"];
        load.extend(arguments.split(' '));
        self.pactl(&load);
    }

    fn pactl(&self, arguments: &[&str]) -> String {
        let output = self.command("pactl").args(arguments).output().expect("pactl is installed");
        assert!(output.status.success(), "pactl {arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).into_owned()
    }

    /// Kills the server without warning.
    pub fn kill(&mut self) {
        if let Some(mut server) = self.server.take() {
            let _ = server.kill();
            let _ = server.wait();
        }
    }

    /// Freezes the server: it neither works nor goes away.
    pub fn freeze(&self) {
        self.signal("-STOP");
    }

    /// Lets a frozen server go on.
    pub fn thaw(&self) {
        self.signal("-CONT");
    }

    fn signal(&self, signal: &str) {
        let id = self.server.as_ref().expect("the server runs").id().to_string();
        let status = Command::new("kill").args([signal, &id]).status().expect("kill is installed");
        assert!(status.success());
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn alsa_configuration(&self) -> String {
        let socket = self.path("native");
        let output = |pcm: &str, device: &str, description: &str| {
            let device = if device.is_empty() { String::new() } else { format!("device \"{device}\"") };
            format!(
                "pcm.{pcm} {{ type pulse server \"unix:{}\" {device} hint {{ show on description \"{description}\" }} }}\n",
                socket.display()
            )
        };
        [
            output("!default", "", "Virtual card"),
            output("front", "front", "Virtual stereo output"),
            output("surround", "surround", "Virtual 5.1 output"),
        ]
        .concat()
    }
}

impl Drop for SoundServer {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A recording under way.
pub struct Recorder {
    child: Child,
    bytes: Arc<Mutex<Vec<u8>>>,
    reader: Option<JoinHandle<()>>,
    channels: usize,
}

impl Recorder {
    fn new(mut child: Child, channels: usize) -> Self {
        let bytes = Arc::new(Mutex::new(Vec::new()));
        let mut pipe = child.stdout.take().expect("the output is piped");
        let collected = bytes.clone();
        let reader = thread::spawn(move || {
            let mut block = [0; 16_384];
            while let Ok(count @ 1..) = pipe.read(&mut block) {
                collected.lock().unwrap().extend_from_slice(&block[..count]);
            }
        });
        let recorder = Self { child, bytes, reader: Some(reader), channels };
        wait_until("the recording has begun", || recorder.frames() > 0);
        recorder
    }

    pub fn channels(&self) -> usize {
        self.channels
    }

    /// Whole frames recorded so far.
    pub fn frames(&self) -> usize {
        self.bytes.lock().unwrap().len() / (4 * self.channels)
    }

    /// The interleaved samples recorded so far.
    pub fn samples(&self) -> Vec<f32> {
        let bytes = self.bytes.lock().unwrap();
        let whole = bytes.len() / (4 * self.channels) * 4 * self.channels;
        bytes[..whole]
            .chunks_exact(4)
            .map(|sample| f32::from_le_bytes([sample[0], sample[1], sample[2], sample[3]]))
            .collect()
    }

    /// Waits until the last `frames` recorded frames are silent.
    pub fn wait_for_silence(&self, frames: usize) {
        wait_until("silence", || {
            let samples = self.samples();
            let tail = samples.len().checked_sub(frames * self.channels);
            tail.is_some_and(|from| samples[from..].iter().all(|sample| *sample == 0.0))
        });
    }

    /// Waits until some sound has been recorded after frame `from`.
    pub fn wait_for_sound(&self, from: usize) {
        wait_until("sound", || self.samples().iter().skip(from * self.channels).any(|sample| *sample != 0.0));
    }

    /// Ends the recording.
    pub fn stop(mut self) -> Vec<f32> {
        self.end();
        self.samples()
    }

    fn end(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.end();
    }
}

/// Polls until something is so; panics when it hangs.
pub fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < HANGS_AFTER, "waited in vain until: {what}");
        thread::sleep(Duration::from_millis(10));
    }
}

/// An ALSA configuration without any output, and the environment that makes a program see it.
pub fn environment_without_outputs(folder: &Path) -> Vec<(&'static str, OsString)> {
    let configuration = folder.join("no-outputs.conf");
    std::fs::write(&configuration, "").expect("the configuration can be written");
    let mut server = OsString::from("unix:");
    server.push(folder.join("nobody"));
    vec![("ALSA_CONFIG_PATH", configuration.into()), ("PULSE_SERVER", server), ("XDG_RUNTIME_DIR", folder.into())]
}
