//! The JSON of each command and each answer, held against files: what scripts rely on changes on purpose or not at all.
#![cfg(test)]

use std::path::PathBuf;

use serde::Serialize;
use serde::de::DeserializeOwned;

use dosewright::chemistry::{Measurand, PhScale, Quantity};
use dosewright::config::Right;
use dosewright::engine::{
    AddedNow, Advice, AdviceChange, AdviceDay, AdviceOutlook, Answer, BenchAsk, Command, Confirm,
    CourseAction, CourseDay, CourseFigures, CourseWish, DoseFigures, EstimateStatus, Figures, Lab,
    LineChange, NewBench, NewCalibration, NewCourse, NewMeasured, NewRefill, NewUptake,
    NewVerification, NextTestAdvice, Proposal, RefillFigures, RefillLevel, Replaces, Tell,
    TestBecause, Token, UptakeFigures, Verdict, Wish,
};
use dosewright::quantity::{Alkalinity, Millis, Name, Volume, Words};
use dosewright::record::{
    Addition, CalibrationRun, Carried, Columns, CorridorGrant, Departure, Destination, DoseId,
    DoseKind, Ends, Found, HoldScope, NoNumber, Observed, Reading, UptakeHow,
};

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn token() -> Token {
    Token::from_hex("0123456789abcdef0123456789abcdef").unwrap()
}

/// The file says what the value is written as, and reads as the value.
fn golden<T: Serialize + DeserializeOwned + PartialEq + std::fmt::Debug>(
    folder: &str,
    file: &str,
    value: &T,
) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/golden")
        .join(folder)
        .join(format!("{file}.json"));
    let written = serde_json::to_string_pretty(value).unwrap() + "\n";
    if std::env::var_os("GOLDEN").is_some() {
        std::fs::write(&path, &written).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(written, kept, "{} does not say this", path.display());
    assert_eq!(*value, serde_json::from_str::<T>(&kept).unwrap());
}

fn dose_figures() -> Figures {
    Figures::Dose(DoseFigures {
        line: name("calcium"),
        solution: name("calcium-chloride"),
        caustic: false,
        volume: Volume::from_ul(2_500),
        run_time: Millis::new(5_000),
        kind: DoseKind::Hand,
        into: Destination::Tank,
        hourly_cap: Volume::from_ul(6_000),
        usual: Volume::from_ul(800),
    })
}

fn dose() -> Wish {
    Wish::Dose {
        line: name("calcium"),
        volume: Volume::from_ul(2_500),
        kind: DoseKind::Hand,
    }
}

fn stronger(level: RefillLevel) -> NewRefill {
    NewRefill {
        reservoir: name("calcium"),
        level,
        solution: Some(name("calcium-chloride-120")),
        tube: Some(Volume::from_ul(6_000)),
        emptied: true,
        note: Words::default(),
    }
}

fn refill_figures() -> Figures {
    Figures::Refill(RefillFigures {
        reservoir: name("calcium"),
        solution: name("calcium-chloride-120"),
        solution_before: name("calcium-chloride"),
        level: Volume::from_ul(1_200_000),
        before: Some(Volume::from_ul(101_500)),
        tube: Volume::from_ul(6_000),
        lines: vec![LineChange {
            line: name("calcium"),
            before: Volume::from_ul(75_500),
            after: Volume::from_ul(52_250),
            daily_cap: Volume::from_ul(100_000),
            dose_cap: Volume::from_ul(6_000),
        }],
        steps: [(calcium(), 0.25)].into(),
        lasts_days: Some(21.5),
    })
}

fn calcium() -> Quantity {
    Quantity::from_word("Ca").unwrap()
}

fn iodine() -> Quantity {
    Quantity::from_word("I").unwrap()
}

