//! What was measured after a run: read in mL on a cylinder, or weighed in g and turned into a volume.

use crate::chemistry::Celsius;
use crate::cli::talk::Talk;
use crate::cli::words::{celsius, usage};
use crate::cli::{Failure, Result};
use crate::metering::{Air, Liquid};
use crate::quantity::{Millis, Volume, parse_duration, parse_plain_number, parse_volume};
use crate::record::CalibrationRun;

/// Air pressure where the owner gives none, hPa: the standard atmosphere (ISO 2533). 50 hPa either way change a volume by 0.005 %.
const STANDARD_HPA: f64 = 1013.25;

/// Relative humidity of a room, %: its whole range changes a volume by 0.001 %. Ours.
const ROOM_HUMIDITY_PERCENT: f64 = 50.0;

/// Room temperature, C, where the owner gives none for a liquid of stated density; it matters to the air alone.
const ROOM_CELSIUS: f64 = 20.0;

/// What a weight is turned into a volume by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Weighing {
    liquid: Liquid,
    air: Air,
}

/// The conditions as they are typed.
#[derive(Debug, Clone, Copy, Default, clap::Args)]
pub(crate) struct Conditions {
    /// Temperature of the water that is weighed, for example "22 C"; asked for at the first entry in g when left out
    #[arg(long, value_name = "TEMPERATURE", value_parser = celsius)]
    pub(crate) water_temperature: Option<Celsius>,
    /// Air pressure where the scale stands, for example "1002 hPa"; the standard atmosphere when left out
    #[arg(long = "air-pressure", value_name = "PRESSURE", value_parser = hectopascals)]
    pub(crate) air_hpa: Option<f64>,
    /// Density of the liquid when it is not plain water, for example "1.062 kg/L"
    #[arg(long = "density", value_name = "DENSITY", value_parser = kg_per_l, conflicts_with = "water_temperature")]
    pub(crate) kg_per_l: Option<f64>,
}

impl Conditions {
    /// What weights are turned into volumes by; `None` when nothing was said of the liquid.
    pub(crate) fn weighing(&self) -> Result<Option<Weighing>> {
        let hpa = self.air_hpa.unwrap_or(STANDARD_HPA);
        let air = |celsius| Air {
            celsius,
            hpa,
            humidity_percent: ROOM_HUMIDITY_PERCENT,
        };
        let weighing = match (self.water_temperature, self.kg_per_l) {
            (Some(water), _) => {
                let celsius = water.as_degrees();
                Weighing {
                    liquid: Liquid::Water { celsius },
                    air: air(celsius),
                }
            }
            (None, Some(kg_per_l)) => Weighing {
                liquid: Liquid::Density { kg_per_l },
                air: air(ROOM_CELSIUS),
            },
            (None, None) => return Ok(None),
        };
        // Refused here, not after the first run.
        weighing.ml_per_gram()?;
        Ok(Some(weighing))
    }
}

/// What is entered at the bench, and what turns it into volumes: asked for when the first weight is entered, unless it is known.
#[derive(Debug)]
pub(crate) struct Entries {
    conditions: Conditions,
    weighing: Option<Weighing>,
}

impl Entries {
    /// By the conditions that were typed with the command.
    ///
    /// # Errors
    /// When they make no sense.
    pub(crate) fn new(conditions: &Conditions) -> Result<Self> {
        Ok(Self {
            weighing: conditions.weighing()?,
            conditions: *conditions,
        })
    }

    /// What weights are turned into volumes by; `None` while nothing is known of the liquid.
    pub(crate) const fn weighing(&self) -> Option<&Weighing> {
        self.weighing.as_ref()
    }

    /// How entries are taken, for whoever is to make them.
    pub(crate) fn words(&self) -> String {
        let liquid = self.weighing.map(|weighing| weighing.liquid);
        match liquid {
            Some(Liquid::Density { kg_per_l }) => {
                format!("Entries are in mL, or in g of a liquid of {kg_per_l} kg/L.")
            }
            Some(Liquid::Water { .. }) | None => "Entries are in mL, or in g on a scale. Grams are converted as plain water: weigh water, never a dense solution (its known density is given with --density).".to_owned(),
        }
    }

    /// An entry as it is kept: a weight with what turned it into a volume.
    ///
    /// # Errors
    /// When nothing is known of what was weighed.
    pub(crate) fn kept(&self, typed: &str) -> Result<String> {
        match (grams(typed), self.weighing) {
            (Some(_), Some(weighing)) => Ok(format!("{typed} ({})", weighing.words()?)),
            (Some(_) | None, _) => Ok(typed.to_owned()),
        }
    }

    /// An entry as a volume; `None` when it is none, which was said.
    ///
    /// # Errors
    /// When whoever was asked went away.
    pub(crate) fn volume(&mut self, typed: &str, talk: &mut impl Talk) -> Result<Option<Volume>> {
        self.read(typed, Read::volume, talk)
    }

