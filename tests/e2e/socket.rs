//! The control socket: what strangers, fools and slow peers can do to a dosing daemon, which is nothing.

use std::io::{Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::Command as Process;
use std::time::Duration;

use dosewright::engine::Command;
use dosewright::pump::elapsed;
use dosewright::quantity::Millis;
use dosewright::record::HoldScope;

use crate::rig::{Rig, binary, pause, skipped, text, ul, wait_for};

fn long_dose(rig: &Rig) {
    rig.ok(&["dose", "fast", "300 mL", "--yes", "--repeat", "300 mL"]);
    wait_for("flow", || {
        ul(&rig.line("fast")["running"]["so_far_ml"]).filter(|ul| *ul > 0)
    });
}

fn connect(rig: &Rig) -> UnixStream {
    let stream = UnixStream::connect(rig.socket()).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_mins(1)))
        .unwrap();
    stream
        .set_write_timeout(Some(Duration::from_mins(1)))
        .unwrap();
    stream
}

/// Everything a peer gets until the daemon hangs up.
fn until_hung_up(mut stream: &UnixStream) -> String {
    let mut answer = Vec::new();
    // A reset is a way of hanging up too.
    drop(stream.read_to_end(&mut answer));
    text(&answer)
}

/// Resident memory of a process in KiB.
fn resident_kib(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[test]
fn garbage_is_answered_with_a_refusal_and_the_dose_goes_on() {
    let rig = Rig::new();
    let mut daemon = rig.start_real();
    long_dose(&rig);
    let garbage: [&[u8]; 11] = [
        b"\n",
        b"not json\n",
        b"{}\n",
        b"{\"request\":\"open-the-tap\"}\n",
        b"{\"request\":\"command\",\"command\":\"hold\",\"reason\":\"x\",\"line\":null,\"more\":1}\n",
        b"{\"request\":\"status\",\"x\":1}\n",
        b"{\"request\":\"reload\",\"x\":1}\n",
        b"{\"request\":\"disarm\",\"x\":1}\n",
        b"{\"request\":\"command\",\"command\":\"trust-clock\",\"x\":1}\n",
        b"\xff\xfe\x00\x01\n",
        b"[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[\n",
    ];
    for bytes in garbage {
        let mut stream = connect(&rig);
        stream.write_all(bytes).unwrap();
        stream.shutdown(std::net::Shutdown::Write).unwrap();
        let answer = until_hung_up(&stream);
        assert!(
            answer.contains("\"ok\":false") && answer.contains("not-understood"),
            "{bytes:?}: {answer}"
        );
    }
    // Out of range, wrong type, not finite, unknown name: each a no in words.
    for request in [
        r#""command":"prepare","wish":"dose","line":"fast","volume_ul":-5,"kind":"hand""#,
        r#""command":"prepare","wish":"dose","line":"fast","volume_ul":9223372036854775807,"kind":"hand""#,
        r#""command":"prepare","wish":"dose","line":"fast","volume_ul":1.5,"kind":"hand""#,
        r#""command":"prepare","wish":"dose","line":"../etc","volume_ul":1000,"kind":"hand""#,
        r#""command":"prepare","wish":"dose","line":"fast","volume_ul":1000,"kind":"plan""#,
        r#""command":"tell","items":[{"what":"reading","of":"Ca","value":1e999,"uncertainty":1}],"sure":true"#,
        r#""command":"tell","items":[{"what":"reading","of":"Ca","value":8,"uncertainty":1,"unit":"dKH"}],"sure":true"#,
        r#""command":"confirm","token":"ffffffffffffffffffffffffffffffff","shown":null,"repeated_volume_ul":null"#,
        r#""command":"confirm","token":1,"shown":null,"repeated_volume_ul":1000"#,
    ] {
        let mut stream = connect(&rig);
        let request = format!("{{\"request\":\"command\",{request}}}\n");
        stream.write_all(request.as_bytes()).unwrap();
        stream.shutdown(std::net::Shutdown::Write).unwrap();
        let answer = until_hung_up(&stream);
        assert!(answer.contains("\"ok\":false"), "{request}: {answer}");
    }
    assert!(daemon.is_running());
    assert_eq!(rig.line("fast")["state"], "dosing");
    assert_eq!(rig.status()["held"], false);
    assert_eq!(rig.doses().iter().filter(|d| d.line == "fast").count(), 1);
    rig.ok(&["hold"]);
    assert_eq!(rig.ended(1).outcome, "interrupted");
    daemon.stop();
}

#[test]
fn an_endless_line_is_cut_off_and_takes_no_memory() {
    let rig = Rig::new();
    let mut daemon = rig.start_real();
    long_dose(&rig);
    let before = resident_kib(daemon.pid());
    let block = vec![b'a'; 65_536];
    for _ in 0..8 {
        let mut stream = connect(&rig);
        // The daemon hangs up on the way; that is the point.
        for _ in 0..64 {
            if stream.write_all(&block).is_err() {
                break;
            }
        }
        let answer = until_hung_up(&stream);
        assert!(answer.is_empty() || answer.contains("too-long"), "{answer}");
    }
    let grown = resident_kib(daemon.pid()).saturating_sub(before);
    assert!(grown < 2048, "32 MiB of nonsense cost {grown} KiB");
    assert!(daemon.is_running());
    assert_eq!(rig.line("fast")["state"], "dosing");
    daemon.stop();
}

#[test]
fn three_hundred_idle_and_dripping_connections_do_not_keep_a_hold_waiting() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    // None says a whole word; a third says half a word, a third goes on saying more of it.
    let mut crowd = Vec::new();
    for i in 0..300 {
        let stream = UnixStream::connect(rig.socket()).unwrap();
        stream.set_nonblocking(true).unwrap();
        if i % 3 > 0 {
            drop((&stream).write_all(b"{\"request\":"));
        }
        crowd.push(stream);
    }
    let descriptors = std::fs::read_dir(format!("/proc/{}/fd", daemon.pid()))
        .unwrap()
        .count();
    assert!(descriptors < 60, "{descriptors} open files");
    let ended = std::sync::atomic::AtomicBool::new(false);
    let took = std::thread::scope(|scope| {
        scope.spawn(|| {
            while !ended.load(std::sync::atomic::Ordering::Relaxed) {
                for stream in crowd.iter().step_by(3) {
                    drop((&*stream).write_all(b" "));
                }
                pause(Duration::from_millis(20));
            }
        });
        let began = elapsed();
        let response = rig.ask(
            &Command::Hold {
                scope: HoldScope::All,
                reason: "crowd".into(),
                length: None,
            }
            .into(),
        );
        ended.store(true, std::sync::atomic::Ordering::Relaxed);
        assert!(response.is_some_and(|r| r.ok), "the hold got no answer");
        elapsed().minus(began)
    });
    println!("hold through a crowd of 300: {took}");
    // Meant are 100 ms; a crowd that is waited for costs 5 s and more.
    assert!(took < Millis::from_secs(2), "{took}");
    assert_eq!(rig.ended(1).outcome, "interrupted");
    daemon.stop();
}

