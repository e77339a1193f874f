//! PWM heads on a folder that plays the kernel's PWM class: fault rows FT-PWM-01 to FT-PWM-04, and off whatever happens.

use std::collections::BTreeMap;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::SystemTime;

use dosewright::config::Pwm;
use dosewright::engine::RunEnd;
use dosewright::pump::{
    Claims, CutOff, Found, Output, Pace, Pump, PwmClass, PwmError, PwmTaken, RunControl,
    Safeguards, SwitchedPump, force_pwm_off,
};
use dosewright::quantity::Millis;
use rustix::fs::{CWD, FileType, Mode};

use super::Wire;
use super::permits::{RUN_MAX, demo, name, permit};

/// The class with chips in the order given. What is written to `export` and `unexport` is read by a thread, which makes and takes away
/// the folders of channels as the kernel does.
pub(crate) struct Kernel {
    folder: tempfile::TempDir,
    chip: String,
    pipes: Vec<PathBuf>,
    threads: Vec<JoinHandle<()>>,
}

impl Kernel {
    /// The first chip is the one that heads hang on.
    pub(crate) fn new(chips: &[(&str, u32)]) -> Self {
        Self::numbered(chips, &(0..chips.len()).collect::<Vec<_>>())
    }

    fn numbered(chips: &[(&str, u32)], numbers: &[usize]) -> Self {
        let mut kernel = Self {
            folder: tempfile::tempdir().unwrap(),
            chip: chips[0].0.to_owned(),
            pipes: Vec::new(),
            threads: Vec::new(),
        };
        for ((device, channels), number) in chips.iter().zip(numbers) {
            let chip = kernel.class_folder().join(format!("pwmchip{number}"));
            let device = kernel
                .folder
                .path()
                .join(format!("devices/{number}/{device}"));
            fs::create_dir_all(&device).unwrap();
            fs::create_dir_all(&chip).unwrap();
            std::os::unix::fs::symlink(&device, chip.join("device")).unwrap();
            fs::write(chip.join("npwm"), format!("{channels}\n")).unwrap();
            kernel.serve(&chip, "export", export);
            // The kernel keeps what a channel does when it is given back (seen on the emulated board).
            kernel.serve(&chip, "unexport", |folder| {
                fs::rename(folder, kept(folder)).unwrap();
            });
        }
        kernel
    }

    fn serve(&mut self, chip: &Path, file: &str, act: fn(&Path)) {
        let pipe = chip.join(file);
        rustix::fs::mknodat(CWD, &pipe, FileType::Fifo, Mode::from(0o600), 0).unwrap();
        let chip = chip.to_path_buf();
        // Open for both, so that it has no end and nothing that is written gets lost.
        let mut open = fs::OpenOptions::new();
        let reader = open.read(true).write(true).open(&pipe).unwrap();
        self.threads.push(std::thread::spawn(move || {
            for byte in std::io::BufReader::new(reader).bytes() {
                match char::from(byte.unwrap()) {
                    'q' => return,
                    number => act(&chip.join(format!("pwm{number}"))),
                }
            }
        }));
        self.pipes.push(pipe);
    }

    fn class_folder(&self) -> PathBuf {
        self.folder.path().join("class")
    }

    fn class(&self) -> PwmClass {
        PwmClass::at(&self.class_folder())
    }

    fn claims(&self) -> Claims {
        Claims::at(&self.folder.path().join("run"))
    }

    fn folder_of(&self, chip: usize, channel: u8) -> PathBuf {
        self.class_folder()
            .join(format!("pwmchip{chip}/pwm{channel}"))
    }

    fn read(&self, channel: u8, file: &str) -> String {
        fs::read_to_string(self.folder_of(0, channel).join(file)).unwrap()
    }

    fn write(&self, channel: u8, file: &str, value: &str) {
        fs::write(self.folder_of(0, channel).join(file), value).unwrap();
    }

    /// 60 % at 1000 Hz.
    fn pwm(&self, channel: u8) -> Pwm {
        Pwm {
            chip: self.chip.clone(),
            channel,
            pin: 18,
            frequency_hz: 1000,
            duty_percent: 60,
        }
    }

    pub(crate) fn take(&self, channel: u8) -> Result<PwmTaken, PwmError> {
        self.class()
            .take(&self.pwm(channel), &self.claims(), "head magnesium")
    }

