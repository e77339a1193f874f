//! How numbers are written for people: enough figures to act on, never an exponent, always a unit beside them.

/// `value` with about four significant figures and no exponent: `1283`, `26.45`, `0.02645`.
pub(crate) fn figures(value: f64) -> String {
    let size = value.abs();
    let decimals = if !value.is_finite() || size >= 1000.0 || size == 0.0 {
        0
    } else if size >= 100.0 {
        1
    } else if size >= 10.0 {
        2
    } else if size >= 1.0 {
        3
    } else if size >= 0.1 {
        4
    } else if size >= 0.01 {
        5
    } else {
        6
    };
    format!("{value:.decimals$}")
}

/// The same with a plus sign on what is added.
pub(crate) fn signed(value: f64) -> String {
    let text = figures(value);
    if value > 0.0 {
        format!("+{text}")
    } else {
        text
    }
}

/// mg/L, or ug/L where that reads better.
pub fn amount(mg_per_l: f64) -> String {
    if mg_per_l.abs() < 0.01 && mg_per_l.abs() > 0.0 {
        format!("{} ug/L", figures(mg_per_l * 1000.0))
    } else {
        format!("{} mg/L", figures(mg_per_l))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_four_figures_without_an_exponent() {
        for (value, text) in [
            (1283.72, "1284"),
            (-412.085, "-412.1"),
            (26.4545, "26.45"),
            (0.026_454_5, "0.02645"),
            (0.000_764_472, "0.000764"),
            (0.0, "0"),
        ] {
            assert_eq!(figures(value), text);
        }
        assert_eq!(signed(0.5), "+0.5000");
        assert_eq!(signed(-0.5), "-0.5000");
    }
}