fn wishes() -> Vec<(&'static str, Command, Right)> {
    let of = || Quantity::Alkalinity;
    let granted = Wish::Corridor {
        of: of(),
        share: 0.1,
        days: 60,
    };
    let course = NewCourse {
        what: CourseWish::Change {
            line: name("iodine"),
            of: iodine(),
            by: 0.02,
            at_most_per_day: 0.005,
        },
        note: "after the panel".into(),
    };
    let top_up = NewCourse {
        what: CourseWish::TopUp {
            line: name("iodine"),
            of: iodine(),
            per_day: 0.0001,
            days: 30,
        },
        note: Words::default(),
    };
    let changeover = NewCourse {
        what: CourseWish::Changeover {
            from: name("alkalinity"),
            to: name("bicarbonate"),
            of: Quantity::Alkalinity,
            days: 14,
        },
        note: Words::default(),
    };
    let run = Wish::Run {
        head: name("calcium"),
        run_time: Millis::new(12_000),
        kind: DoseKind::Calibration,
    };
    let uptake = NewUptake {
        of: Quantity::Alkalinity,
        per_day: 0.85,
        how: UptakeHow::Told,
        sure: false,
    };
    [
        ("prepare-dose", dose(), Right::Dose),
        ("prepare-run", run, Right::Dose),
        ("prepare-course", Wish::Course(course), Right::Propose),
        ("prepare-top-up", Wish::Course(top_up), Right::Propose),
        (
            "prepare-changeover",
            Wish::Course(changeover),
            Right::Propose,
        ),
        ("prepare-uptake", Wish::Uptake(uptake), Right::Propose),
        ("prepare-advice", Wish::Advice { of: of() }, Right::Propose),
        ("prepare-corridor", granted, Right::Propose),
        (
            "prepare-corridor-back",
            Wish::CorridorBack { of: of() },
            Right::Propose,
        ),
    ]
    .into_iter()
    .map(|(file, wish, right)| (file, Command::Prepare(wish), right))
    .collect()
}

fn lab() -> Lab {
    Lab {
        name: "north".into(),
        columns: Some(Columns {
            element: "Parameter".to_owned(),
            value: "Result".to_owned(),
            unit: "Unit".to_owned(),
            limit: Some("LOD".to_owned()),
            words: [("n.n.".to_owned(), NoNumber::NotFound)].into(),
        }),
    }
}

fn told_of_water() -> Vec<(&'static str, Command, Right)> {
    let tell = |items| Tell {
        items,
        lab: None,
        method: "titration".into(),
        happened: Some("2026-11-25T10:00:00Z".parse().unwrap()),
        replaces: None,
        sure: false,
    };
    let reading = |of: Measurand, found, as_read: &str| {
        Observed::Reading(Reading {
            of,
            found,
            step: found.value().map(|_| 0.1),
            as_read: as_read.to_owned(),
        })
    };
    let value = |value, uncertainty| Found::Value { value, uncertainty };
    let calcium_read = reading(calcium().into(), value(421.0, 8.0), "");
    let iron = reading(
        Quantity::from_word("Fe").unwrap().into(),
        Found::Below(0.002),
        "",
    );
    let ph = reading(Measurand::Ph(PhScale::Nbs), value(8.2, 0.1), "");
    let salinity = reading(Measurand::Salinity, value(35.0, 0.5), "1.0264 sg 25/25 C");
    let held = Carried::from([(Quantity::Alkalinity, 8.0), (calcium(), 420.0)]);
    let water = Observed::WaterChange { litres: 30.0, held };
    let adds = Carried::from([(Quantity::Alkalinity, 0.5)]);
    let so_much = Observed::Addition(Addition { from: None, adds });
    let limewater = Observed::Addition(Addition {
        from: Some((name("limewater"), Volume::from_ul(2_000_000))),
        adds: Carried::new(),
    });
    let note = Observed::Note {
        text: "new light".to_owned(),
    };
    let job = Observed::Job {
        job: name("lab-panel"),
    };
    let report = Tell {
        lab: Some(Box::new(lab())),
        sure: true,
        ..tell(vec![calcium_read.clone(), iron])
    };
    let corrected = Tell {
        replaces: Some(Replaces {
            number: 12,
            why: "wrong syringe".into(),
        }),
        ..tell(vec![calcium_read])
    };
    let back = Command::TakeBack {
        number: 12,
        why: "wrong bottle".into(),
    };
    let told = [
        ("tell-readings", tell(vec![ph, salinity])),
        ("tell-report", report),
        ("tell-corrected", corrected),
        ("tell-water-change", tell(vec![water])),
        ("tell-addition", tell(vec![limewater, so_much])),
        ("tell-note", tell(vec![note])),
        ("tell-job", tell(vec![job])),
    ];
    let told = told.map(|(file, told)| (file, Command::Tell(told), Right::Observe));
    let mut all = Vec::from(told);
    all.push(("take-back", back, Right::Observe));
    all
}

