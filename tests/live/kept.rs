//! A program that never outlives this test, however the test ends.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// How long a program may take to answer or to end, s. No measurement depends on it.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);
/// How often something is looked at again while waiting.
pub(crate) const GLANCE: Duration = Duration::from_millis(25);

/// Becomes the program itself, and leaves beside it a watcher who holds the other end of a pipe from this test: when the
/// test lets go of it, or is no more, the watcher ends the program.
const WATCHED: &str = r#"
exec 3<&0
(
    cat >/dev/null <&3
    kill -TERM $$ && for wait in 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20; do
        sleep 0.1
        kill -0 $$ || exit 0
    done
    kill -KILL $$
) >/dev/null 2>&1 &
exec "$@" 3<&- </dev/null
"#;

/// A running program. It is ended when this is dropped, or when the test dies.
#[derive(Debug)]
pub(crate) struct Kept {
    what: String,
    child: Child,
    leash: Option<ChildStdin>,
    said: PathBuf,
}

impl Kept {
    /// Starts `command`, which must have its environment set; what it says goes to a file in `folder`.
    pub(crate) fn start(command: &Command, folder: &Path, what: &str) -> Self {
        let said = folder.join(format!("{what}.said"));
        let out = File::options().create(true).append(true).open(&said).unwrap();
        let mut shell = Command::new("sh");
        shell.args(["-c", WATCHED, "sh"]).arg(command.get_program());
        shell.args(command.get_args());
        for (key, value) in command.get_envs() {
            match value {
                Some(value) => shell.env(key, value),
                None => shell.env_remove(key),
            };
        }
        shell
            .stdin(Stdio::piped())
            .stdout(out.try_clone().unwrap())
            .stderr(out);
        let mut child = shell
            .spawn()
            .unwrap_or_else(|e| panic!("{what} does not start: {e}"));
        let leash = child.stdin.take();
        Self {
            what: what.to_owned(),
            child,
            leash,
            said,
        }
    }

    /// How it ended, if it has.
    pub(crate) fn ended(&mut self) -> Option<ExitStatus> {
        let status = self.child.try_wait().unwrap();
        if status.is_some() {
            // Its number may soon be another program's: the watcher must not wait any longer.
            self.leash = None;
        }
        status
    }

    /// What it said.
    pub(crate) fn said(&self) -> String {
        String::from_utf8_lossy(&std::fs::read(&self.said).unwrap_or_default()).into_owned()
    }

    /// Waits until `ready`, which looks again and again; stops the test where the program ends before, or never gets there.
    pub(crate) fn until(&mut self, ready: impl Fn() -> bool) {
        let since = Instant::now();
        while !ready() {
            if let Some(status) = self.ended() {
                panic!("{} ended with {status}:\n{}", self.what, self.said());
            }
            if since.elapsed() > PATIENCE {
                panic!("{} does not answer:\n{}", self.what, self.said());
            }
            std::thread::sleep(GLANCE);
        }
    }

    /// Waits until it has ended by itself.
    pub(crate) fn wait(&mut self, patience: Duration) -> ExitStatus {
        let since = Instant::now();
        loop {
            if let Some(status) = self.ended() {
                return status;
            }
            if since.elapsed() > patience {
                panic!("{} does not end:\n{}", self.what, self.said());
            }
            std::thread::sleep(GLANCE);
        }
    }

    /// Lets it stand still for as long: what a machine does that has no time for it.
    pub(crate) fn pause(&self, time: Duration) {
        self.signal("STOP");
        std::thread::sleep(time);
        self.signal("CONT");
    }

    fn signal(&self, name: &str) {
        let line = format!("kill -{name} {}", self.child.id());
        let sent = Command::new("sh").args(["-c", &line]).status().unwrap();
        assert!(sent.success(), "{}: {line}", self.what);
    }

    /// Ends it at once, without letting it put anything in order.
    pub(crate) fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.leash = None;
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        self.leash = None;
        let since = Instant::now();
        while !matches!(self.child.try_wait(), Ok(Some(_)) | Err(_)) {
            if since.elapsed() > PATIENCE {
                let _ = self.child.kill();
                let _ = self.child.wait();
                return;
            }
            std::thread::sleep(GLANCE);
        }
    }
}