    /// The step of the vessel or scale that entries are read by; `None` when it is none, which was said.
    ///
    /// # Errors
    /// When whoever was asked went away.
    pub(crate) fn step(&mut self, typed: &str, talk: &mut impl Talk) -> Result<Option<Volume>> {
        self.read(typed, Read::step, talk)
    }

    fn read(
        &mut self,
        typed: &str,
        how: fn(&Read, Option<&Weighing>) -> Result<Volume>,
        talk: &mut impl Talk,
    ) -> Result<Option<Volume>> {
        let Some(read) = told(Read::new(typed).map_err(usage), talk)? else {
            return Ok(None);
        };
        if let Scale::Grams(_) = read.on {
            self.ask_liquid(talk)?;
        }
        told(how(&read, self.weighing.as_ref()), talk)
    }

    /// A net mass in g as a volume; `None` when it is none, which was said.
    ///
    /// # Errors
    /// When whoever was asked went away.
    pub(crate) fn volume_of(&mut self, grams: f64, talk: &mut impl Talk) -> Result<Option<Volume>> {
        let Weighing { liquid, air } = self.ask_liquid(talk)?;
        told(liquid.volume(grams, air).map_err(usage), talk)
    }

    /// Asks what is weighed in which air, when nobody knows.
    ///
    /// # Errors
    /// When whoever was asked went away.
    pub(crate) fn ask_liquid(&mut self, talk: &mut impl Talk) -> Result<Weighing> {
        if let Some(weighing) = self.weighing {
            return Ok(weighing);
        }
        talk.say("Grams are converted as plain water: what is weighed has to be water, never a dense solution.")?;
        let mut weighing = loop {
            let typed = talk.ask("Temperature of the water? (for example 22 C)")?;
            let Some(water) = told(celsius(&typed).map_err(usage), talk)? else {
                continue;
            };
            let conditions = Conditions {
                water_temperature: Some(water),
                ..self.conditions
            };
            if let Some(Some(weighing)) = told(conditions.weighing(), talk)? {
                self.conditions = conditions;
                break weighing;
            }
        };
        while self.conditions.air_hpa.is_none() {
            let typed = talk.ask(
                "Air pressure where the scale stands? (for example 1002 hPa; Enter when it is not known)",
            )?;
            if typed.is_empty() {
                break;
            }
            let Some(hpa) = told(hectopascals(&typed).map_err(usage), talk)? else {
                continue;
            };
            let conditions = Conditions {
                air_hpa: Some(hpa),
                ..self.conditions
            };
            if let Some(Some(better)) = told(conditions.weighing(), talk)? {
                self.conditions = conditions;
                weighing = better;
            }
        }
        self.weighing = Some(weighing);
        Ok(weighing)
    }
}

/// Says what is wrong with an answer; `None` then.
fn told<T>(result: Result<T>, talk: &mut impl Talk) -> Result<Option<T>> {
    match result {
        Ok(value) => Ok(Some(value)),
        Err(Failure::Said { text, .. }) => talk.say(&text).map(|()| None),
        Err(other @ Failure::ClosedPipe) => Err(other),
    }
}

/// The number of a weight in g; `None` for what is no weight.
pub(crate) fn grams(text: &str) -> Option<f64> {
    text.trim()
        .strip_suffix('g')
        .and_then(|number| parse_plain_number(number.trim()).ok())
}

impl Weighing {
    /// mL that show 1 g on the scale.
    pub(crate) fn ml_per_gram(&self) -> Result<f64> {
        self.liquid.ml_per_gram(self.air).map_err(usage)
    }

    pub(crate) fn words(&self) -> Result<String> {
        let liquid = match self.liquid {
            Liquid::Water { celsius } => format!("water of {celsius} C"),
            Liquid::Density { kg_per_l } => format!("a liquid of {kg_per_l} kg/L"),
        };
        Ok(format!(
            "{liquid}, air of {} hPa: 1 g is {:.5} mL",
            self.air.hpa,
            self.ml_per_gram()?
        ))
    }
}

fn hectopascals(text: &str) -> Result<f64, String> {
    with_unit(text, "hPa", "air pressure", "1002 hPa")
}

fn kg_per_l(text: &str) -> Result<f64, String> {
    with_unit(text, "kg/L", "density", "1.062 kg/L")
}

fn with_unit(text: &str, unit: &str, what: &str, example: &str) -> Result<f64, String> {
    text.trim()
        .strip_suffix(unit)
        .and_then(|number| parse_plain_number(number.trim()).ok())
        .ok_or_else(|| {
            format!("\"{text}\" is no {what}; write it with its unit, for example \"{example}\"")
        })
}

/// What was read: `14.8 mL` on a vessel, or `14.76 g` on a scale.
#[derive(Debug, Clone)]
pub(crate) struct Read {
    pub(crate) typed: String,
    on: Scale,
}

#[derive(Debug, Clone, Copy)]
enum Scale {
    Grams(f64),
    Volume(Volume),
}