fn at_the_bench() -> Vec<(&'static str, Command, Right)> {
    let run = CalibrationRun {
        on_time: Millis::new(12_000),
        volume: Volume::from_ul(6_002),
        typed: "6.002 mL".to_owned(),
        dose: Some(DoseId(17)),
        used: true,
    };
    let measured = NewMeasured {
        head: name("calcium"),
        run: run.clone(),
    };
    let calibration = NewCalibration {
        head: name("calcium"),
        runs: vec![run],
        resolution: Volume::from_ul(100),
        weighing: Words::default(),
        method: "new tube".into(),
        sure_of: None,
    };
    let verification = NewVerification {
        head: name("calcium"),
        dose: DoseId(18),
        expected: Volume::from_ul(3_000),
        measured: Volume::from_ul(2_980),
        typed: "2.98 mL".into(),
    };
    let stop = Command::StopRun { dose: DoseId(18) };
    let contact = Command::SimulateInput {
        input: name("leak"),
        safe: false,
    };
    vec![
        ("calibrate", Command::Calibrate(calibration), Right::Dose),
        ("verify", Command::Verify(verification), Right::Dose),
        (
            "bench-open",
            Command::Bench(BenchAsk::Open(NewBench {
                head: name("calcium"),
                cap: Some(Volume::from_ul(250_000)),
                bucket_days: Some(7),
                note: "commissioning".into(),
            })),
            Right::Dose,
        ),
        (
            "bench-back",
            Command::Bench(BenchAsk::Back {
                head: name("calcium"),
            }),
            Right::Dose,
        ),
        (
            "bench-measured",
            Command::Bench(BenchAsk::Measured(measured)),
            Right::Dose,
        ),
        (
            "bench-new-tube",
            Command::Bench(BenchAsk::NewTube {
                head: name("calcium"),
                note: "new tube".into(),
            }),
            Right::Dose,
        ),
        ("stop-run", stop, Right::Hold),
        ("simulate-input", contact, Right::Dose),
    ]
}

