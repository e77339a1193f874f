//! The service manager's part on the emulated board, where there is none: `supervisor SECONDS HOOK PROGRAM ARGS`.
//!
//! It gives the program a socket for its signs of life, kills it as systemd does (abort, then continue) when none has come for so many
//! seconds, waits for its end, whatever that is, and runs the hook, a shell command, at once. A file `/tmp/clog` makes it stop reading
//! the program's log and fill the pipe, so that whoever logs next hangs: a real hang of an event loop, by nothing but a slow reader.
#![expect(clippy::print_stdout, reason = "a report for the test suite")]
#![expect(
    clippy::disallowed_methods,
    reason = "a program for tests: it reads a clock and sleeps"
)]

use std::error::Error;
use std::fs::OpenOptions;
use std::io::{Read, Write};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

const SOCKET: &str = "/run/supervisor";
const CLOG: &str = "/tmp/clog";
const LOG: &str = "/tmp/log";

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let patience = Duration::from_secs(args.next().ok_or("no seconds")?.parse()?);
    let hook = args.next().ok_or("no hook")?;
    let program = args.next().ok_or("no program")?;
    // Absent at the first start.
    drop(std::fs::remove_file(SOCKET));
    let socket = UnixDatagram::bind(SOCKET)?;
    socket.set_read_timeout(Some(Duration::from_millis(20)))?;
    let (reader, writer) = std::io::pipe()?;
    let clogger = writer.try_clone()?;
    let mut child = Command::new(program)
        .args(args)
        .env("NOTIFY_SOCKET", SOCKET)
        .stdin(Stdio::null())
        .stderr(writer)
        .spawn()?;
    std::thread::spawn(move || copy_log(reader, clogger));
    let pid = Pid::from_raw(i32::try_from(child.id())?).ok_or("no process id")?;
    let (mut alive, mut killed) = (Instant::now(), false);
    loop {
        let mut message = [0_u8; 1024];
        if let Ok(length) = socket.recv(&mut message)
            && String::from_utf8_lossy(message.get(..length).unwrap_or_default())
                .contains("WATCHDOG=1")
        {
            alive = Instant::now();
        }
        if !killed && alive.elapsed() > patience {
            killed = true;
            println!("@@WATCHDOG");
            kill_process(pid, Signal::ABORT)?;
            kill_process(pid, Signal::CONT)?;
        }
        if child.try_wait()?.is_some() {
            break;
        }
    }
    let done = Command::new("/bin/sh").args(["-c", &hook]).status()?;
    println!("@@HOOK {done}");
    Ok(())
}

/// Reads the log as a service manager does, until told to clog it.
fn copy_log(mut reader: impl Read, mut clogger: impl Write + Send + 'static) {
    let Ok(mut log) = OpenOptions::new().create(true).append(true).open(LOG) else {
        return;
    };
    let mut buffer = [0_u8; 4096];
    loop {
        if Path::new(CLOG).exists() {
            // Full, and kept open: the writer hangs for as long as the program lives.
            drop(clogger.write_all(&vec![b'.'; 1 << 20]));
            return;
        }
        match reader.read(&mut buffer) {
            Ok(length) if length > 0 => {
                drop(log.write_all(buffer.get(..length).unwrap_or_default()));
            }
            Ok(_) | Err(_) => return,
        }
    }
}