impl Read {
    pub(crate) fn new(text: &str) -> Result<Self, String> {
        let typed = text.trim().to_owned();
        let on = match grams(&typed) {
            Some(grams) => Scale::Grams(grams),
            None => parse_volume(&typed).map(Scale::Volume).map_err(|error| {
                format!("{error}; a weight is written in g, for example \"14.76 g\"")
            })?,
        };
        Ok(Self { typed, on })
    }

    /// As the step that readings are rounded to; volumes are kept in whole microlitres, so that none is finer.
    pub(crate) fn step(&self, weighing: Option<&Weighing>) -> Result<Volume> {
        let is_none = match self.on {
            Scale::Volume(volume) => volume <= Volume::ZERO,
            Scale::Grams(grams) => grams <= 0.0,
        };
        if is_none {
            return Err(usage(format!(
                "a step of {} is none: every vessel and scale has one; give the smallest difference that it shows, for example 0.1 mL or 0.01 g",
                self.typed
            )));
        }
        Ok(self.volume(weighing)?.max(Volume::from_ul(1)))
    }

    pub(crate) fn volume(&self, weighing: Option<&Weighing>) -> Result<Volume> {
        let grams = match self.on {
            Scale::Volume(volume) => return Ok(volume),
            Scale::Grams(grams) => grams,
        };
        let weighing = weighing.ok_or_else(|| {
            usage("a weight needs the temperature of the water: add --water-temperature, for example \"22 C\"")
        })?;
        weighing.liquid.volume(grams, weighing.air).map_err(usage)
    }
}

/// A run that was timed before: `30s=14.8mL`.
#[derive(Debug, Clone)]
pub(crate) struct TimedRun {
    on_time: Millis,
    gave: Read,
}

impl TimedRun {
    pub(crate) fn new(text: &str) -> Result<Self, String> {
        let (time, gave) = text.split_once('=').ok_or_else(|| {
            format!(
                "\"{text}\" is no run; write its time and what came out, for example 30s=14.8mL or 30s=14.76g"
            )
        })?;
        Ok(Self {
            on_time: parse_duration(time).map_err(|error| error.to_string())?,
            gave: Read::new(gave)?,
        })
    }

    pub(crate) fn weighed(&self, weighing: Option<&Weighing>) -> Result<CalibrationRun> {
        Ok(CalibrationRun {
            on_time: self.on_time,
            volume: self.gave.volume(weighing)?,
            typed: self.gave.typed.clone(),
            dose: None,
            used: true,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_of_nothing_is_asked_for_again_and_one_below_a_microlitre_is_one() {
        let step = |text: &str| {
            Read::new(text)
                .map_err(usage)?
                .step(Some(&at("20 C", "1013 hPa")))
        };
        refused(step("0 mL"));
        assert!(refused(step("0 g")).contains("the smallest difference that it shows"));
        assert_eq!(step("0.0001 g").unwrap(), Volume::from_ul(1));
        assert_eq!(step("0.2 mL").unwrap(), Volume::from_ul(200));
    }

    fn at(celsius: &str, hpa: &str) -> Weighing {
        let conditions = Conditions {
            water_temperature: Some(super::celsius(celsius).unwrap()),
            air_hpa: Some(hectopascals(hpa).unwrap()),
            kg_per_l: None,
        };
        conditions.weighing().unwrap().unwrap()
    }

    fn measured(text: &str, weighing: Option<&Weighing>) -> Result<Volume> {
        Read::new(text).map_err(usage)?.volume(weighing)
    }

    fn refused<T>(result: Result<T>) -> String {
        match result {
            Err(Failure::Said { text, .. }) => text,
            Err(Failure::ClosedPipe) | Ok(_) => panic!("not refused"),
        }
    }

    /// ISO 8655-6 prints Z = 1.0029 uL/mg for water of 20.0 C at 1013 hPa.
    #[test]
    fn grams_become_millilitres_by_water_density_and_air_buoyancy() {
        let weighing = at("20 C", "1013 hPa");
        let volume = measured("10.000 g", Some(&weighing)).unwrap();
        assert!((volume.as_ml() - 10.029).abs() < 0.001, "{volume}");
        assert_eq!(
            measured("14.8mL", Some(&weighing)).unwrap(),
            Volume::from_ul(14_800)
        );
        assert!(
            weighing.words().unwrap().contains("1 g is 1.0028"),
            "{}",
            weighing.words().unwrap()
        );
    }

    #[test]
    fn a_weight_without_a_temperature_and_a_number_without_a_unit_are_refused() {
        assert!(refused(measured("14.7 g", None)).contains("--water-temperature"));
        assert!(refused(measured("14.7", None)).contains("mL"));
        for wrong in ["22", "22 K", "85 C"] {
            let weighing = celsius(wrong).map_err(usage).and_then(|water| {
                let conditions = Conditions {
                    water_temperature: Some(water),
                    ..Conditions::default()
                };
                conditions.weighing()
            });
            refused(weighing);
        }
        assert!(hectopascals("1013").unwrap_err().contains("hPa"));
    }
}