    /// Every file of the class with its text and the time of its last change.
    fn all(&self) -> BTreeMap<PathBuf, (String, SystemTime)> {
        let mut found = BTreeMap::new();
        let mut folders = vec![self.class_folder()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
                let meta = fs::symlink_metadata(entry.path()).unwrap();
                if meta.is_dir() {
                    folders.push(entry.path());
                } else if meta.is_file() {
                    let text = fs::read_to_string(entry.path()).unwrap();
                    found.insert(entry.path(), (text, meta.modified().unwrap()));
                }
            }
        }
        found
    }
}

impl Drop for Kernel {
    fn drop(&mut self) {
        for pipe in &self.pipes {
            fs::write(pipe, "q").unwrap();
        }
        for thread in self.threads.drain(..) {
            thread.join().unwrap();
        }
    }
}

fn kept(folder: &Path) -> PathBuf {
    folder.with_extension("kept")
}

/// A channel as it is given to user space.
fn export(folder: &Path) {
    if kept(folder).exists() {
        return fs::rename(kept(folder), folder).unwrap();
    }
    let made = folder.with_extension("new");
    fs::create_dir(&made).unwrap();
    for (file, value) in [
        ("enable", "0\n"),
        ("duty_cycle", "0\n"),
        ("period", "0\n"),
        ("polarity", "normal\n"),
    ] {
        fs::write(made.join(file), value).unwrap();
    }
    fs::rename(made, folder).unwrap();
}

fn switched(output: Box<dyn Output>) -> SwitchedPump<Box<dyn Output>> {
    let safeguards = Safeguards::only(RUN_MAX);
    let fault = Box::new(|_: &_| {});
    SwitchedPump::new(&name("magnesium"), output, Pace::REAL, safeguards, fault).unwrap()
}

/// A head, and whether its channel pulses.
pub(crate) fn head() -> (SwitchedPump<Box<dyn Output>>, impl Fn() -> bool) {
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    let pump = switched(kernel.take(0).unwrap().output);
    let is_on = move || {
        let enable = kernel.folder_of(0, 0).join("enable");
        fs::read_to_string(enable).is_ok_and(|text| text.trim() == "1")
    };
    (pump, is_on)
}

#[test]
fn ft_pwm_01_a_channel_that_the_chip_has_not_is_refused_with_those_it_has_and_is_never_another_one()
{
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    let chip = kernel.class().find("fe20c000.pwm").unwrap();
    for channel in 0..=255 {
        let has = chip.check_channel(channel);
        assert_eq!(has.is_ok(), channel < 2, "{channel}: {has:?}");
        if channel >= 2 {
            let error = kernel.take(channel).err().unwrap().to_string();
            let words = format!("has no channel {channel}; it has channels 0, 1");
            assert!(error.contains(&words), "{error}");
        }
    }
    assert!(!kernel.folder_of(0, 0).exists() && !kernel.folder_of(0, 1).exists());
}

#[test]
fn ft_pwm_02_a_chip_is_found_by_its_device_in_whatever_order_the_kernel_counts() {
    let chips = [("1f00098000.pwm", 4), ("1f0009c000.pwm", 4)];
    for numbers in [[0, 2], [2, 0], [7, 3]] {
        let kernel = Kernel::numbered(&chips, &numbers);
        let mut taken = kernel.take(2).unwrap();
        taken.output.set_on().unwrap();
        let enable = |chip: usize| {
            fs::read_to_string(kernel.folder_of(chip, 2).join("enable")).unwrap_or_default()
        };
        assert_eq!(
            (enable(numbers[0]), enable(numbers[1])),
            ("1".into(), String::new())
        );
        // Two devices of one name are told apart by more of their paths.
        let longer = format!("{}/1f00098000.pwm", numbers[0]);
        assert!(kernel.class().find(&longer).is_ok());
        for unknown in [
            "pwm",
            "pwmchip0",
            "98000.pwm",
            "1f0009c000.pwm/1f00098000.pwm",
        ] {
            let error = kernel.class().find(unknown).unwrap_err().to_string();
            assert!(error.contains("exactly one"), "{error}");
            assert!(error.contains("1f0009c000.pwm"), "{error}");
        }
    }
    let twice = Kernel::new(&[("a.pwm", 2), ("a.pwm", 2)]);
    let error = twice.take(0).err().unwrap().to_string();
    assert!(error.starts_with("2 PWM chips"), "{error}");
}