#[test]
fn with_no_descriptor_left_a_hold_gets_through_and_the_log_is_not_filled() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    let open = std::fs::read_dir(format!("/proc/{}/fd", daemon.pid()))
        .unwrap()
        .count();
    let limited = Process::new("prlimit")
        .arg(format!("--pid={}", daemon.pid()))
        .arg(format!("--nofile={}", open + 3))
        .status()
        .is_ok_and(|s| s.success());
    if !limited {
        return skipped("limits of another process cannot be set here");
    }
    let crowd: Vec<UnixStream> = (0..40)
        .map(|_| UnixStream::connect(rig.socket()).unwrap())
        .collect();
    wait_for("a warning", || {
        rig.log().contains("could not be accepted").then_some(())
    });
    rig.ok(&["hold"]);
    drop(crowd);
    let warnings = rig.log().matches("could not be accepted").count();
    assert_eq!(warnings, 1);
    daemon.stop();
}

#[test]
fn folder_and_socket_have_their_modes_whatever_the_umask() {
    for umask in ["000", "022", "077"] {
        let rig = Rig::new();
        let mut command = Process::new("sh");
        command.args([
            "-c",
            &format!("umask {umask}; exec \"$@\""),
            "sh",
            binary(),
            "run",
        ]);
        rig.place(&mut command);
        let mut daemon = rig.launch_command(command);
        rig.answers(&mut daemon);
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(rig.socket().parent().unwrap()), 0o750, "umask {umask}");
        assert_eq!(mode(&rig.socket()), 0o660, "umask {umask}");
        assert_eq!(
            mode(rig.state()) & 0o007,
            0,
            "umask {umask}: others may look into the state folder"
        );
        for entry in std::fs::read_dir(rig.state()).unwrap() {
            let path = entry.unwrap().path();
            assert_eq!(
                mode(&path) & 0o022,
                0,
                "umask {umask}: {} may be written by others",
                path.display()
            );
        }
        daemon.stop();
    }
}