fn others() -> Vec<(&'static str, Command, Right)> {
    let hold = |scope| Command::Hold {
        scope,
        reason: "test looks wrong".into(),
        length: None,
    };
    let refill = |level| {
        Command::Refill(NewRefill {
            solution: None,
            tube: None,
            emptied: false,
            ..stronger(level)
        })
    };
    let set = |action| Command::SetCourse { number: 3, action };
    let again = CourseAction::Confirm {
        days: 30,
        read: "2026-11-25T10:00:00Z".parse().unwrap(),
    };
    let line = HoldScope::Line(name("calcium"));
    let all = HoldScope::All;
    let code = Some("under-voltage".into());
    let confirm = |shown, repeated_volume| {
        Command::Confirm(Confirm {
            token: token(),
            shown,
            repeated_volume,
        })
    };
    let volume = Volume::from_ul(2_500);
    let wrong = Command::ClockWrong {
        from: "2096-11-30T14:00:00Z".parse().unwrap(),
        to: "2096-11-30T14:20:00Z".parse().unwrap(),
    };
    vec![
        ("hold-all", hold(HoldScope::All), Right::Hold),
        ("hold-line", hold(line), Right::Hold),
        ("resume", Command::Resume { scope: all }, Right::Resume),
        (
            "confirm-figures",
            confirm(Some(dose_figures()), None),
            Right::Dose,
        ),
        ("confirm-volume", confirm(None, Some(volume)), Right::Dose),
        ("refill-full", refill(RefillLevel::Full), Right::Refill),
        ("refill-to", refill(RefillLevel::To(volume)), Right::Refill),
        (
            "refill-add",
            refill(RefillLevel::Add(volume)),
            Right::Refill,
        ),
        (
            "prepare-refill",
            Command::Prepare(Wish::Refill(stronger(RefillLevel::Full))),
            Right::Refill,
        ),
        ("set-course-end", set(CourseAction::End), Right::Propose),
        ("set-course-confirm", set(again), Right::Propose),
        ("set-course-back", set(CourseAction::Back), Right::Propose),
        ("trust-clock", Command::TrustClock {}, Right::Resume),
        ("clock-wrong", wrong, Right::Resume),
        ("acknowledge", Command::Acknowledge { code }, Right::Resume),
        ("test-alarm", Command::TestAlarm {}, Right::Observe),
    ]
}

#[test]
fn each_command_is_written_as_its_golden_file_and_needs_its_right() {
    let all = [wishes(), told_of_water(), at_the_bench(), others()].concat();
    for (file, command, right) in all {
        golden("command", file, &command);
        assert_eq!(command.right(), right, "{file}");
    }
}

#[test]
fn a_command_with_a_key_that_it_does_not_have_is_refused() {
    for (file, command, _) in [wishes(), told_of_water(), at_the_bench(), others()].concat() {
        let mut value = serde_json::to_value(&command).unwrap();
        value
            .as_object_mut()
            .unwrap()
            .insert("stray".to_owned(), 1.into());
        assert!(serde_json::from_value::<Command>(value).is_err(), "{file}");
    }
}

fn outlook() -> AdviceOutlook {
    AdviceOutlook {
        weighed_days: 10,
        days_outside: 4.5,
        days: vec![AdviceDay {
            date: "2026-11-26".parse().unwrap(),
            added: 0.85,
            level: 7.95,
            level_low: 7.7,
            level_high: 8.2,
        }],
    }
}

fn change() -> AdviceChange {
    AdviceChange {
        uptake: UptakeFigures {
            of: Quantity::Alkalinity,
            uptake: 0.85,
            before: Some(0.8),
        },
        volumes: [(name("alkalinity"), Volume::from_ul(80_300))].into(),
        course: None,
        no_course: Some("line alkalinity would give 101 mL a day".to_owned()),
        held_back: Some("line alkalinity would give 99 mL a day".to_owned()),
        ends_courses: vec![3],
        outlook: outlook(),
    }
}

fn advice() -> Advice {
    Advice {
        of: Quantity::Alkalinity,
        unit: "dKH".to_owned(),
        at: "2026-11-25T10:00:00Z".parse().unwrap(),
        verdict: Verdict::Change,
        because: String::new(),
        target: Some(8.25),
        well: Some(0.75),
        water: EstimateStatus {
            unit: "dKH".to_owned(),
            level: Some(7.9),
            level_low: Some(7.75),
            level_high: Some(8.05),
            uptake_per_day: Some(0.85),
            uptake_low_per_day: Some(0.8),
            uptake_high_per_day: Some(0.9),
            reading_age_s: Some(86_400),
            readings: 12,
            ..EstimateStatus::default()
        },
        adds: AddedNow {
            per_day: 0.8,
            course_per_day: 0.05,
            course_days: 3.0,
        },
        as_it_is: Some(outlook()),
        change: Some(change()),
        next_test: Some(NextTestAdvice {
            date: "2026-11-30".parse().unwrap(),
            in_days: 5,
            why: TestBecause::MayLeave,
            level_before: 0.4,
            level_after: 0.2,
            uptake_before: 0.06,
            uptake_after: 0.05,
        }),
        unseen: Vec::new(),
        corridor: Some("corridor of alkalinity".to_owned()),
    }
}

