//! Running the owner's program: a path and its arguments, never a line for a shell.

use std::io::{self, Write};
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process_group};

use super::message::Message;
use crate::pump::elapsed;
use crate::quantity::Millis;

/// How often it is looked whether the program has ended.
const LOOK_EVERY: Duration = Duration::from_millis(50);

#[derive(Debug)]
pub struct Program {
    /// From the root, so that no search path decides what runs.
    pub path: PathBuf,
    pub args: Vec<String>,
    /// After this long it is killed, with all that it started.
    pub patience: Millis,
}

impl Program {
    /// Runs it once and waits for its end.
    ///
    /// # Errors
    /// In words, when it could not be started, failed, or took too long.
    pub fn tell(&self, message: &Message, words: &str) -> Result<(), String> {
        let path = self.path.display();
        let mut child = Command::new(&self.path)
            .args(&self.args)
            .envs(message.facts())
            .stdin(Stdio::piped())
            .process_group(0)
            .spawn()
            .map_err(|error| format!("{path} cannot be started: {error}"))?;
        if let Some(mut stdin) = child.stdin.take() {
            // A program that does not read its input knows the facts from its environment.
            drop(writeln!(stdin, "{words}"));
        }
        match self.wait(&mut child) {
            Ok(Some(status)) if status.success() => Ok(()),
            Ok(Some(status)) => Err(format!("{path} failed: {status}")),
            Ok(None) => {
                kill(&mut child);
                Err(format!(
                    "{path} took more than {} and was killed",
                    self.patience
                ))
            }
            Err(error) => {
                kill(&mut child);
                Err(format!("{path} was lost: {error}"))
            }
        }
    }

    /// `None` when it takes too long.
    fn wait(&self, child: &mut Child) -> io::Result<Option<ExitStatus>> {
        let until = elapsed().plus(self.patience);
        loop {
            if let Some(status) = child.try_wait()? {
                return Ok(Some(status));
            }
            if elapsed() >= until {
                return Ok(None);
            }
            std::thread::park_timeout(LOOK_EVERY);
        }
    }
}

fn kill(child: &mut Child) {
    let group = i32::try_from(child.id()).ok().and_then(Pid::from_raw);
    let killed = group.map(|group| kill_process_group(group, Signal::KILL));
    if !matches!(killed, Some(Ok(()))) {
        drop(child.kill());
    }
    drop(child.wait());
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::fd::AsRawFd;
    use std::os::unix::fs::PermissionsExt;
    use std::path::Path;

    use super::*;
    use crate::tell::message::Happened;

    fn message() -> Message {
        Message {
            happened: Happened::Raised,
            code: "input-unsafe".to_owned(),
            subject: "leak; rm -rf $HOME".to_owned(),
            text: "water where none should be".to_owned(),
            since: "2026-11-30T12:00:00Z".parse().unwrap(),
            times: 1,
            urgent: true,
            left_out: 0,
            place: None,
        }
    }

    fn program(folder: &Path, script: &str, patience: Millis) -> Program {
        let path = folder.join("tell me");
        fs::write(&path, format!("#!/bin/sh\n{script}\n")).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
        Program {
            path,
            args: vec!["$(id)".to_owned(), folder.display().to_string()],
            patience,
        }
    }

    const PATIENT: Millis = Millis::from_mins(2);

    #[test]
    fn the_program_gets_words_facts_and_its_own_arguments_as_they_are() {
        let folder = tempfile::tempdir().unwrap();
        let script = "{ cat; echo \"$DOSEWRIGHT_SUBJECT\"; echo \"$1\"; } > \"$2/told\"";
        let program = program(folder.path(), script, PATIENT);
        program.tell(&message(), "two\nlines").unwrap();
        let told = fs::read_to_string(folder.path().join("told")).unwrap();
        assert_eq!(told, "two\nlines\nleak; rm -rf $HOME\n$(id)\n");
    }

    #[test]
    fn one_that_fails_or_is_not_there_is_an_error_and_one_that_does_not_listen_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let long = "x".repeat(4_000);
        let of = |script: &str| program(folder.path(), script, PATIENT).tell(&message(), &long);
        assert_eq!(of("exec <&-; exit 0"), Ok(()));
        assert!(of("exit 3").unwrap_err().contains("exit status: 3"));
        let gone = Program {
            path: folder.path().join("gone"),
            ..program(folder.path(), "", PATIENT)
        };
        let why = gone.tell(&message(), "").unwrap_err();
        assert!(why.contains("cannot be started"), "{why}");
    }

    #[test]
    fn one_that_takes_too_long_is_killed_with_all_that_it_started() {
        let folder = tempfile::tempdir().unwrap();
        // The pipe's other end is held by what the program started: it closes without a word when that is dead.
        let (mut reader, writer) = io::pipe().unwrap();
        let held = format!("/proc/{}/fd/{}", std::process::id(), writer.as_raw_fd());
        std::os::unix::fs::symlink(held, folder.path().join("held")).unwrap();
        let script = "exec 3> \"$2/held\"; (sleep 60; echo alive >&3) & sleep 60";
        let program = program(folder.path(), script, Millis::from_secs(2));
        let why = program.tell(&message(), "").unwrap_err();
        assert!(why.contains("was killed"), "{why}");
        drop(writer);
        let mut left = Vec::new();
        io::Read::read_to_end(&mut reader, &mut left).unwrap();
        assert!(left.is_empty());
    }
}