#[test]
fn another_user_of_the_machine_cannot_command() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    // The way to the folder is open to all, so that it is the daemon's own modes that keep the stranger out.
    for open in [rig.folder(), rig.state()] {
        std::fs::set_permissions(open, std::fs::Permissions::from_mode(0o755)).unwrap();
    }
    // A copy where everybody may run it.
    let program = rig.folder().join("dosewright");
    std::fs::copy(binary(), &program).unwrap();
    let as_nobody = |args: &[&str]| {
        let mut command = Process::new("setpriv");
        command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]);
        command.args(args).output()
    };
    if !as_nobody(&["true"]).is_ok_and(|o| o.status.success()) {
        return skipped("privileges cannot be dropped here");
    }
    let state = rig.state().to_str().unwrap();
    for command in [
        &["hold"][..],
        &["status"],
        &["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"],
    ] {
        let mut args = vec![program.to_str().unwrap()];
        args.extend(command);
        args.extend(["--state", state]);
        let output = as_nobody(&args).unwrap();
        assert_eq!(
            output.status.code(),
            Some(69),
            "{command:?}: {}",
            text(&output.stdout)
        );
        assert!(
            text(&output.stderr).contains("no permission"),
            "{}",
            text(&output.stderr)
        );
    }
    assert_eq!(rig.status()["held"], false);
    assert_eq!(rig.doses().iter().filter(|d| d.line == "fast").count(), 0);
    daemon.stop();
}

#[test]
fn who_asked_is_recorded_from_the_kernel_and_not_from_the_request() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    rig.ok(&["hold", "--reason", "who am I"]);
    let uid = rustix::process::getuid().as_raw();
    // The answer waits for the hold file; the ledger may be a moment behind it.
    let row = wait_for("the row of the hold", || {
        rig.rows("hold").into_iter().next()
    });
    let who = row["who"].as_str().unwrap();
    assert!(who.contains(&uid.to_string()), "{row:?}");
    daemon.stop();
}

#[test]
fn a_state_folder_whose_path_is_too_long_for_a_socket_is_refused_in_words() {
    let rig = Rig::new();
    let deep = rig.folder().join("d".repeat(120));
    let rig = Rig::with_state(&deep);
    let output = rig.tell(&["run"]);
    assert_eq!(output.status.code(), Some(74));
    let said = text(&output.stderr);
    assert!(
        said.contains("too long for a socket") && said.contains("shorter --state"),
        "{said}"
    );
    assert!(
        !rig.ledger().exists(),
        "nothing was begun in a folder that cannot be used"
    );
}
