# Time lme4's fit alone: Rscript fit_once.R FILE, the file as written by visits_to_time.write_for_r.
# Prints "seconds criterion" per repetition; reading the file and loading lme4 are not counted.
suppressMessages(library(lme4))
file <- commandArgs(TRUE)[1]
names <- c("patient", "protocol", "week", "value", "baseline", "age_years", paste0("spline_", 1:4))
d <- as.data.frame(matrix(readBin(file, "double", file.size(file) / 8), ncol = length(names), dimnames = list(NULL, names)))
d$patient <- factor(d$patient); d$protocol <- factor(d$protocol)
spent <- 0
for (repetition in 1:5) {
  started <- proc.time()[["elapsed"]]
  fit <- suppressWarnings(suppressMessages(lmer(value ~ protocol * (spline_1 + spline_2 + spline_3 + spline_4) + baseline + age_years + (week | patient), d)))
  seconds <- proc.time()[["elapsed"]] - started
  cat(seconds, format(REMLcrit(fit), digits = 15), "\n"); flush(stdout())
  spent <- spent + seconds
  if (spent > 5) break
}
