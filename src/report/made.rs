//! From material to a report, part by part.

use super::bottles::bottles;
use super::days::Days;
use super::doses::lines;
use super::glance::{due, glance};
use super::heads::heads;
use super::journal::{changes, events, holds};
use super::material::Material;
use super::model::{Glance, Report, Wellness};
use super::panels::panels;
use super::story::story;
use super::water::{readings, water};
use crate::config::Mode;
use crate::engine::{Engine, ShellFacts, Status};

impl Report {
    pub fn of(material: &Material<'_>, engine: &mut Engine) -> Self {
        let Material {
            controller, now, ..
        } = material;
        let days = Days::new(&controller.time_zone, now.wall, material.days);
        let status: Status = engine.status(*now, &ShellFacts::default());
        let mut report = Self {
            name: controller.name.clone(),
            at: now.wall,
            since: days.since(),
            days: material.days,
            time_zone: controller.time_zone_name.clone(),
            zone: controller.time_zone.clone(),
            live: status.mode == Mode::Live,
            invented: material.invented,
            rehearsed: material.rehearsed.clone(),
            glance: Glance {
                wellness: Wellness::Well,
                sentence: String::new(),
            },
            due: Vec::new(),
            story: Vec::new(),
            water: water(material, engine, &status, &days),
            readings: readings(material, &days),
            lines: lines(material, &status, &days),
            bottles: bottles(material, &status, &days),
            panels: panels(material, &days),
            heads: heads(material, &status, &days),
            holds: holds(material, &status),
            changes: changes(material, &days),
            events: events(material),
        };
        report.due = due(&report, engine, &status, *now);
        report.glance = glance(&report, &status);
        report.story = story(&report);
        report
    }
}
