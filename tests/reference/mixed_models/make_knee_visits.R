# Invented cohort with unequally spaced weeks and missing visits: knee-visits.csv.
# 72 patients, three protocols, weeks 2, 6, 12, 26, 52; patient intercept and slope, first-order autoregressive
# residual with a variance that grows, about a fifth of the visits missing at random.
set.seed(20240607)
weeks <- c(2, 6, 12, 26, 52)
n <- 72
patients <- data.frame(
  patient = sprintf("P%02d", 1:n),
  protocol = factor(rep(c("exercise", "home", "motion"), length.out = n)),
  age = round(runif(n, 18, 58)),
  baseline = round(rnorm(n, 55, 9), 1)
)
rows <- do.call(rbind, lapply(seq_len(n), function(i) {
  effects <- c(rnorm(1, 0, 5), rnorm(1, 0, 0.12))
  correlation <- 0.45^abs(outer(1:5, 1:5, "-"))
  sd <- c(3.5, 4, 5, 5.5, 6.5)
  residual <- drop(t(chol(correlation)) %*% rnorm(5)) * sd
  gain <- c(exercise = 0, home = 3, motion = 5)[as.character(patients$protocol[i])]
  mean <- 20 + 0.6 * patients$baseline[i] + (28 + gain) * (1 - exp(-weeks / 14)) - 0.1 * (patients$age[i] - 38)
  data.frame(patients[rep(i, 5), ], week = weeks, visit = 1:5,
             value = round(mean + effects[1] + effects[2] * weeks + residual, 2))
}))
keep <- runif(nrow(rows)) > c(0.08, 0.15, 0.2, 0.25, 0.3)[rows$visit]
write.csv(rows[keep, ], "knee-visits.csv", row.names = FALSE, quote = FALSE)
