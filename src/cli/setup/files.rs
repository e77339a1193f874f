//! The two files, and the arithmetic behind them.

use std::fmt::Write;

use super::content::Content;
use crate::chemistry::{CALCIUM_MG_PER_MEQ, Quantity};
use crate::quantity::{Alkalinity, Name, TankVolume, Volume};

/// Doses a day of what goes by an uptake, where the bottle allows so many (12 to 48 are common practice, no source).
const DOSES: f64 = 24.0;
/// The smallest dose that is planned where there is a choice, mL: less is metered less well.
const DOSE_SMALL_ML: f64 = 0.5;
/// Part of a bottle that is never pumped (5 to 10 % is common practice, no source).
const RESERVE: f64 = 0.08;
/// From the end of one dose to the start of another that it precipitates with, min (15 to 60 are common practice, no source).
const GAP_MIN: u32 = 15;
/// Pins of heads that are not wired yet, in the order of the bottles: any that rest low while a board boots.
const PLACEHOLDERS: [u8; 8] = [17, 27, 22, 23, 24, 25, 12, 13];
pub(super) const BOTTLES_MAX: usize = PLACEHOLDERS.len();

/// What was answered.
pub(super) struct Answers {
    pub(super) tank: TankVolume,
    pub(super) zone: String,
    pub(super) bottles: Vec<Bottle>,
    /// dKH a day; none where no bottle carries alkalinity.
    pub(super) uptake: Option<f64>,
    /// Low, high and target, dKH.
    pub(super) band: Option<(f64, f64, f64)>,
    pub(super) rate_ml_per_min: f64,
    /// Pins in the order of the bottles and the level that turns a head on; none while nothing is wired.
    pub(super) wired: Option<(Vec<String>, String)>,
}

pub(super) struct Bottle {
    pub(super) name: Name,
    pub(super) content: Content,
    pub(super) capacity: Volume,
    pub(super) gives: Gives,
}

/// What a line goes by.
pub(super) enum Gives {
    /// All of the uptake of this quantity.
    Uptake(Quantity),
    Daily(Volume),
}

/// What follows for one line.
pub(super) struct Line {
    pub(super) daily_ml: f64,
    pub(super) doses: f64,
    dose_min_ml: f64,
    dose_cap_ml: f64,
    daily_cap_ml: f64,
    pub(super) lasts_days: f64,
}

/// Up to the next whole step, without what floats add.
fn up(value: f64, step: f64) -> f64 {
    let steps = (value / step - 1e-9).ceil();
    (steps * step * 1000.0).round() / 1000.0
}

pub(super) fn calcium() -> Option<Quantity> {
    Quantity::from_word("calcium")
}

impl Answers {
    /// Uptake of a quantity a day, in its unit: calcium is tied to alkalinity.
    pub(super) fn uptake_of(&self, of: &Quantity) -> f64 {
        let dkh = self.uptake.unwrap_or(0.0);
        if *of == Quantity::Alkalinity {
            dkh
        } else {
            CALCIUM_MG_PER_MEQ * Alkalinity::from_dkh(dkh).as_meq_per_l()
        }
    }

    /// What 1 mL of a bottle adds of a quantity, in its unit.
    pub(super) fn per_ml(&self, bottle: &Bottle, of: &Quantity) -> f64 {
        let carried = bottle
            .content
            .effect
            .carried(Volume::from_ul(1_000), self.tank);
        carried.get(of).copied().unwrap_or(0.0)
    }

    pub(super) fn line(&self, bottle: &Bottle) -> Line {
        let daily_ml = match &bottle.gives {
            Gives::Uptake(of) => self.uptake_of(of) / self.per_ml(bottle, of),
            Gives::Daily(volume) => volume.as_ml(),
        };
        let most = match bottle.gives {
            Gives::Uptake(_) => DOSES,
            Gives::Daily(_) => 4.0,
        };
        let doses = (daily_ml / DOSE_SMALL_ML).floor().clamp(1.0, most);
        let dose = daily_ml / doses;
        // A head gives no less than in 0.2 s.
        let dose_min_ml =
            up((dose / 2.0).min(DOSE_SMALL_ML), 0.01).max(up(self.rate_ml_per_min / 300.0, 0.01));
        let dose_cap_ml = up((dose * 2.0).max(dose_min_ml), 0.1);
        let usable = bottle.capacity.as_ml() * (1.0 - RESERVE);
        Line {
            daily_ml,
            doses,
            dose_min_ml,
            dose_cap_ml,
            daily_cap_ml: up(daily_ml * 1.25 + dose_cap_ml, 1.0),
            lasts_days: usable / daily_ml,
        }
    }

