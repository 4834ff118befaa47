//! A real-time audio server without a sound card, and the program that stands where the amplifier stands.
//!
//! `jackd` with its dummy driver keeps time by the machine's clock and loses frames as a card does when the machine is
//! too slow. ALSA's `jack` plugin offers it as an ordinary device, so that asleft runs unchanged; `ecasound`, which
//! nobody here wrote, is the amplifier.

use super::kept::{GLANCE, Kept, PATIENCE};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// Frames that the server exchanges at once.
pub(crate) const PERIOD: u32 = 1024;
/// The device, as `asleft interfaces` names it.
pub(crate) const DEVICE: &str = "alsa:virtual_interface";
/// A device of the same configuration that no card stands behind any more.
pub(crate) const UNPLUGGED: &str = "alsa:unplugged_interface";

/// Two channels out to the amplifier and two back; a second one behind which nothing is.
const DEVICES: &str = r#"
</usr/share/alsa/alsa.conf>
pcm.virtual_interface {
    type jack
    playback_ports { 0 amplifier:in_1 1 amplifier:in_2 }
    capture_ports { 0 amplifier:out_1 1 amplifier:out_2 }
    hint { show on description "Virtual audio interface" }
}
pcm.unplugged_interface {
    type hw
    card 31
    hint { show on description "Interface that was unplugged" }
}
"#;

/// Programs and plugins without which there is no server, and the packages they are in; the names are Debian's.
const NEEDED: [(&str, &str); 5] = [
    ("jackd", "jackd2"),
    ("jack_lsp", "jackd2"),
    ("ecasound", "ecasound"),
    ("alsa-lib/libasound_module_pcm_jack.so", "libasound2-plugins"),
    ("ladspa/harmonic_gen_1220.so", "swh-plugins"),
];

/// How to get them all.
pub(crate) const INSTALL: &str = "apt-get install jackd2 libasound2-plugins ecasound swh-plugins";

const SHARED_MEMORY: &str = "/dev/shm";

static STARTED: AtomicU32 = AtomicU32::new(0);

/// The first package that is not installed.
pub(crate) fn missing_package() -> Option<&'static str> {
    let programs = std::env::var_os("PATH").unwrap_or_default();
    let programs: Vec<PathBuf> = std::env::split_paths(&programs).collect();
    let libraries: Vec<PathBuf> = ["/usr/lib", "/usr/local/lib", "/usr/lib64"]
        .iter()
        .map(PathBuf::from)
        .flat_map(|l| {
            let machine = format!("{}-linux-gnu", std::env::consts::ARCH);
            [l.join(machine), l]
        })
        .collect();
    NEEDED.iter().find_map(|(file, package)| {
        let folders = if file.contains('/') { &libraries } else { &programs };
        let there = folders.iter().any(|f| f.join(file).exists());
        (!there).then_some(*package)
    })
}

/// A running server of one rate. Everything that was started on it ends with it.
pub(crate) struct Server {
    /// Frames per second.
    pub(crate) rate: u32,
    name: String,
    folder: tempfile::TempDir,
    amplifier: Option<Kept>,
    jackd: Option<Kept>,
    killed: bool,
}

impl Server {
    /// Starts it and waits until it answers; no amplifier is there yet.
    pub(crate) fn start(rate: u32) -> Self {
        Self::start_as(rate, &["-S"])
    }

    /// The same, but it never waits for a program that is late: what the program had to give is lost, as with a card.
    pub(crate) fn impatient(rate: u32) -> Self {
        Self::start_as(rate, &[])
    }

