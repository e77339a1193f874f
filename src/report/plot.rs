//! Lines, bands, bars, dots and words in a picture as wide as its place.
//!
//! What has a shape lies in an inner picture that is stretched to the width, with strokes that are not; dots and words lie above it by
//! per cent, so that they keep their size on a phone. There is no colour here and no style but classes: `plot.css` has the rest.

use std::fmt::Write;

use maud::{Markup, html};

use super::axis::{TimeAxis, ValueAxis, WIDTH};

/// Room for the dates below.
pub(super) const DATES: f64 = 15.0;

/// A picture in the making.
pub(super) struct Plot {
    name: String,
    height: f64,
    paths: Vec<(&'static str, String)>,
    above: Vec<Markup>,
}

/// A place in a picture.
pub(super) type Point = (f64, f64);

/// Left edge, width, bottom and top.
pub(super) type Block = (f64, f64, f64, f64);

impl Plot {
    /// With this accessible name, and the lines of time that all pictures share.
    pub(super) fn new(name: String, height: f64, time: &TimeAxis) -> Self {
        let mut plot = Self {
            name,
            height,
            paths: Vec::new(),
            above: Vec::new(),
        };
        let bottom = height - DATES;
        for tick in time.ticks() {
            let class = if tick.is_major { "month" } else { "week" };
            plot.upright(class, tick.x, (0.0, bottom));
            if !tick.label.is_empty() && tick.x < WIDTH - 30.0 {
                plot.label("date", (tick.x, height - 3.0), &tick.label);
            }
        }
        let now = time.x(time.now);
        if now < WIDTH - 1.0 {
            plot.upright("now", now, (0.0, bottom));
        }
        plot
    }

    /// Lines across at round amounts, each with its number.
    pub(super) fn scale(&mut self, axis: &ValueAxis, about: f64) {
        for (value, label) in axis.ticks(about) {
            let y = axis.y(value);
            self.path("rule", format!("M0 {}H{WIDTH}", short(y)));
            self.label("scale", (0.0, y - 2.0), &label);
        }
    }

    pub(super) fn path(&mut self, class: &'static str, d: String) {
        if !d.is_empty() {
            self.paths.push((class, d));
        }
    }

    pub(super) fn line(&mut self, class: &'static str, points: &[Point]) {
        self.path(class, traced(points));
    }

    /// Between a lower and an upper edge.
    pub(super) fn band(&mut self, class: &'static str, edges: &[(f64, f64, f64)]) {
        let lower: Vec<Point> = edges.iter().map(|(x, low, _)| (*x, *low)).collect();
        let upper = edges.iter().rev().map(|(x, _, high)| (*x, *high));
        let all: Vec<Point> = lower.into_iter().chain(upper).collect();
        let traced = traced(&all);
        if !traced.is_empty() {
            self.path(class, traced + "Z");
        }
    }

    pub(super) fn across(&mut self, class: &'static str, y: f64, (from, to): (f64, f64)) {
        self.path(
            class,
            format!("M{} {}H{}", short(from), short(y), short(to)),
        );
    }

    pub(super) fn upright(&mut self, class: &'static str, x: f64, (top, bottom): (f64, f64)) {
        self.path(
            class,
            format!("M{} {}V{}", short(x), short(top), short(bottom)),
        );
    }

    /// Upright blocks of the same kind.
    pub(super) fn blocks(&mut self, class: &'static str, all: &[Block]) {
        let mut d = String::new();
        for (x, width, bottom, top) in all {
            // Writing to a text never fails.
            write!(
                d,
                "M{} {}h{}V{}h-{}z",
                short(*x),
                short(*bottom),
                short(*width),
                short(*top),
                short(*width)
            )
            .ok();
        }
        self.path(class, d);
    }

    pub(super) fn dot(&mut self, class: &'static str, (x, y): Point) {
        self.above.push(html! {
            circle class=(class) cx=(percent(x)) cy=(short(y)) r="3" {}
        });
    }

    /// Beside the place; words near the right edge end there.
    pub(super) fn label(&mut self, class: &'static str, (x, y): Point, text: &str) {
        self.above.push(html! {
            text class=(class) x=(percent(x)) y=(short(y)) dx="3" { (text) }
        });
    }

    /// Ends at the right edge.
    pub(super) fn label_at_end(&mut self, class: &'static str, y: f64, text: &str) {
        self.above.push(html! {
            text class={ (class) " end" } x="100%" y=(short(y)) { (text) }
        });
    }

    /// As a part of a page, or with `style` as a picture of its own.
    pub(super) fn drawn(&self, style: Option<&str>) -> Markup {
        let height = short(self.height);
        html! {
            svg xmlns=[style.map(|_| "http://www.w3.org/2000/svg")] class="plot" role="img" aria-label=(self.name)
                width=(if style.is_some() { "760" } else { "100%" }) height=(height) {
                @if let Some(style) = style {
                    style { (maud::PreEscaped(style)) }
                }
                svg width="100%" height=(height) viewBox={ "0 0 " (WIDTH) " " (height) } preserveAspectRatio="none" {
                    @for (class, d) in &self.paths {
                        path class=(class) d=(d) {}
                    }
                }
                @for mark in &self.above { (mark) }
            }
        }
    }
}

fn traced(points: &[Point]) -> String {
    let mut d = String::new();
    for (number, (x, y)) in points.iter().enumerate() {
        let step = if number == 0 { 'M' } else { 'L' };
        // Writing to a text never fails.
        write!(d, "{step}{} {}", short(*x), short(*y)).ok();
    }
    d
}

/// With one decimal, and without one that is none.
fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

fn percent(x: f64) -> String {
    format!("{:.2}%", x / WIDTH * 100.0)
}