#[test]
fn ft_pwm_02_a_channel_of_somebody_else_is_refused_and_never_written_to() {
    // The kernel does not give it: a file that cannot be written to stands for the answer "busy".
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    let chip = kernel.class_folder().join("pwmchip0");
    fs::rename(chip.join("export"), chip.join("elsewhere")).unwrap();
    fs::create_dir(chip.join("export")).unwrap();
    let before = kernel.all();
    let error = kernel.take(1).err().unwrap().to_string();
    assert!(error.contains("is not free"), "{error}");
    let error = force_pwm_off(&kernel.class(), "fe20c000.pwm", 1)
        .unwrap_err()
        .to_string();
    assert!(error.contains("is not free"), "{error}");
    assert_eq!(kernel.all(), before);
    assert_eq!(kernel.claims().pwm_records(), []);
    fs::remove_dir(chip.join("export")).unwrap();
    fs::rename(chip.join("elsewhere"), chip.join("export")).unwrap();
    // Another program has it, and it rests at the moment.
    export(&kernel.folder_of(0, 1));
    let before = kernel.all();
    for _ in 0..2 {
        let error = kernel.take(1).err().unwrap().to_string();
        assert!(error.contains("another program uses it"), "{error}");
    }
    assert_eq!(kernel.all(), before);
}

#[test]
fn ft_pwm_03_period_and_duty_are_set_before_the_channel_goes_on_and_stay_so_for_all_of_a_dose() {
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    let mut output = kernel.take(0).unwrap().output;
    output.set_on().unwrap();
    assert_eq!(kernel.read(0, "period"), "1000000");
    assert_eq!(kernel.read(0, "duty_cycle"), "600000");
    let changed = |file: &str| {
        let meta = fs::metadata(kernel.folder_of(0, 0).join(file));
        meta.unwrap().modified().unwrap()
    };
    assert!(changed("period") <= changed("enable") && changed("duty_cycle") <= changed("enable"));
    let running = kernel.all();
    for _ in 0..3 {
        output.set_on().unwrap();
        assert_eq!(output.is_on(), Some(true));
    }
    assert_eq!(kernel.all(), running, "nothing is written while it pulses");
    output.set_off().unwrap();
    assert_eq!(
        (kernel.read(0, "enable"), kernel.read(0, "duty_cycle")),
        ("0".into(), "0".into())
    );
    assert!(changed("enable") <= changed("duty_cycle"), "off first");
}

#[test]
fn ft_pwm_04_a_channel_found_pulsing_is_switched_off_first_and_the_head_is_reported() {
    for ours in [false, true] {
        let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
        if ours {
            // A daemon that was killed: its record stays and the channel goes on.
            let mut killed = kernel.take(0).unwrap().output;
            killed.set_on().unwrap();
            std::mem::forget(killed);
            assert_eq!(kernel.claims().pwm_records().len(), 1);
        } else {
            export(&kernel.folder_of(0, 0));
            kernel.write(0, "period", "1000000");
            kernel.write(0, "duty_cycle", "500000");
            kernel.write(0, "enable", "1");
        }
        if ours {
            // Its lock went with it; here the process lives, so another folder of locks stands for the next start.
            fs::rename(
                kernel.folder.path().join("run"),
                kernel.folder.path().join("old"),
            )
            .unwrap();
        }
        let taken = kernel.take(0).unwrap();
        assert!(taken.was_on);
        assert_eq!(
            (kernel.read(0, "enable"), kernel.read(0, "duty_cycle")),
            ("0".into(), "0".into())
        );
        let (log, faults) = (Arc::default(), Arc::new(Mutex::new(Vec::new())));
        let supply = Wire::new("supply", &log);
        let cut_off = Arc::new(CutOff::new(Box::new(supply.clone())).unwrap());
        let told = Arc::clone(&faults);
        let safeguards = Safeguards {
            run_max: RUN_MAX,
            cut_off: Some(Arc::clone(&cut_off)),
            sense: None,
        };
        let fault = Box::new(move |error: &dosewright::pump::PumpError| {
            told.lock().unwrap().push(error.to_string());
        });
        let mut pump = SwitchedPump::new(
            &name("magnesium"),
            taken.output,
            Pace::REAL,
            safeguards,
            fault,
        )
        .unwrap();
        pump.was_on();
        assert!(faults.lock().unwrap()[0].contains("in no book"));
        let report = pump.run(permit(&demo(), 1, 300), &RunControl::default());
        assert_eq!(
            report.on_time,
            Millis::ZERO,
            "nothing runs until somebody has looked"
        );
        assert!(cut_off.tripped().is_some() && !supply.is_really_on());
    }
}

