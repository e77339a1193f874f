//! A head whose speed is set by hardware PWM: which channel of the kernel's PWM class, how fast it pulses and how wide.
//!
//! A table `[head.NAME.pwm]` takes the place of `output` and `active`. Frequency and duty belong to the head like its tube: they are
//! fixed here, never changed while a dose runs, and a calibration holds for them only. There is no active-low: a channel that is
//! off rests low, so a head that runs while its pin is low would run whenever nothing is dosed.

use std::collections::BTreeMap;

use super::drive::{HeadOutput, Pwm};
use super::keys;
use super::pin::parse_pin;
use super::tree::RawTable;

/// Builds it from the table of a head that has one; `None` when it is wrong, which is then in the sink.
pub(super) fn build(head: &RawTable, table: &RawTable) -> Option<HeadOutput> {
    let mut fits = true;
    for (key, why) in [
        (
            keys::head::OUTPUT,
            "switches a motor, and this head has a table [pwm]",
        ),
        (
            keys::head::ACTIVE,
            "has no meaning with a table [pwm]: such a head runs while its pin pulses high, and a channel that is off rests low",
        ),
        (
            keys::head::RUN_SENSE,
            "shows whether a switched motor has voltage, and that of a PWM head pulses",
        ),
        (
            keys::head::RUN_SENSE_RUNNING,
            "shows whether a switched motor has voltage, and that of a PWM head pulses",
        ),
    ] {
        if head.text(key).is_some() {
            head.refuse(key, format!("{key} {why}; take one of the two out"));
            fits = false;
        }
    }
    if head.table(keys::head::STEPPER).is_some() {
        head.sink.mistake(
            table.at,
            format!(
                "{}has a table [stepper] and a table [pwm]; a head is driven in one way, take one of the two out",
                head.label
            ),
        );
        fits = false;
    }
    let chip = table.text(keys::pwm::CHIP)?.trim_matches('/');
    if numbered(chip) {
        table.refuse(keys::pwm::CHIP, "chip is a number of the kernel's, which changes with kernels and devices; give the device that \
                 `readlink -f /sys/class/pwm/pwmchip*/device` ends in, for example \"fe20c000.pwm\"");
        fits = false;
    }
    let pwm = Pwm {
        chip: chip.to_owned(),
        channel: table.whole(keys::pwm::CHANNEL)?,
        pin: parse_pin(table.text(keys::pwm::PIN)?).ok()?,
        frequency_hz: table.whole(keys::pwm::FREQUENCY_HZ)?,
        duty_percent: table.whole(keys::pwm::DUTY_PERCENT)?,
    };
    fits.then_some(HeadOutput::Pwm(pwm))
}

/// Whether it names a chip as the kernel numbers them.
fn numbered(chip: &str) -> bool {
    let last = chip.rsplit('/').next().unwrap_or_default();
    let digits = last.strip_prefix("pwmchip").unwrap_or(last);
    digits.chars().all(|c| c.is_ascii_digit())
}

/// Holds the PWM heads of a file against each other and against the board.
pub(super) fn check(raw: &RawTable) {
    let cut_off = raw
        .table(keys::controller::BOARD)
        .and_then(|board| board.text(keys::board::CUT_OFF));
    let live = raw.text(keys::controller::MODE) == Some("live");
    let mut users: BTreeMap<(String, u8), &str> = BTreeMap::new();
    for (name, head) in raw.named(keys::controller::HEAD) {
        let Some(table) = head.table(keys::head::PWM) else {
            continue;
        };
        if cut_off.is_none() {
            let words = format!(
                "head \"{name}\": pwm: its channel goes on pulsing when the program is killed, until somebody stops it; in live mode such a head needs the common cut-off, which \
                 takes the supply away however the channel stands; give board.cut-off, or drive the head by output",
            );
            if live {
                raw.sink.mistake(table.at, words);
            } else {
                raw.sink.warn(table.at, words);
            }
        }
        let channel: Option<u8> = table.whole(keys::pwm::CHANNEL);
        let (Some(chip), Some(channel)) = (table.text(keys::pwm::CHIP), channel) else {
            continue;
        };
        let key = (chip.trim_matches('/').to_owned(), channel);
        if let Some(other) = users.insert(key, name) {
            table.refuse(
                keys::pwm::CHANNEL,
                format!(
                    "channel {channel} of chip \"{}\" is already used by head \"{other}\"; give each head its own",
                    super::mistake::quoted(chip)
                )
            );
        }
    }
}

/// The PWM channels of a controller file as they are written, whether or not the rest of it is right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WrittenPwm {
    /// Whether the file asks for live mode.
    pub live: bool,
    pub channels: Vec<WrittenChannel>,
}

/// One of them, with the bytes where its keys stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WrittenChannel {
    pub head: String,
    pub chip: String,
    pub chip_at: usize,
    pub channel: u8,
    pub channel_at: usize,
}

pub(super) fn written(raw: &RawTable) -> WrittenPwm {
    let heads = raw.named(keys::controller::HEAD).iter();
    let channel = |(name, head): &(String, RawTable)| {
        let table = head.table(keys::head::PWM)?;
        Some(WrittenChannel {
            head: name.clone(),
            chip: table.text(keys::pwm::CHIP)?.to_owned(),
            chip_at: table.place(keys::pwm::CHIP),
            channel: table.whole(keys::pwm::CHANNEL)?,
            channel_at: table.place(keys::pwm::CHANNEL),
        })
    };
    WrittenPwm {
        live: raw.text(keys::controller::MODE) == Some("live"),
        channels: heads.filter_map(channel).collect(),
    }
}
