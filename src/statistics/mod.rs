//! How far numbers can be trusted: lines with their limits, Student's t and Fisher's F, errors of several sources in one, middle and spread, ranks.
//!
//! One of each, for all above. Nothing here knows of tanks, doses or pumps.

mod combined;
mod kendall;
mod line;
mod normal;
mod spread;
mod student;

pub use combined::Combined;
pub use kendall::{RankTrend, Seen};
pub use line::{Line, POINTS_MAX, Point, StatisticsError};
pub use normal::{Truncated, normal_below, normal_density, truncated_above};
pub use spread::mean_and_sd;
pub use student::{Confidence, f_probability_upper, t_probability_two_sided, t_two_sided};
