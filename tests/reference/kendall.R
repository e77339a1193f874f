# Reference numbers of the rank trend's tests (src/statistics/kendall.rs). Run by hand, never by CI.
#
#   Rscript tests/reference/kendall.R     (made with R 4.2.2, survival 3.5-3)
#
# A value below a detection limit is left-censored; turned over it is right-censored, and survival's concordance counts which pairs can be
# ordered. The variance of the score is taken over all orders of the values. The slope is where the score of what is left passes zero.
library(survival)

days <- c(0, 30, 61, 92, 120, 151, 184)
cases <- list(
  c(9.0, 8.1, 7.5, -6, 6.2, -5, -5),
  c(-2, -2, 2.5, -3, 3.1, 4.0, 4.4),
  c(5.0, 5.0, -5, 4.2, -2, 5.1, 3.9),
  c(8.0, 7.1, 6.1, 5.0, 4.4, 3.1, 2.2)
)

score <- function(x, y, below) {
  counts <- concordance(Surv(-y, !below) ~ x)$count
  # Turned over, what is concordant with x falls.
  unname(counts["discordant"] - counts["concordant"])
}

orders <- function(v) {
  if (length(v) <= 1) return(list(v))
  out <- list()
  for (i in seq_along(v)) for (rest in orders(v[-i])) out[[length(out) + 1]] <- c(v[i], rest)
  out
}

for (case in cases) {
  y <- abs(case)
  below <- case < 0
  all <- sapply(orders(seq_along(y)), function(o) score(days, y[o], below[o]))
  at <- function(b) score(days, y - b * days, below)
  edge <- function(holds) {
    low <- -1; high <- 1
    for (i in 1:60) { mid <- (low + high) / 2; if (holds(at(mid))) low <- mid else high <- mid }
    low
  }
  slope <- (edge(function(s) s > 0) + edge(function(s) s >= 0)) / 2
  s <- score(days, y, below)
  cat(case, "\n  score", s, "variance", sprintf("%.10f", mean(all^2)), "slope", sprintf("%.8f", slope),
      "exact p", sprintf("%.5f", mean(abs(all) >= abs(s))), "\n")
}