    fn start_as(rate: u32, options: &[&str]) -> Self {
        let number = STARTED.fetch_add(1, Ordering::Relaxed);
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("asound.conf"), DEVICES).unwrap();
        let mut server = Self {
            rate,
            name: format!("asleft-{}-{number}", std::process::id()),
            folder,
            amplifier: None,
            jackd: None,
            killed: false,
        };
        server.run(options);
        server
    }

    fn run(&mut self, options: &[&str]) {
        let mut jackd = self.command("jackd");
        jackd.args(["-n", &self.name, "-R", "-P", "70"]).args(options);
        jackd.args(["-d", "dummy", "-r", &self.rate.to_string()]);
        jackd.args(["-p", &PERIOD.to_string(), "-C", "2", "-P", "2"]);
        let mut jackd = Kept::start(&jackd, self.folder.path(), "jackd");
        jackd.until(|| self.ports().is_some());
        self.jackd = Some(jackd);
    }

    /// The same with an amplifier.
    pub(crate) fn with_amplifier(rate: u32, plugin: &[&str]) -> Self {
        let mut server = Self::start(rate);
        server.connect_amplifier(plugin);
        server
    }

    /// Its name, which is in the environment of everything that was started on it and in no other.
    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// Where recordings may lie. It ends with the server.
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// A command that sees this server's devices and no others.
    pub(crate) fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command
            .env("JACK_DEFAULT_SERVER", &self.name)
            .env("JACK_NO_AUDIO_RESERVATION", "1")
            .env("JACK_NO_START_SERVER", "1")
            .env("ALSA_CONFIG_PATH", self.folder.path().join("asound.conf"));
        command
    }

    /// Starts `command` so that it ends with this test at the latest.
    pub(crate) fn keep(&self, command: &Command, what: &str) -> Kept {
        Kept::start(command, self.folder.path(), what)
    }

    /// Puts an amplifier into the path instead of the one that is there: `plugin` as `ecasound` takes it (`-el:…`),
    /// nothing for one that passes every sample on as it is.
    pub(crate) fn connect_amplifier(&mut self, plugin: &[&str]) {
        self.disconnect_amplifier();
        let mut command = self.command("ecasound");
        command.args([
            "-q",
            "-B:rt",
            &format!("-b:{PERIOD}"),
            "-G:jack,amplifier,notransport",
        ]);
        command.args([
            &format!("-f:f32_le,2,{}", self.rate),
            "-a:1",
            "-i:jack",
            "-o:jack",
        ]);
        command.args(plugin);
        let mut amplifier = self.keep(&command, "ecasound");
        amplifier.until(|| self.has_port("amplifier:out_2"));
        self.amplifier = Some(amplifier);
    }

    /// Takes the amplifier out of the path and waits until the server knows.
    pub(crate) fn disconnect_amplifier(&mut self) {
        if self.amplifier.take().is_some() {
            let since = Instant::now();
            while self.has_port("amplifier:out_2") && since.elapsed() < PATIENCE {
                std::thread::sleep(GLANCE);
            }
        }
    }

    /// Lets the amplifier stand still for as long.
    pub(crate) fn pause_amplifier(&self, time: Duration) {
        self.amplifier.as_ref().expect("an amplifier").pause(time);
    }

    /// Ends the amplifier at once, in the middle of whatever it does.
    pub(crate) fn kill_amplifier(&mut self) {
        self.amplifier.as_mut().expect("an amplifier").kill();
    }

    /// Ends the server at once.
    pub(crate) fn kill(&mut self) {
        self.jackd.as_mut().expect("a server").kill();
        self.killed = true;
    }

    fn has_port(&self, port: &str) -> bool {
        self.ports().is_some_and(|p| p.lines().any(|line| line == port))
    }

    /// The names of all ports; `None` while the server does not answer.
    fn ports(&self) -> Option<String> {
        let list = self.command("jack_lsp").stderr(Stdio::null()).output().unwrap();
        list.status
            .success()
            .then(|| String::from_utf8_lossy(&list.stdout).into_owned())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.amplifier = None;
        self.jackd = None;
        if self.killed {
            // A server that was killed keeps one of the machine's few places until its namesake ends in good order.
            let _ = catch_unwind(AssertUnwindSafe(|| self.run(&[])));
            self.jackd = None;
        }
        forget(&self.name);
    }
}

/// Removes what a server that was killed has left in shared memory; its name is in the names of the files.
pub(crate) fn forget(name: &str) {
    for file in shared_memory_of(name) {
        let _ = std::fs::remove_file(file);
    }
}

/// Files in shared memory with `name` in their names.
pub(crate) fn shared_memory_of(name: &str) -> Vec<PathBuf> {
    let files = std::fs::read_dir(SHARED_MEMORY).into_iter().flatten().flatten();
    files
        .map(|e| e.path())
        .filter(|p| p.to_string_lossy().contains(name))
        .collect()
}

/// Whether `name` has a place among the machine's servers.
pub(crate) fn has_place(name: &str) -> bool {
    let places = std::fs::read(Path::new(SHARED_MEMORY).join("jack-shm-registry")).unwrap_or_default();
    places.windows(name.len()).any(|w| w == name.as_bytes())
}

/// The processes that have `name` in their environment.
pub(crate) fn processes_of(name: &str) -> Vec<u32> {
    let of_name = |pid: &u32| {
        let environment = std::fs::read(format!("/proc/{pid}/environ")).unwrap_or_default();
        environment
            .split(|b| *b == 0)
            .any(|entry| entry == format!("JACK_DEFAULT_SERVER={name}").as_bytes())
    };
    std::fs::read_dir("/proc")
        .unwrap()
        .flatten()
        .filter_map(|e| e.file_name().to_str()?.parse().ok())
        .filter(of_name)
        .collect()
}
