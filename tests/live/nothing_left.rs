//! What this test starts, it ends: however it ends itself.

use super::kept::{GLANCE, PATIENCE};
use super::server::{Server, forget, has_place, processes_of, shared_memory_of};
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Word by which this program starts a server, tells its name, and waits to be killed.
pub(crate) const DIE: &str = "--start-a-server-and-wait";

pub(crate) fn ended() {
    for killed in [false, true] {
        let mut server = Server::with_amplifier(48_000, &[]);
        let name = server.name().to_owned();
        assert!(has_place(&name), "the check for it finds nothing");
        // The server, the amplifier, and their watchers.
        assert!(processes_of(&name).len() >= 2, "{:?}", processes_of(&name));
        if killed {
            server.kill();
        }
        drop(server);
        none_of(&name);
        assert_eq!(shared_memory_of(&name), Vec::<PathBuf>::new());
        assert!(!has_place(&name), "the machine takes {name} for a running server");
    }
}

pub(crate) fn orphaned() {
    let mut dying = Command::new(std::env::current_exe().unwrap());
    let mut dying = dying.arg(DIE).stdout(Stdio::piped()).spawn().unwrap();
    let mut name = String::new();
    let mut told = BufReader::new(dying.stdout.take().unwrap());
    told.read_line(&mut name).unwrap();
    let name = name.trim();
    assert!(processes_of(name).len() >= 2, "{name}: {:?}", processes_of(name));
    // No destructor runs.
    dying.kill().unwrap();
    dying.wait().unwrap();
    none_of(name);
    forget(name);
}

pub(crate) fn die() -> ! {
    let server = Server::with_amplifier(48_000, &[]);
    println!("{}", server.name());
    loop {
        std::thread::park();
    }
}

/// The watchers may need a moment.
fn none_of(name: &str) {
    let since = Instant::now();
    while !processes_of(name).is_empty() {
        assert!(
            since.elapsed() < PATIENCE,
            "still running: {:?}",
            processes_of(name)
        );
        std::thread::sleep(GLANCE);
    }
}