fn corridor() -> Figures {
    Figures::Corridor(CorridorGrant {
        of: Quantity::Alkalinity,
        middle: 0.8,
        added: 0.8,
        follows: 0.8,
        share: 0.1,
        until: "2027-01-24".parse().unwrap(),
    })
}

fn day(date: &str, volumes: &[(&str, i64)], across_midnight: Option<f64>) -> CourseDay {
    let volumes = volumes.iter();
    CourseDay {
        date: date.parse().unwrap(),
        volumes: volumes
            .map(|(line, ul)| (name(line), Volume::from_ul(*ul)))
            .collect(),
        alkalinity: Alkalinity::from_dkh(0.8),
        across_midnight: across_midnight.map(Alkalinity::from_dkh),
    }
}

fn addition() -> Figures {
    Figures::Course(CourseFigures {
        course: 3,
        what: Departure::Add {
            line: name("iodine"),
            of: iodine(),
            per_day: 0.005,
            ends: Ends::Aim,
            standing: Volume::from_ul(2_000),
            extra: Volume::from_ul(312),
        },
        days: 4,
        since: "2026-11-26".parse().unwrap(),
        by_day: vec![
            day("2026-11-25", &[("iodine", 2_000)], None),
            day("2026-11-26", &[("iodine", 2_312)], Some(0.8)),
        ],
    })
}

fn changeover() -> Figures {
    let volumes = |from, to| [("alkalinity", from), ("bicarbonate", to)];
    Figures::Course(CourseFigures {
        course: 4,
        what: Departure::Shift {
            from: name("alkalinity"),
            to: name("bicarbonate"),
            of: Quantity::Alkalinity,
        },
        days: 2,
        since: "2026-11-25".parse().unwrap(),
        by_day: vec![
            day("2026-11-25", &volumes(75_600, 0), None),
            day("2026-11-26", &volumes(37_800, 54_000), Some(0.8125)),
            day("2026-11-27", &volumes(0, 108_000), Some(0.8125)),
        ],
    })
}

#[test]
fn each_answer_is_written_as_its_golden_file() {
    let proposal = |wish, figures| {
        Answer::Proposal(Box::new(Proposal {
            token: token(),
            valid: Millis::from_secs(60),
            wish,
            figures,
            text: vec!["what it comes to".to_owned()],
            ask_twice: Some("more than 3 times the line's usual dose of 0.8 mL".to_owned()),
        }))
    };
    let uptake = UptakeFigures {
        of: Quantity::Alkalinity,
        uptake: 0.85,
        before: Some(0.8),
    };
    let started = Answer::DoseStarted {
        id: DoseId(17),
        line: name("calcium"),
        volume: Volume::from_ul(2_500),
        run_time: Millis::new(5_000),
    };
    let done = Answer::Done {
        text: "reservoir calcium holds 500.0 mL now".to_owned(),
    };
    for (file, answer) in [
        ("done", done),
        ("dose-started", started),
        ("proposal-dose", proposal(dose(), dose_figures())),
        ("proposal-course", proposal(dose(), addition())),
        ("proposal-changeover", proposal(dose(), changeover())),
        ("proposal-uptake", proposal(dose(), Figures::Uptake(uptake))),
        (
            "proposal-advice",
            proposal(dose(), Figures::Advice(Box::new(change()))),
        ),
        ("proposal-corridor", proposal(dose(), corridor())),
        ("proposal-refill", proposal(dose(), refill_figures())),
    ] {
        golden("answer", file, &answer);
    }
    golden("answer", "advice", &advice());
}