    pub(super) fn controller(&self) -> String {
        let litres = self.tank.as_litres();
        let mut text = format!(
            "# controller.toml: the board, the heads, the bottles and every limit. Made by `dosewright new` from your answers.
# `dosewright check` says what is wrong with it after an edit; a change needs a restart, and a new arming in live mode.
# The sample that comes with dosewright explains every key that can stand here.

# No output is driven until this is \"live\" and `dosewright arm` was accepted.
mode = \"dry-run\"
time-zone = \"{}\"

[tank]
# Net: tank and sump, less rock and sand. Every rise below is worked out with it.
volume-l = {litres}
",
            self.zone
        );
        let driver = if self.wired.is_some() { "" } else { "# " };
        write!(text, "\n# How the pins are driven, needed in live mode: \"rppal\" or \"chardev\"; hw-notes says which.\n{driver}[board]\n{driver}driver = \"rppal\"\n").ok();
        for (number, bottle) in self.bottles.iter().enumerate() {
            text.push_str(&self.head(number, bottle));
            text.push_str(&self.bottle(bottle));
        }
        text.push_str(&self.gaps());
        text.push_str(&self.water());
        text
    }

    fn head(&self, number: usize, bottle: &Bottle) -> String {
        let (name, line) = (&bottle.name, self.line(bottle));
        let note = "# Not wired yet: put the real pin and level here before anything else.\n";
        let not_wired = || {
            (
                PLACEHOLDERS.get(number).map(|pin| format!("GPIO{pin}")),
                "high",
                note,
            )
        };
        let wired = self.wired.as_ref();
        let (pin, active, note) = wired.map_or_else(not_wired, |(pins, active)| {
            (pins.get(number).cloned(), active.as_str(), "")
        });
        let rate = self.rate_ml_per_min;
        format!(
            "
[head.{name}]
# As its maker states; what meters is its calibration (`dosewright bench {name}`).
nominal-rate-ml-per-min = {rate}
# The largest dose takes {:.1} s; the head is switched off by itself after this.
run-max-s = {}
dose-min-ml = {}
{note}output = \"{}\"
active = \"{active}\"
",
            line.dose_cap_ml / rate * 60.0,
            up(line.dose_cap_ml / rate * 60.0 * 1.5, 1.0),
            line.dose_min_ml,
            pin.unwrap_or_default()
        )
    }

    fn bottle(&self, bottle: &Bottle) -> String {
        let (name, line) = (&bottle.name, self.line(bottle));
        let effect = match &bottle.gives {
            Gives::Uptake(of) => format!("1 mL adds {:.4} {} of {of} to your {}.", self.per_ml(bottle, of), of.unit(), self.tank),
            Gives::Daily(_) if bottle.content.unstated => "What it holds is not stated: no figure and no limit counts it but the caps of its line.".to_owned(),
            Gives::Daily(_) => "`dosewright solution` shows what 1 mL does.".to_owned(),
        };
        let ml = bottle.capacity.as_ml();
        format!(
            "
[solution.{name}]
# {effect}
{}
# Whether it burns skin and eyes. Say true when in doubt.
caustic = {}

[reservoir.{name}]
solutions = \"{name}\"
capacity-ml = {ml}
# The last of it is never pumped: the tube would draw air.
reserve-ml = {}
low-warning-days = {}

[line.{name}]
head = \"{name}\"
reservoir = \"{name}\"
# The plan gives {:.2} mL a day, {:.2} mL a dose. No more than these goes in, whoever asks.
daily-cap-ml = {}
dose-cap-ml = {}
",
            bottle.content.toml,
            bottle.content.caustic,
            up(ml * RESERVE, 1.0),
            if line.lasts_days > 14.0 { 7 } else { 2 },
            line.daily_ml,
            line.daily_ml / line.doses,
            line.daily_cap_ml,
            line.dose_cap_ml
        )
    }