#[test]
fn what_was_taken_over_at_rest_is_given_back_and_can_be_had_again() {
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    for _ in 0..3 {
        let taken = kernel.take(0).unwrap();
        assert!(!taken.was_on);
        assert_eq!(kernel.claims().pwm_records()[0].what, "head magnesium");
        let error = kernel.take(0).err().unwrap().to_string();
        assert!(error.contains("another dosewright daemon"), "{error}");
        drop(taken);
        assert_eq!(kernel.claims().pwm_records(), []);
        while kernel.folder_of(0, 0).exists() {
            std::thread::yield_now();
        }
    }
}

#[test]
fn a_killed_daemons_channel_is_found_by_its_record_and_switched_off_from_outside() {
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    let mut killed = kernel.take(1).unwrap().output;
    killed.set_on().unwrap();
    std::mem::forget(killed);
    let records = kernel.claims().pwm_records();
    let [record] = records.as_slice() else {
        panic!("{records:?}");
    };
    let off = || force_pwm_off(&kernel.class(), &record.chip, record.channel);
    assert_eq!(off(), Ok(Found::On));
    assert_eq!(
        (kernel.read(1, "enable"), kernel.read(1, "duty_cycle")),
        ("0".into(), "0".into())
    );
    assert_eq!(off(), Ok(Found::Off));
}

#[test]
fn a_channel_that_was_given_back_while_it_pulsed_is_found_by_the_stop_hook_and_by_the_next_start() {
    for by_the_hook in [true, false] {
        let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
        export(&kernel.folder_of(0, 0));
        kernel.write(0, "enable", "1");
        fs::rename(kernel.folder_of(0, 0), kept(&kernel.folder_of(0, 0))).unwrap();
        if by_the_hook {
            assert_eq!(
                force_pwm_off(&kernel.class(), "fe20c000.pwm", 0),
                Ok(Found::On)
            );
            while kernel.folder_of(0, 0).exists() {
                std::thread::yield_now();
            }
        }
        assert_eq!(kernel.take(0).unwrap().was_on, !by_the_hook);
    }
}

#[test]
fn a_channel_that_another_program_changes_in_a_run_ends_it_as_failed_and_is_off() {
    for (file, value) in [
        ("duty_cycle", "1000000"),
        ("period", "2000000"),
        ("enable", "0"),
    ] {
        let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
        let mut pump = switched(kernel.take(0).unwrap().output);
        let report = std::thread::scope(|scope| {
            scope.spawn(|| {
                while kernel.read(0, "enable").trim() != "1" {
                    std::thread::yield_now();
                }
                kernel.write(0, file, value);
            });
            pump.run(permit(&demo(), 1, 6_000), &RunControl::default())
        });
        assert!(
            matches!(&report.end, RunEnd::Failed { .. }),
            "{file}: {report:?}"
        );
        assert!(report.on_time < Millis::new(4_000), "{file}: {report:?}");
        assert_eq!(
            (kernel.read(0, "enable"), kernel.read(0, "duty_cycle")),
            ("0".into(), "0".into())
        );
    }
}

#[test]
fn a_channel_that_another_program_gives_away_in_a_run_is_taken_back_and_switched_off() {
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    let mut output = kernel.take(0).unwrap().output;
    output.set_on().unwrap();
    fs::remove_dir_all(kernel.folder_of(0, 0)).unwrap();
    assert_eq!(output.is_on(), Some(false), "it cannot be seen to pulse");
    output.set_off().unwrap();
    assert_eq!(kernel.read(0, "enable").trim(), "0");
}

#[test]
fn a_channel_that_does_not_keep_what_is_written_is_an_error_and_an_inverted_one_is_set_right() {
    let kernel = Kernel::new(&[("fe20c000.pwm", 2)]);
    let mut output = kernel.take(0).unwrap().output;
    output.set_on().unwrap();
    let enable = kernel.folder_of(0, 0).join("enable");
    fs::remove_file(&enable).unwrap();
    // Reads as nothing, whatever is written.
    std::os::unix::fs::symlink("/dev/null", &enable).unwrap();
    let error = output.set_off().unwrap_err().to_string();
    assert!(error.contains("0 was written but it reads"), "{error}");
    assert_eq!(kernel.read(0, "duty_cycle"), "0", "low all the same");
    fs::remove_file(&enable).unwrap();
    fs::write(&enable, "0").unwrap();
    output.set_off().unwrap();
    kernel.write(0, "polarity", "inversed");
    output.set_on().unwrap();
    assert_eq!(kernel.read(0, "polarity"), "normal");
}
