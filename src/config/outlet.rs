//! What leaves the outlet of a line: first what its tube still holds, then what is in its bottle.

use std::collections::BTreeMap;

use super::contents::TubeContent;
use super::model::{Controller, Line, Origin, Reservoir, Solution};
use crate::chemistry::{Quantity, SolutionEffect};
use crate::quantity::{Name, TankVolume, Volume};

/// What comes out of a line from now on.
#[derive(Debug, Clone, Copy)]
pub struct Outlet<'a> {
    /// What comes first, and how much of it.
    pub tube: Option<(&'a Solution, Volume)>,
    pub bottle: &'a Solution,
}

impl<'a> Outlet<'a> {
    /// What leaves it next.
    pub fn solution(&self) -> &'a Solution {
        self.tube.map_or(self.bottle, |(solution, _)| solution)
    }

    /// What `volume` adds to `tank`; of a dose across the end of the tube's content each part by itself.
    pub fn carried(&self, volume: Volume, tank: TankVolume) -> BTreeMap<Quantity, f64> {
        let (first, left) = self.tube.unwrap_or((self.bottle, volume));
        let of_tube = volume.min(left);
        let mut carried = first.effect.carried(of_tube, tank);
        let of_bottle = volume.saturating_sub(of_tube);
        for (of, amount) in self.bottle.effect.carried(of_bottle, tank) {
            *carried.entry(of).or_default() += amount;
        }
        carried
    }
}

impl Controller {
    pub fn line(&self, name: &Name) -> Option<&Line> {
        self.lines.iter().find(|line| line.name == *name)
    }

    /// Lines that draw on a bottle.
    pub fn drawing_on<'a>(&'a self, reservoir: &'a Name) -> impl Iterator<Item = &'a Line> {
        let lines = self.lines.iter();
        lines.filter(move |line| line.reservoir == *reservoir)
    }

    /// What a bottle holds.
    pub fn solution_in(&self, reservoir: &Name) -> Option<&Solution> {
        let first = || self.reservoirs.get(reservoir)?.solutions.first();
        let known = self.contents.bottles.get(reservoir);
        self.solutions
            .get(known.map(|(name, _)| name).or_else(first)?)
    }

    /// Who says what a bottle holds.
    pub fn content_from(&self, reservoir: &Name) -> Origin {
        match self.contents.bottles.get(reservoir) {
            Some((_, true)) => Origin::Ledger,
            Some((_, false)) | None => Origin::File,
        }
    }

    pub fn outlet(&self, line: &Name) -> Option<Outlet<'_>> {
        let bottle = self.solution_in(&self.line(line)?.reservoir)?;
        let tube = self.contents.tubes.get(line);
        let tube = tube.and_then(|tube| Some((self.solutions.get(&tube.solution)?, tube.left)));
        Some(Outlet { tube, bottle })
    }

    /// What leaves the outlet of a line next.
    pub fn solution_of(&self, line: &Name) -> Option<&Solution> {
        self.outlet(line).map(|outlet| outlet.solution())
    }

    pub fn effect_of(&self, line: &Name) -> Option<&SolutionEffect> {
        self.solution_of(line).map(|solution| &solution.effect)
    }

    /// Lines that may give a quantity without anybody having said so, with what leaves them.
    pub fn unseen_givers(&self, of: &Quantity) -> impl Iterator<Item = (&Name, &Solution)> {
        let leaving = self
            .lines
            .iter()
            .filter_map(|l| Some((&l.name, self.solution_of(&l.name)?)));
        leaving.filter(move |(_, solution)| solution.may_carry(of))
    }

    /// Every solution that the bottle of a line may hold.
    pub fn may_give(&self, line: &Line) -> impl Iterator<Item = &Solution> {
        let bottle = self.reservoirs.get(&line.reservoir);
        let names = bottle.map_or(&[][..], |bottle: &Reservoir| &bottle.solutions);
        names.iter().filter_map(|name| self.solutions.get(name))
    }

    /// Puts a solution into a bottle, with whether a person told it; `tube` is what the tubes of its lines still hold of another.
    pub fn fill(
        &mut self,
        reservoir: &Name,
        (solution, told): (&Name, bool),
        tube: Option<&TubeContent>,
    ) {
        let lines: Vec<Name> = self.drawing_on(reservoir).map(|l| l.name.clone()).collect();
        let tube = tube.filter(|tube| tube.left > Volume::ZERO && tube.solution != *solution);
        for line in lines {
            match tube {
                Some(tube) => drop(self.contents.tubes.insert(line, tube.clone())),
                None => drop(self.contents.tubes.remove(&line)),
            }
        }
        self.told(reservoir, (solution, told));
    }

    /// A bottle as it is known, told by a person or assumed; its tubes stay as they are.
    pub fn told(&mut self, reservoir: &Name, (solution, told): (&Name, bool)) {
        let contents = &mut self.contents.bottles;
        contents.insert(reservoir.clone(), (solution.clone(), told));
    }

    /// The line has a new tube, which holds nothing; true when something else leaves it from now on.
    pub fn new_tube(&mut self, line: &Name) -> bool {
        self.contents.tubes.remove(line).is_some()
    }

    /// Whether the tube of a line holds another solution than its bottle.
    pub fn tube_differs(&self, line: &Name) -> bool {
        self.contents.tubes.contains_key(line)
    }

    /// Takes what left the outlet out of the tube; true when something else leaves it from now on.
    pub fn draw(&mut self, line: &Name, volume: Volume) -> bool {
        let Some(tube) = self.contents.tubes.get_mut(line) else {
            return false;
        };
        tube.left = tube.left.saturating_sub(volume);
        let through = tube.left <= Volume::ZERO;
        if through {
            self.contents.tubes.remove(line);
        }
        through
    }
}