    /// Carbonate with calcium, with magnesium and with what nobody knows, and that with calcium.
    pub(super) fn precipitating(&self) -> Vec<(&Bottle, &Bottle)> {
        let holds = |bottle: &Bottle, word: &str| {
            let of = Quantity::from_word(word);
            of.is_some_and(|of| bottle.content.effect.dissolved_mg_per_l.contains_key(&of))
        };
        let meets = |a: &Bottle, b: &Bottle| {
            let hard = holds(b, "calcium") || holds(b, "magnesium");
            (a.content.effect.carries_alkalinity() && (hard || b.content.unstated))
                || (a.content.unstated && holds(b, "calcium"))
        };
        let mut pairs = Vec::new();
        for (n, first) in self.bottles.iter().enumerate() {
            for second in self.bottles.iter().skip(n + 1) {
                if meets(first, second) || meets(second, first) {
                    pairs.push((first, second));
                }
            }
        }
        pairs
    }

    fn gaps(&self) -> String {
        let mut text = String::new();
        for (first, second) in self.precipitating() {
            write!(
                text,
                "\n# These precipitate where they meet, or may.\n[[apart]]\nfirst = \"{}\"\nsecond = \"{}\"\ngap-min = {GAP_MIN}\n",
                first.name, second.name
            )
            .ok();
        }
        text
    }

    fn water(&self) -> String {
        let mut text = String::new();
        if let (Some(uptake), Some((low, high, target))) = (self.uptake, self.band) {
            write!(
                text,
                "
[water.alkalinity]
# In any 24 hours no more than your uptake of {uptake} dKH and this may be added: {:.2} dKH.
max-rise-dkh-per-day = 0.5
max-fall-dkh-per-day = 0.5
target-dkh = {target}
band-low-dkh = {low}
band-high-dkh = {high}
# A reading outside these is an alarm; one above holds the lines that carry alkalinity.
alarm-low-dkh = {}
alarm-high-dkh = {}
",
                uptake + 0.5,
                up((low - 1.0).max(4.0), 0.01),
                up((high + 1.5).min(16.0), 0.01)
            )
            .ok();
        }
        for (word, rise) in [("calcium", 25), ("magnesium", 50)] {
            let of = Quantity::from_word(word);
            let mut effects = self.bottles.iter().map(|bottle| &bottle.content.effect);
            if of.is_some_and(|of| effects.any(|e| e.dissolved_mg_per_l.contains_key(&of))) {
                write!(text, "\n[water.{word}]\n# How much more than the uptake may be added in any 24 hours.\nmax-rise-mg-per-l-per-day = {rise}\n").ok();
            }
        }
        text
    }

    pub(super) fn plan(&self) -> String {
        let mut text = "# plan.toml: what each line gives a day, and when. Made by `dosewright new` from your answers.
# Edit it any day, run `dosewright check`, then `dosewright reload`. It can never lift a limit of controller.toml.
"
        .to_owned();
        if let Some(uptake) = self.uptake {
            write!(text, "\n# What the animals take up, until advice is accepted (`dosewright advise`).\n[uptake.alkalinity]\nstart-dkh-per-day = {uptake}\n").ok();
        }
        let tied = |bottle: &Bottle| matches!(&bottle.gives, Gives::Uptake(of) if Some(of) == calcium().as_ref());
        if let Some(bottle) = self.bottles.iter().find(|bottle| tied(bottle)) {
            let of = calcium().map_or(0.0, |of| self.uptake_of(&of));
            write!(text, "\n# What {} gives: 20.04 mg of calcium for each meq of alkalinity, {of:.2} mg/L a day.\n[uptake.calcium]\nwith = \"alkalinity\"\n", bottle.name).ok();
        }
        for bottle in &self.bottles {
            let line = self.line(bottle);
            let gives = match &bottle.gives {
                Gives::Uptake(of) => format!("share-of-uptake = 1.0\nof = \"{of}\""),
                Gives::Daily(volume) => format!("daily-ml = {}", volume.as_ml()),
            };
            write!(
                text,
                "\n[line.{}]\n# {:.2} mL a day; a bottle of {} lasts {:.0} days.\n{gives}\ndoses = {}\n",
                bottle.name, line.daily_ml, bottle.capacity, line.lasts_days, line.doses
            )
            .ok();
        }
        text
    }
}
