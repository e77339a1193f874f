//! The commissioning list of hw-notes, followed command by command in a dry run of the sample.

use std::process::{Output, Stdio};

use super::accept::Reef;
use super::bench::Terminal;

/// What is put in for HEAD, RESERVOIR and DOSE: each line of the sample, whose heads and bottles are called as it is, with its planned dose.
const HEADS: [(&str, &str); 5] = [
    ("alkalinity", "3.15 mL"),
    ("calcium", "3.15 mL"),
    ("magnesium", "2 mL"),
    ("trace", "1.5 mL"),
    ("iodine", "1 mL"),
];

/// The blocks of commands, in order.
fn blocks() -> Vec<Vec<String>> {
    let list = include_str!("../../hw-notes/commissioning.md");
    let mut blocks: Vec<Vec<String>> = Vec::new();
    let mut inside = false;
    for line in list.lines() {
        match (inside, line) {
            (false, "```sh") => {
                inside = true;
                blocks.push(Vec::new());
            }
            (true, "```") => inside = false,
            (true, command) => blocks.last_mut().unwrap().push(command.to_owned()),
            (false, _) => {}
        }
    }
    blocks
}

/// A command as a shell takes it, with this build and these folders.
fn shell(reef: &Reef, command: &str) -> Output {
    let config = reef.config();
    let command = command.replace("/etc/dosewright", config.to_str().unwrap());
    let script = format!(
        "dosewright() {{ \"$BINARY\" --config \"$CONFIG\" --state \"$STATE\" \"$@\"; }}\n{command}\n"
    );
    std::process::Command::new("sh")
        .args(["-e", "-c", &script])
        .current_dir(&config)
        .env("BINARY", env!("CARGO_BIN_EXE_dosewright"))
        .env("CONFIG", &config)
        .env("STATE", reef.state())
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    let both = [&output.stdout[..], &output.stderr[..]].concat();
    String::from_utf8_lossy(&both).into_owned()
}

/// Answers the guided way as somebody would who reads exactly what the simulated head gives.
fn guided(reef: &Reef, head: &str, dose: &str) {
    let controller = std::fs::read_to_string(reef.config().join("controller.toml")).unwrap();
    let table = format!("[head.{head}.simulated]");
    let simulated = controller.split(&table).nth(1).unwrap();
    let value = |key: &str| -> f64 {
        let after = simulated.split(&format!("{key} = ")).nth(1).unwrap();
        after.lines().next().unwrap().parse().unwrap()
    };
    let (rate, offset) = (value("rate-ml-per-min"), value("offset-ml"));
    let mut terminal = Terminal::open(reef, &["bench", head]);
    let questions = [
        "Step of the cylinder or scale?",
        "Type out when it is, q ends:",
        "q ends: ",
        "What came out in ",
        "What came out?",
        "Type yes to go on",
        "s leaves it out:",
        "Is the outlet back in the tank?",
        "s goes on (",
        "",
    ];
    let mut asked = Vec::new();
    while let Some((question, _)) = terminal.wait_for_any(&questions) {
        asked.push(question);
        assert!(asked.len() < 60, "{head}: {asked:?}");
        match question {
            "Step of the cylinder or scale?" => terminal.type_in("0.01 mL\n"),
            "Type out when it is, q ends:" => terminal.type_in("out\n"),
            "What came out in " => {
                let time = terminal.wait_for("? (for");
                let ml = rate * time.trim_end_matches(" s").parse::<f64>().unwrap() / 60.0 + offset;
                terminal.type_in(&format!("{ml:.2} mL\n"));
            }
            "What came out?" => terminal.type_in(&format!("{dose}\n")),
            "Type yes to go on" => terminal.type_in("yes\n"),
            "Is the outlet back in the tank?" => terminal.type_in("back\n"),
            "s goes on (" => {
                terminal.wait_for("q ends:");
                terminal.type_in("s\n");
            }
            _ => terminal.type_in("\n"),
        }
    }
    let seen = terminal.seen.clone();
    assert!(terminal.end().success(), "{head}: {asked:?} {seen}");
    assert!(asked.contains(&"What came out?"), "{head}: {asked:?}");
    let shown = reef.json(&["calibration", "show", head, "--json"]);
    assert_eq!(shown["measured"], true, "{shown}");
}

fn follow(reef: &mut Reef, line: &str, dose: &str) {
    let (command, comment) = line.split_once('#').unwrap_or((line, ""));
    let (command, comment) = (command.trim(), comment.trim());
    if let Some(head) = command.strip_prefix("dosewright bench ")
        && !head.contains(' ')
    {
        return guided(reef, head, dose);
    }
    if command == "sudo systemctl restart dosewright" {
        reef.kill();
        return reef.start(WARP);
    }
    if let Some(why) = comment.strip_prefix("refused: ") {
        // A contact takes its time until it counts.
        let mut last = None;
        let refused = (0..500).any(|_| {
            let output = shell(reef, command);
            let is_refused = output.status.code() == Some(1) && said(&output).contains(why);
            last = Some(output);
            is_refused
        });
        assert!(refused, "{line}: {last:?}");
        return;
    }
    for _ in 0..if comment == "ten times" { 10 } else { 1 } {
        // A contact takes its time until it is safe again, and water is given its own after the return pump is back.
        let output = (0..2_000).find_map(|_| {
            let output = shell(reef, command);
            let waits = said(&output).contains("refused: input ");
            (!waits).then_some(output)
        });
        let output = output.expect("the wait is over at last");
        let text = said(&output);
        assert!(output.status.success(), "{line}: {text}");
        assert!(!text.contains("planned with doses"), "{line}: {text}");
    }
}

const WARP: &str = "60";

#[test]
fn the_commissioning_list_can_be_followed_on_the_sample_in_a_dry_run() {
    let mut reef = Reef::new();
    reef.start(WARP);
    let blocks = blocks();
    assert!(blocks.len() > 8, "{blocks:?}");
    let last = blocks.len() - 1;
    for (number, block) in blocks.iter().enumerate() {
        if !block.iter().any(|line| line.contains("HEAD")) {
            for line in block {
                follow(&mut reef, line, "");
            }
            continue;
        }
        // The new tube at the end is the same for all; the smallest doses are the hardest.
        let heads = &HEADS[if number == last { 4 } else { 0 }..];
        for (head, dose) in heads {
            for line in block {
                let line = line.replace("HEAD", head).replace("RESERVOIR", head);
                follow(&mut reef, &line.replace("DOSE", dose), dose);
            }
        }
    }
}
